"""Streams reach whoever listens, and the engine sends whole messages only while somebody does."""

from __future__ import annotations

import json
from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest

from routerd.core.model import events
from routerd.core.model.snapshot import BarLine, ClickState, Meter, Snapshot
from routerd.core.model.timing import Segment, State
from routerd.server.feed import Beats, EventHub, Feed, Stream
from routerd.server.view import NO_SNAPSHOT

MS = 1_000_000


def test_each_listener_gets_every_value_in_the_order_of_subscription() -> None:
    heard: list[tuple[str, int]] = []
    stream: Stream[int] = Stream()
    stream.subscribe(lambda value: heard.append(("a", value)))
    stream.subscribe(lambda value: heard.append(("b", value)))
    stream.emit(1)
    stream.emit(2)
    assert heard == [("a", 1), ("b", 1), ("a", 2), ("b", 2)]


def test_a_listener_may_leave_while_it_is_called() -> None:
    heard: list[int] = []
    stream: Stream[int] = Stream()

    def once(value: int) -> None:
        heard.append(value)
        stream.unsubscribe(once)

    stream.subscribe(once)
    stream.subscribe(heard.append)
    stream.emit(1)
    stream.emit(2)
    assert heard == [1, 1, 2]


def test_whole_messages_are_wanted_from_the_first_listener_to_the_last() -> None:
    wanted: list[bool] = []
    feed = Feed(wanted.append)
    first: list[Any] = []
    second: list[Any] = []
    feed.messages.subscribe(first.append)
    feed.messages.subscribe(second.append)
    assert wanted == [True]
    feed.messages.unsubscribe(first.append)
    assert wanted == [True]
    feed.messages.unsubscribe(second.append)
    assert wanted == [True, False]
    with pytest.raises(ValueError, match="not in list"):
        feed.messages.unsubscribe(first.append)


def test_an_event_is_logged_and_handed_on(capfd: pytest.CaptureFixture[str]) -> None:
    heard: list[events.AnyEvent] = []
    feed = Feed(lambda _: None)
    feed.events.subscribe(heard.append)
    event = events.Panic(1, ending=False)
    feed.emit(event)
    assert heard == [event]
    assert "panic: all that sounded has been ended" in capfd.readouterr().err


class Foretold:
    """Beats of a snapshot that changes, as a reader gets them: (ms, bar, beat); None is beats-changed."""

    def __init__(self, **changes: Any) -> None:
        at_120 = Segment(10_000 * MS, 0, Fraction(120))
        self.snapshot: Snapshot | None = replace(NO_SNAPSHOT, grid=at_120, **changes)
        hub = EventHub("run1")
        self._queue = hub.join(lambda: None, None, beats=True).queue
        self._queue.get_nowait()
        self._beats = Beats(hub, lambda: self.snapshot)

    def change(self, **changes: Any) -> None:
        assert self.snapshot is not None
        self.snapshot = replace(self.snapshot, **changes)

    def at(self, ms: float) -> list[tuple[float, int | None, int] | None]:
        """Look at that time; return what the reader is given."""
        self.again_ms = self._beats.announce(round(ms * MS)) / MS
        heard: list[tuple[float, int | None, int] | None] = []
        while not self._queue.empty():
            frame = self._queue.get_nowait() or b""
            data = json.loads(frame.partition(b"data: ")[2])
            if data["kind"] == "beat":
                heard.append((data["at_ns"] / MS, data["bar"], data["beat"]))
            else:
                assert data["kind"] == "beats-changed"
                heard.append(None)
        return heard


RUNS = {"transport": State.RUNNING}


