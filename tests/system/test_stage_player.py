"""The player's view in Chromium: an evening clicked through against the service on simulated ports."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from stage_page import DEMO, Tab

from routerd.ports.far_end import FarEnd
from tests.service import Service, until

pytestmark = [pytest.mark.system, pytest.mark.browser]

NEXT, PREVIOUS, GO, RUN, PANIC = "#forward", "#previous", "#go", "#run", "#panic"


@pytest.fixture
def tab(browser: Any, service: Service) -> Iterator[Tab]:
    one = Tab(browser, service).live()
    one.until_text("#song", "Copper Ferry")
    yield one
    assert one.complaints() == []
    one.close()


def test_it_shows_where_the_show_stands(tab: Tab) -> None:
    tab.until_text("#section", "intro")
    tab.until_text("#next", "Nine Lamps")
    tab.until_text("#where", "Harbour · 1 of 3")
    tab.until_text("#tempo", "121.5 BPM")
    tab.until_text("#leader", "the song's tempo")
    tab.until_text("#transport", "stopped")
    tab.until_text("#time", "under")
    assert "HARBOUR SIDE A" in tab.text("#steps")


def test_next_and_previous(tab: Tab, service: Service) -> None:
    tab.page.click(NEXT)
    tab.until_text("#song", "Nine Lamps")
    assert service.status()["song"]["song"] == "nine-lamps"
    tab.page.click(PREVIOUS)
    # Nine Lamps starts on entry: by now it runs, and leaving it asks to be held
    tab.until_text("#word", "hold until it is full")
    tab.hold(PREVIOUS)
    tab.until_text("#song", "Copper Ferry")


def test_an_answer_that_is_lost_skips_no_song(tab: Tab, service: Service) -> None:
    """The second try bears the Idempotency-Key of the first, which the service has carried out."""
    keys: list[str] = []

    def lose_the_first(route: Any) -> None:
        keys.append(route.request.headers["idempotency-key"])
        if len(keys) == 1:
            route.fetch()
            route.abort()
        else:
            route.continue_()

    tab.page.route("**/v1/next", lose_the_first)
    tab.page.click(NEXT)
    tab.until_text("#word", "Next: done")
    tab.until_text("#song", "Nine Lamps")
    assert len(keys) == 2
    assert keys[0] == keys[1]
    assert service.status()["song"]["song"] == "nine-lamps"


def test_a_section_at_once_and_at_the_bar(tab: Tab, service: Service) -> None:
    tab.page.click("#sections button[data-number='2']")
    tab.until_text("#section", "verse")
    assert tab.page.get_attribute("#sections [aria-current=true]", "data-number") == "2"
    service.ask("POST", "/v1/start")
    tab.until_text("#transport", "running")
    tab.page.check("input[value=bar]", force=True)
    tab.page.click("#sections button[data-number='3']")
    tab.until_text("#section", "chorus")
    assert tab.page.is_checked("input[value=now]"), "it holds for one press"


def test_armed_and_released_by_go(tab: Tab, service: Service) -> None:
    tab.page.check("input[value=next-press]", force=True)
    tab.page.click("#sections button[data-number='4']")
    tab.until_text("#armed", "section outro, until go")
    tab.until_text(GO, "section outro")
    assert service.status()["section"]["name"] == "intro"
    tab.page.click(GO)
    tab.until_text("#section", "outro")
    tab.page.wait_for_selector("#waits", state="hidden")


def test_what_is_armed_can_be_forgotten(tab: Tab, service: Service) -> None:
    service.ask("POST", "/v1/song", {"song": "Weather Room", "when": "next-press"})
    tab.until_text("#armed", "Weather Room")
    tab.page.click("#cancel")
    tab.page.wait_for_selector("#waits", state="hidden")
    assert service.status()["armed"] is None


def test_start_is_pressed_and_stop_is_held(tab: Tab, service: Service) -> None:
    tab.page.click(RUN)
    tab.until_text("#transport", "running")
    tab.until_text(RUN, "hold")
    tab.page.click(RUN)
    tab.until_text("#word", "Stop: hold")
    assert service.status()["transport"] == "running"
    tab.hold(RUN)
    tab.until_text("#transport", "stopped")


def test_a_finger_that_trembles_holds_as_well(browser: Any, service: Service) -> None:
    service.ask("POST", "/v1/start")
    tab = Tab(browser, service, has_touch=True).live()
    tab.until_text(RUN, "Stop")
    box = tab.page.locator(RUN).bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    finger = tab.context.new_cdp_session(tab.page)

    def touch(kind: str, *points: dict[str, float]) -> None:
        finger.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [*points]})

    touch("touchStart", {"x": x, "y": y})
    tab.page.wait_for_selector(f"{RUN}.holding")
    for step in range(1, 9):
        touch("touchMove", {"x": x + step, "y": y - 3 * step})
    tab.until_text("#transport", "stopped")
    touch("touchEnd")
    tab.until_text(RUN, "Start")
    assert service.status()["transport"] == "stopped", "and letting go is no press of what it means now"
    tab.close()


def test_holding_by_keyboard_does_the_same(tab: Tab, service: Service) -> None:
    """WCAG 2.2, 2.1.1: all that a finger does, a keyboard does."""
    service.ask("POST", "/v1/start")
    tab.until_text(RUN, "Stop")
    tab.page.focus(RUN)
    for key in ("Enter", " "):
        tab.page.keyboard.down(key)
        tab.page.wait_for_selector(f"{RUN}.holding")
        tab.page.keyboard.up(key)
        tab.until_text("#word", "Stop: hold")
    assert service.status()["transport"] == "running"
    tab.page.keyboard.down("Enter")
    tab.until_text("#transport", "stopped")
    tab.until_text(RUN, "Start")
    for _ in range(3):  # a key that stays down repeats: that is no press of what the field means by now
        tab.page.keyboard.down("Enter")
    tab.page.keyboard.up("Enter")
    assert service.status()["transport"] == "stopped"


def test_a_press_without_length_asks_for_a_second_one(tab: Tab, service: Service) -> None:
    """A screen reader's press has no length."""
    service.ask("POST", "/v1/start")
    tab.until_text(RUN, "Stop")
    press = "document.querySelector('#run').click()"
    tab.page.evaluate(press)
    tab.until_text("#word", "Stop: press again")
    assert service.status()["transport"] == "running"
    tab.page.evaluate(press)
    tab.until_text("#transport", "stopped")


