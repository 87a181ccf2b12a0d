"""What the stage page keeps to, each rule beside its test: WCAG 2.2, sizes for reading, and one stream.

Published values: WCAG 2.2 (W3C Recommendation, 12 December 2024) for contrast, targets, flashes and motion;
22 minutes of arc for characters that are to be read in comfort (ISO 9241-303, from memory).
"""

from __future__ import annotations

import io
import math
import shutil
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from stage_page import DEMO, Tab, a_stage, axe, show_begins

from routerd.server import stage
from tests.service import Service

pytestmark = [pytest.mark.system, pytest.mark.browser]

VIEWS = {"player": "/stage", "technician": "/stage/technician"}
THEMES = {"dark": "dark", "bright": "light"}
SIZES = {
    "ten inch": (1280, 800),
    "ten inch upright": (800, 1280),
    "seven inch": (1024, 600),
    "thirteen inch": (1366, 1024),
    "phone": (390, 844),
    "phone on its side": (844, 390),
}
NARROW = ((320, 256), (320, 640), (640, 400), (667, 375))
"""WCAG 2.2, 1.4.10: a window of 1280 × 1024 at 400 %, and of 1280 × 800 at 200 % (1.4.4); small phones."""


@pytest.fixture(scope="module")
def running(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    with a_stage(tmp_path_factory.mktemp("stage")) as service:
        yield service


@pytest.fixture
def service(running: Service) -> Service:
    show_begins(running)
    return running


@pytest.fixture(scope="module")
def both(browser: Any, running: Service) -> Iterator[dict[str, Tab]]:
    tabs = {view: Tab(browser, running, path) for view, path in VIEWS.items()}
    yield tabs
    for tab in tabs.values():
        tab.close()


@pytest.fixture
def tabs(both: dict[str, Tab], service: Service) -> dict[str, Tab]:
    """Both views on a ten inch tablet, live, at the show's beginning; opened once for all tests."""
    for view, tab in both.items():
        tab.page.set_viewport_size({"width": 1280, "height": 800})
        tab.page.emulate_media(color_scheme="light")
        tab.live().until_text("#song" if view == "player" else "#where", "Copper Ferry")
    return both


def a_tab(browser: Any, service: Service, view: str = "player", **context: Any) -> Tab:
    tab = Tab(browser, service, VIEWS[view], **context).live()
    tab.until_text("#song" if view == "player" else "#where", "Copper Ferry")
    return tab


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("view", VIEWS)
def test_axe_finds_nothing(view: str, theme: str, tabs: dict[str, Tab], service: Service) -> None:
    """WCAG 2.2 A, AA and AAA as far as a program can judge, contrast of 7:1 among them (1.4.6)."""
    service.ask("POST", "/v1/section", {"section": 2, "when": "next-press"})
    service.ask("POST", "/v1/done", {"number": 1})
    tab = tabs[view]
    tab.page.emulate_media(color_scheme=THEMES[theme])
    tab.until_text("#armed" if view == "player" else "#state", "until go")
    if view == "technician":
        tab.page.wait_for_selector("#wires tr")
        tab.page.click("#mutes .mute")
        tab.page.wait_for_selector("#mutes [aria-pressed=true]")
    assert axe(tab) == []
    if view == "technician":
        tab.page.click("#mutes [aria-pressed=true]")


@pytest.mark.parametrize(("view", "scheme"), [("player", "light"), ("technician", "dark")])
def test_axe_finds_nothing_where_the_server_is_lost(view: str, scheme: str, tabs: dict[str, Tab]) -> None:
    tab = tabs[view]
    tab.page.emulate_media(color_scheme=scheme)
    tab.context.set_offline(True)
    try:
        tab.page.wait_for_selector("body[data-live=no]")
        assert axe(tab) == []
    finally:
        tab.context.set_offline(False)


@pytest.mark.parametrize("view", VIEWS)
def test_targets_are_44_css_pixels(view: str, tabs: dict[str, Tab]) -> None:
    """WCAG 2.2, 2.5.5; next and panic are at least four times that. Nothing is scrolled sideways (1.4.10)."""
    tab = tabs[view]
    for width, height in SIZES.values():
        tab.page.set_viewport_size({"width": width, "height": height})
        small = tab.page.evaluate("""() => [...document.querySelectorAll('button, a, select, input, .grip')]
            .filter((one) => one.checkVisibility())
            .map((one) => [one.id || one.textContent, (one.closest('label') ?? one).getBoundingClientRect()])
            .filter(([, box]) => box.width < 44 || box.height < 44)
            .map(([name, box]) => `${name}: ${box.width} by ${box.height}`)""")
        assert (width, height, small) == (width, height, [])
        assert tab.page.evaluate("() => document.documentElement.scrollWidth - innerWidth") <= 0
        for field in ("#forward", "#panic") if view == "player" else ():
            box = tab.page.locator(field).bounding_box()
            assert box["width"] * box["height"] >= 4 * 44 * 44
            assert box["y"] + box["height"] <= height + 20, "seen without scrolling, all but its edge"


def test_large_fields_stay_whatever_a_song_has(browser: Any, tmp_path: Path) -> None:
    """A long title, many sections, many steps: next and panic are seen without scrolling at every size."""
    rig = Path(shutil.copytree(DEMO, tmp_path / "rig"))
    song = rig / "songs" / "copper-ferry.yaml"
    text = song.read_text().replace("title: Copper Ferry", f"title: {'A Long Way Home ' * 5}", 1)
    after = rig / "songs" / "nine-lamps.yaml"
    after.write_text(after.read_text().replace("title: Nine Lamps", f"title: {'Unbroken' * 20}", 1))
    text = text.replace("sections:\n", "sections:\n" + "".join(f"  - name: part {n}\n" for n in range(20)), 1)
    steps = "".join(f"  - Do the thing number {n} by hand, with care\n" for n in range(20))
    song.write_text(text.replace("checklist:\n", f"checklist:\n{steps}", 1))
    with Service(rig, tmp_path / "state", "--ports", "simulated") as service:
        service.wait_until_up()
        service.ask("POST", "/v1/section", {"section": 18})
        tab = Tab(browser, service).live()
        tab.until_text("#section", "part 17")
        for width, height in SIZES.values():
            tab.page.set_viewport_size({"width": width, "height": height})
            for field in ("#forward", "#panic", "#sections [aria-current]"):
                box = tab.page.locator(field).bounding_box()
                assert box["y"] >= 0
                assert box["y"] + box["height"] <= height + 20, (field, width, height)
            assert tab.page.evaluate("() => document.documentElement.scrollWidth - innerWidth") <= 0
            assert "A Long Way Home A Long Way Home A Long Way Home" in tab.text("#whole")
        tab.close()
        for view, path in VIEWS.items():
            tab = Tab(browser, service, path).live()
            for width, height in NARROW:
                tab.page.set_viewport_size({"width": width, "height": height})
                assert tab.page.evaluate("() => document.documentElement.scrollWidth - innerWidth") <= 0
                for field in ("#song", "#section", "#next") if view == "player" else ():
                    assert tab.page.locator(field).bounding_box()["width"] > width / 3, (field, width)
            tab.close()


def test_all_is_seen_in_colours_of_the_readers_own(browser: Any, service: Service) -> None:
    """CSS Color Adjustment 1, section 3: the browser takes grounds away, and what has nothing else."""
    for view, drawn in (("player", (".bead", ".notch", "#run .held")), ("technician", ("#needle",))):
        tab = a_tab(browser, service, view, forced_colors="active")
        tab.page.wait_for_selector(drawn[0], state="attached")
        ground = "one => getComputedStyle(document.querySelector(one)).backgroundColor"
        canvas = tab.page.evaluate(ground, "html")
        assert [one for one in drawn if tab.page.evaluate(ground, one) == canvas] == []
        tab.close()


def test_what_has_the_focus_is_not_covered(browser: Any, service: Service) -> None:
    """WCAG 2.2, 2.4.12: going backwards, too, where the line that says what was done stays on top."""
    tab = a_tab(browser, service, "technician", viewport={"width": 640, "height": 400})
    tab.page.click("#undo")
    tab.page.wait_for_selector("#word:not(:empty)")
    tab.page.focus("#listen")
    covered = []
    for _ in range(40):
        tab.page.keyboard.press("Shift+Tab")
        covered += tab.page.evaluate("""() => {
            const [one, line] = [document.activeElement, document.querySelector('#word')];
            const [box, word] = [one.getBoundingClientRect(), line.getBoundingClientRect()];
            const over = box.height < 200 && box.top < word.bottom && box.bottom > word.top;
            return over ? [one.id || one.textContent] : []; }""")
    assert covered == []
    tab.close()


def test_characters_are_12_8_mm_high_on_a_ten_inch_tablet(browser: Any, service: Service) -> None:
    """22 minutes of arc at two metres: 2 × 2000 mm × tan(11′) = 12.8 mm, of a capital H."""
    wanted_mm = 2 * 2000 * math.tan(math.radians(11 / 60))
    assert wanted_mm == pytest.approx(12.8, abs=0.01)
    for width, height in ((1280, 800), (800, 1280)):
        mm_a_pixel = 10 * 25.4 / math.hypot(width, height)
        tab = a_tab(browser, service, viewport={"width": width, "height": height})
        heights = tab.page.evaluate("""() => [...document.querySelectorAll('.far')].map((node) => {
            const style = getComputedStyle(node);
            const pen = document.createElement('canvas').getContext('2d');
            pen.font = `${style.fontWeight} ${style.fontSize} ${style.fontFamily}`;
            return [node.id || node.className, pen.measureText('H').actualBoundingBoxAscent]; })""")
        assert {name for name, _ in heights} >= {"song", "section", "next", "far count"}
        assert [(name, px) for name, px in heights if px * mm_a_pixel < wanted_mm] == []
        tab.close()


def test_nothing_flashes(browser: Any, service: Service) -> None:
    """WCAG 2.2, 2.3.1: less than a quarter of 341 × 256 pixels changes at any time, so nothing that flashes
    is large enough; at 240 BPM here, four beats a second."""
    from PIL import Image, ImageChops

    service.ask("POST", "/v1/tempo", {"bpm": 240})
    service.ask("POST", "/v1/start")
    tab = a_tab(browser, service)
    tab.until_text("#transport", "running")
    frames = [Image.open(io.BytesIO(tab.page.screenshot())).convert("L") for _ in range(12)]
    for before, after in pairwise(frames):
        changed = ImageChops.difference(before, after).point(lambda step: 255 if step > 25 else 0)
        assert changed.histogram()[255] < 341 * 256 / 4
    assert tab.page.evaluate("() => document.getAnimations().length") == 0
    tab.close()


def positions(tab: Tab) -> set[str]:
    """Return where the bead has been within a second."""
    return set(
        tab.page.evaluate("""async () => { const seen = new Set(); const end = performance.now() + 1000;
            while (performance.now() < end) {
                seen.add(document.querySelector('.bead').style.transform);
                await new Promise(requestAnimationFrame);
            } return [...seen]; }""")
    )


def test_what_moves_can_be_stilled_and_hidden(browser: Any, service: Service) -> None:
    """WCAG 2.2, 2.2.2; and who asks for reduced motion gets it from the start."""
    service.ask("POST", "/v1/start")
    tab = a_tab(browser, service)
    tab.page.wait_for_selector(".bead:not([hidden])")
    assert len(positions(tab)) > 6, "it moves"
    tab.page.click("#bead")
    tab.until_text("#bead", "Bead steps")
    assert len(positions(tab)) <= 4, "it steps: three beats in a second at most"
    tab.page.click("#bead")
    tab.until_text("#bead", "Bead hidden")
    assert tab.page.is_hidden("#rail")
    assert tab.page.is_hidden("#bar")
    tab.page.reload()
    tab.until_text("#bead", "Bead hidden")
    tab.close()
    calm = a_tab(browser, service, reduced_motion="reduce")
    calm.until_text("#bead", "Bead steps")
    calm.close()


def test_live_regions_are_silent_while_the_beat_goes_on(tabs: dict[str, Tab], service: Service) -> None:
    """WCAG 2.2, 4.1.3: what changes is told once; what changes with each beat never is."""
    service.ask("POST", "/v1/start")
    for tab in tabs.values():
        spoken = tab.page.evaluate("""async () => { const said = [];
            const watch = new MutationObserver((all) => said.push(...all.map((one) => one.target.id)));
            for (const region of document.querySelectorAll('[role=status], [role=alert], [aria-live]'))
                watch.observe(region, {childList: true, characterData: true, subtree: true});
            await new Promise((done) => setTimeout(done, 1500)); return said; }""")
        assert spoken == []


def test_every_field_is_reached_by_tab_and_shows_its_focus(tabs: dict[str, Tab]) -> None:
    """WCAG 2.2, 2.1.1, 2.4.3 and 2.4.7."""
    for tab in tabs.values():
        wanted = tab.page.evaluate("""() => [...document.querySelectorAll('button, a, select, input')]
            .filter((one) => one.checkVisibility() && (one.type !== 'radio' || one.checked)).length""")
        reached: list[Any] = []
        for _ in range(wanted + 12):
            tab.page.keyboard.press("Tab")
            reached.append(
                tab.page.evaluate("""() => { const one = document.activeElement;
                if (one === document.body) return null;
                const shown = one.type === 'radio' ? one.nextElementSibling : one;
                one.dataset.reached = 'yes';
                return getComputedStyle(shown).outlineStyle !== 'none'; }""")
            )
        assert all(seen for seen in reached if seen is not None)
        missed = tab.page.evaluate("""() => [...document.querySelectorAll('button, a, select, input')]
            .filter((one) => one.checkVisibility() && !one.dataset.reached)
            .filter((one) => one.type !== 'radio' || one.checked).map((one) => one.id || one.textContent)""")
        assert missed == []


def test_nothing_is_said_by_colour_alone(tabs: dict[str, Tab], service: Service) -> None:
    """WCAG 2.2, 1.4.1: each state has a word or a sign as well."""
    service.ask("POST", "/v1/start")
    tab = tabs["player"]
    tab.until_text("#transport", "▶ running")
    tab.until_text("#pulse", "live")
    sign = "() => getComputedStyle(document.querySelector('#sections [aria-current] b'), '::before').content"
    assert "▸" in tab.page.evaluate(sign)
    assert tab.text("#time").endswith(("under", "over"))


def test_it_is_small_and_asks_nobody_else(tabs: dict[str, Tab], service: Service) -> None:
    folder = Path(stage.__file__).parent
    size = sum(path.stat().st_size for path in folder.iterdir() if path.suffix in stage.TYPES)
    assert size < 120_000
    for tab in tabs.values():
        hosts = {urlsplit(one.url).netloc for one in tab.asked if not one.url.startswith("data:")}
        assert hosts == {f"127.0.0.1:{service.http}"}
        assert tab.complaints() == [], "the content security policy has forbidden nothing"


def test_the_stream_goes_on_where_it_was_cut(tabs: dict[str, Tab], service: Service) -> None:
    """HTML standard, 9.2: who comes back says by Last-Event-ID what it had last."""
    tab = tabs["player"]
    before = len(tab.asked)
    service.kill_server()
    tab.page.wait_for_selector("body[data-live=no]")
    tab.live()
    service.ask("POST", "/v1/section", {"section": 3})
    tab.until_text("#section", "chorus")
    streams = [one for one in tab.asked[before:] if one.resource_type == "eventsource"]
    assert streams
    assert "after=" in streams[-1].url or "last-event-id" in streams[-1].all_headers()


def test_the_screen_is_kept_awake_where_a_browser_allows_it(browser: Any, service: Service) -> None:
    """Screen Wake Lock is for secure contexts: TLS, or this machine."""
    context = browser.new_context()
    context.add_init_script("""window.locks = []; Object.defineProperty(navigator, 'wakeLock', {value:
        {request: async (kind) => { window.locks.push(kind); }}});""")
    page = context.new_page()
    page.goto(f"http://127.0.0.1:{service.http}/stage")
    page.wait_for_selector("body[data-live=yes]")
    assert page.evaluate("() => [isSecureContext, ...window.locks]") == [True, "screen"]
    context.close()


def test_the_clocks_offset_is_within_half_a_round_trip(tabs: dict[str, Tab], service: Service) -> None:
    """RFC 5905, section 8. Chromium's own record of when the page began, on the same CLOCK_MONOTONIC, says
    what it should be; both are rounded to 0.1 ms, as a page may not know better."""
    service.ask("POST", "/v1/start")
    tab = tabs["player"]
    debugger = tab.context.new_cdp_session(tab.page)
    debugger.send("Performance.enable")
    metrics = debugger.send("Performance.getMetrics")["metrics"]
    began_ms = next(one["value"] for one in metrics if one["name"] == "NavigationStart") * 1000
    offset_ms, trip_ms = tab.page.evaluate("""async () => {
        const { feed } = await import('/stage/page.js'); return [feed.offsetMs, feed.tripMs]; }""")
    assert abs(offset_ms - began_ms) <= trip_ms / 2 + 0.3
