"""Devices that are started, restarted, pulsed and clocked as a song wants it, on simulated time with
literal times.

125 BPM makes 20 ms a tick: 60 s / (24 × 125) (M1 p. 30). A bar of 4/4 has 96 ticks and lasts 1.92 s.
"""

from __future__ import annotations

import itertools
from dataclasses import replace
from fractions import Fraction

import pytest

from routerd.core.model.actions import Action
from routerd.core.model.rig import Device, Rig, WireKind
from routerd.core.model.song import Patch, Song, StartPolicy
from routerd.core.model.timing import ChangePolicy, Pulse, SongTiming, StartMode, Timing
from tests.stage import MS, START, STOP, TICK, Stage, compiled

F = Fraction
GRID = Device("grid", output_pattern="g", wire=WireKind.VIRTUAL, clock=True, transport=True)
"""Hears the grid as it is."""
BOX = Device("box", output_pattern="b", wire=WireKind.VIRTUAL, clock=True, transport=True)
GOES_ON = SongTiming(change=ChangePolicy.BAR)
FIRST = Song("first", "First", F(125))
SECOND = Song("second", "Second", F(125), timing=GOES_ON)
PULSE = Pulse(F(4), channel=9, note=36, value=100, length_ns=10 * MS, reset=37)


def stage(timing: Timing, *songs: Song, clock: bool = True) -> Stage:
    songs = songs or (FIRST, SECOND)
    box = replace(BOX, timing=timing, clock=clock, transport=clock)
    return Stage(compiled(Rig("rig", (GRID, box)), songs, [song.identifier for song in songs]))


def at(one: Stage, data: bytes, name: str = "box") -> list[float]:
    return one.times_ms(name, data)


def first_tick_after(one: Stage, at_ms: float, name: str = "box") -> float:
    return next(t for t in at(one, TICK, name) if t > at_ms)


def entered_ms(one: Stage) -> float:
    """Return when the song that is on begins: its first tick."""
    clock = one.show.transport.clock
    return clock.segment.due_ns(clock.origin_tick) / MS


@pytest.mark.parametrize("mode", [StartMode.ENTRY, StartMode.BAR])
@pytest.mark.parametrize("offset_ms", [0, 7, -30])
def test_a_device_is_restarted_on_the_bar_at_which_a_song_is_entered(mode: StartMode, offset_ms: int) -> None:
    """Transport goes on, so nobody got a Start; the device's own came a bar late, or a tick."""
    one = stage(Timing(start=mode, offset_ns=offset_ms * MS))
    late = offset_ms - min(0, offset_ms)
    one.do(Action.START)
    one.run(1000 * MS)
    assert len(at(one, START)) == 1
    one.do(Action.NEXT)
    one.run(6000 * MS)
    assert one.show.snapshot().song == "second"
    (stop_ms,), start_ms = at(one, STOP), at(one, START)[1]
    bar_ms = entered_ms(one)
    assert bar_ms + late - 20 < stop_ms < start_ms <= bar_ms + late - 1
    assert first_tick_after(one, start_ms) == bar_ms + late
    assert len(at(one, START)) == 2
    assert len(at(one, START, "grid")) == 1
    assert not at(one, STOP, "grid")
    assert at(one, TICK)[:200] == [t + offset_ms for t in at(one, TICK, "grid")][:200]


@pytest.mark.parametrize("ms", range(20))
def test_a_device_started_by_bar_waits_for_the_start_of_a_stopped_song(ms: int) -> None:
    """It was started on the next bar line though the song had not begun."""
    one = stage(Timing(start=StartMode.BAR))
    one.run(1000 * MS)
    one.do(Action.NEXT)
    one.run((20_000 + ms) * MS)
    assert not at(one, START)
    one.do(Action.START)
    one.run(21_000 * MS)
    (start_ms,), (grids_ms,) = at(one, START), at(one, START, "grid")
    assert first_tick_after(one, start_ms) == first_tick_after(one, grids_ms, "grid") == entered_ms(one)
    assert first_tick_after(one, start_ms) - start_ms >= 1


def test_it_goes_with_every_start_and_comes_in_on_a_bar_after_a_continue() -> None:
    one = stage(Timing(start=StartMode.BAR))
    for _ in range(3):
        one.do(Action.START)
        one.run(one.now_ns + 1000 * MS)
        one.do(Action.STOP)
        one.run(one.now_ns + 1000 * MS)
    assert len(at(one, START)) == len(at(one, STOP)) == 3
    one.do(Action.CONTINUE)
    one.run(one.now_ns + 3000 * MS)
    clock = one.show.transport.clock
    again_ms = first_tick_after(one, at(one, START)[3])
    assert (clock.segment.tick_at(int(again_ms * MS)) - clock.origin_tick) % 96 == 0


