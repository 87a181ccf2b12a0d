"""When a change is done: at once, or armed until its moment comes.

A moment is written as one of

    now         at once
    beat        with the first tick of the next beat
    bar         with the first tick of the next bar
    4 bars      with the fourth bar line from here on (`1 bars` is `bar`)
    bar 17      with the first tick of bar 17 of the song, which transport has to reach
    release     as soon as no key and no hold pedal is down, so that nothing that sounds is cut
    press       when somebody presses `next` or `go`

One change is armed at a time: a new one takes the place of the one before, see `show.armed`.

Over a restart of the engine what is armed is kept, but for what counted beats or bar lines: they went by
meanwhile, and nobody would expect the change at some later one.
"""

from __future__ import annotations

import re
from enum import StrEnum
from typing import Any, NamedTuple

_COUNTED = re.compile(r"([1-9]\d{0,3}) bars|bar ([1-9]\d{0,3})")


class Action(StrEnum):
    """What a control, the API or a script can ask of the show."""

    NEXT = "next"
    PREVIOUS = "previous"
    SONG = "song"
    SECTION = "section"
    NEXT_SECTION = "next-section"
    PREVIOUS_SECTION = "previous-section"
    START = "start"
    STOP = "stop"
    CONTINUE = "continue"
    TEMPO = "tempo"
    SONG_TEMPO = "song-tempo"
    """The song's own tempo again, instead of one set by hand."""
    PANIC = "panic"
    SILENCE = "silence"
    """Panic, stop and forget what is armed, at once."""
    GO = "go"
    CANCEL = "cancel"
    SOURCE = "source"
    TAP = "tap"
    NUDGE = "nudge"
    HALF = "half"
    DOUBLE = "double"
    RETRIGGER = "retrigger"
    CLICK = "click"
    MUTE = "mute"
    UNMUTE = "unmute"
    SOLO = "solo"
    UNSOLO = "unsolo"
    CHECK = "check"
    LEARN = "learn"


class Learns(StrEnum):
    """What is to be learnt."""

    CONTROL = "control"
    PEDAL = "pedal"


class Moment(StrEnum):
    """The kinds of moment."""

    NOW = "now"
    BEAT = "beat"
    BAR = "bar"
    NAMED_BAR = "named bar"
    RELEASE = "release"
    PRESS = "press"


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
        raise ValueError(
            f"{text[:40]!r} is not a moment; say now, beat, bar, 4 bars, bar 17, release or press"
        )
    if match[1]:
        return When(Moment.BAR, int(match[1]))
    return When(Moment.NAMED_BAR, int(match[2]))


class Command(NamedTuple):
    """What is asked, and when it shall be done.

    `argument` by action. Song: place in the order from 1, or an identifier; section: number from 1, or a
    name; tempo: BPM as text; continue: bar from 1; source: a device, or "" to lead; check: number of the item
    from 1, or none for the next; learn: "control", "pedal", or none to end it.
    """

    action: Action
    argument: int | str | None = None
    when: When = NOW
    place_index: int | None = None
    """Which of the places of a song in the order was meant, from 0; by its number, when it was armed."""


def command_from_plain(plain: Any) -> Command:
    """Return the command of what `Armed.to_plain` gave, perhaps by another version; raises ValueError."""
    if not isinstance(plain, dict):
        raise ValueError("it is no command")
    argument, when, index = plain.get("argument"), plain.get("when"), plain.get("index")
    if not isinstance(argument, int | str | None) or not isinstance(when, str):
        raise ValueError("it is no command")
    place = index if isinstance(index, int) and index >= 0 else None
    return Command(Action(str(plain.get("action"))), argument, parse_when(when), place)