def test_a_beat_is_foretold_a_quarter_of_a_second_before_it_is_due_and_once() -> None:
    beats = Foretold(**RUNS)  # quarter notes of 500 ms, from 10 s on
    assert beats.at(9_749) == []
    assert beats.again_ms == 9_750
    assert beats.at(9_750) == [(10_000, 1, 1)]
    assert beats.again_ms == 10_000
    assert beats.at(9_900) == []
    assert beats.at(10_249) == []
    assert beats.at(10_250) == [(10_500, 1, 2)]
    assert [beats.at(ms)[0] for ms in (10_750, 11_250, 11_750)] == [
        (11_000, 1, 3),
        (11_500, 1, 4),
        (12_000, 2, 1),
    ]


def test_all_that_lie_within_the_time_are_foretold_at_fast_tempos() -> None:
    eighths_of_100_ms = Segment(10_000 * MS, 0, Fraction(300))
    beats = Foretold(**RUNS, meter=Meter(6, 8))
    beats.change(grid=eighths_of_100_ms)
    assert beats.at(9_990) == [(10_000, 1, 1), (10_100, 1, 2), (10_200, 1, 3)]
    assert beats.at(10_050) == [(10_300, 1, 4)]


def test_a_new_tempo_takes_back_what_was_foretold() -> None:
    beats = Foretold(**RUNS)
    assert beats.at(9_900) == [(10_000, 1, 1)]
    assert beats.at(10_300) == [(10_500, 1, 2)]
    grid = Segment(10_312_500_000, 15, Fraction(240))  # from tick 15 on a tick lasts half as long
    beats.change(grid=grid)
    due = grid.due_ns(24) / MS
    assert due < 10_500
    assert beats.at(10_312)[:2] == [None, (due, 1, 2)]


def test_a_grid_that_moves_by_a_hair_takes_nothing_back_and_repeats_nothing() -> None:
    beats = Foretold(**RUNS)
    assert beats.at(9_900) == [(10_000, 1, 1)]
    beats.change(grid=Segment(9_999 * MS, 0, Fraction(120)))
    assert beats.at(9_999.5) == []
    beats.change(grid=Segment(10_001 * MS, 0, Fraction(120)))
    assert beats.at(10_000.5) == []  # due at 10 000 as announced, at 10 001 by now


def test_a_stop_takes_back_what_was_foretold_and_beats_go_on_without_a_bar() -> None:
    beats = Foretold(**RUNS)
    beats.at(9_900)
    assert beats.at(10_400) == [(10_500, 1, 2)]
    beats.change(transport=State.STOPPED)
    assert beats.at(10_450) == [None, (10_500, None, 2)]


def test_the_first_beat_behind_start_comes_late_rather_than_never() -> None:
    beats = Foretold()
    assert beats.at(10_400) == [(10_500, None, 2)]
    # Start takes effect with tick 22, at 10 458.33 ms, and is heard of 3 ms later
    beats.change(**RUNS, origin_tick=22, bar_origin_tick=22)
    assert beats.at(10_461) == [None, (pytest.approx(10_458.333, abs=0.001), 1, 1)]
    assert beats.at(10_800)[0] == (pytest.approx(10_958.333, abs=0.001), 1, 2)


def test_a_count_in_has_no_bar_and_its_end_is_foretold() -> None:
    beats = Foretold(click=ClickState(counting_to=96))
    assert beats.at(9_900) == [(10_000, None, 1)]
    assert beats.at(11_900) == [(12_000, 1, 1)]


def test_bars_go_on_counting_behind_a_change_of_meter() -> None:
    beats = Foretold(**RUNS, meter=Meter(3, 4), meter_from=BarLine(192, 2), bar_origin_tick=192)
    assert beats.at(10_000 + 4_000 - 10) == [(14_000, 3, 1)]
    assert beats.at(10_000 + 4_000 + 1_490) == [(15_500, 4, 1)]


def test_of_an_engine_that_is_silent_nothing_is_foretold() -> None:
    beats = Foretold(**RUNS)
    beats.at(9_900)
    beats.snapshot = None
    assert beats.at(9_950) == [None]
    assert beats.at(10_400) == []
