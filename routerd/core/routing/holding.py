"""Notes that a song or section holds by itself: stored voltages for a converter, a drone without a key.

They are pressed on entry and released on leaving, by panic, and while their device is muted. What both the
old and the new section hold goes on without a break. A press of a key on the same note and its release do
not end it, see `sounding`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from routerd.core.midi.messages import note_off, note_on

if TYPE_CHECKING:
    from collections.abc import Collection

    from routerd.core.output.wire import Output, Sink, Wire


class Held(NamedTuple):
    """One note that is held on a device; `channel` 0–15."""

    output: Output
    channel: int
    note: int
    velocity: int


class Holding:
    """What is held now."""

    __slots__ = ("_held",)

    def __init__(self) -> None:
        self._held: dict[Held, None] = {}

    def keep(self, wanted: Collection[Held], now_ns: int, sink: Sink) -> None:
        """End all but what is wanted on."""
        for held in [one for one in self._held if one not in wanted]:
            del self._held[held]
            held.output.play(note_off(held.channel, held.note), now_ns, sink)

    def begin(self, wanted: Collection[Held], now_ns: int, sink: Sink) -> None:
        """Press what is wanted and not held yet, where its device is there."""
        for held in wanted:
            if held not in self._held and held.output.connected:
                self._held[held] = None
                held.output.play(note_on(held.channel, held.note, held.velocity), now_ns, sink)

    def forget(self, wire: Wire | None = None) -> None:
        """All of a wire, or of the rig, has been ended by others."""
        for held in [one for one in self._held if wire is None or one.output.wire is wire]:
            del self._held[held]
