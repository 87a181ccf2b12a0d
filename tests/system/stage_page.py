"""The stage page in Chromium, on the running service with simulated ports: what its tests share."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from tests.foreign import TOOLS
from tests.service import Service, until

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
DEMO = Path(__file__).parents[2] / "configs" / "demo"
AXE = TOOLS / "node_modules" / "axe-core" / "axe.min.js"

PATIENCE_MS = 30_000
"""How long a condition is waited for: a slow machine is no failure."""

HAS_TEXT = "([where, text]) => document.querySelector(where)?.textContent.includes(text)"

ARGUMENTS = [
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-default-apps",
    "--disable-dev-shm-usage",
    "--no-first-run",
    "--mute-audio",
]


@contextmanager
def chromium() -> Iterator[Any]:
    """Start Chromium; skips where it, or the library that drives it, is missing."""
    if CHROMIUM is None:
        pytest.skip("Chromium is not installed: apt-get install chromium")
    sync_api = pytest.importorskip(
        "playwright.sync_api", reason="playwright is not installed: pip install 'routerd[test]'"
    )
    arguments = [*ARGUMENTS, "--no-sandbox"] if os.geteuid() == 0 else ARGUMENTS
    with sync_api.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=arguments)
        try:
            yield browser
        finally:
            browser.close()


class Tab:
    """A page of the stage in a browser profile of its own; what its console says is in `said`."""

    def __init__(self, browser: Any, service: Service, path: str = "/stage", **context: Any) -> None:
        self.service = service
        self.context = browser.new_context(**{"viewport": {"width": 1280, "height": 800}, **context})
        self.context.set_default_timeout(PATIENCE_MS)
        self.page = self.context.new_page()
        self.said: list[str] = []
        self.asked: list[Any] = []
        """Every request that it has made."""
        self.page.on("request", self._ask)
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.page.goto(f"http://127.0.0.1:{service.http}{path}")

    def _ask(self, request: Any) -> None:
        self.asked.append(request)

    def live(self) -> Tab:
        """Wait until it shows what is so now."""
        self.page.wait_for_selector("body[data-live=yes]")
        return self

    def text(self, selector: str) -> str:
        """Return the text of an element."""
        return str(self.page.text_content(selector))

    def until_text(self, selector: str, text: str) -> None:
        """Wait until an element's text has `text` in it."""
        self.page.wait_for_function(HAS_TEXT, arg=[selector, text])

    def hold(self, selector: str) -> None:
        """Press a field for as long as it asks, with the mouse."""
        box = self.page.locator(selector).bounding_box()
        self.page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
        self.page.mouse.down()
        self.page.wait_for_selector(f"{selector}.holding")
        self.page.wait_for_selector(f"{selector}:not(.holding)")
        self.page.mouse.up()

    def complaints(self) -> list[str]:
        """Return what its console has said, but for requests that found no server or were refused."""
        return [
            text for text in self.said if "Failed to load resource" not in text and "net::ERR" not in text
        ]

    def close(self) -> None:
        """Close it."""
        self.context.close()


@contextmanager
def a_stage(place: Path, *options: str) -> Iterator[Service]:
    """Run the demo's rig on simulated ports, in a folder of its own; it is up, with every port open."""
    rig = Path(shutil.copytree(DEMO, place / "rig"))
    with Service(rig, place / "state", "--ports", "simulated", *options) as service:
        service.wait_until_open()
        yield service


def show_begins(service: Service) -> None:
    """Bring the demo's show to its beginning, whatever a test before has made of it."""
    service.ask("PUT", "/v1/set-list", {"order": ["copper-ferry", "nine-lamps", "weather-room"]})
    for path, body in (("cancel", None), ("stop", None), ("song", {"song": 1}), ("song-tempo", None)):
        service.ask("POST", f"/v1/{path}", body)
    for word in ("muted", "soloed"):
        for subject in service.status()[word]:
            kind, _, name = subject.partition(" ")
            service.ask("POST", {"muted": "/v1/mute", "soloed": "/v1/solo"}[word], {kind: name, "on": False})
    until(lambda: service.status()["song"]["song"] == "copper-ferry", what="the first song is on")


def axe(tab: Tab, **also: Any) -> list[str]:
    """Return what axe-core finds against WCAG up to 2.2 AA, and AAA; skips where it is not installed."""
    if not AXE.exists():
        pytest.skip(f"axe-core is not installed below {TOOLS}; .ci/run installs it where npm is")
    tags = ["wcag2a", "wcag2aa", "wcag2aaa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
    # a content security policy forbids script from elsewhere: the driver puts it in by the debugger
    tab.page.evaluate(AXE.read_text())
    found = tab.page.evaluate("tags => axe.run(document, {runOnly: tags})", tags)
    assert len(found["passes"]) > 15, "axe has looked at the page"
    return [
        f"{one['id']}: {one['help']}: {json.dumps([node['html'][:120] for node in one['nodes']])}"
        for one in found["violations"]
    ]
