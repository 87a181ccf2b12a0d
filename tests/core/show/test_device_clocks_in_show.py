"""Devices that want their clock otherwise: the whole show on simulated time.

125 BPM makes 20 ms a tick: 60 s / (24 × 125) (M1 p. 30). A bar of 4/4 has 96 ticks and lasts 1.92 s.
"""

from __future__ import annotations

import itertools
from dataclasses import replace
from fractions import Fraction

import pytest
from three_devices import NEXT, OTHER, PLAYED, SONG, F, at, notes, stage

from routerd.core.errors import CommandError, NotFoundError
from routerd.core.model.actions import Action
from routerd.core.model.rig import Rig
from routerd.core.model.snapshot import DeviceClockState
from routerd.core.model.timing import (
    ChangePolicy,
    Pulse,
    SongTiming,
    StartMode,
    TempoPoint,
    Timing,
)
from tests.stage import CONTINUE, MS, START, STOP, TICK, Stage, compiled


@pytest.mark.parametrize("offset_ms", [12, -12, 45, -45, 0.25, -100])
def test_the_difference_of_two_devices_is_the_offset(offset_ms: float) -> None:
    """Early or late, over tempo changes, Start and Stop: everything of one device lies the offset from the
    other."""
    one = stage(played=Timing(offset_ns=int(offset_ms * MS)))
    one.run(500 * MS)
    one.do(Action.START)
    one.run(1500 * MS)
    one.do(Action.TEMPO, "200")
    one.run(3000 * MS)
    one.do(Action.STOP)
    one.do(Action.CONTINUE, 2)
    one.run(5003 * MS)
    position = bytes.fromhex("F21000")
    (told_ns,), (continue_ns,) = at(one, "played", position), at(one, "played", CONTINUE)
    assert (
        0 <= told_ns - at(one, "other", position)[0] - offset_ms * MS < 13 * MS
    )  # its wire may make it wait
    assert told_ns < continue_ns
    for data in (TICK, START, STOP, CONTINUE):
        mine, theirs = at(one, "played", data), at(one, "other", data)
        pairs = list(zip(mine, theirs, strict=False))
        assert pairs
        assert len(mine) == pytest.approx(len(theirs), abs=15)
        assert {m - t for m, t in pairs} == {int(offset_ms * MS)}


def test_start_keeps_its_distance_on_a_device_with_an_offset() -> None:
    """At least 1 ms before and after its own ticks (M1 p. 30), and the same number of ticks follow."""
    one = stage(played=Timing(offset_ns=7 * MS))
    one.run(503 * MS)
    one.do(Action.START)
    one.run(1000 * MS)
    for name in ("played", "other"):
        (start_ns,) = at(one, name, START)
        assert min(abs(start_ns - t) for t in at(one, name, TICK)) >= MS


def test_bulk_leaves_the_wire_idle_for_a_late_tick() -> None:
    """A dump on a DIN wire (320 µs a byte, M1 p. 1): the device's own ticks find it idle."""
    one = stage(played=Timing(offset_ns=7 * MS))
    output = one.output("played")
    output.offer(b"\xf0\x7d" + bytes(1999) + b"\xf7", 0, one.show.effects.sink)
    free_ns = 0
    one.collect()
    one.run(1500 * MS)
    for at_ns, name, data in one.log:
        if name != "played":
            continue
        if data == TICK and at_ns > 20 * MS:
            assert at_ns >= free_ns
        free_ns = max(at_ns, free_ns) + len(data) * 320_000


@pytest.mark.parametrize(
    ("rate", "count"), [(F(1, 2), 48), (F(2), 192), (F(3, 2), 144), (F(1, 6), 16), (F(4), 384)]
)
def test_divided_and_multiplied_clocks_fall_on_the_first_beat(rate: Fraction, count: int) -> None:
    one = stage(played=Timing(rate=rate))
    one.run(501 * MS)
    one.do(Action.START)
    one.run(4000 * MS)
    (start_ns,) = at(one, "played", START)
    first = next(t for t in at(one, "other", TICK) if t > start_ns)
    own = [t for t in at(one, "played", TICK) if t > start_ns]
    assert own[0] == first
    in_a_bar = [t for t in own if t < first + 1920 * MS]
    assert len(in_a_bar) == count
    for n, t in enumerate(in_a_bar):
        assert t == pytest.approx(first + n * 1920 * MS / count, abs=2)