def test_panic_ends_what_sounds(tab: Tab, far_end_port: int) -> None:
    with FarEnd(("127.0.0.1", far_end_port)) as band:
        band.listen(device="lead-synth")
        band.play("keys", bytes([0x90, 72, 90]))
        heard: list[bytes] = []

        def hears(wanted: bytes) -> bool:
            arrival = band.receive(0.2)
            if arrival is not None and arrival.data != b"\xf8":
                heard.append(arrival.data)
            return wanted in heard

        press = bytes([0x90, 72])
        until(lambda: any(d[:2] == press for d in heard) or hears(b""), what="the note is heard")
        tab.page.click(PANIC)
        tab.until_text("#word", "Panic: done")
        until(lambda: any(data[0] & 0xF0 == 0x80 for data in heard) or hears(b""), what="it ends")


def test_steps_by_hand_are_done_and_open_again(tab: Tab, service: Service) -> None:
    step = "#steps button[data-number='1']"
    tab.page.click(step)
    tab.page.wait_for_selector(f"{step}[aria-pressed=true]")
    tab.until_text("#hand h2", "1 of 2 open")
    assert service.status()["song"]["checklist"][0]["done"]
    tab.page.click(step)
    tab.page.wait_for_selector(f"{step}[aria-pressed=false]")


def test_a_problem_is_one_line(tab: Tab, far_end_port: int) -> None:
    with FarEnd(("127.0.0.1", far_end_port)) as band:
        band.unplug("lead-synth")
        tab.until_text("#problems", "lead-synth")
        band.plug("lead-synth")
        tab.page.wait_for_function(
            "() => !document.querySelector('#problems').textContent.includes('lead-synth')"
        )


