"""Ten stage pages: memory and load of the server, and ticks beside it, with and without them in one run.

    python -m tests.bench.tablets [--seconds 60] [--pages 10]

The pages are a process of its own that asks what the stage page asks, as often, each let in by a cookie: one
stream of events and beats, the time every 0.7 s, the status with each event and every 5 s; the last is the
technician's and asks for the metrics every 2 s as well. Songs change before and behind the measured seconds.
Browsers are not here: ten of them would be all that two processors do. Ticks are measured at the far end of a
port as in `tests.bench.ticks`, cyclictest beside them.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import aiohttp

from routerd.cli.demo import rig_folder
from tests.bench.resources import cpu_s, resident_mb
from tests.bench.ticks import BPM, SONG, cyclictest, figures, histogram, lateness_us, observe
from tests.service import Service, free_port

TOKEN = "ten-tablets-on-a-stage"
TIME_S, STATUS_S, METRICS_S, SONG_S, WARM_S = 0.7, 5.0, 2.0, 2.0, 6.0


class Page:
    """One page; `waits_s` are those for an answer to its question for the time."""

    def __init__(self, client: aiohttp.ClientSession, base: str) -> None:
        self._client = client
        self._base = base
        self._moved = asyncio.Event()
        self.waits_s: list[float] = []
        self.events = 0

    async def be(self, *, technician: bool) -> None:
        """Do what a page does until it is cancelled."""
        async with self._client.post(f"{self._base}/v1/session", json={"token": TOKEN}) as answer:
            assert answer.status == 200
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self._hear())
            tasks.create_task(self._look())
            tasks.create_task(self._again("/v1/time", TIME_S))
            if technician:
                tasks.create_task(self._again("/metrics", METRICS_S))

    async def _hear(self) -> None:
        endless = aiohttp.ClientTimeout(total=None)
        async with self._client.get(f"{self._base}/v1/events?beats=true", timeout=endless) as stream:
            assert stream.status == 200
            async for line in stream.content:
                if line.startswith(b"event: ") and line != b"event: beat\n":
                    self.events += 1
                    self._moved.set()

    async def _look(self) -> None:
        while True:
            await self._ask("/v1/status")
            self._moved.clear()
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._moved.wait(), STATUS_S)

    async def _again(self, path: str, every_s: float) -> None:
        while True:
            begun_s = time.monotonic()
            await self._ask(path)
            self.waits_s.append(time.monotonic() - begun_s)
            await asyncio.sleep(every_s)

    async def _ask(self, path: str) -> None:
        async with self._client.get(self._base + path) as answer:
            assert answer.status == 200
            await answer.read()


async def _pages(base: str, count: int, seconds: float) -> None:
    async with contextlib.AsyncExitStack() as stack:
        pages = []
        for _ in range(count):
            jar = aiohttp.CookieJar(unsafe=True)  # its host is an address
            session = await stack.enter_async_context(aiohttp.ClientSession(cookie_jar=jar))
            pages.append(Page(session, base))
        tasks = [asyncio.create_task(page.be(technician=page is pages[-1])) for page in pages]
        await asyncio.wait(tasks, timeout=seconds, return_when=asyncio.FIRST_EXCEPTION)
        failed = [task for task in tasks if task.done()]
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        waits = sorted(wait for page in pages for wait in page.waits_s)
        found = {"failed": len(failed), "events": [page.events for page in pages], "asked": len(waits)}
        print(json.dumps({**found, "p50_s": waits[len(waits) // 2], "longest_s": waits[-1]}))


def _change_songs(service: Service, seconds: float) -> None:
    until_s, song = time.monotonic() + seconds, 0
    while time.monotonic() < until_s:
        song = song % 2 + 1
        service.ask("POST", "/v1/song", {"song": song})
        service.ask("POST", "/v1/tempo", {"bpm": str(BPM)})
        time.sleep(SONG_S)
    service.ask("POST", "/v1/song", {"song": SONG})
    service.ask("POST", "/v1/tempo", {"bpm": str(BPM)})


def _measure(service: Service, udp: int, seconds: float, pages: list[str]) -> dict[str, Any]:
    """Return memory, load and ticks of the server, with pages where there is a command for them."""
    pid = int(service.status()["server"]["pid"])
    crowd = subprocess.Popen(pages, stdout=subprocess.PIPE, text=True) if pages else None
    _change_songs(service, WARM_S)
    time.sleep(2)
    used_s, began_s, memory_mb = cpu_s(pid), time.monotonic(), resident_mb(pid)
    reference, observer = cyclictest(seconds), observe(udp, seconds)
    stamps = [float(stamp) for _, stamp in json.loads(observer.communicate()[0])]
    referred, _ = reference.communicate()
    load = (cpu_s(pid) - used_s) / (time.monotonic() - began_s)
    anchor_ns = service.status()["tempo"]["anchor_ns"]
    _change_songs(service, WARM_S)  # not while ticks are judged: the grid begins anew with a song
    found = {"before_mb": memory_mb, "after_mb": resident_mb(pid), "load": load}
    if crowd is not None:
        found["pages"] = json.loads(crowd.communicate()[0])
    ticks, beside = figures(lateness_us(stamps, anchor_ns)), figures(histogram(referred))
    return {**found, "ticks": ticks, "reference": beside}


def _show(name: str, found: dict[str, Any]) -> None:
    memory = f"{found['before_mb']:.1f} MB, {found['after_mb']:.1f} MB at the end"
    print(
        f"\n{name}: server {memory}, {100 * found['load']:.1f} % of a processor; {found['ticks']['n']} ticks"
    )
    for label, key in (("ticks, far end", "ticks"), ("cyclictest beside it", "reference")):
        row = found[key]
        print(f"{label:>22} " + " ".join(f"{at} {row[at]:9.1f}" for at in ("p50", "p99", "p99.9", "p100")))
    if "pages" in found:
        print(f"  pages: {found['pages']}")


def main() -> None:
    """See the module's head."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--pages", type=int, default=10)
    parser.add_argument("--be", metavar="ADDRESS", help="be the pages of the service there")
    given = parser.parse_args()
    if given.be:
        asyncio.run(_pages(given.be, given.pages, given.seconds))
        return
    udp = free_port(socket.SOCK_DGRAM)
    with tempfile.TemporaryDirectory() as name:
        root = Path(name)
        rig = Path(shutil.copytree(rig_folder(), root / "rig"))
        (root / "token").write_text(TOKEN)
        (root / "token").chmod(0o600)
        options = ["--ports", "simulated", "--far-end", str(udp), "--token-file", str(root / "token")]
        with Service(rig, root / "state", *options) as service:
            service.headers = {"Authorization": f"Bearer {TOKEN}"}
            service.wait_until_open()
            command = [sys.executable, "-m", "tests.bench.tablets", "--pages", str(given.pages)]
            command += ["--be", f"http://127.0.0.1:{service.http}", "--seconds", str(given.seconds + 25)]
            quiet = _measure(service, udp, given.seconds, [])
            crowded = _measure(service, udp, given.seconds, command)
            missed = sum(port["missed"] for port in service.ask("GET", "/v1/report")["ports"])
    print(f"{BPM:g} BPM, {given.seconds:g} s each, {given.pages} pages")
    _show("without", quiet)
    _show("with the pages", crowded)
    ratios = [crowded["ticks"][at] / max(quiet["ticks"][at], 1.0) for at in ("p50", "p99", "p99.9")]
    print("\nratio of lateness, with to without: " + ", ".join(f"{ratio:.2f}" for ratio in ratios))
    print(f"ticks missed: {missed}")


if __name__ == "__main__":
    main()
