"""What is asked of a show, and when it shall be done: at once, or armed until its moment comes.

A moment is written as one of

    now         at once
    beat        with the first tick of the next beat
    bar         with the first tick of the next bar
    4 bars      with the fourth bar line from here on (`1 bars` is `bar`)
    bar 17      with the first tick of bar 17 of the song, which transport has to reach
    release     as soon as no key and no hold pedal is down, so that nothing that sounds is cut
    next-press  when somebody presses `next` or `go`
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from typing import NamedTuple

from routerd.core.model.actions import ACTIONS, Action, AnyArgument, brief
from routerd.core.model.set_list import SetList
from routerd.core.units import shown_bpm

_COUNTED = re.compile(r"([1-9]\d{0,3}) bars|bar ([1-9]\d{0,3})")
WHEN_PATTERN = "^(now|beat|bar|release|next-press|[1-9][0-9]{0,3} bars|bar [1-9][0-9]{0,3})$"
WHEN_WORDS = "now, beat, bar, 4 bars, bar 17, release or next-press"


class Moment(StrEnum):
    """The kinds of moment."""

    NOW = "now"
    BEAT = "beat"
    BAR = "bar"
    NAMED_BAR = "named bar"
    RELEASE = "release"
    NEXT_PRESS = "next-press"


class When(NamedTuple):
    """A moment. `number`: how many bar lines (1 to 9999), or which bar of the song (from 1)."""

    moment: Moment
    number: int = 1

    @property
    def counted(self) -> bool:
        """Whether it is so many beats or bar lines from when it was armed."""
        return self.moment in (Moment.BAR, Moment.BEAT)

    def __str__(self) -> str:
        """Return what `parse_when` reads."""
        if self.moment is Moment.NAMED_BAR:
            return f"bar {self.number}"
        if self.moment is Moment.BAR and self.number > 1:
            return f"{self.number} bars"
        return self.moment.value


NOW = When(Moment.NOW)
_WORDS = {str(When(moment)): When(moment) for moment in Moment if moment is not Moment.NAMED_BAR}


def parse_when(text: str) -> When:
    """Return the moment that `text` names; raises ValueError."""
    if text in _WORDS:
        return _WORDS[text]
    match = _COUNTED.fullmatch(text)
    if match is None:
        raise ValueError(f"{text[:40]!r} is not a moment; say {WHEN_WORDS}")
    if match[1]:
        return When(Moment.BAR, int(match[1]))
    return When(Moment.NAMED_BAR, int(match[2]))


@dataclass(frozen=True, slots=True)
class Command:
    """What is asked, with the argument that its action's row names, and when it shall be done.

    Raises ValueError for any other argument, and for none where one is needed.
    """

    action: Action
    argument: AnyArgument | None = None
    when: When = NOW

    def __post_init__(self) -> None:
        wanted = ACTIONS[self.action].argument
        if wanted is None and self.argument is not None:
            raise ValueError(f"{self.action} takes no argument")
        if wanted is not None and not isinstance(self.argument, wanted):
            raise ValueError(f"{self.action} takes {wanted.__name__}, not {self.argument!r}")

    @property
    def shown_argument(self) -> int | str | float | None:
        """What people and programs see of the argument."""
        argument = brief(self.argument)
        return shown_bpm(argument) if isinstance(argument, Fraction) else argument


# What people ask of a show: a command is one of four requests. The link carries them, and a replica's journal


@dataclass(frozen=True, slots=True)
class Apply:
    """Carry out a command, or arm it; see `Show.apply`."""

    command: Command


@dataclass(frozen=True, slots=True)
class TakeOrder:
    """Take a new order of songs; see `Show.set_order`."""

    set_list: SetList


@dataclass(frozen=True, slots=True)
class Sound:
    """Sound a note to tune by, for that many seconds; see `Show.sound`."""

    device: str
    channel: int
    note: int
    velocity: int
    seconds: int


@dataclass(frozen=True, slots=True)
class SendPast:
    """Send whole messages to a device, past all routes."""

    device: str
    data: tuple[bytes, ...]


FromAPerson = Apply | TakeOrder | Sound | SendPast
