"""The show log of a server that is up: written by itself, never in the way, bounded by what it is told."""

from __future__ import annotations

import asyncio
import errno
import json
from collections.abc import Callable
from pathlib import Path
from time import monotonic_ns
from typing import Any

import pytest
from server_service import Service

from routerd.link.frames import INPUT_BIT, Tap, TickRecord, pack_tap, pack_taps
from routerd.link.messages import OutputTraffic, Trace, Traffic
from routerd.server.shows import show_log
from routerd.server.shows.record import RecordFolder


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """A record that is written twenty times a second, and takes late messages for a moment only."""
    monkeypatch.setattr(show_log, "WRITE_EVERY_S", 0.05)
    monkeypatch.setattr(show_log, "LATE_S", 0.3)


async def until(condition: Callable[[], Any]) -> Any:
    async with asyncio.timeout(20):
        while not (found := condition()):  # noqa: ASYNC110 - a file sets no event
            await asyncio.sleep(0.05)
        return found


async def the_folder(service: Service) -> RecordFolder:
    answer = (await service.ask("GET", "/v1/recording")).json
    folder = RecordFolder(Path(answer["folder"]))
    await until((folder.path / "log.jsonl").is_file)
    return folder


def traffic(at_ns: int) -> Traffic:
    return Traffic(at_ns, (OutputTraffic("lead-synth", 480, 500, 0, 0),), (), (), cpu_ns=5, taps_dropped=0)


async def test_seconds_and_events_are_written(service: Service) -> None:
    folder = await the_folder(service)
    await service.ask("POST", "/v1/next")
    now_ns = monotonic_ns()
    service.engine.tell_ticks([TickRecord(tick, now_ns, now_ns + 70_000, 1, 0) for tick in range(48)])
    service.engine.tell(traffic(now_ns))
    (second,) = await until(
        lambda: [line for line in folder.lines() if "lead-synth" in line.get("ticks", {})]
    )
    assert second["ticks"]["lead-synth"] == [48, 70]
    assert second["out"] == {"lead-synth": 480}
    kinds = [line["event"]["kind"] for line in folder.lines() if "event" in line]
    assert "song" in kinds


async def test_the_report_is_written_at_the_end(service: Service) -> None:
    folder = await the_folder(service)
    await service.stop()
    (report,) = folder.reports([]).values()
    assert report.ports_kind == "simulated"


async def test_messages_are_recorded_only_when_asked(service: Service) -> None:
    folder = await the_folder(service)
    tap = Tap(5, INPUT_BIT, b"\x90\x3c\x01")

    def send() -> None:
        assert service.engine._writer is not None
        service.engine._writer.write(pack_taps([pack_tap(*tap)]))

    send()
    assert (await service.ask("POST", "/v1/recording", {"on": True})).json["on"] is True
    assert (await service.ask("POST", "/v1/recording", {"on": True})).json["on"] is True
    assert await service.engine.heard(Trace) == [Trace(True)]
    send()
    await until((folder.path / "messages.bin").is_file)
    assert (await service.ask("POST", "/v1/recording", {"on": False})).json["on"] is False
    await service.engine.heard(Trace, 2)
    send()
    await asyncio.sleep(20 * show_log.WRITE_EVERY_S)
    assert list(folder.taps()) == [tap]
    assert (await service.ask("POST", "/v1/recording", {})).status == 422


async def test_a_full_disk_costs_the_record_and_not_the_show(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = await the_folder(service)

    def full(self: RecordFolder, _: object) -> bool:
        raise OSError(errno.ENOSPC, "No space left on device", str(self.path))

    with monkeypatch.context() as patched:
        patched.setattr(RecordFolder, "append_lines", full)
        service.engine.tell(traffic(monotonic_ns()))
        status = await service.status_when(lambda status: status["problems"])
        assert "No space left on device" in status["problems"][0]
        assert "goes on without it" in status["problems"][0]
        assert (await service.ask("POST", "/v1/next")).status == 200
    before = len((folder.path / "log.jsonl").read_text().splitlines())
    service.engine.tell(traffic(monotonic_ns()))
    await service.status_when(lambda status: not status["problems"])
    lines = (folder.path / "log.jsonl").read_text().splitlines()
    assert len(lines) > before
    assert all(json.loads(line) for line in lines)
    assert (await service.ask("GET", "/v1/recording")).json["dropped"] >= 1


async def test_a_record_that_is_full_is_a_line_of_health(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    await the_folder(service)
    monkeypatch.setattr(RecordFolder, "append_lines", lambda *_: False)
    service.engine.tell(traffic(monotonic_ns()))
    await service.status_when(lambda status: status["problems"])
    answer = await service.ask("GET", "/v1/health")
    assert answer.status == 503
    assert "record has reached its full size" in answer.json[0]


async def test_a_server_that_starts_again_goes_on_in_the_same_record(service: Service) -> None:
    folder = await the_folder(service)
    await service.stop()
    await service.start()
    await service.until_ready()
    assert (await service.ask("GET", "/v1/recording")).json["show"] == folder.path.name
    await until(lambda: sum("record" in line for line in folder.lines()) == 2)
    await service.stop()
    assert len(folder.reports([])) == 2
