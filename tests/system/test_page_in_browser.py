"""The report's page in a real browser: nothing on its console, nothing asked of anybody, drawn on any width.

Needs Chromium; its picture is looked at by people, the test only sees that something is drawn everywhere.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from routerd.core.model import events
from routerd.link.frames import TickRecord
from routerd.server.report import Conditions, Measurements
from routerd.server.report.document import to_json

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
STEP_NS = 20_833_333

BROWSER = "not an origin"
"""Who asks, in the browser's log, when it is the browser by itself and not a page."""

pytestmark = [
    pytest.mark.browser,
    pytest.mark.system,
    pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed: apt-get install chromium"),
]


def browse(page: str, tmp_path: Path, *options: str) -> tuple[str, set[str]]:
    """Open a page; return what was said on its console, and every address that the page asked for."""
    net_log = tmp_path / "net.json"
    command = [str(CHROMIUM), "--headless=new", "--disable-gpu", "--no-first-run", "--hide-scrollbars"]
    command += ["--disable-background-networking", "--disable-component-update", "--enable-logging=stderr"]
    command += [f"--user-data-dir={tmp_path / 'profile'}", f"--log-net-log={net_log}", *options]
    if os.geteuid() == 0:
        command.append("--no-sandbox")
    done = subprocess.run([*command, page], capture_output=True, text=True, timeout=60, check=False)
    console = "\n".join(line for line in done.stderr.splitlines() if "CONSOLE" in line)
    text = net_log.read_text().rstrip()
    try:
        log = json.loads(text)
    except json.JSONDecodeError:  # the browser ended before it had closed the list
        log = json.loads(text.rstrip(",") + "]}")
    asked = {
        str(event["params"]["url"])
        for event in log["events"]
        if event.get("params", {}).get("initiator", BROWSER) != BROWSER and "url" in event["params"]
    }
    return console, asked


@pytest.fixture
def page(tmp_path: Path) -> Path:
    measured = Measurements(0)
    measured.name(["lead-synth", "drum-synth"], ["Copper Ferry", "Nine Lamps"])
    for number, title in enumerate(("Copper Ferry", "Nine <Lamps> & more")):
        at_ns = number * 40 * 10**9
        measured.event(events.Song(at_ns, f"song-{number}", title, number, "4/4", at_ns))
    for tick in range(4000):
        due_ns = tick * STEP_NS
        late_ns = 80_000_000 if tick == 1000 else tick * 7919 % 200_000
        measured.add([TickRecord(tick, due_ns, due_ns + late_ns, output, tick // 2000) for output in (0, 1)])
    report = measured.report(4000 * STEP_NS, Conditions(None, "alsa"))
    made = subprocess.run(
        [sys.executable, "-m", "routerd.server.report.page"],
        input=to_json(report).decode(), capture_output=True, text=True, check=True,
    )  # fmt: skip
    file = tmp_path / "page.html"
    file.write_text(made.stdout, encoding="utf-8")
    return file


def picture_rows(file: Path) -> int:
    """Return how many rows of a picture are not one colour throughout."""
    import matplotlib.image

    pixels = matplotlib.image.imread(file)
    return int((pixels.max(axis=1) != pixels.min(axis=1)).any(axis=1).sum())


@pytest.mark.parametrize(("width", "height"), [(1200, 3000), (390, 3000)])
def test_the_page_is_drawn_quietly(page: Path, tmp_path: Path, width: int, height: int) -> None:
    picture = tmp_path / "page.png"
    options = (f"--screenshot={picture}", f"--window-size={width},{height}")
    console, asked = browse(page.as_uri(), tmp_path, *options)
    assert console == ""
    assert {url for url in asked if not url.startswith("data:")} == set()
    assert picture_rows(picture) > 800


def test_a_page_that_asks_and_complains_would_be_noticed(tmp_path: Path) -> None:
    loud = tmp_path / "loud.html"
    loud.write_text('<img src="http://127.0.0.1:9/x.png"><script>console.error("oh")</script>')
    console, asked = browse(loud.as_uri(), tmp_path, f"--screenshot={tmp_path / 'loud.png'}")
    assert "oh" in console
    assert "http://127.0.0.1:9/x.png" in asked
