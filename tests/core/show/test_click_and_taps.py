"""Click, count-in and taps: the whole show on simulated time.

125 BPM makes 20 ms a tick: 60 s / (24 × 125) (M1 p. 30). A bar of 4/4 has 96 ticks and lasts 1.92 s.
"""

from __future__ import annotations

import itertools
from dataclasses import replace
from fractions import Fraction

import pytest
from three_devices import SONG, at, notes, stage

from routerd.core.errors import CommandError
from routerd.core.model.actions import Action, Nudge, TapRounding
from routerd.core.model.codec import MalformedError, from_json
from routerd.core.model.commands import Command
from routerd.core.model.song import Section, Song
from routerd.core.model.timing import (
    Click,
    ClickPlays,
    MeterPoint,
    SongTiming,
    TempoPoint,
    Timing,
)
from tests.stage import MS, START, TICK, Stage


def click_song(**options: object) -> Song:
    return replace(SONG, timing=SongTiming(click=Click("box", **options)))  # type: ignore[arg-type]


def clicked_apart(one: Stage, from_ns: int) -> list[float]:
    """Return how far the clicks since then lie apart, in ms."""
    return [b - a for a, b in itertools.pairwise(t for t, _, _ in notes(one, "box") if t * MS >= from_ns)]


def test_the_click_counts_the_meter() -> None:
    """7/8 at 125 BPM: an eighth is 12 ticks, 240 ms; a bar 1680 ms; from bar 3 on 3/4: beats of 480 ms."""
    song = click_song(velocity=90, accent_velocity=120, note=76, accent=77)
    song = replace(song, beats=7, beat_unit=8)
    song = replace(song, timing=replace(song.timing, meters=(MeterPoint(168, 3, 4),)))
    one = stage(song)
    one.do(Action.START)
    one.run(7000 * MS)
    first = next(t for t in at(one, "other", TICK) if t > at(one, "other", START)[0]) / MS
    expected = [(first + 240 * n, *((77, 120) if n % 7 == 0 else (76, 90))) for n in range(14)]
    expected += [(first + 3360 + 480 * n, *((77, 120) if n % 3 == 0 else (76, 90))) for n in range(7)]
    assert notes(one, "box")[: len(expected)] == expected
    assert len(notes(one, "box", 0x80)) >= len(expected) - 1


def test_triplets_lie_exactly_between_ticks_and_are_softer() -> None:
    """Five to the beat of 24 ticks: 96 ms at 125 BPM, between ticks of 20 ms."""
    one = stage(click_song(subdivision=5))
    one.do(Action.START)
    one.run(1000 * MS)
    first = next(t for t in at(one, "other", TICK) if t > at(one, "other", START)[0]) / MS
    heard = notes(one, "box")[:7]
    assert [t for t, _, _ in heard] == [first + 96 * n for n in range(7)]
    assert [v for _, _, v in heard] == [120, 60, 60, 60, 60, 90, 60]


def test_clicks_closer_than_ticks_are_all_heard() -> None:
    """Eight to a beat of 1/32, which is 3 ticks, 60 ms at 125 BPM: 7.5 ms apart, two or three to a tick."""
    song = replace(click_song(subdivision=8), beats=4, beat_unit=32)
    one = stage(song)
    one.do(Action.START)
    one.run(1000 * MS)
    first = next(t for t in at(one, "other", TICK) if t > at(one, "other", START)[0]) / MS
    heard = notes(one, "box")[:33]
    assert [t for t, _, _ in heard] == [first + 7.5 * n for n in range(33)]
    assert [v for _, _, v in heard] == [120, *[60] * 7, *[90, *[60] * 7] * 3, 120]


def test_two_bars_of_count_in_and_then_the_song() -> None:
    one = stage(click_song(count_in_bars=2, plays=ClickPlays.COUNT_IN))
    one.run(501 * MS)
    one.do(Action.START)
    assert one.show.snapshot().click.counting_to > 0
    one.do(Action.START)
    one.run(6000 * MS)
    heard = notes(one, "box")
    assert [n for _, n, _ in heard] == [77, 76, 76, 76] * 2
    assert heard[0][0] == 520
    (start_ns,) = at(one, "other", START)
    first = next(t for t in at(one, "other", TICK) if t > start_ns)
    assert first == (520 + 2 * 1920) * MS
    assert one.show.transport.clock.state == "running"


