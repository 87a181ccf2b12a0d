"""The show under a source: tempo, transport and position of a device that leads, on simulated time."""

from __future__ import annotations

import itertools
import random
from dataclasses import replace
from fractions import Fraction

import pytest
from leading_drums import DRUMS, FOLLOWING, LEADING, PERIOD, at, stage, tick

from routerd.core.errors import CommandError, NotFoundError
from routerd.core.model.actions import Action
from routerd.core.model.rig import Rig
from routerd.core.model.song import Song
from routerd.core.model.timing import MeterPoint, SongTiming, TempoPoint, Timing
from tests.stage import CONTINUE, MS, RIG, START, STOP, TICK, Stage, compiled


def test_ticks_of_the_song_source_become_this_tempo() -> None:
    one = stage()
    end_ns = tick(one, 100, 7 * MS)
    one.run(end_ns)
    snapshot = one.show.snapshot()
    assert snapshot.clock_source == "drums"
    assert snapshot.following.state == "locked"
    assert Fraction(snapshot.bpm) == 100
    assert snapshot.tempo_moves  # so the server does not keep it as a tempo that was set by hand
    ticks = at(one, "synth", TICK)[-20:]
    assert all(abs((t - 7 * MS) % PERIOD) < 1000 or PERIOD - (t - 7 * MS) % PERIOD < 1000 for t in ticks)
    assert [e["state"] for e in one.events if e["kind"] == "following"] == ["acquiring", "locked"]


def test_others_see_each_quarter_where_the_grid_is_while_somebody_else_leads() -> None:
    """Also before anything has come from the source: 24 ticks of 20 ms are a quarter."""
    one = stage()
    one.run(7 * MS)
    seen = []
    for quarter in range(1, 5):
        before = one.show.effects.revision
        one.run(quarter * 480 * MS)
        seen.append(one.show.effects.revision - before)
    assert seen == [1, 1, 1, 1]


