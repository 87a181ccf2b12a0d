"""The service with a crowd of hostile clients: the API answers, no tick is lost, nothing grows."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from pathlib import Path

import pytest

from routerd.server.http.connections import MOST_CONNECTIONS
from tests.hostile.clients import GIGABYTE, POURING, WAITING, Crowd, crowd
from tests.hostile.rich_rig import DEMO
from tests.service import Service, until

CLIENTS = 120
"""Of each kind that waits: more than twice as many as are let in."""
MOST_GROWTH_KB = 300_000
ACCEPTED_AT_ONCE = 128
"""What asyncio takes from a socket that listens (aiohttp asks for a backlog of so many) before it tells of
the first; and as many more while those that had to go are closed. The rest are the server's own files."""


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    with Service(DEMO, tmp_path / "state", "--ports", "simulated") as service:
        service.wait_until_open()
        yield service


def memory_kb(pid: int) -> int:
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS:"))


def descriptors_of(pid: int) -> int:
    return len(list(Path(f"/proc/{pid}/fd").iterdir()))


def refused(bad: Crowd) -> int:
    return bad.statuses["413"] + bad.statuses["400"]


async def test_thousands_of_bad_clients(service: Service) -> None:
    before = service.status()
    server = int(before["server"]["pid"])
    memory = memory_kb(server)
    async with crowd(service.http) as bad:
        for kind in POURING:
            bad.send_in(4, kind)
        # before the others come, who may push them out without an answer
        await asyncio.to_thread(until, lambda: refused(bad) > 10, 20, "those who pour are refused")
        for kind in POURING:
            bad.send_in(4, kind)
        for kind in WAITING:
            bad.send_in(CLIENTS, kind)
        for _ in range(8):
            await asyncio.sleep(0.2)
            status = await asyncio.to_thread(until, service.status, 20, "an answer amid the crowd")
            assert descriptors_of(server) < MOST_CONNECTIONS + 2 * ACCEPTED_AT_ONCE + 60
        assert memory_kb(server) - memory < MOST_GROWTH_KB
    assert status["engine"]["pid"] == before["engine"]["pid"]
    assert int(status["server"]["pid"]) == server
    assert refused(bad) > 10, bad.statuses
    assert {status for status in bad.statuses if status.startswith("5")} <= {"503"}
    assert bad.sent_bytes < GIGABYTE
    after = until(service.status, what="an answer when they have left")
    report = service.ask("GET", "/v1/report")
    # without real-time scheduling a busy machine may hold the clock up, whoever asks the server
    assert status["engine"]["scheduling"] != "fifo" or all(port["missed"] == 0 for port in report["ports"])
    assert after["server"]["restarts"] == 0