def test_a_multiplied_clock_follows_a_tempo_map() -> None:
    timing = SongTiming(tempo=(TempoPoint(F(10), F(250), F(250)),))
    one = stage(replace(SONG, timing=timing), played=Timing(rate=F(2)))
    one.do(Action.START)
    one.run(1000 * MS)
    (start_ns,) = at(one, "played", START)
    own = [t for t in at(one, "played", TICK) if t > start_ns]
    assert {b - a for a, b in itertools.pairwise(own[:21])} == {10 * MS}
    assert {b - a for a, b in itertools.pairwise(own[20:41])} == {5 * MS}


@pytest.mark.parametrize(("note", "reset"), [(36, 37), (0, 37), (36, 0)])
def test_gate_notes_and_a_reset_at_bar_one(note: int, reset: int) -> None:
    """Four pulses to the quarter note at 125 BPM: 120 ms."""
    pulse = Pulse(F(4), channel=9, note=note, value=100, length_ns=10 * MS, reset=reset)
    one = stage(box=Timing(pulse=pulse))
    one.run(1000 * MS)
    assert not notes(one, "box")
    one.do(Action.START)
    one.run(3000 * MS)
    first = next(t for t in at(one, "other", TICK) if t > at(one, "other", START)[0]) / MS
    on, off = notes(one, "box"), notes(one, "box", 0x80)
    assert on[0] == (first, reset, 100)
    assert on[1:5] == [(first + 120 * n, note, 100) for n in range(4)]
    assert off[:3] == [(first + 10, reset, 64), (first + 10, note, 64), (first + 130, note, 64)]
    one.do(Action.STOP)
    one.run(4000 * MS)
    assert len(notes(one, "box")) == len(notes(one, "box", 0x80))
    assert notes(one, "box")[-1][0] <= 3000


def test_controller_pulses_with_an_offset() -> None:
    pulse = Pulse(F(1), cc=20, value=127, length_ns=5 * MS)
    one = stage(box=Timing(pulse=pulse, offset_ns=3 * MS))
    one.do(Action.START)
    one.run(2000 * MS)
    first = next(t for t in at(one, "other", TICK) if t > at(one, "other", START)[0]) / MS
    assert notes(one, "box", 0xB0)[:4] == [
        (first + 3, 20, 127),
        (first + 8, 20, 0),
        (first + 483, 20, 127),
        (first + 488, 20, 0),
    ]


def test_ticks_and_pulses_of_one_instant_both_go_out() -> None:
    """A device with clock, pulses and an offset: its tick and its pulse are due at the very same time."""
    pulse = Pulse(F(4), note=36, value=100, length_ns=10 * MS)
    one = stage(played=Timing(pulse=pulse, offset_ns=3 * MS))
    one.do(Action.START)
    for _ in range(2000):  # not `run`, which would never come to an end if they waited for each other
        one.now_ns = max(one.now_ns, one.show.next_deadline_ns())
        one.show.advance(one.now_ns)
        one.collect()
    assert one.now_ns > 2000 * MS
    first = next(t for t in at(one, "other", TICK) if t > at(one, "other", START)[0]) / MS
    assert notes(one, "played")[:3] == [(first + 3 + 120 * n, 36, 100) for n in range(3)]


def test_retrigger_restarts_one_device_on_the_bar_and_touches_no_other() -> None:
    one = stage()
    one.do(Action.START)
    one.run(1000 * MS)
    one.do(Action.RETRIGGER, "bar played")
    one.run(4000 * MS)
    first = next(t for t in at(one, "other", TICK) if t > at(one, "other", START)[0])
    bar = first + 1920 * MS
    (stop_ns,) = at(one, "played", STOP)
    start_ns = at(one, "played", START)[1]
    assert bar - 20 * MS < stop_ns < start_ns <= bar - MS
    ticks = at(one, "played", TICK)
    assert not [t for t in ticks if stop_ns < t < bar]
    assert bar in ticks
    assert len(at(one, "other", START)) == 1
    assert not at(one, "other", STOP)
    assert at(one, "other", TICK) == ticks


