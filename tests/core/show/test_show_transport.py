"""Start, stop, continue and song positions of a show, on simulated time, 20 ms a tick at 125 BPM."""

from __future__ import annotations

from dataclasses import replace

import pytest

from routerd.core.errors import CommandError
from routerd.core.model.actions import Action
from routerd.core.model.codec import MalformedError, from_json
from routerd.core.model.commands import Command
from routerd.core.model.song import Patch
from tests.stage import (
    CLOSER,
    MIDDLE,
    MS,
    OPENER,
    RIG,
    START,
    SYNTH,
    TICK,
    Stage,
    compiled,
)


def times_of_ticks(stage: Stage, name: str = "modular") -> list[float]:
    return stage.times_ms(name, TICK)


def test_controls_and_continue_from_a_bar() -> None:
    """A Song Position Pointer counts sixteenths and is sent while stopped (M1 p. 27): bar 5 of 4/4 is 64."""
    stage = Stage()
    stage.do(Action.START)
    stage.run(300 * MS)
    stage.do(Action.CONTINUE, 5)
    stage.run(400 * MS)
    assert stage.sent("modular") == ["fa", "fc", "f2 40 00", "fb"]
    assert [d for d in stage.sent("synth") if d[0] == "f"] == ["fa", "fc", "f2 40 00", "fb"]
    played = sum(1 for at_ms in times_of_ticks(stage) if at_ms > stage.times_ms("modular", b"\xfb")[0])
    assert stage.show.transport.clock.position_ticks == 4 * 96 + played


def test_continue_after_stop_needs_no_song_position() -> None:
    stage = Stage()
    stage.do(Action.START)
    stage.run(300 * MS)
    stage.do(Action.STOP)
    held = stage.show.transport.clock.position_ticks
    stage.run(400 * MS)
    stage.do(Action.CONTINUE)
    stage.run(405 * MS)
    assert stage.sent("modular") == ["fa", "fc", "fb"]
    assert stage.show.transport.clock.position_ticks == held > 0


def test_continue_from_the_top_is_start() -> None:
    """Start is song position 0 and Continue (M1 p. 28); after a song change followers stand elsewhere."""
    stage = Stage()
    stage.do(Action.START)
    stage.run(300 * MS)
    stage.do(Action.NEXT)
    stage.do(Action.CONTINUE)
    stage.run(400 * MS)
    assert stage.sent("modular") == ["fa", "fc", "fa"]


@pytest.mark.parametrize("bar", [0, -1])
def test_continue_from_no_bar(bar: int) -> None:
    stage = Stage()
    before = stage.show.snapshot()
    with pytest.raises(CommandError, match="not a whole number from 1"):
        stage.do(Action.CONTINUE, bar)
    assert stage.show.snapshot() == before


@pytest.mark.parametrize("bar", ["two", 1.5, True])
def test_what_is_no_number_is_no_bar(bar: object) -> None:
    with pytest.raises(MalformedError, match=r"bar: .* is not a whole number"):
        from_json(Command, {"action": "continue", "argument": ["FromBar", {"bar": bar}]})


def test_continue_from_a_bar_that_no_song_position_reaches() -> None:
    """The pointer has 14 bits: 16 383 sixteenths at most (M1 p. 27), which is in bar 1 024 of 4/4."""
    stage = Stage()
    stage.do(Action.CONTINUE, 1024)
    with pytest.raises(CommandError, match="no song position pointer"):
        stage.do(Action.CONTINUE, 1025)
    odd = replace(OPENER, beats=1, beat_unit=32)  # a bar of 3 ticks: every other one is between sixteenths
    stage = Stage(compiled(songs=(odd, MIDDLE, CLOSER)))
    stage.do(Action.CONTINUE, 3)
    with pytest.raises(CommandError, match="no song position pointer"):
        stage.do(Action.CONTINUE, 2)


def test_song_position_goes_out_before_continue_also_behind_a_dump() -> None:
    dump = b"\xf0\x7d" + bytes(599) + b"\xf7"
    song = replace(OPENER, patches=(Patch("synth", sysex=(dump,)),))
    stage = Stage(compiled(songs=(song, MIDDLE, CLOSER)))
    stage.run(30 * MS)
    stage.do(Action.CONTINUE, 2)
    stage.run(1000 * MS)
    sent = stage.sent("synth")
    assert sent.index("f2 10 00") < sent.index("fb")
    assert b"".join(bytes.fromhex(d) for d in sent[: sent.index("f2 10 00")]) == dump
    start_ms = stage.times_ms("synth", b"\xfb")[0]
    assert min(abs(start_ms - tick) for tick in times_of_ticks(stage)) >= 1


def test_a_start_that_is_taken_back_holds_nothing_up() -> None:
    """A device that gets transport but no clock: what waited for the Start goes on without it."""
    lone = replace(SYNTH, clock=False)
    rig = replace(RIG, devices=tuple(lone if d is SYNTH else d for d in RIG.devices))
    stage = Stage(compiled(rig))
    stage.run(25 * MS)
    stage.do(Action.START)  # goes out at once, between two ticks ...
    stage.run(100 * MS)
    stage.do(Action.STOP)
    stage.run(119 * MS + MS // 2)
    stage.do(Action.START)  # ... and this one only behind the tick at 120 ms, at 121 ms
    for note in range(60, 63):
        stage.play("keys", f"90 {note:02x} 40")
    assert stage.sent("synth")[-1] == "90 3c 40"  # 960 µs of wire to a Note On (M1 p. 9): one fits
    stage.do(Action.STOP)
    stage.run(130 * MS)
    assert stage.sent("synth")[-3:] == ["90 3c 40", "90 3d 40", "90 3e 40"]


def test_armed_while_the_wires_are_busy_up_to_the_bar() -> None:
    """A Start that would slip behind the bar's first tick waits for the next bar instead."""
    stage = Stage()
    stage.run(1912 * MS)  # tick 96, at 1 920 ms, is the first of a bar
    for note in range(60, 68):
        stage.play("keys", f"90 {note:02x} 40")  # 7.68 ms of wire
    stage.run(1916 * MS + MS // 2)  # not all of it is handed over yet, but too much for a Start
    stage.do(Action.START, at_bar=True)
    assert stage.show.snapshot().armed is not None
    stage.run(4000 * MS)
    (start_ms,) = stage.times_ms("modular", START)
    assert 3821 <= start_ms <= 3839


def test_redundant_transport_is_silent() -> None:
    stage = Stage()
    stage.do(Action.STOP)
    stage.do(Action.START)
    stage.do(Action.START)
    stage.run(100 * MS)
    stage.do(Action.START)
    stage.do(Action.CONTINUE)
    stage.run(200 * MS)
    stage.do(Action.STOP)
    stage.do(Action.STOP)
    assert stage.sent("modular") == ["fa", "fc"]