def test_one_started_by_entry_plays_on_with_the_next_start() -> None:
    one = stage(Timing(start=StartMode.ENTRY))
    one.do(Action.NEXT)
    one.run(1000 * MS)
    assert len(at(one, START)) == 1  # also in a stopped song: that is what it is for
    one.do(Action.START)
    one.run(2000 * MS)
    assert len(at(one, START)) == 1
    one.do(Action.STOP)
    one.do(Action.START)
    one.run(3000 * MS)
    assert (len(at(one, START)), len(at(one, STOP))) == (2, 1)


@pytest.mark.parametrize("change", [ChangePolicy.TICK, ChangePolicy.BEAT, ChangePolicy.BAR])
@pytest.mark.parametrize("ms", [0, 3, 10, 17, 19.5])
def test_the_songs_first_tick_is_the_sequences_first_step(change: ChangePolicy, ms: float) -> None:
    """Wherever between two ticks somebody presses: with its first tick, or on the next bar where it is too
    late."""
    one = stage(Timing(start=StartMode.BAR), FIRST, replace(SECOND, timing=SongTiming(change=change)))
    one.do(Action.START)
    one.run(round((1000 + ms) * MS))
    one.do(Action.NEXT)
    one.run(9000 * MS)
    start_ms = at(one, START)[1]
    bars = (first_tick_after(one, start_ms) - entered_ms(one)) / 1920
    assert bars == (1 if change is ChangePolicy.TICK and ms == 19.5 else 0)
    assert first_tick_after(one, start_ms) - start_ms >= 1


def test_patches_of_the_entry_do_not_make_the_start_late() -> None:
    box = replace(BOX, wire=WireKind.DIN, timing=Timing(start=StartMode.BAR))
    dump = Patch("box", sysex=(b"\xf0\x7d" + bytes(400) + b"\xf7",))
    songs = (FIRST, replace(SECOND, patches=(dump,)))
    one = Stage(compiled(Rig("rig", (GRID, box)), songs, ("first", "second")))
    one.do(Action.START)
    one.run(1000 * MS)
    one.do(Action.NEXT)
    one.run(6000 * MS)
    assert first_tick_after(one, at(one, START)[1]) == entered_ms(one)


def test_a_sequence_restarted_with_a_song_counts_from_there() -> None:
    one = stage(Timing(start=StartMode.BAR, sequence_steps=7))
    one.do(Action.START)
    one.run(1000 * MS)
    one.do(Action.NEXT)
    one.run(6000 * MS)
    (box,) = [one for one in one.show.snapshot().devices if one.cycle_ticks]
    assert (box.running, box.started_tick) == (True, one.show.transport.clock.origin_tick)
    assert box.waits_for is None


def test_a_stop_ends_a_device_that_was_restarted_while_transport_stood() -> None:
    """It ran on, and a stop in the gap in which it was to begin anew left it stopped and called running."""
    one = stage(Timing())
    one.do(Action.RETRIGGER, "bar box")
    one.run(2000 * MS)
    assert (len(at(one, START)), at(one, STOP)) == (1, [])
    one.do(Action.STOP)
    one.run(2100 * MS)
    assert len(at(one, STOP)) == 1
    assert one.show.snapshot().devices[1].running is False


# Pulses


def pulses(one: Stage) -> list[float]:
    return [at_ns / MS for at_ns, name, d in one.log if name == "box" and d[:2] == b"\x99\x24"]


def test_pulses_can_go_on_between_songs() -> None:
    one = stage(Timing(pulse=replace(PULSE, always=True)), clock=False)
    one.run(5_003 * MS)
    one.do(Action.START)
    one.run(8_000 * MS)
    one.do(Action.STOP)
    one.run(10_000 * MS)
    one.do(Action.NEXT)
    one.run(12_003 * MS)
    one.do(Action.PANIC)
    one.run(15_000 * MS)
    gaps = [round(b - a, 3) for a, b in itertools.pairwise(pulses(one))]
    # 120 ms; shorter where they begin anew with a song or a start
    assert [gap for gap in gaps if gap != 120] == [gap for gap in gaps if gap < 120]
    assert len([gap for gap in gaps if gap < 120]) <= 2
    resets = [at_ns / MS for at_ns, name, d in one.log if name == "box" and d[:2] == b"\x99\x25"]
    assert resets == [first_tick_after(one, at(one, START, "grid")[0], "grid")]
    assert not {d for _, n, d in one.log if n == "box" and d[0] == 0x99 and d[2] == 0}


