"""The event stream, read as the HTML standard (section 9.2.6) says a client interprets it."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from dataclasses import replace
from datetime import UTC, datetime
from fractions import Fraction
from time import monotonic_ns
from typing import Any

import pytest
from server_service import Service

from routerd.core.model import events
from routerd.core.model.actions import Action
from routerd.core.model.timing import TempoBy
from routerd.link.messages import Happened, PortState, PortStates
from routerd.server import feed
from routerd.server.feed import QUEUE_EVENTS, RING_EVENTS, EventHub
from routerd.server.http import operation

Event = tuple[str, str, dict[str, Any]]


async def read(service: Service, query: str = "", **headers: str) -> AsyncIterator[Event]:
    """Yield (id, event, data) from the stream."""
    sent = {name.replace("_", "-"): value for name, value in headers.items()}
    async with service.client.get(f"{service.base}/v1/events{query}", headers=sent) as answer:
        assert answer.headers["Content-Type"] == "text/event-stream"
        fields: dict[str, str] = {}
        async for line in answer.content:
            text = line.decode().rstrip("\n")
            if not text and "data" in fields:
                yield fields.get("id", ""), fields["event"], json.loads(fields["data"])
                fields = {}
            elif not text.startswith(":") and text:
                name, _, value = text.partition(": ")
                fields[name] = value


async def until(stream: AsyncIterator[Event], kind: str) -> Event:
    async with asyncio.timeout(30):
        async for event in stream:
            if event[1] == kind:
                return event
    raise AssertionError("the stream has ended")


async def after_reader_joined(service: Service) -> None:
    await service.status_when(lambda status: status["server"]["event_clients"] > 0)


async def test_a_foot_switch_is_told(service: Service) -> None:
    stream = read(service)
    first = asyncio.create_task(until(stream, "song"))
    await after_reader_joined(service)
    service.engine.press(Action.NEXT)
    identity, _, data = await first
    assert (data["song"], data["title"], data["index"]) == ("nine-lamps", "Nine Lamps", 1)
    assert identity
    await stream.aclose()  # type: ignore[attr-defined]


async def test_an_encore_that_loses_its_only_song_is_told_and_one_that_is_called_off_is_not(
    service: Service,
) -> None:
    stream = read(service)
    first = asyncio.create_task(until(stream, "encore-gone"))
    await after_reader_joined(service)
    for number in (3, None, 3):  # called off by request in between
        await service.ask("POST", "/v1/set-list/encore", {"song": number})
    await service.ask("POST", "/v1/set-list/move", {"song": 1, "to": 2})
    assert not first.done()
    answer = await service.ask("POST", "/v1/set-list/move", {"song": 3, "to": 1})
    assert answer.json["encore"] == 0
    assert (await first)[2]["last_song"] == "Weather Room"
    await service.ask("POST", "/v1/set-list/undo")
    assert (await service.ask("GET", "/v1/set-list")).json["encore"] == 1
    await stream.aclose()  # type: ignore[attr-defined]


async def test_what_the_server_changes_is_told(service: Service) -> None:
    stream = read(service)
    first = asyncio.create_task(until(stream, "set-list"))
    await after_reader_joined(service)
    await service.ask("PUT", "/v1/set-list", {"order": ["low-tide"]})
    assert (await first)[2]["order"] == ["low-tide"]
    second = asyncio.create_task(until(stream, "port-state"))
    service.engine.tell(PortStates((PortState("keys", "input", "Keys*", None, "missing"),)))
    assert (await second)[2]["pattern"] == "Keys*"
    await stream.aclose()  # type: ignore[attr-defined]


async def test_what_is_wrong_is_the_same_line_in_health_status_events_and_metrics(service: Service) -> None:
    assert (await service.ask("GET", "/v1/health")).json == []
    stream = read(service)
    appears = asyncio.create_task(until(stream, "problem"))
    await after_reader_joined(service)
    port = PortState("keys", "input", "Keys*", None, "missing", since_ns=1)
    service.engine.tell(PortStates((port,)))
    data = (await appears)[2]
    assert (data["about"], data["device"]) == ("port", "keys")
    answer = await service.ask("GET", "/v1/health")
    assert (answer.status, answer.json) == (503, [data["line"]])
    assert (await service.ask("GET", "/v1/status")).json["problems"] == [data["line"]]
    assert 'routerd_problems{kind="port"} 1.0' in (await service.ask("GET", "/metrics")).text
    ends = asyncio.create_task(until(stream, "problem-ended"))
    service.engine.tell(PortStates((replace(port, state="open", port="Keys 1"),)))
    assert (await ends)[2]["line"] == data["line"]
    answer = await service.ask("GET", "/v1/health")
    assert (answer.status, answer.json) == (200, [])
    await stream.aclose()  # type: ignore[attr-defined]


async def test_a_reader_that_comes_back_gets_what_it_missed(service: Service) -> None:
    stream = read(service)
    first = asyncio.create_task(until(stream, "tempo"))
    await after_reader_joined(service)
    await service.ask("POST", "/v1/tempo", {"bpm": 100})
    identity, _, _ = await first
    await stream.aclose()  # type: ignore[attr-defined]
    await service.ask("POST", "/v1/tempo", {"bpm": 101})
    await service.ask("POST", "/v1/tempo", {"bpm": 102})
    again = read(service, Last_Event_ID=identity)
    assert [(await until(again, "tempo"))[2]["bpm"] for _ in range(2)] == [101, 102]
    await again.aclose()  # type: ignore[attr-defined]


async def test_a_quiet_stream_has_a_heartbeat(service: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    assert feed.HEARTBEAT_S == 15.0
    monkeypatch.setattr(operation, "HEARTBEAT_S", 0.05)
    async with service.client.get(f"{service.base}/v1/events") as answer, asyncio.timeout(30):
        lines = [await answer.content.readline() for _ in range(10)]
    assert lines[:2] == [b": events of routerd\n", b"\n"]
    assert lines[3:5] == [b"retry: 1000\n", b"event: hello\n"]
    assert lines[6:] == [b"\n", b": still here\n", b"\n", b": still here\n"]


async def test_a_reader_that_has_had_no_event_learns_that_the_server_was_started_again(
    service: Service,
) -> None:
    stream = read(service)
    identity, kind, data = await anext(stream)
    assert (kind, data["id"], data["generation"]) == ("hello", identity, 1)
    await stream.aclose()  # type: ignore[attr-defined]
    await service.stop()
    await service.start()
    await service.until_ready()
    again = read(service, Last_Event_ID=identity)
    (new, hello, _), (_, gap, lost) = await anext(again), await anext(again)
    assert (hello, gap, lost["lost"]) == ("hello", "gap", None)
    assert new.partition("-")[0] != identity.partition("-")[0]
    await again.aclose()  # type: ignore[attr-defined]


async def test_the_status_names_the_event_behind_which_a_reader_goes_on(service: Service) -> None:
    await service.ask("POST", "/v1/tempo", {"bpm": 100})
    before = (await service.ask("GET", "/v1/status")).json
    await service.ask("POST", "/v1/tempo", {"bpm": 101})
    stream = read(service, f"?after={before['event']}")
    assert (before["tempo"]["bpm"], (await until(stream, "tempo"))[2]["bpm"]) == (100, 101)
    await stream.aclose()  # type: ignore[attr-defined]
    now = (await service.ask("GET", "/v1/status")).json["event"]
    stream = read(service, f"?after={now}")
    assert (await anext(stream))[0] == now
    await stream.aclose()  # type: ignore[attr-defined]


async def test_the_time_is_that_of_the_events(service: Service) -> None:
    before_ns = monotonic_ns()
    answer = (await service.ask("GET", "/v1/time")).json
    assert before_ns < answer["monotonic_ns"] < monotonic_ns()
    assert abs((datetime.fromisoformat(answer["at"]) - datetime.now(UTC)).total_seconds()) < 5
    assert len((await service.ask("GET", "/v1/time")).text) < 100


async def test_beats_come_ahead_of_time_to_those_who_ask_for_them(service: Service) -> None:
    plain, beats = read(service), read(service, "?beats=true")
    plain_hears = asyncio.create_task(until(plain, "beat"))
    assert (await anext(beats))[1] == "hello"
    await service.ask("POST", "/v1/start")
    heard: list[dict[str, Any]] = []
    async with asyncio.timeout(30):
        async for identity, kind, data in beats:
            if kind == "beat" and data["bar"] is not None:
                assert not identity
                heard.append(data | {"ahead_ns": data["at_ns"] - monotonic_ns()})
                if len(heard) == 5:
                    break
    assert [(one["bar"], one["beat"]) for one in heard] == [(1, 1), (1, 2), (1, 3), (1, 4), (2, 1)]
    assert all(one["ahead_ns"] > 0 for one in heard[1:])
    assert not plain_hears.done()
    status = (await service.ask("GET", "/v1/status")).json
    tempo = status["tempo"]
    per_beat_ns = Fraction(60 * 10**9) / Fraction(tempo["rate_bpm"])
    from_anchor = (heard[4]["at_ns"] - tempo["anchor_ns"]) / per_beat_ns * 24
    assert abs(from_anchor - round(from_anchor)) < 0.001  # on a tick of the grid that the status gives
    plain_hears.cancel()
    assert (await service.ask("GET", "/v1/events?beats=perhaps")).status == 422
    await beats.aclose()  # type: ignore[attr-defined]


async def test_a_reader_that_does_not_read_is_cut_off_and_counted(service: Service) -> None:
    _, writer = await asyncio.open_connection("127.0.0.1", int(service.base.rpartition(":")[2]), limit=1024)
    writer.write(b"GET /v1/events HTTP/1.1\r\nHost: localhost\r\n\r\n")
    await after_reader_joined(service)
    writer.transport.pause_reading()  # type: ignore[attr-defined]
    long = events.Fault(0, "x" * 50_000, 1)
    async with asyncio.timeout(60):
        while not (status := (await service.ask("GET", "/v1/status")).json)["server"][
            "event_clients_dropped"
        ]:
            for _ in range(20):
                service.engine.tell(Happened(long))
    assert status["server"]["event_clients"] == 0
    assert (await service.ask("POST", "/v1/next")).status == 200
    writer.close()


def published(hub: EventHub, count: int) -> None:
    for number in range(count):
        hub.publish(events.Tempo(0, 100.0 + number, 100.0 + number, TempoBy.HAND, 0))


def waiting(hub: EventHub, last_id: str | None) -> list[str]:
    """Return what a new reader is given behind its hello."""
    reader = hub.join(lambda: None, last_id)
    hello, *frames = [reader.queue.get_nowait() for _ in range(reader.queue.qsize())]
    assert b"event: hello" in (hello or b"")
    return [str(frame) for frame in frames]


@pytest.mark.parametrize(
    ("last_id", "goes_on_from"), [(None, 10), ("run1-7", 7), ("run1-10", 10), ("run0-7", 0)]
)
def test_hello_has_the_id_of_the_event_from_which_the_stream_goes_on(
    last_id: str | None, goes_on_from: int
) -> None:
    hub = EventHub("run1")
    published(hub, 10)
    frame = hub.join(lambda: None, last_id).queue.get_nowait()
    assert frame is not None
    assert frame.startswith(f"id: run1-{goes_on_from}\nretry: 1000\nevent: hello\n".encode())
    assert hub.last_id == "run1-10"


def test_replay_from_the_ring() -> None:
    hub = EventHub("run1")
    published(hub, 10)
    assert waiting(hub, None) == []
    assert len(waiting(hub, "run1-7")) == 3
    assert waiting(hub, "run1-10") == []
    assert "run1-8" in waiting(hub, "run1-7")[0]


def test_what_the_ring_no_longer_has_is_told_as_a_gap() -> None:
    hub = EventHub("run1")
    published(hub, RING_EVENTS + 50)
    replay = waiting(hub, "run1-20")
    assert len(replay) == RING_EVENTS + 1
    assert "event: gap" in replay[0]
    assert '"lost": 30' in replay[0]


@pytest.mark.parametrize(
    "last_id", ["run0-5", "", "-", "run1-", "run1-x", "run1-" + "9" * 100, "run1-\u0663"]
)
def test_ids_of_another_run_or_of_nobody(last_id: str) -> None:
    hub = EventHub("run1")
    published(hub, 4)
    replay = waiting(hub, last_id)
    assert "event: gap" in replay[0]
    assert len(replay) == 5


def test_a_queue_that_is_full_cuts_its_reader() -> None:
    hub = EventHub("run1")
    cut: list[bool] = []
    hub.join(lambda: cut.append(True), None)
    published(hub, QUEUE_EVENTS - 1)  # and its hello
    assert (cut, hub.readers) == ([], 1)
    published(hub, 1)
    assert (cut, hub.readers, hub.dropped_readers) == ([True], 0, 1)
