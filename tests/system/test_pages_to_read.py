"""Sheet, jitter report and soundcheck as they are read: on a telephone, in the dark, on paper, by ear.

In Chromium, with axe-core for what a screen reader needs, and pypdf for what is on which page.
"""

from __future__ import annotations

import io
import random
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest
from stage_page import Tab, axe

from routerd.cli.demo import rig_folder
from routerd.core.model import events
from routerd.link.frames import TickRecord
from routerd.server.offline import rig_folder_of
from routerd.server.offline.sheet import as_html
from routerd.server.report import Conditions, Measurements
from routerd.server.report.page import render_page
from routerd.server.soundcheck.page import render_page as render_soundcheck
from tests.documents import soundcheck
from tests.service import write_rig

pytestmark = [pytest.mark.system, pytest.mark.browser]

STEP_NS = 20_833_333
LONG = "a-name-without-any-place-to-break-it-that-somebody-has-given"
RIG = "name: Long Names\ndevices:\n  keys: {input: keys}\n"


def sheet(folder: Path, *, technical: bool) -> str:
    loaded = rig_folder_of(folder, None)
    assert loaded is not None
    return as_html(loaded, technical=technical)


def a_song(number: int, lines: int) -> str:
    steps = "".join(f"  - step {step}, which takes a word or two to say\n" for step in range(lines))
    return (
        f"title: Title{number}\ntempo: 120\nkey: D minor\nsections: [{{name: verse}}, {{name: chorus}}]\n"
        f"checklist:\n{steps}notes: The end of Title{number}\n"
    )


def a_report() -> Any:
    measured = Measurements(0)
    measured.name(["lead-synth", LONG], ["Copper Ferry", "Nine Lamps"])
    measured.event(events.Song(0, "copper-ferry", "Copper Ferry", 0, "4/4", 0))
    for tick in range(1000):
        at_ns = tick * STEP_NS
        measured.add([TickRecord(tick, at_ns, at_ns + tick * 7919 % 200_000, port, 0) for port in (0, 1)])
    return measured.report(1000 * STEP_NS, Conditions(None, "alsa"))


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    place = tmp_path_factory.mktemp("pages")
    long = f"title: {LONG}\ntempo: 120\nsections: [{{name: {LONG}}}]\nnotes: {LONG}{LONG}\n"
    report = a_report()
    return {
        "technical sheet": sheet(rig_folder(), technical=True),
        "sheet of long names": sheet(write_rig(place / "rig", RIG, {"one": long}, ["one"]), technical=True),
        "report of a show": render_page(replace(report, earlier=(report,))),
        "soundcheck": render_soundcheck(replace(soundcheck("20310506-180000", missed=3), report=report)),
    }


NAMES = ("technical sheet", "sheet of long names", "report of a show", "soundcheck")


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_fits_a_telephone_and_its_readers_theme(
    browser: Any, pages: dict[str, str], name: str, scheme: str
) -> None:
    context = browser.new_context(
        viewport={"width": 390, "height": 844}, is_mobile=True, color_scheme=scheme, bypass_csp=True
    )
    page = context.new_page()
    page.set_content(pages[name])
    assert page.evaluate("[innerWidth, document.documentElement.scrollWidth]") == [390, 390]
    paper = page.evaluate("getComputedStyle(document.body).backgroundColor")
    brightness = sum(int(part) for part in paper.removeprefix("rgb(").removesuffix(")").split(", ")) / 3
    assert (brightness > 250) if scheme == "light" else (brightness < 40)
    landmarks = "['header', 'main'].map(one => document.querySelectorAll(`body > ${one}`).length)"
    assert page.evaluate(landmarks) == [1, 1]
    found = axe(cast("Tab", SimpleNamespace(page=page)))
    context.close()
    assert found == []


def printed(browser: Any, html: str) -> list[str]:
    """Return the text of every page, printed by somebody who prefers a dark theme."""
    pypdf = pytest.importorskip("pypdf", reason="pypdf is not installed: pip install 'routerd[test]'")
    context = browser.new_context(color_scheme="dark")
    page = context.new_page()
    page.set_content(html)
    data = page.pdf(prefer_css_page_size=True)
    context.close()
    return [one.extract_text() for one in pypdf.PdfReader(io.BytesIO(data)).pages]


@pytest.mark.parametrize("songs", [2, 4, 5, 7, 12])
def test_a_printed_sheet_breaks_no_song_and_leaves_none_alone(
    browser: Any, tmp_path: Path, songs: int
) -> None:
    draw = random.Random(songs)
    texts = {f"song-{number}": a_song(number, draw.randint(1, 9)) for number in range(1, songs + 1)}
    found = printed(browser, sheet(write_rig(tmp_path / "rig", RIG, texts, list(texts)), technical=True))
    where = [
        [number for number, text in enumerate(found) if f"{words}Title{one}\n" in f"{text}\n"]
        for one in range(1, songs + 1)
        for words in ("", "The end of ")
    ]
    assert all(len(one) == 1 for one in where), where  # each title and each end is there once
    assert where[::2] == where[1::2]  # and on one page
    last = [one for (one,) in where[::2]].count(len(found) - 1)
    assert last >= 2, "the last page has company"
    assert "local rules" in found[-1]


def test_the_demos_sheet_is_one_page_of_paper_and_white(browser: Any) -> None:
    (page,) = printed(browser, sheet(rig_folder(), technical=False))
    assert "Weather Room" in page