@pytest.mark.parametrize("lead_us", [0, 300, 1000, 5000, 12_000, 24_000])
def test_start_keeps_position_however_closely_it_is_sent_before_its_tick(lead_us: int) -> None:
    """Start counts from the next tick (M1 p. 30); ours keeps 1 ms and plays the same position."""
    one = stage()
    next_ns = tick(one, 100, 7 * MS)
    one.run(next_ns - lead_us * 1000)
    one.play("drums", "FA")
    next_ns = tick(one, 49, next_ns)
    one.run(next_ns - PERIOD // 2)
    for name in ("synth", "modular"):
        (start_ns,) = at(one, name, START)
        ticks = at(one, name, TICK)
        after = [t for t in ticks if t > start_ns]
        before = [t for t in ticks if t <= start_ns]
        assert after[0] - start_ns >= MS
        assert start_ns - before[-1] >= MS
        assert len(after) == 49
        assert after[0] - before[-1] <= 2 * PERIOD
    assert one.show.transport.clock.position_ticks == 49
    assert abs(at(one, "synth", TICK)[-1] - (next_ns - PERIOD)) < MS


@pytest.mark.parametrize("late_us", [0, 100, 290, 310, 600, 990, 1290, 1310, 1900])
@pytest.mark.parametrize("lead_us", [300, 1000, 1300, 2000, 5000])
def test_start_is_not_a_tick_late_when_the_clock_thread_is(lead_us: int, late_us: int) -> None:
    """Start 1.3 ms before its tick leaves 0.3 ms to send ours 1 ms before (M1 p. 30): a thread that woke
    later than that found no room and began one tick late."""
    one = stage()
    next_ns = tick(one, 100, 7 * MS)
    one.run(next_ns - lead_us * 1000)
    one.play("drums", "FA")
    one.now_ns += late_us * 1000
    one.show.advance(one.now_ns)
    one.collect()
    heard_ns = one.now_ns
    if heard_ns > next_ns:  # the source's tick has come meanwhile
        one.show.receive(one.input("drums"), TICK, heard_ns)
    tick(one, 20, next_ns + (PERIOD if heard_ns > next_ns else 0))
    for name in ("synth", "modular"):
        (start_ns,) = at(one, name, START)
        ticks = at(one, name, TICK)
        first_ns = next(t for t in ticks if t > start_ns)
        assert first_ns - start_ns >= MS
        assert abs(first_ns - next_ns) <= 4 * MS  # the source's own tick, not the one after it
        assert start_ns - [t for t in ticks if t <= start_ns][-1] >= MS


@pytest.mark.parametrize("late_us", [100, 600, 1000, 3000, 6000, 9000])
def test_start_is_not_a_tick_late_when_ours_of_its_place_has_gone_out(late_us: int) -> None:
    """A source that is late with a Start and its tick, both: ours of that place was out, and everybody began
    one tick late. Another one follows at once."""
    one = stage()
    next_ns = tick(one, 100, 7 * MS)
    one.run(next_ns + late_us * 1000)
    one.play("drums", "FA", "F8")
    next_ns = tick(one, 40, next_ns + PERIOD)
    one.run(next_ns - PERIOD // 2)
    for name in ("synth", "modular"):
        (start_ns,) = at(one, name, START)
        ticks = at(one, name, TICK)
        after = [t for t in ticks if t > start_ns]
        assert MS <= after[0] - start_ns <= 2 * MS
        assert after[0] - (next_ns - 41 * PERIOD) <= late_us * 1000 + 3 * MS
        assert min(start_ns - t for t in ticks if t < start_ns) >= MS
        assert len(after) == 41
        assert all(b - a > PERIOD * 0.6 for a, b in itertools.pairwise(after))
    assert one.show.transport.clock.position_ticks == 41


@pytest.mark.parametrize("step_us", [1333, 2667, 5333, 10_667])
@pytest.mark.parametrize("seed", range(10))
def test_start_is_not_a_tick_late_where_stamps_are_coarse(step_us: int, seed: int) -> None:
    """JACK's periods of 64 to 512 frames at 48 kHz; the source's Start comes 1.3 ms before its tick."""
    one, dice = stage(), random.Random(seed)
    phase_ns = dice.randrange(step_us * 1000)

    def stamp(at_ns: int) -> int:
        return -(-(at_ns - phase_ns) // (step_us * 1000)) * step_us * 1000 + phase_ns

    first_ns = 7 * MS + 150 * PERIOD
    arrivals = [(stamp(7 * MS + n * PERIOD), 1, "F8") for n in range(210)]
    for at_ns, _, message in sorted([*arrivals, (stamp(first_ns - 1_300_000), 0, "FA")]):
        one.run(max(at_ns, one.now_ns))
        one.play("drums", message)
    one.run(one.now_ns + PERIOD // 2)
    (start_ns,) = at(one, "synth", START)
    ticks = [t for t in at(one, "synth", TICK) if t > start_ns]
    assert ticks[0] - first_ns <= step_us * 1000 + 3 * MS
    assert one.show.transport.clock.position_ticks == 60


def test_a_source_that_ticks_only_while_it_plays_is_caught_up_with() -> None:
    one = stage()
    one.run(503 * MS)
    one.play("drums", "FA")
    next_ns = tick(one, 240, 505 * MS)
    one.run(next_ns - PERIOD // 2)
    (start_ns,) = at(one, "synth", START)
    assert len([t for t in at(one, "synth", TICK) if t > start_ns]) == 240
    assert one.show.transport.clock.position_ticks == 240


def test_stop_position_and_continue() -> None:
    """M1 pp. 27–29: position 10 is 60 ticks; Continue goes on from it. The followers are told the same."""
    one = stage()
    next_ns = tick(one, 60, 7 * MS)
    one.play("drums", "FA")
    next_ns = tick(one, 30, next_ns)
    one.play("drums", "FC")
    assert at(one, "synth", STOP)
    one.play("drums", "F2 0A 00")
    assert one.show.transport.clock.position_ticks == 60
    one.run(one.now_ns + 2 * MS)
    assert one.sent("synth")[-1] == "f2 0a 00"
    next_ns = tick(one, 10, next_ns)
    one.run(next_ns - 2 * MS)
    one.play("drums", "FB")
    next_ns = tick(one, 27, next_ns)
    one.run(next_ns - PERIOD // 2)
    (continue_ns,) = at(one, "synth", CONTINUE)
    assert len([t for t in at(one, "synth", TICK) if t > continue_ns]) == 27
    assert one.show.transport.clock.position_ticks == 60 + 27


def test_spp_4_and_three_clocks_more_is_tick_27() -> None:
    """M1 p. 29: SPP 4 then Continue and three clocks stand at the 27th clock."""
    one = stage()
    next_ns = tick(one, 60, 7 * MS)
    one.play("drums", "F2 04 00", "FB")
    next_ns = tick(one, 3, next_ns)
    one.run(next_ns - PERIOD // 2)
    assert one.show.transport.clock.position_ticks == 27


def test_the_last_position_that_can_be_told_and_beyond() -> None:
    """M1 pp. 27-29: 14 bits of sixteenths, so 16 383 × 6 = 98 298 ticks is as far as a pointer reaches."""
    one = stage()
    next_ns = tick(one, 60, 7 * MS)
    one.play("drums", "F2 7F 7F")
    assert one.show.transport.clock.position_ticks == 98_298
    one.run(one.now_ns + 2 * MS)
    assert one.sent("synth")[-1] == "f2 7f 7f"
    next_ns = tick(one, 10, next_ns)
    one.run(next_ns - 2 * MS)
    one.play("drums", "FB")
    next_ns = tick(one, 30, next_ns)  # it goes on past the end
    one.run(next_ns - 2 * MS)
    one.play("drums", "FC", "FB")
    next_ns = tick(one, 10, next_ns)
    one.run(next_ns - PERIOD // 2)
    assert one.show.transport.clock.position_ticks == 98_298 + 40
    assert one.show.snapshot().following.state == "locked"
    assert [text for text in one.sent("synth") if text.startswith("f2")] == ["f2 7f 7f"]
    # by hand a bar beyond it is refused, and nothing changes
    with pytest.raises(CommandError, match="bar 5000 has no song position pointer"):
        one.do(Action.CONTINUE, 5000)
    assert one.show.transport.clock.position_ticks == 98_298 + 40


def test_tempo_is_refused_while_a_source_decides() -> None:
    one = stage()
    tick(one, 60, 7 * MS)
    for action, argument in ((Action.TEMPO, "130"), (Action.SONG_TEMPO, None)):
        with pytest.raises(CommandError, match="tempo follows 'drums'"):
            one.do(action, argument)
    one.do(Action.CLOCK_SOURCE, "")
    one.do(Action.TEMPO, "130")
    assert one.show.snapshot().bpm == Fraction("130")


def test_an_unknown_source_is_refused() -> None:
    one = stage()
    with pytest.raises(NotFoundError, match="no device 'synth' with an input to follow; there are keys, ped"):
        one.do(Action.CLOCK_SOURCE, "synth")
    assert one.show.snapshot().clock_source == "drums"


def test_the_next_song_leads_again_in_its_own_tempo() -> None:
    one = stage()
    tick(one, 60, 7 * MS)
    one.do(Action.NEXT)
    assert one.show.snapshot().clock_source == "internal"
    assert one.show.snapshot().bpm == Fraction("125")
    one.do(Action.CLOCK_SOURCE, "drums")
    assert one.show.snapshot().clock_source == "drums"


def test_a_silent_source_is_held_then_led_and_everything_goes_on() -> None:
    one = stage()
    next_ns = tick(one, 100, 7 * MS)
    one.run(next_ns + 20_000 * MS)
    ticks = [t for t in at(one, "synth", TICK) if t > next_ns]
    assert all(abs(b - a - PERIOD) <= 1 for a, b in itertools.pairwise(ticks))
    states = [e["state"] for e in one.events if e["kind"] == "following"]
    assert states == ["acquiring", "locked", "holdover", "free"]
    one.do(Action.TEMPO, "125")
    assert one.show.snapshot().bpm == Fraction("125")


def test_the_tempo_of_a_source_that_has_gone_is_told_and_nudged_from() -> None:
    """The status showed the song's 125 BPM while ticks went at 100, and a nudge began from 125."""
    one = stage()
    next_ns = tick(one, 100, 7 * MS)
    assert one.show.snapshot().tempo_by == "source"
    one.run(next_ns + 20_000 * MS)
    snapshot = one.show.snapshot()
    assert (snapshot.following.state, snapshot.bpm, snapshot.tempo_by) == ("free", 100, "source")
    one.do(Action.NUDGE, "0.5")
    assert one.show.snapshot().bpm == Fraction("100.5")
    assert one.show.snapshot().tempo_by == "hand"
    one.do(Action.SONG_TEMPO)
    assert one.show.snapshot().bpm == Fraction("125")
    assert one.show.snapshot().tempo_by == "song"


def test_the_rig_says_how_long_a_silent_source_is_held() -> None:
    """Also while it is followed, when a rig with another hold is loaded; told to the millisecond."""
    drums = replace(DRUMS, timing=Timing(leads_transport=True))
    one = Stage(compiled(Rig("band", (*RIG.devices, drums), holdover_s=2), (FOLLOWING,), ("one",)))
    last_ns = tick(one, 100, 7 * MS) - PERIOD
    one.run(last_ns + 1999 * MS)
    assert one.show.snapshot().following.state == "holdover"
    one.run(last_ns + 2000 * MS)
    assert one.show.snapshot().following.state == "free"
    last_ns = tick(one, 100, last_ns + 3007 * MS) - PERIOD
    assert one.show.snapshot().following.state == "locked"
    longer = Rig("band", (*RIG.devices, drums), holdover_s=60)
    one.load(compiled(longer, (FOLLOWING,), ("one",), one.show.compiled))
    one.run(last_ns + 59_999 * MS)
    assert one.show.snapshot().following.state == "holdover"
    one.run(last_ns + 60_000 * MS)
    assert one.show.snapshot().following.state == "free"


def test_other_inputs_are_no_source() -> None:
    one = stage()
    for n in range(100):
        one.run(n * PERIOD)
        one.play("keys", "F8")
    assert one.show.snapshot().following.state == "free"
    assert one.show.snapshot().bpm == Fraction("125")


def test_a_source_that_leaves_the_rig_is_followed_no_more() -> None:
    one = stage()
    tick(one, 60, 7 * MS)
    one.load(compiled(RIG, (LEADING,), ("two",), one.show.compiled))
    assert one.show.snapshot().clock_source == "internal"
    one.run(one.now_ns + 1000 * MS)


def test_a_tempo_map_is_played_from_the_top_and_from_a_bar() -> None:
    """125 BPM: 20 ms a tick, 250: 10 ms. Bars of 4/4 have 96 ticks, of 3/4 72."""
    timing = SongTiming(
        tempo=(TempoPoint(Fraction(96), Fraction(250), Fraction(250)),), meters=(MeterPoint(192, 3, 4),)
    )
    song = Song("one", "One", Fraction(125), timing=timing)
    one = Stage(compiled(RIG, (song,), ("one",)))
    one.do(Action.START)
    one.run(6000 * MS)
    (start_ns,) = at(one, "synth", START)
    after = [t for t in at(one, "synth", TICK) if t > start_ns]
    assert after[96] - after[0] == 1920 * MS
    assert after[97] - after[96] == 10 * MS
    assert [e["bpm"] for e in one.events if e["kind"] == "tempo"] == [250] or [
        e["bpm"] for e in one.events if e["kind"] == "tempo"
    ] == [125, 250]
    assert [e["meter"] for e in one.events if e["kind"] == "meter"] == ["3/4"]
    assert one.show.snapshot().meter == (3, 4)
    assert one.show.snapshot().meter_from == (192, 2)
    one.do(Action.STOP)
    one.do(Action.CONTINUE, 4)  # bar 4 begins at 192 + 72 = 264 ticks: position 44
    one.run(one.now_ns + 500 * MS)
    assert "f2 2c 00" in one.sent("synth")
    assert one.show.snapshot().bpm == Fraction("250")
    one.do(Action.STOP)
    one.do(Action.START)
    one.run(one.now_ns + 500 * MS)
    assert one.show.snapshot().bpm == Fraction("125")


def test_a_dump_leaves_the_wire_idle_for_ticks_that_a_source_moves() -> None:
    """A DIN wire takes 320 µs a byte (M1 p. 1). Every twenty ticks the drums are 5 ms earlier than before,
    and ours follow by an eighth of a period a tick. Only a byte that is on its way by then may be in the way.
    """
    one = stage()
    since_ns = tick(one, 40, 7 * MS)
    output = one.output("synth")
    for _ in range(10):
        output.offer(b"\xf0\x7d" + bytes(600) + b"\xf7", one.now_ns, one.show.effects.sink)
    one.collect()
    begun_ns = one.now_ns
    for n in range(200):
        one.run(since_ns + n * PERIOD - n // 20 * 5 * MS)
        one.play("drums", "F8")
    idle_ns, late_ns = 0, []
    for at_ns, name, data in one.log:
        if name == "synth" and at_ns > begun_ns:
            if data == TICK and idle_ns > at_ns:
                late_ns.append(idle_ns - at_ns)
            idle_ns = max(idle_ns, at_ns) + 320_000 * len(data)
    assert idle_ns > begun_ns + 2_000 * MS
    assert len(late_ns) <= 3, late_ns
