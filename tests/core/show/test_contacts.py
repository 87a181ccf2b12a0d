"""Contacts that bounce, a switch that is broken, and a foot that is only fast: on the stage, with literal
times.

The set list is long, so that what goes through it is counted: song 1 is on, song n + 1 after n presses.
"""

from __future__ import annotations

import itertools
import random
from dataclasses import replace
from fractions import Fraction

import pytest

from routerd.core.model.actions import Action
from routerd.core.model.commands import Command
from routerd.core.model.controls import Control, Press, PressTimes
from tests.stage import CLOSER, MIDDLE, MS, OPENER, RIG, Stage, ask, compiled

NEXT = Control("pedals", 0xB0, 80, Command(Action.NEXT))
DOWN, UP = "b0 50 7f", "b0 50 00"
ORDER = ("opener", "middle", "closer") * 40


def stage(*controls: Control, times: PressTimes | None = None) -> Stage:
    rig = replace(RIG, controls=controls or (NEXT,), press_times=times or RIG.press_times)
    return Stage(compiled(rig, (OPENER, MIDDLE, CLOSER), ORDER))


def moved(one: Stage) -> int:
    return int(one.show.snapshot().index)


def edge(one: Stage, at_ms: float, *, down: bool) -> None:
    one.run(max(one.now_ns, round(at_ms * MS)))
    one.play("pedals", DOWN if down else UP)


def edges(one: Stage, times_ms: list[float]) -> None:
    """Down, up, down and so on at these times."""
    for place, at_ms in enumerate(times_ms):
        edge(one, at_ms, down=place % 2 == 0)


def bouncing(at_ms: float, for_ms: float, every_ms: float) -> list[float]:
    """Return an odd number of edges: at an end the contact is the other way."""
    times = [at_ms + n * every_ms for n in range(int(for_ms / every_ms) + 1)]
    return times if len(times) % 2 else times[:-1]


def names(one: Stage) -> list[tuple[str, str]]:
    return [(each.device, each.switch) for each in one.show.snapshot().chattering]


def kinds(one: Stage) -> list[object]:
    return [e["kind"] for e in one.events if e["kind"] in ("chattering", "quiet-again")]