def test_pulses_are_counted_from_the_songs_first_tick() -> None:
    one = stage(Timing(pulse=replace(PULSE, always=True)), clock=False)
    one.run(5_003 * MS)
    one.do(Action.START)
    one.run(8_000 * MS)
    first_ms = first_tick_after(one, at(one, START, "grid")[0], "grid")
    assert first_ms in pulses(one)


def test_pulses_stop_between_songs_unless_told_otherwise() -> None:
    one = stage(Timing(pulse=PULSE), clock=False)
    one.run(2_000 * MS)
    assert not pulses(one)


# As a song wants it


def wants(**timing: Timing) -> SongTiming:
    return replace(GOES_ON, devices=tuple(timing.items()))


@pytest.mark.parametrize(
    "rates", [(F(1), F(2)), (F(2), F(1)), (F(1, 2), F(2)), (F(1), F(1, 2)), (F(4), F(3, 2))]
)
def test_a_song_has_a_rate_of_its_own_from_its_first_tick(rates: tuple[Fraction, Fraction]) -> None:
    before, after = rates
    one = stage(Timing(rate=before), FIRST, replace(SECOND, timing=wants(box=Timing(rate=after))), FIRST)
    one.do(Action.START)
    one.run(1000 * MS)
    one.do(Action.NEXT)
    one.run(8000 * MS)
    begins = entered_ms(one)
    grid = [t for t in at(one, TICK, "grid") if t >= begins]
    own = [t for t in at(one, TICK) if t >= begins]
    step = 20 / float(after)
    assert own[:48] == pytest.approx([begins + n * step for n in range(48)], abs=0.001)
    assert own[0] == grid[0]
    assert [t for t in at(one, TICK) if t < begins][-1] == pytest.approx(begins - 20 / float(before), abs=20)
    one.do(Action.PREVIOUS)
    one.do(Action.START)
    one.run(12_000 * MS)
    begins = entered_ms(one)
    own = [t for t in at(one, TICK) if t >= begins]
    assert own[:48] == pytest.approx([begins + n * 20 / float(before) for n in range(48)], abs=0.001)


def test_no_tick_of_another_rate_is_lost_or_recorded_as_one_of_the_grid() -> None:
    """The box got two ticks for one before; the half tick that lies behind the last goes out all the same."""
    one = stage(Timing(rate=F(2)), FIRST, replace(SECOND, timing=wants(box=Timing())))
    one.do(Action.START)
    one.run(1000 * MS)
    one.do(Action.NEXT)
    while one.show.snapshot().song == "first":
        one.run(one.show.next_deadline_ns())
    begins = entered_ms(one)
    box = one.output("box").wire
    one.run(round((begins - 5) * MS))
    assert at(one, TICK)[-2:] == [begins - 20, begins - 10]
    assert one.show.ticks.stamps[box] is None  # not recorded
    one.run(round((begins + 5) * MS))
    assert at(one, TICK)[-1] == begins
    assert box not in one.show.ticks.stamps
    assert not box.own_rate


def test_a_song_has_pulses_of_its_own_or_none() -> None:
    slow = replace(PULSE, per_quarter=F(1))
    songs = (
        FIRST,
        replace(SECOND, timing=wants(box=Timing(pulse=slow))),
        replace(FIRST, identifier="third", title="Third", timing=wants(box=Timing())),
    )
    one = stage(Timing(pulse=PULSE), *songs, clock=False)
    one.do(Action.START)
    one.run(1000 * MS)
    one.do(Action.NEXT)
    one.run(6000 * MS)
    begins = entered_ms(one)
    assert {round(b - a, 3) for a, b in itertools.pairwise(pulses(one)) if a >= begins} == {480}
    one.do(Action.NEXT)
    one.run(12_000 * MS)
    begins = entered_ms(one)
    assert not [t for t in pulses(one) if t >= begins]
    assert one.sounding() == {}


def test_a_device_that_has_a_pulse_in_one_song_only() -> None:
    plain = replace(BOX, clock=False, transport=False)
    songs = (FIRST, replace(SECOND, timing=wants(box=Timing(pulse=PULSE))))
    one = Stage(compiled(Rig("rig", (GRID, plain)), songs, ("first", "second")))
    one.do(Action.START)
    one.run(1000 * MS)
    assert not pulses(one)
    one.do(Action.NEXT)
    one.run(6000 * MS)
    assert pulses(one)[0] == entered_ms(one)