def test_the_beat_goes_on_and_the_bar_counts(tab: Tab, service: Service) -> None:
    service.ask("POST", "/v1/start")
    tab.until_text("#transport", "running")
    first = int(tab.text("#bar")) if tab.text("#bar").isdigit() else 0
    tab.page.wait_for_function(f"() => Number(document.querySelector('#bar').textContent) > {first + 1}")
    assert tab.page.locator(".notch").count() == 5, "four beats and the next bar line"


LOST = """() => { window.lost = new Promise((done) => new MutationObserver(() => {
    if (document.body.dataset.live === 'no') done(Date.now());
}).observe(document.body, {attributes: true})); }"""
"""From now on `lost` is when the page has noticed, in ms of the wall clock."""


def test_the_server_is_killed_and_comes_back(tab: Tab, service: Service) -> None:
    tab.page.evaluate(LOST)
    service.kill_server()
    tab.page.evaluate("() => window.lost")
    tab.live()
    tab.until_text("#song", "Copper Ferry")
    assert not tab.page.is_visible("#lost")
    tab.page.click("#sections button[data-number='2']")
    tab.until_text("#section", "verse")


def test_a_server_that_hangs_is_noticed_within_two_seconds(tab: Tab, service: Service) -> None:
    """Nothing is shown as live that may be old: a trip every 0.7 s, and 1 s of patience with one."""
    pid = service.status()["server"]["pid"]
    tab.page.evaluate(LOST)
    hung_ms = time.time() * 1000
    os.kill(pid, signal.SIGSTOP)
    try:
        took_ms = tab.page.evaluate("() => window.lost") - hung_ms
        words = tab.text("#lost")
        shut = tab.page.get_attribute(NEXT, "aria-disabled")
        transport = tab.text("#transport")
        shown = tab.text("#bar"), tab.text("#beat"), tab.text("#pulse")
    finally:
        with contextlib.suppress(ProcessLookupError):  # the engine has started another by then
            os.kill(pid, signal.SIGCONT)
    assert transport == "transport unknown"
    assert "The server does not answer. What you see below dates from" in words
    assert "use the foot switch" in words
    assert shut == "true"
    assert shown == ("–", "–", "not live")
    assert took_ms < 2000 + slack_ms()
    tab.live()


def test_panic_is_tried_where_the_server_is_not_heard(tab: Tab, service: Service) -> None:
    """A page that is wrong about its server, or whose server is slow, must not keep a sound on."""
    tab.page.route("**/v1/time", lambda route: route.abort())
    tab.page.wait_for_selector("body[data-live=no]")
    tab.until_text(PANIC, "tried all the same")
    assert tab.page.get_attribute(PANIC, "aria-disabled") is None
    assert tab.page.get_attribute(NEXT, "aria-disabled") == "true"
    tab.page.click(PANIC)
    tab.until_text("#word", "Panic: done")
    tab.page.unroute("**/v1/time")
    tab.live()


def slack_ms() -> float:
    """Return what a busy machine may add: processes wait for a processor, which is not the page's doing."""
    return 300.0 * max(0.0, os.getloadavg()[0] / (os.cpu_count() or 1) - 0.5)


def test_titles_never_become_markup(browser: Any, tmp_path: Path) -> None:
    rig = Path(shutil.copytree(DEMO, tmp_path / "rig"))
    song = rig / "songs" / "copper-ferry.yaml"
    evil = '<img src=x onerror="document.title=1"><b>Ferry</b>'
    text = song.read_text().replace("title: Copper Ferry", f"title: '{evil}'", 1)
    song.write_text(text.replace("- name: intro", f"- name: '{evil}'", 1))
    with Service(rig, tmp_path / "state", "--ports", "simulated") as service:
        service.wait_until_up()
        tab = Tab(browser, service).live()
        tab.until_text("#song", evil)
        assert tab.page.locator("main img, main h1 b").count() == 0
        tab.page.goto(f"http://127.0.0.1:{service.http}/stage/technician")
        tab.live()
        tab.until_text("#order", evil)
        assert tab.page.locator("main img, #order b").count() == 0
        tab.close()