@pytest.mark.parametrize("every_ms", [1, 2, 5, 7, 12, 20, 24])
def test_a_broken_cable_moves_one_song_at_most(every_ms: int) -> None:
    """An edge every 5 ms for 2 s moved 39 songs: the first press of each guard time was heard."""
    one = stage()
    edges(one, [n * every_ms for n in range(2000 // every_ms // 2 * 2)])
    assert moved(one) == 1
    assert names(one) == [("pedals", "controller 80 on channel 1")]
    one.run(one.now_ns + 999 * MS)
    assert names(one)
    one.run(one.now_ns + 2 * MS)
    assert not names(one)
    assert kinds(one) == ["chattering", "quiet-again"]
    edges(one, [5000, 5080])
    assert moved(one) == 2  # it is a switch again


@pytest.mark.parametrize("every_ms", [26, 30, 40, 60, 80, 95])
def test_a_slow_chatter_is_held_back_after_a_few_presses(every_ms: int) -> None:
    one = stage()
    edges(one, [n * every_ms for n in range(3000 // every_ms)])
    assert 1 <= moved(one) <= 5
    assert names(one)


@pytest.mark.parametrize("seed", range(20))
def test_a_loose_contact_at_random_is_held_back_too(seed: int) -> None:
    dice = random.Random(seed)
    one = stage()
    edges(one, list(itertools.accumulate(dice.choice((1, 3, 8, 20, 45, 70)) for _ in range(300))))
    assert (
        moved(one) <= 8
    )  # a few before it is known, and a few after each second of quiet, of which it has none
    assert kinds(one)[:1] == ["chattering"]


@pytest.mark.parametrize("for_ms", [1, 2, 5, 10, 20])
@pytest.mark.parametrize("every_ms", [0.3, 1, 4])
def test_contacts_bounce_at_both_edges_of_every_press(for_ms: int, every_ms: float) -> None:
    """Twelve presses of a song's length apart and two double presses, each with bounce at both edges."""
    one = stage()
    presses_ms = [*range(0, 12_000, 1000), 12_000, 12_180, 14_000, 14_180]
    for at_ms in presses_ms:
        times = [*bouncing(at_ms, for_ms, every_ms), *bouncing(at_ms + 90, for_ms, every_ms)]
        edges(one, times)
    assert moved(one) == len(presses_ms)
    assert not kinds(one)


def test_a_release_that_bounces_is_no_press_however_long_it_was_held() -> None:
    """Only the press was guarded: letting go of a switch that was held for a second counted again."""
    one = stage()
    edges(one, [0, *bouncing(1000, 12, 3)])
    one.run(3000 * MS)
    assert moved(one) == 1


@pytest.mark.parametrize(("rate_hz", "down_ms"), [(2, 120), (3, 100), (4, 80), (4.5, 60), (5, 50)])
def test_a_fast_foot_is_heard_with_every_press(rate_hz: float, down_ms: int) -> None:
    one = stage()
    edges(one, [t for n in range(40) for t in (n * 1000 / rate_hz, n * 1000 / rate_hz + down_ms)])
    assert moved(one) == 40
    assert not kinds(one)


def test_two_quick_presses_are_two() -> None:
    one = stage()
    edges(one, [0, 40, 75, 110])
    assert moved(one) == 2


@pytest.mark.parametrize("rate_hz", [5, 8, 11])
def test_a_drummer_may_tap_and_nudge_faster(rate_hz: int) -> None:
    """480 BPM, as fast as tempo goes, is 8 taps a second."""
    tap, nudge = replace(NEXT, command=ask(Action.TAP)), replace(NEXT, command=ask(Action.NUDGE, "0.1"))
    for control in (tap, nudge):
        one = stage(control)
        edges(one, [t for n in range(40) for t in (n * 1000 / rate_hz, n * 1000 / rate_hz + 40)])
        assert not kinds(one)
        if control is nudge:
            assert one.show.snapshot().bpm == Fraction("129")


def test_a_double_press_and_a_long_one_are_still_meant() -> None:
    back = replace(NEXT, command=Command(Action.PREVIOUS), press=Press.DOUBLE)
    stop = replace(NEXT, command=Command(Action.START), press=Press.LONG)
    one = stage(NEXT, back, stop)
    edges(one, [0, 80])
    one.run(1000 * MS)
    assert moved(one) == 1
    edges(
        one, [*bouncing(2000, 10, 2), *bouncing(2080, 10, 2), *bouncing(2200, 10, 2), *bouncing(2280, 10, 2)]
    )
    one.run(3000 * MS)
    assert moved(one) == 0
    edges(one, [*bouncing(4000, 10, 2), *bouncing(4900, 10, 2)])
    one.run(5500 * MS)
    assert one.show.snapshot().transport == "running"
    assert not kinds(one)


def test_what_a_chattering_switch_was_about_to_mean_is_forgotten() -> None:
    one = stage(NEXT, replace(NEXT, command=Command(Action.PREVIOUS), press=Press.LONG))
    edges(one, [n * 5 for n in range(400)])
    one.run(10_000 * MS)
    assert moved(one) <= 1


@pytest.mark.parametrize("action", [Action.STOP, Action.PANIC, Action.SILENCE])
def test_what_ends_everything_is_never_held_back(action: Action) -> None:
    one = stage(replace(NEXT, command=Command(action)))
    edges(one, [n * 5 for n in range(400)])
    (told,) = one.show.snapshot().chattering
    assert not told.held_back
    one.do(Action.START)
    one.run(2500 * MS)
    one.play("keys", "90 3c 40")
    assert names(one)
    edge(one, 2600, down=True)
    if action is not Action.PANIC:
        assert one.show.snapshot().transport == "stopped"
    if action is not Action.STOP:
        assert one.sounding() == {}


def test_program_changes_and_notes_chatter_too() -> None:
    program = Control("pedals", 0xC0, 7, Command(Action.NEXT))
    note = Control("pedals", 0x90, 36, Command(Action.NEXT))
    message = Control("pedals", 0, 0, Command(Action.NEXT), message=b"\xf0\x7d\x01\xf7")
    for control, data, name in (
        (program, "c0 07", "program 8 on channel 1"),
        (note, "90 24 40", "note 36 on channel 1"),
        (message, "f0 7d 01 f7", "message F0 7D 01 F7"),
    ):
        for every_ms in (1, 5, 12, 30, 49, 60, 90):
            one = stage(control)
            for n in range(2000 // every_ms):
                one.run(n * every_ms * MS)
                one.play("pedals", data)
                if control is note:
                    one.play("pedals", "80 24 00")
            assert 1 <= moved(one) <= 5
            assert names(one) == [("pedals", name)]


def test_a_chattering_switch_does_not_silence_another() -> None:
    other = replace(NEXT, number=81, command=Command(Action.PREVIOUS))
    one = stage(NEXT, other)
    edges(one, [n * 5 for n in range(100)])
    one.play("pedals", "b0 51 7f")
    assert moved(one) == 0
    assert names(one) == [("pedals", "controller 80 on channel 1")]


def test_a_device_that_goes_takes_its_chatter_with_it() -> None:
    one = stage()
    edges(one, [n * 5 for n in range(100)])
    one.show.input_lost(one.input("pedals"), one.now_ns)
    one.collect()
    assert not names(one)
    one.run(10_000 * MS)
    assert kinds(one) == ["chattering", "quiet-again"]


def test_a_guard_of_0_guards_nothing_but_a_broken_switch_is_still_found() -> None:
    one = stage(times=PressTimes(debounce_ms=0))
    edges(one, [0, 2, 4, 6])
    assert moved(one) == 2
    edges(one, [1000 + n * 5 for n in range(100)])
    assert moved(one) <= 7
    assert names(one)