def test_a_sequence_of_seven_sixteenths_comes_round_and_is_retriggered_on_its_own_cycle() -> None:
    """Seven sixteenths are 42 ticks; with bars of 96 they meet every lcm(42, 96) = 672 ticks, seven bars."""
    one = stage(played=Timing(sequence_steps=7))
    one.do(Action.START)
    one.run(1500 * MS)
    device = one.show.snapshot().devices[0]
    origin = one.show.transport.clock.origin_tick
    assert device == DeviceClockState("played", Fraction(1), True, origin, 42, None)
    one.do(Action.RETRIGGER, "cycle played")
    assert one.show.snapshot().devices[0].waits_for == "cycle"
    one.run(4000 * MS)
    first = next(t for t in at(one, "other", TICK) if t > at(one, "other", START)[0])
    start_ns = at(one, "played", START)[1]
    restarted = next(t for t in at(one, "played", TICK) if t > start_ns)
    assert (restarted - first) // (20 * MS) == 84
    assert one.show.snapshot().devices[0].started_tick == origin + 84


@pytest.mark.parametrize(
    ("argument", "why"),
    [
        ("bar nobody", "no device 'nobody'"),
        ("bar box", "no device 'box' that gets transport"),
        ("cycle other", "has no sequence that runs"),
        ("bar played", "is never started"),
    ],
)
def test_what_cannot_be_retriggered_says_why(argument: str, why: str) -> None:
    one = stage(played=Timing(start=StartMode.NEVER))
    with pytest.raises(CommandError, match=why):
        one.do(Action.RETRIGGER, argument)


def test_each_start_mode_has_its_moment() -> None:
    one = stage(played=Timing(start=StartMode.RETRIGGER), other=Timing(start=StartMode.ENTRY))
    one.run(1000 * MS)
    one.do(Action.NEXT)
    one.run(1500 * MS)
    (entry_ns,) = at(one, "other", START)
    assert 1000 * MS < entry_ns < 1045 * MS
    one.do(Action.START)
    one.run(2000 * MS)
    assert len(at(one, "other", START)) == 1
    assert not at(one, "played", START)
    one.do(Action.RETRIGGER, "bar played")
    one.run(5000 * MS)
    assert len(at(one, "played", START)) == 1
    assert not at(one, "played", STOP)
    one.do(Action.STOP)
    one.run(5100 * MS)
    assert len(at(one, "played", STOP)) == 1
    assert len(at(one, "other", STOP)) == 1
    one.run(9000 * MS)
    assert len(at(one, "played", START)) == 1


@pytest.mark.parametrize(
    ("offset_ms", "told"),
    [
        (12, [(503, "other"), (515, "played"), (541, "other"), (553, "played")]),
        (-12, [(503, "played"), (515, "other"), (541, "played"), (553, "other")]),
        (45, [(503, "other"), (541, "other"), (548, "played"), (586, "played")]),
    ],
)
def test_a_position_on_its_way_to_a_late_device_keeps_continue_one_tick(
    offset_ms: int, told: list[tuple[float, str]]
) -> None:
    """Ticks come at 520 and 540 ms, Continue 1 ms behind the second; the late device gets all of it later."""
    one = stage(played=Timing(offset_ns=offset_ms * MS))
    one.run(503 * MS)
    one.do(Action.CONTINUE, 2)
    one.run(900 * MS)
    assert [(at_ns / MS, name) for at_ns, name, data in one.log if data != TICK] == told


def test_a_device_that_is_never_started_gets_no_transport() -> None:
    one = stage(played=Timing(start=StartMode.NEVER))
    one.do(Action.START)
    one.run(500 * MS)
    one.do(Action.CONTINUE, 3)
    one.run(1000 * MS)
    one.do(Action.NEXT)
    one.run(2000 * MS)
    assert set(one.sent("played")) <= {"fc"} - {"fc"} | set()
    assert len(at(one, "played", TICK)) == 101


def test_what_waits_for_a_device_that_leaves_the_rig_is_forgotten() -> None:
    """Its ticks come 9 ms behind the grid's, every 20 ms; it leaves when one of them waits."""
    one = stage(played=Timing(offset_ns=9 * MS))
    one.run(105 * MS)
    assert len(one.show.transport.schedule) == 1
    one.load(compiled(Rig("rig", (OTHER,)), (SONG, NEXT), ("one", "two")))
    one.open("other")
    one.log.clear()
    one.run(200 * MS)
    assert at(one, "other", TICK)
    assert not [name for _, name, _ in one.log if name == "played"]
    assert len(one.show.transport.schedule) == 0