def test_a_count_in_is_in_the_tempo_that_the_song_begins_with() -> None:
    """Its map has gone on to 250 BPM (10 ms a tick) when it is begun again: counted in at 125 as before."""
    song = click_song(count_in_bars=1)
    points = (TempoPoint(Fraction(96), Fraction(250), Fraction(250)),)
    one = stage(replace(song, timing=replace(song.timing, tempo=points)))
    for _ in range(2):
        one.do(Action.START)
        began_ns = one.now_ns
        one.run(began_ns + 1900 * MS)
        assert one.show.snapshot().click.counting_to > 0
        assert clicked_apart(one, began_ns) == [480] * 3
        one.run(began_ns + 6000 * MS)
        assert one.show.snapshot().bpm == Fraction("250")
        one.do(Action.STOP)


def test_a_count_in_keeps_a_tempo_that_was_set_by_hand() -> None:
    one = stage(click_song(count_in_bars=1))
    one.do(Action.TEMPO, "250")
    one.run(100 * MS)
    one.do(Action.START)
    began_ns = one.now_ns
    one.run(began_ns + 950 * MS)
    assert clicked_apart(one, began_ns) == [240] * 3


def test_stop_ends_a_count_in() -> None:
    one = stage(click_song(count_in_bars=1))
    one.do(Action.START)
    one.run(500 * MS)
    one.do(Action.STOP)
    one.run(4000 * MS)
    assert not at(one, "other", START)
    assert len(notes(one, "box")) == 2


def test_the_click_sounds_without_transport_while_asked_for() -> None:
    one = stage(click_song())
    one.do(Action.CLICK)
    one.run(1930 * MS)
    assert len(notes(one, "box")) == 4
    one.do(Action.CLICK, "off")
    one.run(4000 * MS)
    assert len(notes(one, "box")) == 4
    one.do(Action.NEXT)
    with pytest.raises(CommandError, match="no click"):
        one.do(Action.CLICK)


def test_taps_set_the_tempo_and_one_slip_does_not() -> None:
    one = stage()
    for ms in (0, 500, 1000, 1500, 2350, 2500, 3000):  # one comes late
        one.run(1000 * MS + ms * MS)
        one.do(Action.TAP)
    assert one.show.snapshot().bpm == Fraction("120")


def test_a_rounded_tap_and_a_pause() -> None:
    one = stage()
    for ms in (0, 600, 1202, 1801):
        one.run(1000 * MS + ms * MS)
        one.do(Action.TAP, "1")
    assert one.show.snapshot().bpm == Fraction("100")
    for ms in (9000, 9001):
        one.run(1000 * MS + ms * MS)
        one.do(Action.TAP)
    assert one.show.snapshot().bpm == Fraction("100")


def test_nudge_half_and_double() -> None:
    one = stage()
    one.do(Action.NUDGE, "0.5")
    assert one.show.snapshot().bpm == Fraction("251/2")
    one.do(Action.NUDGE, "-1.5")
    assert one.show.snapshot().bpm == Fraction("124")
    one.do(Action.HALF)
    assert one.show.snapshot().bpm == Fraction("62")
    one.do(Action.DOUBLE)
    assert one.show.snapshot().bpm == Fraction("124")
    one.do(Action.TEMPO, "300")
    with pytest.raises(CommandError, match="tempo 600 is outside 10 to 480"):
        one.do(Action.DOUBLE)
    for bad in ("51", "-50.01"):
        with pytest.raises(ValueError, match="not a change of tempo"):
            Nudge(Fraction(bad))
    for bad in ("fast", "", "nan", "1e3", 51):
        with pytest.raises(MalformedError, match=r"by: .* is not a fraction"):
            from_json(Command, {"action": "nudge", "argument": ["Nudge", {"by": bad}]})
    for bad in ("0", "11"):
        with pytest.raises(ValueError, match="not a step"):
            TapRounding(Fraction(bad))


def test_a_section_with_a_tempo_of_its_own_is_counted_in_at_that() -> None:
    """100 BPM makes 25 ms a tick, 600 ms a beat; the song's own 125 would make 480 ms."""
    song = replace(
        click_song(count_in_bars=1),
        sections=(Section("verse", SONG.routes), Section("bridge", SONG.routes, (), Fraction(100))),
    )
    one = stage(song)
    one.do(Action.SECTION, "bridge")
    one.run(501 * MS)
    one.do(Action.START)
    one.run(6000 * MS)
    assert clicked_apart(one, 501 * MS)[:8] == [600] * 8


def test_a_click_is_as_late_as_the_ticks_of_the_device_that_it_sounds_on() -> None:
    song = replace(SONG, timing=SongTiming(click=Click("other")))
    one = stage(song, other=Timing(offset_ns=7 * MS))
    one.do(Action.START)
    one.run(3000 * MS)
    clicks = [round(t * MS) for t, _, _ in notes(one, "other")]
    assert len(clicks) > 4
    assert set(clicks) <= set(at(one, "other", TICK))
    assert {t - 7 * MS for t in clicks} <= set(at(one, "played", TICK))
