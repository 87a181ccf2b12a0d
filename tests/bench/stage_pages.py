"""Stage pages in Chromium: how exact the beat is shown, and whether many pages for a long time grow.

`python -m tests.bench.stage_pages [--pages 10] [--seconds 300] [--spare]`. One page is first looked at for
the beat: how far its estimate of the engine's clock is off, against Chromium's own record of when the page
began (on the same CLOCK_MONOTONIC), and how long after a beat the first frame began that shows it. What a
display adds to that, and a tablet's radio to the offset, is not seen here. Then all pages show a running song
that is changed every second; their heaps (after a collection), DOM nodes, listeners, and the server's memory
are printed as they go, and at the end how late the ticks were and, with a spare, whether it ever took over.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import statistics
import tempfile
import time
from pathlib import Path
from typing import Any

from routerd.server.status import rss_bytes
from tests.service import Service
from tests.system.stage_page import ARGUMENTS, CHROMIUM, DEMO

BEATS = """(count) => new Promise((done) => { const late = [];
    document.addEventListener('beat-shown', ({ detail }) => {
        late.push(detail.sinceMs);
        if (late.length === count) done(late);
    }); })"""
OFFSET = """async () => { const { feed } = await import('/stage/page.js');
    return [feed.offsetMs, feed.tripMs]; }"""
FRAMES = """() => new Promise((done) => { const at = []; const frame = (now) => {
    at.push(now); if (at.length < 120) requestAnimationFrame(frame); else done((at[119] - at[0]) / 119); };
    requestAnimationFrame(frame); })"""


def spread(values: list[float]) -> str:
    """Return median, p95 and largest, in ms."""
    ordered = sorted(values)
    p95 = ordered[min(len(ordered) - 1, round(0.95 * len(ordered)))]
    return f"p50 {statistics.median(ordered):.2f}, p95 {p95:.2f}, max {ordered[-1]:.2f} ms of {len(ordered)}"


async def metrics_of(debugger: Any) -> dict[str, float]:
    """Return Chromium's figures of a page."""
    answer = await debugger.send("Performance.getMetrics")
    return {one["name"]: one["value"] for one in answer["metrics"]}


async def beat(page: Any, debugger: Any) -> None:
    """Print how exactly a page shows the beat."""
    began_ms = (await metrics_of(debugger))["NavigationStart"] * 1000
    errors: list[float] = []
    trips: list[float] = []
    for _ in range(40):
        offset_ms, trip_ms = await page.evaluate(OFFSET)
        errors.append(abs(offset_ms - began_ms))
        trips.append(trip_ms)
        await asyncio.sleep(0.5)
    late = await page.evaluate(BEATS, 60)
    frame_ms = await page.evaluate(FRAMES)
    print(f"clock offset off by: {spread(errors)}; the round trip it is from: {spread(trips)}")
    print(f"from a beat to the frame that shows it: {spread(late)}; a frame is {frame_ms:.2f} ms")


async def main(count: int, seconds: int, *, spare: bool) -> None:
    """Open the pages and print the figures."""
    from playwright.async_api import async_playwright

    place = Path(tempfile.mkdtemp())
    with Service(DEMO, place / "state", "--ports", "simulated", *["--spare"] * spare) as service:
        service.wait_until_open()
        service.ask("POST", "/v1/start")
        base = f"http://127.0.0.1:{service.http}"
        async with async_playwright() as driver:
            arguments = [*ARGUMENTS, "--no-sandbox"] if os.geteuid() == 0 else ARGUMENTS
            browser = await driver.chromium.launch(executable_path=CHROMIUM, args=arguments)
            pages = []
            for number in range(count):
                # a profile each, as tablets have: within one, connections to a host are shared and limited
                page = await (await browser.new_context()).new_page()
                await page.goto(f"{base}/stage{'/technician' if number % 5 == 4 else ''}")
                await page.wait_for_selector("body[data-live=yes]")
                debugger = await page.context.new_cdp_session(page)
                await debugger.send("Performance.enable")
                pages.append((page, debugger))
                if number == 0:
                    await beat(page, debugger)
            server_pid = service.status()["server"]["pid"]
            end_s, turn, steps = time.monotonic() + seconds, 0, 12
            next_s = time.monotonic()
            while time.monotonic() < end_s:
                if time.monotonic() >= next_s:
                    next_s += seconds / steps
                    await figures(pages, server_pid)
                turn += 1
                service.ask("POST", "/v1/section", {"section": turn % 4 + 1})
                if turn % 10 == 0:
                    service.ask("POST", "/v1/set-list/move", {"song": 1, "to": 3})
                await asyncio.sleep(1)
            await figures(pages, server_pid)
            live = [await page.get_attribute("body", "data-live") for page, _ in pages]
            print(f"live at the end: {live.count('yes')} of {count}")
            await browser.close()
        late = service.ask("GET", "/v1/report")["overall"]
        if spare:
            print(f"the spare: {service.status()['engine']['spare']}")
        print(f"{late['ticks']} ticks, {late['missed']} missed; lateness in µs {late['lateness_us']}")


async def figures(pages: list[tuple[Any, Any]], server_pid: int) -> None:
    """Print heap, nodes and listeners of the pages together, after a collection, and the server's memory."""
    total: dict[str, float] = {}
    for _, debugger in pages:
        await debugger.send("HeapProfiler.collectGarbage")
        for name, value in (await metrics_of(debugger)).items():
            total[name] = total.get(name, 0) + value
    print(
        f"{time.strftime('%X')}  heap {total['JSHeapUsedSize'] / 1e6:.2f} MB, {total['Nodes']:.0f} nodes, "
        f"{total['JSEventListeners']:.0f} listeners; server {(rss_bytes(server_pid) or 0) / 1e6:.1f} MB",
        flush=True,
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pages", type=int, default=10)
    parser.add_argument("--seconds", type=int, default=300)
    parser.add_argument(
        "--spare", action="store_true", help="a spare engine too, to see whether it takes over for nothing"
    )
    chosen = parser.parse_args()
    asyncio.run(main(chosen.pages, chosen.seconds, spare=chosen.spare))