def test_a_song_may_keep_a_device_still_and_the_next_one_brings_it_in() -> None:
    songs = (
        FIRST,
        replace(SECOND, timing=wants(box=Timing(start=StartMode.NEVER))),
        replace(FIRST, identifier="third", title="Third", timing=GOES_ON),
    )
    one = stage(Timing(), *songs)
    one.do(Action.START)
    one.run(1000 * MS)
    one.do(Action.NEXT)
    one.run(6000 * MS)
    assert (len(at(one, START)), len(at(one, STOP))) == (1, 1)
    one.do(Action.NEXT)
    one.run(12_000 * MS)
    assert (len(at(one, START)), len(at(one, STOP))) == (2, 1)
    assert first_tick_after(one, at(one, START)[1]) == entered_ms(one)
    one.do(Action.STOP)
    one.run(13_000 * MS)
    assert len(at(one, STOP)) == 2


def test_a_reload_keeps_the_song_s_timing_and_what_runs() -> None:
    songs = (FIRST, replace(SECOND, timing=wants(box=Timing(rate=F(2), start=StartMode.BAR))))
    one = stage(Timing(), *songs)
    one.do(Action.NEXT)
    one.do(Action.START)
    one.run(3000 * MS)
    one.load(compiled(Rig("rig", (GRID, BOX)), songs, ("first", "second"), one.show.compiled))
    one.run(6000 * MS)
    own = [t for t in at(one, TICK) if t > 3100]
    assert {round(b - a, 3) for a, b in itertools.pairwise(own)} == {10}
    assert (len(at(one, START)), len(at(one, STOP))) == (1, 0)
    one.do(Action.STOP)
    assert one.show.snapshot().devices[1].running is False
    one.run(6100 * MS)
    assert len(at(one, STOP)) == 1


def test_entry_that_starts_by_itself_while_it_runs() -> None:
    """`start: entry` with `change: bar`: transport goes on, and who is started by bar begins at the song's
    top."""
    one = stage(Timing(start=StartMode.BAR), FIRST, replace(SECOND, start=StartPolicy.ENTRY))
    one.do(Action.NEXT)
    one.run(1000 * MS)
    assert first_tick_after(one, at(one, START)[0]) == entered_ms(one)
    one.do(Action.PREVIOUS)
    one.do(Action.START)
    one.run(3000 * MS)
    one.do(Action.NEXT)
    one.run(6000 * MS)
    assert first_tick_after(one, at(one, START)[-1]) == entered_ms(one)
    assert len(at(one, START, "grid")) == 2


@pytest.mark.parametrize("mode", [StartMode.TRANSPORT, StartMode.BAR])
@pytest.mark.parametrize("before_ms", [19, 16, 12, 9, 3])
def test_a_stop_takes_back_a_restart_that_is_on_its_way(mode: StartMode, before_ms: float) -> None:
    """A retrigger's Start went out behind the Stop, and the sequence ran in a stopped song."""
    one = stage(Timing(start=mode))
    one.do(Action.START)
    one.run(1000 * MS)
    one.do(Action.RETRIGGER, "bar box")
    bar_ms = entered_ms(one) + 1920
    one.run(round((bar_ms - before_ms) * MS))
    one.do(Action.STOP)
    one.run(9000 * MS)
    assert one.log[-1][2] == TICK
    told = [data for _, name, data in one.log if name == "box" and data in (START, STOP)]
    assert told[-1] == STOP
    assert one.show.snapshot().devices == () or not one.show.snapshot().devices[-1].running


@pytest.mark.parametrize("ms", range(20))
def test_stop_and_start_at_once_keep_their_order_on_a_late_device(ms: int) -> None:
    one = stage(Timing(start=StartMode.BAR, offset_ns=7 * MS))
    one.do(Action.START)
    one.run((1000 + ms) * MS)
    one.do(Action.STOP)
    one.do(Action.START)
    one.run(4000 * MS)
    told = [data for _, name, data in one.log if name == "box" and data in (START, STOP)]
    assert told == [START, STOP, START]
    assert first_tick_after(one, at(one, START)[-1]) == entered_ms(one) + 7


def test_a_start_on_its_way_is_taken_back_where_a_song_keeps_the_device_still() -> None:
    songs = (FIRST, replace(SECOND, timing=wants(box=Timing(start=StartMode.NEVER))))
    one = stage(Timing(start=StartMode.ENTRY), *songs)
    one.do(Action.START)
    one.run(1000 * MS)
    one.do(Action.RETRIGGER, "bar box")
    one.do(Action.NEXT)  # on the same bar
    one.run(6000 * MS)
    told = [data for _, name, data in one.log if name == "box" and data in (START, STOP)]
    assert told[-1] == STOP


def test_a_start_is_reported_once() -> None:
    """It was reported when it was asked for and again when its byte went out."""
    one = stage(Timing())
    one.do(Action.START)
    one.run(1000 * MS)
    assert [e["state"] for e in one.events if e["kind"] == "transport"] == ["starting", "running"]
