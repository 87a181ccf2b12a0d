"""The monitor: every message in and out, in words, and what became of each that came in.

The engine sends whole messages only while somebody listens, and drops them (counted) rather than wait. What
became of a message is worked out here, from the rig as it is played and from the last snapshot, so it costs
the engine nothing; around a change of song or section it may be a few messages behind. A reader that does not
keep up, or wants more than MOST_A_SECOND, loses messages and gets their number. The ticks that routerd sends
are not among the messages: the jitter report has each of them.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from typing import Any, Literal

from routerd.core.midi.messages import SYSEX, SYSEX_END
from routerd.core.midi.words import hex_words, message_words
from routerd.core.model.rig import RigFolder
from routerd.core.model.snapshot import Snapshot
from routerd.core.model.song import Song
from routerd.core.routing.fate import KIND_OF_STATUS, Fate
from routerd.core.units import NS_PER_S
from routerd.link.frames import INPUT_BIT, Tap
from routerd.server.offline.explain import Fates, RouteFate, answer_of_fate, control_words, controls_of

MOST_A_SECOND = 500
"""So many messages are put into words; what is above is counted only. House choice: more nobody reads."""

QUEUE_MESSAGES = 512


@dataclass(frozen=True, slots=True)
class MessageIn:
    """A message that came in at `at_ns` of this machine's CLOCK_MONOTONIC: its `bytes` in hexadecimal, and in
    words. `controls` are what it means as a control, which no route gets, and `fates` what each route makes
    of it. `loop`: this input hears a loop, so what comes back over it is held back."""

    at_ns: int
    direction: Literal["in"]
    device: str
    bytes: str
    words: str
    controls: tuple[str, ...]
    fates: tuple[RouteFate, ...]
    loop: bool


@dataclass(frozen=True, slots=True)
class MessageOut:
    """A message that went out at `at_ns` of this machine's CLOCK_MONOTONIC: its `bytes` in hexadecimal, and
    in words."""

    at_ns: int
    direction: Literal["out"]
    device: str
    bytes: str
    words: str


@dataclass(frozen=True, slots=True)
class Dropped:
    """So many messages found no room, and came no more."""

    messages: int


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which messages are wanted; what is empty, or None, wants all. Clock and Active Sensing come when asked
    for by kind only. `channel` is 0–15."""

    devices: frozenset[str] = frozenset()
    kinds: frozenset[str] = frozenset()
    channel: int | None = None

    def takes(self, device: str, data: bytes) -> bool:
        """Return whether a message is wanted."""
        if self.devices and device not in self.devices:
            return False
        kind = kind_of(data)
        if self.kinds:
            return kind in self.kinds and (self.channel is None or self._is_on(data))
        return kind not in UNASKED and (self.channel is None or self._is_on(data))

    def _is_on(self, data: bytes) -> bool:
        return 0x80 <= data[0] < SYSEX and data[0] & 0x0F == self.channel


UNASKED = frozenset({"clock", "other"})


def kind_of(data: bytes) -> str:
    """Return the kind of a message as routes name it; `other` for what no route passes."""
    status = data[0]
    if status < 0x80 or status == SYSEX_END:
        return "sysex"  # a later piece of one
    kind = KIND_OF_STATUS.get(status if status >= SYSEX else status & 0xF0)
    return "other" if kind is None else kind.value


class Monitor:
    """Puts messages into words, with their fates, by the rig that is played."""

    def __init__(self, folder: RigFolder) -> None:
        self._folder = folder
        self._known = Fates(folder)

    def entry(self, tap: Tap, device: str, snapshot: Snapshot) -> MessageIn | MessageOut:
        """Return one message as readers get it."""
        data, words = tap.data.hex(" ").upper(), _words(tap.data)
        if not tap.way & INPUT_BIT:
            return MessageOut(tap.at_ns, "out", device, data, words)
        song = self._song(snapshot)
        controls = self._controls(device, tap.data, song)
        is_known = song is not None and snapshot.section <= len(song.sections)
        fates: Iterable[Fate] = ()
        if song is not None and is_known and not controls:
            fates = self._known.of(song, snapshot.section, device, tap.data, snapshot)
        answers = tuple(answer_of_fate(fate) for fate in fates)
        loop = device in snapshot.loops
        return MessageIn(tap.at_ns, "in", device, data, words, controls, answers, loop)

    def _song(self, snapshot: Snapshot) -> Song | None:
        """Return the song that is on; None while there is none, or it has been loaded since."""
        try:
            return self._folder.song(snapshot.song or "")
        except KeyError:
            return None

    def _controls(self, device: str, data: bytes, song: Song | None) -> tuple[str, ...]:
        if song is None:
            return ()
        return tuple(control_words(one, data) for one in controls_of(self._folder, song, device, data))


def _words(data: bytes) -> str:
    if data[0] == SYSEX and data[-1] != SYSEX_END:
        return f"SysEx, its first {len(data)} bytes: {hex_words(data)}"
    if data[0] < 0x80 or data[0] == SYSEX_END:
        return f"SysEx, {len(data)} bytes more"
    return message_words(data)


class Reader:
    """One reader's messages, as frames of server-sent events, bounded; subscribe `take` to taps.

    `snapshot` is asked for each batch. Frames that find no room, and messages above MOST_A_SECOND, are
    counted and reported before the next one.
    """

    def __init__(self, monitor: Monitor, wanted: Wanted, snapshot: Callable[[], Snapshot]) -> None:
        self.queue: asyncio.Queue[bytes | None] = asyncio.Queue(QUEUE_MESSAGES)
        self.monitor = monitor
        """May be replaced when another rig is loaded."""
        self._wanted = wanted
        self._snapshot = snapshot
        self._dropped = 0
        self._second = self._in_second = 0

    def take(self, taps: list[Tap]) -> None:
        """Take messages as they have come in and gone out."""
        snapshot = self._snapshot()
        for tap in taps:
            names = snapshot.inputs if tap.way & INPUT_BIT else snapshot.outputs
            number = tap.way & ~INPUT_BIT
            device = names[number] if number < len(names) else ""
            if not tap.data or not self._wanted.takes(device, tap.data):
                continue
            if self.queue.full() or not self._has_time(tap.at_ns):
                self._dropped += 1
                continue
            if self._dropped and self.queue.qsize() + 2 <= QUEUE_MESSAGES:
                self.queue.put_nowait(_frame("dropped", Dropped(self._dropped)))
                self._dropped = 0
            self.queue.put_nowait(_frame("message", self.monitor.entry(tap, device, snapshot)))

    def _has_time(self, at_ns: int) -> bool:
        second = at_ns // NS_PER_S
        if second != self._second:
            self._second, self._in_second = second, 0
        self._in_second += 1
        return self._in_second <= MOST_A_SECOND


def _frame(kind: str, body: Any) -> bytes:
    return f"event: {kind}\ndata: {json.dumps(asdict(body))}\n\n".encode()