def test_a_port_that_closes_tells_since_when_nothing_may_have_got_through() -> None:
    one = stage()
    one.run(100 * MS)
    one.show.output_lost(one.output("other").wire, one.now_ns, since_ns=60 * MS)
    one.lose("played")
    told = {event["device"]: event["since_ns"] for event in one.events_of("port-closed")}
    assert told == {"other": 60 * MS, "played": 100 * MS}


def test_a_reload_keeps_offsets_and_where_sequences_stand() -> None:
    one = stage(played=Timing(offset_ns=5 * MS, sequence_steps=16))
    one.do(Action.START)
    one.run(1000 * MS)
    before = one.show.snapshot().devices
    devices = one.show.compiled.rig.devices
    one.load(compiled(Rig("rig", devices), (SONG, NEXT), ("one", "two"), one.show.compiled))
    assert one.show.snapshot().devices == before
    one.run(2000 * MS)
    assert {m - t for m, t in zip(at(one, "played", TICK), at(one, "other", TICK), strict=False)} == {5 * MS}


def test_an_unknown_device_is_not_found() -> None:
    with pytest.raises(NotFoundError):
        stage().do(Action.RETRIGGER, "bar ")


@pytest.mark.parametrize(
    ("change", "waits_ticks"), [(ChangePolicy.TICK, 0), (ChangePolicy.BEAT, 24), (ChangePolicy.BAR, 96)]
)
def test_a_song_may_be_entered_with_transport_going_on(change: ChangePolicy, waits_ticks: int) -> None:
    """125 BPM, 20 ms a tick; the next song at 250, 10 ms. Ticks never stop, transport bytes are not sent."""
    second = replace(NEXT, bpm=F(250), timing=SongTiming(change=change))
    one = Stage(compiled(Rig("rig", (PLAYED, OTHER)), (SONG, second), ("one", "two")))
    one.do(Action.START)
    one.run(1030 * MS)  # between ticks 50 and 51 of the song, which began at 20 ms
    one.do(Action.NEXT)
    one.run(4000 * MS)
    (start_ns,) = at(one, "other", START)
    assert not at(one, "other", STOP)
    ticks = [t for t in at(one, "other", TICK) if t > start_ns]
    first = ticks[0]
    changed = next(a for a, b in itertools.pairwise(ticks) if b - a == 10 * MS)
    number = (changed - first) // (20 * MS)
    assert number == (51 if not waits_ticks else -(-51 // waits_ticks) * waits_ticks)
    assert all(b - a == 10 * MS for a, b in itertools.pairwise(t for t in ticks if t >= changed))
    assert one.show.transport.clock.position_ticks == sum(1 for t in ticks if t >= changed)


def test_a_reload_keeps_the_clocks_that_the_song_gives_its_devices() -> None:
    """One song has a device twice as fast. It stays so when the rig is loaded again, follows what the song
    says by then, and goes back to the rig's when it says nothing more."""
    rig = stage().show.compiled.rig
    ticks_in_a_quarter = []
    one = stage(replace(SONG, timing=SongTiming(devices=(("played", Timing(rate=F(2))),))))
    one.do(Action.START)
    for rate in (2, 2, 3, 1):
        timing = SongTiming(devices=(("played", Timing(rate=F(rate))),) if rate != 1 else ())
        one.run(one.now_ns + 1001 * MS)
        one.load(compiled(rig, (replace(SONG, timing=timing), NEXT), ("one", "two"), one.show.compiled))
        one.run(one.now_ns + 500 * MS)
        since_ns, after_ns = one.now_ns, one.now_ns + 24 * 20 * MS
        one.run(after_ns)
        ticks_in_a_quarter.append(len([t for t in at(one, "played", TICK) if since_ns < t <= after_ns]))
        running = {state.device: state.running for state in one.show.snapshot().devices}
        assert running == {"played": True, "other": True}
    assert ticks_in_a_quarter == [48, 48, 72, 24]
