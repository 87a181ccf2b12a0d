"""Controls: messages of devices that stand for an action instead of being played, pedals' ranges, and LEDs.

A message may mean one thing when pressed, another when held and a third when pressed twice; what one
message means altogether is a `Switch`, worked out when songs are loaded. A song may give a message of
the rig another meaning.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import NamedTuple

from routerd.core.midi.messages import CONTROLLER, NOTE_OFF, NOTE_ON
from routerd.core.model.actions import ToSection, ToSong
from routerd.core.model.commands import Command
from routerd.core.units import NS_PER_MS


class Press(StrEnum):
    """How a switch is pressed."""

    SHORT = "short"
    LONG = "long"
    DOUBLE = "double"


@dataclass(frozen=True, slots=True)
class PressTimes:
    """What counts as a press, in milliseconds. House choice, by common practice with foot switches.

    Within `debounce_ms` of a press the same switch is not heard again, which is longer than contacts bounce;
    a press held for `long_ms` is a long one; a second one within `double_ms` of the first makes them double.
    """

    debounce_ms: int = 50
    long_ms: int = 600
    double_ms: int = 350


DEFAULT_TIMES = PressTimes()


@dataclass(frozen=True, slots=True)
class Control:
    """A message of a device that stands for an action.

    `status` is NOTE_ON, CONTROLLER or PROGRAM; `channel` 0–15, or -1 for any; `number` is the note,
    controller or program (0–127), or -1 for any program, whose number from 1 is then the song's or section's.
    Or `message` is a whole message, and then those three mean nothing. A mute or solo ends when its subject
    is muted or soloed already. `debounce_ms` -1: as the rig says.
    """

    device: str
    status: int
    number: int
    command: Command
    channel: int = -1
    press: Press = Press.SHORT
    debounce_ms: int = -1
    message: bytes = b""
    label: str = ""
    """What people call the switch; "" where nobody has said."""


@dataclass(frozen=True, slots=True)
class Pedal:
    """A controller of a device that does not reach its ends: `heel` and `toe` are what it sends there."""

    device: str
    number: int
    heel: int
    toe: int
    channel: int = -1


class Shows(StrEnum):
    """What an LED can show."""

    RUNNING = "running"
    STOPPED = "stopped"
    ARMED = "armed"
    SONG = "song"
    SECTION = "section"
    LAST_SONG = "last-song"
    CHECKLIST = "checklist"


@dataclass(frozen=True, slots=True)
class Led:
    """An LED of a device. `status` is NOTE_ON or CONTROLLER with the channel in its low half.

    `argument` with SONG is the place in the order from 1, with SECTION the number from 1 or the name.
    `on` and `off` are the values sent (0–127); a Note On with 0 is a Note Off (M1 p. 10).
    """

    device: str
    status: int
    number: int
    shows: Shows
    argument: int | str = 0
    on: int = 127
    off: int = 0


@dataclass(frozen=True, slots=True)
class Switch:
    """All that one message means, and what its presses are measured by."""

    short: Control | None
    long: Control | None
    double: Control | None
    debounce_ns: int
    long_ns: int
    double_ns: int


SwitchKey = tuple[str, Hashable]
"""A switch: its device and what tells it from the others there."""


class Turn(NamedTuple):
    """A switch has gone down or come up; `switch` is None for one that has lost its meaning meanwhile."""

    key: SwitchKey
    switch: Switch | None
    down: bool
    momentary: bool = False
    """It comes up by itself at once: a program change, a whole message."""


@dataclass(frozen=True, slots=True, eq=False)
class Controls:
    """What the messages of one device mean: by (status byte << 7) | number, and by the whole message."""

    by_key: dict[int, Switch]
    by_message: dict[bytes, Switch]


NO_CONTROLS = Controls({}, {})


def control_keys(control: Control) -> list[int | bytes]:
    """Return under which keys an input looks a control up; a note's release must not be routed either."""
    if control.message:
        return [control.message]
    channels = range(16) if control.channel < 0 else (control.channel,)
    statuses = [control.status, *([NOTE_OFF] if control.status == NOTE_ON else [])]
    return [((status | channel) << 7) | control.number for status in statuses for channel in channels]


def compile_controls(shared: Iterable[Control], own: Iterable[Control], times: PressTimes) -> Controls:
    """Return what one device's messages mean; a message that `own` knows has no other meaning."""
    meanings: dict[int | bytes, dict[Press, Control]] = {}
    for layer in (shared, own):
        fresh: dict[int | bytes, dict[Press, Control]] = {}
        for control in _each_number(layer):
            for key in control_keys(control):
                fresh.setdefault(key, {})[control.press] = control
        meanings |= fresh
    switches: dict[tuple[Control, ...], Switch] = {}
    by_key: dict[int, Switch] = {}
    by_message: dict[bytes, Switch] = {}
    for key, meaning in meanings.items():
        together = tuple(meaning[press] for press in Press if press in meaning)
        switch = switches.setdefault(together, _switch(meaning, times))
        if isinstance(key, bytes):
            by_message[key] = switch
        else:
            by_key[key] = switch
    return Controls(by_key, by_message)


def _each_number(controls: Iterable[Control]) -> list[Control]:
    """Return controls with one for any program put apart, each number its own; a named one outdoes them."""
    any_first = sorted(controls, key=lambda control: control.number >= 0)
    return [
        one
        for control in any_first
        for one in (
            [control] if control.number >= 0 else [_of_program(control, number) for number in range(128)]
        )
    ]


def _of_program(control: Control, program: int) -> Control:
    """Return what a control for any program means for that one: the song or section of its number."""
    argument = ToSong(program + 1) if isinstance(control.command.argument, ToSong) else ToSection(program + 1)
    return replace(control, number=program, command=replace(control.command, argument=argument))


def _switch(meaning: dict[Press, Control], times: PressTimes) -> Switch:
    debounces = [c.debounce_ms if c.debounce_ms >= 0 else times.debounce_ms for c in meaning.values()]
    return Switch(
        meaning.get(Press.SHORT),
        meaning.get(Press.LONG),
        meaning.get(Press.DOUBLE),
        max(debounces) * NS_PER_MS,
        times.long_ms * NS_PER_MS,
        times.double_ms * NS_PER_MS,
    )


def pedal_map(heel: int, toe: int) -> bytes:
    """Return what a pedal's values become, so that `heel` is 0 and `toe` is 127; either may be the larger."""
    span = toe - heel
    return bytes(max(0, min(127, round((value - heel) * 127 / span))) for value in range(128))


def compile_pedals(pedals: Iterable[Pedal]) -> dict[int, bytes]:
    """Return the maps of one device's pedals by (status byte << 7) | controller."""
    return {
        ((CONTROLLER | channel) << 7) | pedal.number: pedal_map(pedal.heel, pedal.toe)
        for pedal in pedals
        for channel in (range(16) if pedal.channel < 0 else (pedal.channel,))
    }
