"""A song as checked and resolved values: its sections, patches, held notes and checklist.

Everything is resolved: channels are 0–15, programs 0–127, tempo is an exact fraction, sections carry
their whole route list. Nothing here checks; the server has.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

from routerd.core.model.controls import Control
from routerd.core.model.route import Route
from routerd.core.model.timing import (
    PLAIN_SONG_TIMING,
    SongTiming,
)


class StartPolicy(StrEnum):
    """What transport does when a song is entered."""

    MANUAL = "manual"
    ENTRY = "entry"


class SectionsEnd(StrEnum):
    """Where next section leads from the last one, and previous section from the first one."""

    STAY = "stay"
    WRAP = "wrap"
    SONG = "song"
    """On to the next song, or back to the previous one."""


class HeldNotes(StrEnum):
    """What happens to the notes that are held when a song or section is entered."""

    RING = "ring"
    CUT = "cut"


@dataclass(frozen=True, slots=True)
class Patch:
    """The bank, program and controllers that a device must be on, on one channel (0–15).

    `bank` is 128 × MSB + LSB (0–16383) and `program` 0–127; -1 for none.
    `sysex` are whole messages, `messages` any others; `rpn` and `nrpn` pairs of 14-bit parameter and value.
    `order` names the parts as patches.DEFAULT_ORDER does, pauses between them in ns; empty is that order.
    `always`: send all of it even when the device is on it.
    """

    device: str
    channel: int = 0
    bank: int = -1
    program: int = -1
    cc: tuple[tuple[int, int], ...] = ()
    sysex: tuple[bytes, ...] = ()
    messages: tuple[bytes, ...] = ()
    rpn: tuple[tuple[int, int], ...] = ()
    nrpn: tuple[tuple[int, int], ...] = ()
    order: tuple[str | int, ...] = ()
    always: bool = False


@dataclass(frozen=True, slots=True)
class Hold:
    """A note (0–127) that is held on a device by itself; `channel` is 0–15."""

    device: str
    channel: int
    note: int
    velocity: int


@dataclass(frozen=True, slots=True)
class Section:
    """A named part of a song. `routes` is its whole route list, `holds` all that it holds; `patches` what it
    adds on entry."""

    name: str
    routes: tuple[Route, ...]
    patches: tuple[Patch, ...] = ()
    bpm: Fraction | None = None
    held_notes: HeldNotes = HeldNotes.RING
    holds: tuple[Hold, ...] = ()


@dataclass(frozen=True, slots=True)
class Step:
    """A step of a checklist, done by hand.

    `who` does it, "" for anybody; `section` is the one that it comes before, "" for the song.
    """

    text: str
    who: str = ""
    section: str = ""

    @property
    def in_words(self) -> str:
        """The step as one line: before what it is done, what it is, and who does it."""
        place = f"before {self.section}: " if self.section else ""
        return f"{place}{self.text}{f' ({self.who})' if self.who else ''}"


@dataclass(frozen=True, slots=True)
class Song:
    """One song; `identifier` is its file's name without the ending and is unique."""

    identifier: str
    title: str
    bpm: Fraction
    beats: int = 4
    beat_unit: int = 4
    key: str = ""
    duration_s: int = 0
    start: StartPolicy = StartPolicy.MANUAL
    routes: tuple[Route, ...] = ()
    patches: tuple[Patch, ...] = ()
    sections: tuple[Section, ...] = ()
    checklist: tuple[Step, ...] = ()
    notes: str = ""
    sections_end: SectionsEnd = SectionsEnd.STAY
    held_notes: HeldNotes = HeldNotes.RING
    timing: SongTiming = PLAIN_SONG_TIMING
    controls: tuple[Control, ...] = ()
    """What messages mean in this song, instead of what they mean in the rig."""
    concert_pitch_hz: float = 440.0
    tuning_note: int = 69
    """The note to tune by (0–127)."""
    holds: tuple[Hold, ...] = ()
    """What it holds where it has no sections."""
