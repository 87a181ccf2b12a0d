"""Going on where an engine has died: the grid, what devices are told, what is released. Literal times, exact.

Song Position Pointer counts sixteenths, that is six ticks, and is sent only while stopped; Continue goes on
with the tick that follows it, at least 1 ms away (M1 pp. 27-31). 125 BPM: a tick is 20 ms, a 4/4 bar 96.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from operator import attrgetter

import pytest

from routerd.core.model.actions import Action
from routerd.core.model.codec import from_json, to_json
from routerd.core.model.rig import AfterRestart, Device, WireKind
from routerd.core.model.song import Song, StartPolicy
from routerd.core.model.timing import Curve, MeterPoint, SongTiming, StartMode, TempoPoint, Timing
from routerd.core.show.compiler import CompiledRig
from routerd.core.show.crash_state import CrashState, Kept, crash_state_of, kept_from
from tests.stage import CONTINUE, KEYS, MS, OPENER, RIG, START, STOP, TICK, Stage, compiled, sounding

FREE = Device("free", output_pattern="free", wire=WireKind.VIRTUAL, clock=True, transport=True)
MOVING = Song(
    "moving",
    "Moving",
    Fraction(125),
    start=StartPolicy.ENTRY,
    timing=SongTiming(
        tempo=(
            TempoPoint(Fraction(0), Fraction(125), Fraction(125)),
            TempoPoint(Fraction(96), Fraction(125), Fraction(150), 192, Curve.LINEAR),
        ),
        meters=(MeterPoint(0, 4, 4), MeterPoint(288, 7, 8)),
    ),
)


def a_compiled_rig(policy: AfterRestart, *songs: Song, timing: Timing | None = None) -> CompiledRig:
    free = FREE if timing is None else replace(FREE, timing=timing)
    rig = replace(RIG, devices=(*RIG.devices, free), after_restart=policy)
    return compiled(rig, songs or (OPENER,), [song.identifier for song in songs or (OPENER,)])


def left_by(stage: Stage) -> Kept:
    """Return what is known of a show that ends here."""
    return kept_from(crash_state_of(stage.show.snapshot()), stage.show.ticks.number)


def died(policy: AfterRestart, at_ms: int, *songs: Song, timing: Timing | None = None) -> Stage:
    """A show that was started in the first gap, or by its song, and ran until it died."""
    stage = Stage(a_compiled_rig(policy, *songs, timing=timing))
    stage.run(4 * MS)
    stage.do(Action.START)
    stage.run(at_ms * MS)
    return stage


def gone_on(before: Stage, after_ms: int, book: CompiledRig | None = None) -> Stage:
    place = {"song": before.show.snapshot().song, "section": before.show.snapshot().section}
    kept = left_by(before)
    return Stage(before.show.compiled if book is None else book, place, before.now_ns + after_ms * MS, kept)


def again(policy: AfterRestart, before: Stage, after_ms: int, *songs: Song) -> Stage:
    return gone_on(before, after_ms, a_compiled_rig(policy, *songs))


def test_ticks_lie_on_the_same_grid() -> None:
    before = died(AfterRestart.PLAY, 1007)
    after = again(AfterRestart.PLAY, before, 446)  # from 1453 ms on
    after.run(1600 * MS)
    assert before.times_ms("free", TICK)[-1] == 1000
    assert after.times_ms("free", TICK) == [1460, 1480, 1500, 1520, 1540, 1560, 1580, 1600]
    assert after.gap_ns == 460 * MS
    assert after.show.ticks.number == 80


def test_an_uneven_tempo_set_by_hand_stays_to_the_nanosecond() -> None:
    whole, before = Stage(a_compiled_rig(AfterRestart.PLAY)), Stage(a_compiled_rig(AfterRestart.PLAY))
    for stage in (whole, before):
        stage.run(30 * MS)
        stage.do(Action.TEMPO, "361/3")
        stage.run(2_000 * MS)
    after = again(AfterRestart.PLAY, before, 500)
    for stage in (whole, after):
        stage.run(9_000 * MS)
    due = {at for at, device, data in whole.log if (device, data) == ("free", TICK)}
    ticks = [at for at, device, data in after.log if (device, data) == ("free", TICK)]
    assert len(ticks) > 300
    assert set(ticks) <= due


def test_ramps_and_meters_go_on_where_they_are() -> None:
    """Compared with a show that did not die: same ticks, same bars; 192 of the ticks are a ramp."""
    whole = died(AfterRestart.PLAY, 12_000, MOVING)
    before = died(AfterRestart.PLAY, 2_500, MOVING)
    after = again(AfterRestart.PLAY, before, 700, MOVING)
    after.run(12_000 * MS)
    ticks = [at for at, device, data in after.log if (device, data) == ("free", TICK)]
    same = [at for at, device, data in whole.log if (device, data) == ("free", TICK)]
    assert ticks == [at for at in same if at > 3_200 * MS]
    keys = ("position_tick", "origin_tick", "bar_origin_tick", "bpm", "meter", "meter_from", "transport")
    assert attrgetter(*keys)(after.show.snapshot()) == attrgetter(*keys)(whole.show.snapshot())


def test_playing_on_is_stop_position_and_continue_on_the_bar() -> None:
    """Started before tick 1, so that bars begin at ticks 97 and 193, 1940 and 3860 ms."""
    before = died(AfterRestart.PLAY, 1007)
    assert before.times_ms("free", START) == [4]
    after = again(AfterRestart.PLAY, before, 446)
    assert after.show.snapshot().transport == "running"
    after.run(2_000 * MS)
    assert after.times_ms("free", STOP) == [1453]
    told = [data for data in after.sent("free") if data.startswith("f2")]
    assert told == ["f2 10 00"]  # 16 sixteenths: the second bar
    assert after.times_ms("free", CONTINUE) == [1930]  # between the ticks at 1920 and 1940
    assert after.sent("free").index("fc") < after.sent("free").index("f2 10 00")
    assert after.times_ms("free", START) == []


def test_a_bar_too_near_to_be_found_is_passed_over() -> None:
    after = again(AfterRestart.PLAY, died(AfterRestart.PLAY, 1007), 750)  # 1757 ms; the bar is 183 ms away
    after.run(4_000 * MS)
    assert "f2 20 00" in after.sent("free")
    assert after.times_ms("free", CONTINUE) == [3850]


@pytest.mark.parametrize("after_ms", [446, 746])
def test_a_bar_that_begins_on_no_sixteenth_is_passed_over(after_ms: int) -> None:
    """In 5/32 a bar is 15 ticks, 300 ms: only every other one begins on a sixteenth."""
    odd = replace(OPENER, beats=5, beat_unit=32)
    after = again(AfterRestart.PLAY, died(AfterRestart.PLAY, 1007, odd), after_ms, odd)
    after.run(4_000 * MS)
    (told,) = [data for data in after.sent("free") if data.startswith("f2")]
    (at,) = after.times_ms("free", CONTINUE)
    sixteenths = int(told.split()[1], 16)
    assert sixteenths * 6 % 15 == 0
    assert at == 20 * (1 + sixteenths * 6) - 10


def test_silent_is_stop_and_the_line_of_the_bar_that_was_on() -> None:
    after = again(AfterRestart.SILENT, died(AfterRestart.SILENT, 2_607), 446)
    assert after.show.snapshot().transport == "stopped"
    after.run(6_000 * MS)
    assert after.times_ms("free", STOP) == [3053]
    assert [data for data in after.sent("free") if data[:2] in ("f2", "fa", "fb")] == ["f2 10 00"]
    after.do(Action.CONTINUE)
    after.run(7_000 * MS)
    assert len(after.times_ms("free", CONTINUE)) == 1
    assert after.show.snapshot().position_tick == 96 + len(
        [at for at in after.times_ms("free", TICK) if at > after.times_ms("free", CONTINUE)[0]]
    )


def test_silent_counts_bars_on_as_before() -> None:
    after = again(AfterRestart.SILENT, died(AfterRestart.SILENT, 1_007), 446)
    after.run(1_500 * MS)
    after.do(Action.START, when="bar")
    after.run(2_500 * MS)
    (at,) = after.times_ms("free", START)
    assert 1920 < at < 1940


def test_what_stood_still_stands_still() -> None:
    before = Stage(a_compiled_rig(AfterRestart.PLAY))
    before.run(1_007 * MS)
    after = again(AfterRestart.PLAY, before, 446)
    after.run(3_000 * MS)
    assert after.show.snapshot().transport == "stopped"
    assert not {"fa", "fb", "fc"} & set(after.sent())


@pytest.mark.parametrize("policy", list(AfterRestart))
def test_what_sounded_is_released_and_patches_are_sent(policy: AfterRestart) -> None:
    before = died(policy, 900)
    before.play("keys", "90 3c 64", "b0 40 7f")
    before.run(1_007 * MS)
    assert before.sounding()
    after = again(policy, before, 446)
    after.run(2_000 * MS)
    for channel in range(16):  # explicit pedals up, All Sound Off, All Notes Off (M1 Table III, pp. 20-25)
        for number in (0x40, 0x78, 0x7B):
            assert f"b{channel:x} {number:02x} 00" in after.sent("synth")
    assert "c2 05" in after.sent("synth")
    assert after.sent("synth").index("bf 7b 00") < after.sent("synth").index("c2 05")
    pedal = ("synth", 0, 1064)
    assert sounding(before.log + after.log)[pedal] == 0


def test_catching_up_makes_every_missed_tick_up_at_once() -> None:
    before = died(AfterRestart.CATCH_UP, 1_007)
    after = again(AfterRestart.CATCH_UP, before, 446)
    after.run(1_500 * MS)
    assert after.times_ms("free", TICK) == [*[1453] * 22, 1460, 1480, 1500]  # 1020 to 1440 ms
    assert not {"fa", "fb", "fc"} & set(after.sent())
    assert len(before.times_ms("free", TICK)) + 25 == after.show.ticks.number + 1
    assert after.show.ticks.stamps == {}


def test_too_much_to_catch_up_is_told_as_when_playing_on() -> None:
    after = again(AfterRestart.CATCH_UP, died(AfterRestart.CATCH_UP, 1_007), 2_500)
    after.run(6_000 * MS)
    assert after.times_ms("free", TICK)[0] == 3520
    assert after.times_ms("free", STOP) == [3507]
    assert after.times_ms("free", CONTINUE) == [3850]


def test_a_device_that_comes_late_joins_in_late() -> None:
    before = died(AfterRestart.PLAY, 1_007)
    after = again(AfterRestart.PLAY, before, 446)
    after.lose("free")
    after.run(1_500 * MS)
    after.open("free")
    assert after.times_ms("free", STOP) == [1453, 1500], "it has missed ticks again"
    late = Stage(a_compiled_rig(AfterRestart.PLAY))
    assert late.times_ms("free", STOP) == []


@pytest.mark.parametrize("stop_ms", [1700, 1925])
def test_stop_takes_back_what_waits_for_the_bar(stop_ms: int) -> None:
    """The bar begins at 1920 ms, and Continue is due at 1930 ms."""
    after = again(AfterRestart.PLAY, died(AfterRestart.PLAY, 1_007), 446)
    after.run(stop_ms * MS)
    after.do(Action.STOP)
    after.run(4_000 * MS)
    assert after.times_ms("free", CONTINUE) == []
    assert after.times_ms("free", STOP) == [1453, stop_ms]


def test_a_new_rig_keeps_what_waits_for_the_bar() -> None:
    after = again(AfterRestart.PLAY, died(AfterRestart.PLAY, 1_007), 446)
    after.run(1_700 * MS)
    rig = replace(RIG, devices=(*RIG.devices, FREE), after_restart=AfterRestart.PLAY)
    after.load(compiled(rig, (OPENER,), ["opener"], after.show.compiled))
    after.run(2_000 * MS)
    assert after.times_ms("free", CONTINUE) == [1930]
    assert after.times_ms("free", TICK) == [float(at) for at in range(1460, 2001, 20)]


def test_a_sequence_of_its_own_is_started_where_it_would_come_round() -> None:
    """Seven sixteenths are 42 ticks; started at tick 97 (the bar after it was asked for)."""
    timing = Timing(start=StartMode.RETRIGGER, sequence_steps=7)
    before = Stage(a_compiled_rig(AfterRestart.PLAY, timing=timing))
    before.run(4 * MS)
    before.do(Action.START)
    before.run(30 * MS)
    before.do(Action.RETRIGGER, "bar free")
    before.run(2_507 * MS)
    assert before.times_ms("free", START) == [1930]
    after = gone_on(before, 446)  # 2953 ms; 1940 + 840 = 2780, then 3620
    after.run(4_000 * MS)
    assert after.times_ms("free", STOP) == [2953]
    assert after.times_ms("free", START) == [3610]


@pytest.mark.parametrize(
    "change",
    [
        {"grid": None},
        {"grid": {"anchor_ns": "0", "anchor_tick": 0, "bpm": "120"}},
        {"grid": {"anchor_ns": 0, "anchor_tick": 0, "bpm": "0"}},
        {"grid": {"anchor_ns": 0, "anchor_tick": 0, "bpm": "1/0"}},
        {"grid": {"anchor_ns": 1 << 63, "anchor_tick": 0, "bpm": "120"}},
        {"grid": {"anchor_ns": -1, "anchor_tick": 0, "bpm": "120"}},
        {"bpm": "fast"},
        {"position_tick": 1.5},
        {"devices": [1]},
        {"click_alone": {}},
    ],
)
def test_what_an_engine_cannot_have_left_is_refused(change: dict[str, object]) -> None:
    plain = to_json(crash_state_of(Stage().show.snapshot()))
    assert kept_from(from_json(CrashState, plain), 0).source == ""
    with pytest.raises((ValueError, TypeError, KeyError, ZeroDivisionError)):
        kept_from(from_json(CrashState, {**plain, **change}), 0)


def test_a_source_is_followed_again() -> None:
    before = Stage(a_compiled_rig(AfterRestart.PLAY))
    before.do(Action.CLOCK_SOURCE, "keys")
    before.run(1_007 * MS)
    after = again(AfterRestart.PLAY, before, 446)
    assert after.show.snapshot().clock_source == KEYS.name


# When only a port had gone


def told(stage: Stage, from_ms: int) -> list[tuple[float, str]]:
    """Return what "free" has been told but ticks, with its time in ms, from then on."""
    return [
        (at / MS, data.hex(" "))
        for at, device, data in stage.log
        if device == "free" and data != TICK and at >= from_ms * MS
    ]


def test_a_port_that_returns_while_transport_runs_joins_in_with_a_bar() -> None:
    """Bars begin at 20 + 1920 n ms; a bar of 4/4 is 16 sixteenths (M1 p. 27)."""
    stage = died(AfterRestart.PLAY, 1_000)
    stage.lose("free")
    stage.run(1_500 * MS)
    stage.open("free")
    stage.run(2_000 * MS)
    assert told(stage, 1_000) == [(1500, "fc"), (1500, "f2 10 00"), (1930, "fb")]


def test_a_port_that_was_away_for_the_stop_is_told_it() -> None:
    stage = died(AfterRestart.PLAY, 1_000)
    stage.lose("free")
    stage.run(1_200 * MS)
    stage.do(Action.STOP)
    stage.run(1_500 * MS)
    stage.open("free")
    stage.run(4_000 * MS)
    assert [data for _, data in told(stage, 1_000)][:1] == ["fc"]
    assert "fb" not in [data for _, data in told(stage, 1_000)]


def test_a_stop_that_may_not_have_arrived_is_told_again() -> None:
    stage = died(AfterRestart.PLAY, 1_000)
    stage.do(Action.STOP)
    stage.run(1_500 * MS)
    stage.lose("free")
    stage.run(1_600 * MS)
    stage.open("free")
    assert ("fc" in [data for _, data in told(stage, 1_600)]) is True
    stage.run(2_700 * MS)
    stage.lose("free")
    stage.open("free")
    assert told(stage, 2_700) == [], "by then it has"


def test_a_port_that_comes_for_the_first_time_hears_nothing_of_transport_that_stands() -> None:
    stage = Stage(a_compiled_rig(AfterRestart.PLAY))
    stage.lose("free")
    stage.run(500 * MS)
    stage.open("free")
    assert told(stage, 0) == []


@pytest.mark.parametrize(("before_ms", "owed"), [(300, ["80 3c 40"]), (1_100, [])])
def test_a_release_that_may_not_have_arrived_is_sent_again(before_ms: int, owed: list[str]) -> None:
    stage = Stage()
    stage.run(100 * MS)
    stage.play("keys", "90 3c 40", "80 3c 40")
    stage.run((100 + before_ms) * MS)
    stage.lose("synth")
    begun = len(stage.sent("synth"))
    stage.open("synth")
    assert [data for data in stage.sent("synth")[begun:] if data.startswith(("8", "9"))] == owed


@pytest.mark.parametrize(("after_ms", "caught_up"), [(1_932, 96), (1_933, 0)])
def test_four_quarters_are_caught_up_and_no_tick_more(after_ms: int, caught_up: int) -> None:
    """The last tick was at 1000 ms; the ninety-sixth after it was due at 2920 ms, the next at 2940 ms."""
    after = again(AfterRestart.CATCH_UP, died(AfterRestart.CATCH_UP, 1_007), after_ms)
    after.run(2_960 * MS)
    ticks = after.times_ms("free", TICK)
    assert [at for at in ticks if at == 1_007 + after_ms] == [1_007 + after_ms] * caught_up
    assert [at for at in ticks if at != 1_007 + after_ms] == ([2_940, 2_960] if caught_up else [2_960])
    assert ("fc" in after.sent("free")) is (not caught_up)


def test_a_gap_is_counted_from_the_last_tick_that_is_over() -> None:
    """The engine sends ahead of time, and may die with a tick marked that was not yet due."""
    before = died(AfterRestart.PLAY, 1_007)
    for after_ms, gap_ms in ((-8, 20), (-7, 20), (12, 20), (13, 40), (446, 460)):
        assert again(AfterRestart.PLAY, before, after_ms).gap_ns == gap_ms * MS, after_ms
