"""Presses, long presses, double presses and bounce, in literal milliseconds; controls per song; pedals."""

from __future__ import annotations

from dataclasses import replace

import pytest

from routerd.core.model.actions import Action, ToSection, ToSong
from routerd.core.model.commands import Command, parse_when
from routerd.core.model.controls import (
    Control,
    Pedal,
    Press,
    PressTimes,
    Switch,
    Turn,
    compile_controls,
    pedal_map,
)
from routerd.core.show.switches import Presses
from tests.stage import CLOSER, CONTROLS, MIDDLE, MS, OPENER, RIG, Stage, compiled

SHORT = Control("pedals", 0xB0, 80, Command(Action.NEXT))
LONG = replace(SHORT, command=Command(Action.PREVIOUS), press=Press.LONG)
DOUBLE = replace(SHORT, command=Command(Action.PANIC), press=Press.DOUBLE)
KEY = ("pedals", 80)


def switch(*controls: Control) -> Switch:
    (one,) = set(compile_controls(controls, (), PressTimes(50, 600, 350)).by_key.values())
    return one


def played(one: Switch, script: str) -> list[tuple[int, str]]:
    """Play "0 down, 80 up" in milliseconds; return when which press was answered, asking when it is due."""
    presses = Presses()
    answers: list[tuple[int, str]] = []

    def until(now_ms: int) -> None:
        while presses.next_due_ns <= now_ms * MS:
            due_ns = presses.next_due_ns
            answers.extend((due_ns // MS, c.press.value) for c in presses.due(due_ns))

    for word in script.split(", "):
        at, what = word.split(" ")
        until(int(at))
        turn = Turn(KEY, one, what == "down")
        answers.extend((int(at), c.press.value) for c in presses.turn(turn, int(at) * MS))
    until(10_000)
    return answers


@pytest.mark.parametrize(
    ("controls", "script", "answers"),
    [
        # one meaning: at once, however long it is held
        ((SHORT,), "0 down, 900 up", [(0, "short")]),
        ((SHORT,), "0 down, 80 up, 110 down, 180 up", [(0, "short"), (110, "short")]),
        # contacts bounce for some milliseconds at both edges
        ((SHORT,), "0 down, 3 up, 5 down, 9 up, 12 down, 200 up", [(0, "short")]),
        ((SHORT,), "0 down, 300 up, 304 down, 309 up", [(0, "short")]),
        # short and long: the short one is answered on release
        ((SHORT, LONG), "0 down, 200 up", [(200, "short")]),
        ((SHORT, LONG), "0 down, 900 up", [(600, "long")]),
        ((SHORT, LONG), "0 down, 3 up, 5 down, 900 up", [(600, "long")]),  # bounce does not end it
        ((SHORT, LONG), "0 down, 20 up", [(50, "short")]),  # a quick tap, believed when the guard is over
        ((LONG,), "0 down, 200 up", []),
        # short and double
        ((SHORT, DOUBLE), "0 down, 80 up", [(350, "short")]),
        ((SHORT, DOUBLE), "0 down, 80 up, 200 down, 260 up", [(200, "double")]),
        ((SHORT, DOUBLE), "0 down, 80 up, 400 down, 480 up", [(350, "short"), (750, "short")]),
        ((SHORT, DOUBLE), "0 down, 900 up", [(350, "short")]),  # held: no second press can come in time
        ((SHORT, DOUBLE), "0 down, 20 up, 30 down, 90 up", [(350, "short")]),  # bounce is not a double press
        ((DOUBLE,), "0 down, 80 up", []),
        # all three
        ((SHORT, LONG, DOUBLE), "0 down, 100 up", [(350, "short")]),
        ((SHORT, LONG, DOUBLE), "0 down, 700 up", [(600, "long")]),
        ((SHORT, LONG, DOUBLE), "0 down, 100 up, 300 down, 900 up", [(300, "double")]),
        ((SHORT, LONG, DOUBLE), "0 down, 400 up", [(400, "short")]),
    ],
)
def test_a_switch_means_what_its_presses_say(
    controls: tuple[Control, ...], script: str, answers: list[tuple[int, str | None]]
) -> None:
    def known(press: str) -> bool:
        return any(control.press == press for control in controls)

    assert played(switch(*controls), script) == [answer for answer in answers if known(str(answer[1]))]


def test_a_long_guard_keeps_an_accidental_second_press_out() -> None:
    one = switch(replace(SHORT, debounce_ms=1000))
    assert played(one, "0 down, 80 up, 700 down, 800 up, 1700 down") == [(0, "short"), (1700, "short")]


def test_a_long_press_on_stage() -> None:
    """The show asks for its own deadline: nobody has to touch anything for a long press to be heard."""
    rig = replace(RIG, controls=(SHORT, LONG))
    stage = Stage(compiled(rig))
    stage.do(Action.NEXT)
    stage.play("pedals", "b0 50 7f")
    stage.run(599 * MS)
    assert stage.show.snapshot().song == "middle"
    stage.run(600 * MS)
    assert stage.show.snapshot().song == "opener"
    stage.play("pedals", "b0 50 00")
    stage.run(2000 * MS)
    assert stage.show.snapshot().song == "opener"


def test_a_song_gives_a_switch_another_meaning() -> None:
    own = Control("pedals", 0xB0, 80, Command(Action.NEXT_SECTION))
    stage = Stage(compiled(songs=(OPENER, replace(MIDDLE, controls=(own,)), CLOSER)))
    stage.play("pedals", "b0 50 7f")
    assert stage.show.snapshot().song == "middle"
    # a pedal that sends values on its way down: it is one press, also when the meaning has changed meanwhile
    stage.play("pedals", "b0 50 7e", "b0 50 00")
    assert stage.show.snapshot().section == 1
    stage.run(100 * MS)
    stage.play("pedals", "b0 50 7f", "b0 50 00")
    assert stage.show.snapshot().section == 2
    stage.play("pedals", "c0 07")  # the others mean what they mean in the rig
    assert stage.events[-1]["kind"] == "panic"


def test_a_release_is_not_routed_when_its_control_is_gone() -> None:
    own = Control("keys", 0x90, 60, Command(Action.NEXT))
    stage = Stage(compiled(songs=(replace(OPENER, controls=(own,)), MIDDLE, CLOSER)))
    stage.play("keys", "90 3c 40", "80 3c 40", "90 3c 40", "80 3c 40")
    assert [data for data in stage.sent("sampler") if data[0] in "89"] == ["90 3c 40", "80 3c 40"]


def test_whole_messages_can_be_controls() -> None:
    """A key that sends SysEx, and another device's Start."""
    play, begin = bytes.fromhex("F07F7F0602F7"), b"\xfa"
    rig = replace(
        RIG,
        controls=(
            *CONTROLS,
            Control("keys", 0, 0, Command(Action.NEXT), message=play),
            Control("keys", 0, 0, Command(Action.START), message=begin),
        ),
    )
    stage = Stage(compiled(rig))
    stage.play("keys", play.hex(), begin.hex())
    stage.run(50 * MS)
    assert stage.show.snapshot().song == "middle"
    assert stage.show.snapshot().transport == "running"


def test_a_control_can_wait_for_the_bar() -> None:

    rig = replace(RIG, controls=(replace(SHORT, command=Command(Action.NEXT, when=parse_when("2 bars"))),))
    stage = Stage(compiled(rig))
    stage.play("pedals", "b0 50 7f")
    assert stage.show.snapshot().armed.command.when == parse_when("2 bars")


@pytest.mark.parametrize(("heel", "toe"), [(0, 127), (4, 121), (121, 4), (60, 61)])
def test_a_calibrated_pedal_reaches_both_ends_and_never_turns_back(heel: int, toe: int) -> None:
    values = pedal_map(heel, toe)
    assert (values[heel], values[toe]) == (0, 127)
    assert list(values) == sorted(values, reverse=heel > toe)


def test_an_uncalibrated_range_changes_nothing() -> None:
    assert pedal_map(0, 127) == bytes(range(128))


def test_a_pedal_is_calibrated_before_it_is_routed() -> None:
    rig = replace(RIG, pedals=(Pedal("keys", 11, 4, 121),))
    stage = Stage(compiled(rig))
    stage.do(Action.NEXT)
    stage.play("keys", "b0 0b 04", "b0 0b 79", "b0 01 04")
    assert stage.sent("sampler")[-3:] == ["b0 0b 00", "b0 0b 7f", "b0 01 04"]


@pytest.mark.parametrize("action", [Action.SONG, Action.SECTION])
def test_a_control_for_any_program_means_the_song_or_section_of_its_number(action: Action) -> None:
    """Programs are sent from 0 and counted from 1 (M1 p. 14)."""
    argument = ToSong(1) if action is Action.SONG else ToSection(1)
    controls = (Control("pedals", 0xC0, -1, Command(action, argument)),)
    by_key = compile_controls(controls, (), PressTimes(50, 600, 350)).by_key
    numbers = set()
    for one in set(by_key.values()):
        control = one.short
        assert control is not None
        assert control.command.argument == (ToSong if action is Action.SONG else ToSection)(
            control.number + 1
        )
        numbers.add(control.number)
    assert numbers == set(range(128))
