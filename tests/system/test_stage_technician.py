"""The technician's view in Chromium against the running service on simulated ports."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from stage_page import Tab

from routerd.ports.far_end import FarEnd
from routerd.server.shows.record import RecordFolder, head
from tests.documents import report
from tests.service import Service, until

pytestmark = [pytest.mark.system, pytest.mark.browser]


def a_tab(browser: Any, service: Service) -> Tab:
    tab = Tab(browser, service, "/stage/technician").live()
    tab.page.wait_for_selector("#order li:nth-child(3)")
    return tab


@pytest.fixture
def tab(browser: Any, service: Service) -> Iterator[Tab]:
    one = a_tab(browser, service)
    yield one
    assert one.complaints() == []
    one.close()


def order(service: Service) -> list[str]:
    return [song["song"] for song in service.ask("GET", "/v1/set-list")["order"]]


def test_ports_and_problems_come_first(tab: Tab, far_end_port: int) -> None:
    tab.until_text("#problems", "none")
    assert tab.page.locator("#ports tr").count() == 11
    with FarEnd(("127.0.0.1", far_end_port)) as band:
        band.unplug("sampler")
        tab.until_text("#problems", "sampler")
        tab.until_text("#ports tr:first-child", "✕ missing")
        assert tab.text("#ports tr:first-child th") == "sampler"
        band.plug("sampler")
        tab.until_text("#problems", "none")


def test_nothing_old_is_shown_as_of_now(tab: Tab) -> None:
    tab.page.wait_for_selector("#wires tr")
    tab.context.set_offline(True)
    tab.page.wait_for_selector("body[data-live=no]")
    tab.until_text("#problems", "not known")
    tab.until_text("#state", "not known")
    assert set(tab.page.locator("#ports td:nth-child(3)").all_inner_texts()) == {"○ was open"}
    assert tab.page.locator("#wires tr").count() == 0
    tab.context.set_offline(False)
    tab.live()
    tab.until_text("#problems", "none")
    tab.until_text("#ports", "● open")


def test_jitter_and_traffic_are_live(tab: Tab) -> None:
    tab.page.wait_for_function("() => document.querySelectorAll('#wires tr').length === 8")
    tab.page.wait_for_function(
        """() => { const cell = [...document.querySelectorAll('#wires tr')]
            .find((row) => row.dataset.key === 'lead-synth')?.children;
            return cell && Number(cell[3].textContent) > 0 && Number(cell[6].textContent) > 20; }"""
    )  # 24 ticks to the quarter note at 121.5 BPM are 48.6 messages a second


def test_moved_by_buttons_by_dragging_and_taken_back(tab: Tab, service: Service) -> None:
    tab.page.click("#order li[data-number='1'] [data-act=down]")
    tab.until_text("#order li:first-child", "Nine Lamps")
    assert order(service) == ["nine-lamps", "copper-ferry", "weather-room"]
    focused = (
        "() => [document.activeElement.dataset.act, document.activeElement.closest('li').dataset.number]"
    )
    tab.page.wait_for_function(f"() => String(({focused})()) === 'down,2'")  # focus goes with its song
    tab.page.click("#undo")
    tab.until_text("#order li:first-child", "Copper Ferry")
    grip = tab.page.locator("#order li[data-number='3'] .grip").bounding_box()
    top = tab.page.locator("#order li[data-number='1']").bounding_box()
    tab.page.mouse.move(grip["x"] + 20, grip["y"] + 20)
    tab.page.mouse.down()
    tab.page.mouse.move(grip["x"] + 20, top["y"] + 30, steps=3)
    tab.page.mouse.move(grip["x"] + 20, top["y"] + 4, steps=3)
    tab.page.wait_for_selector("#order li.before")
    tab.page.mouse.up()
    tab.until_text("#order li:first-child", "Weather Room")
    assert order(service) == ["weather-room", "copper-ferry", "nine-lamps"]


def test_inserted_dropped_encore_and_saved(tab: Tab, service: Service) -> None:
    tab.page.select_option("#insert-song", label="Low Tide")
    tab.page.fill("#insert-to", "2")
    tab.page.click("#insert")
    tab.until_text("#order li:nth-child(2)", "Low Tide")
    tab.page.click("#order li[data-number='4'] [data-act=encore]")
    tab.page.wait_for_selector("#order li[data-number='4'].encore")
    tab.until_text("#h-set", "4 songs, 1 of them encore")
    tab.page.click("#no-encore")
    tab.page.wait_for_selector("#order li.encore", state="detached")
    tab.page.click("#order li[data-number='2'] [data-act=drop]")
    tab.page.wait_for_function("() => document.querySelectorAll('#order li').length === 3")
    file = service.folder / "sets" / "harbour.yaml"
    before = file.read_text()
    tab.page.click("#order li[data-number='2'] [data-act=up]")
    tab.until_text("#order li:first-child", "Nine Lamps")
    tab.page.click("#save")
    tab.until_text("#word", "hold until")
    assert file.read_text() == before
    tab.hold("#save")
    tab.until_text("#word", "Saved in")
    assert file.read_text() != before


def test_two_pages_do_not_undo_each_other(browser: Any, tab: Tab, service: Service) -> None:
    """RFC 9110, 13.1.1: a change that names another revision is refused, and nothing is lost."""
    other = a_tab(browser, service)
    # the second page does not hear of the first one's change in time, as on a poor network
    other.page.route("**/v1/set-list", lambda route: route.abort() if route.request.method == "GET" else None)
    tab.page.click("#order li[data-number='1'] [data-act=down]")
    tab.until_text("#order li:first-child", "Nine Lamps")
    other.page.click("#order li[data-number='3'] [data-act=drop]")
    other.until_text("#conflict", "Somebody else has changed the set list meanwhile")
    other.until_text("#conflict", "Drop Weather Room")
    assert order(service) == ["nine-lamps", "copper-ferry", "weather-room"], "nothing was dropped"
    other.page.unroute("**/v1/set-list")
    service.ask("POST", "/v1/set-list/encore", {})
    other.until_text("#order li:first-child", "Nine Lamps")
    other.page.click("#again")
    other.page.wait_for_function("() => document.querySelectorAll('#order li').length === 2")
    tab.page.wait_for_function("() => document.querySelectorAll('#order li').length === 2")
    assert order(service) == ["nine-lamps", "copper-ferry"]
    assert other.page.is_hidden("#conflict")
    other.close()


def test_tuning_says_how_far_off(tab: Tab) -> None:
    tab.until_text("#note", "D3 · 146.83")
    tab.page.fill("#measured", "146.2")
    tab.until_text("#cents", "7.47 cents flat")  # 1200 log2(146.2 / 146.8324)
    tab.page.fill("#measured", "147.68")
    tab.until_text("#cents", "sharp")


def test_a_note_to_tune_by_is_held_for(tab: Tab, service: Service) -> None:
    tab.page.select_option("#tune-device", "lead-synth")
    tab.page.click("#sound")
    tab.until_text("#word", "hold until")
    assert service.status()["tuning_note"] is None
    tab.hold("#sound")
    until(lambda: service.status()["tuning_note"], what="it sounds")
    tab.page.click("#unsound")
    until(lambda: service.status()["tuning_note"] is None, what="it has ended")


def test_mutes(tab: Tab, service: Service) -> None:
    mute = "#mutes li[data-key='device lead-synth'] .mute"
    tab.page.click(mute)
    tab.page.wait_for_selector(f"{mute}[aria-pressed=true]")
    assert service.status()["muted"] == ["device lead-synth"]
    tab.page.click(mute)
    tab.page.wait_for_selector(f"{mute}[aria-pressed=false]")
    tab.page.fill("#route", "drumms")
    tab.page.click("#mute-route")
    tab.until_text("#word", "drums")  # what is near is named


def test_learning(tab: Tab, far_end_port: int) -> None:
    tab.page.click("#learn-control")
    tab.until_text("#learn-state", "press the control")
    with FarEnd(("127.0.0.1", far_end_port)) as band:
        band.play("pedals", bytes([0xBF, 90, 127]))
    tab.until_text("#learn-entry", "- {from: pedals, cc: 90, channel: 16, do: next}")
    tab.page.click("#learn-nothing")


def test_a_soundcheck_is_begun_followed_and_read(tab: Tab) -> None:
    tab.until_text("#cautions", "Turn amplifiers, monitors and in-ear levels down first")
    tab.until_text("#cautions", "sudden loud sound")
    tab.until_text("#cautions", "local rules on sound levels and electrical safety come first")
    for stage in ("loopbacks", "traffic", "songs"):
        tab.page.uncheck(f"#stages input[value={stage}]")
    tab.page.fill("#seconds", "1")
    tab.page.click("#check-begin", force=True)
    tab.until_text("#word", "first confirm that levels are down")
    tab.page.check("#levels")
    tab.page.click("#check-begin")
    tab.until_text("#word", "Begin: hold")
    tab.hold("#check-begin")
    tab.until_text("#check-now", "Under way")
    tab.until_text("#check-stages", "✓ machine, done")
    tab.until_text("#check-now", "The last one ended")
    tab.page.wait_for_selector("#check-name option", state="attached")
    tab.page.click("#check-read")
    tab.until_text("#check-text", "SOUNDCHECK")


def test_reports_are_read_here(tab: Tab) -> None:
    tab.page.click("#report-minute")
    tab.until_text("#report-text", "JITTER REPORT")


def test_a_show_before_is_read_here(browser: Any, service: Service) -> None:
    kept = RecordFolder(service.folder.parent / "state" / "shows" / "20310506-200000")
    kept.append_lines([head({"began": "2031-05-06T20:00:00+00:00", "server": 1})])
    kept.write_report(1, report(600.0))
    tab = a_tab(browser, service)
    tab.page.wait_for_selector("#show-page:not([hidden])")
    tab.page.click("#show-read")
    tab.until_text("#report-text", "0:10:00, 0 ticks")
    tab.close()


def test_the_monitor_has_the_fate_of_each_message(tab: Tab, far_end_port: int) -> None:
    tab.page.click("#listen")
    tab.until_text("#m-state", "Listening.")
    with FarEnd(("127.0.0.1", far_end_port)) as band:
        band.play("pads", bytes([0x99, 36, 64]))
        tab.until_text("#messages", "drums → drum-synth: note on C2")
        band.play("pads", bytes([0x89, 36, 64]))
        tab.page.select_option("#m-device", "pedals")
        tab.until_text("#m-state", "Listening.")
    tab.page.click("#listen")
    tab.until_text("#m-state", "Not listening.")


def test_a_page_has_one_stream_and_the_monitor_one_more(tab: Tab, service: Service) -> None:
    """Browsers allow six connections a host over HTTP/1.1, and a page that used them all could not ask."""

    def streams() -> list[str]:
        return [one.url.partition("/v1/")[2] for one in tab.asked if one.resource_type == "eventsource"]

    assert [url.partition("?")[0] for url in streams()] == ["events"]
    until(lambda: service.status()["server"]["event_clients"] == 1, what="one reader of events")
    tab.page.click("#listen")
    tab.until_text("#m-state", "Listening.")
    assert [url.partition("?")[0] for url in streams()] == ["events", "monitor"]
