"""What a song or section puts a device on when it is entered: its patch, and the notes that are held there.

`PatchSend` is a patch worked out: what is sent to put a device on its sound, and what when it is already on
it.

A device is known to be on a sound (SysEx, free messages, bank and program) from the moment when it was sent
there until something else is sent that may change it: another patch, a routed program change or SysEx, panic
while it still waited, or the device's going away. Then only its settings (controllers, parameters) are sent
again, which a pedal may have moved. A SysEx may concern the whole device, so it makes the sounds of its other
channels unknown.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from routerd.core.midi import messages
from routerd.core.output.lanes import pause

if TYPE_CHECKING:
    from collections.abc import Collection

    from routerd.core.model.song import Patch
    from routerd.core.output.wire import Output, Sink, Wire

DEFAULT_ORDER = ("sysex", "messages", "program", "cc", "rpn", "nrpn")
SOUND = frozenset({"sysex", "messages", "program"})
"""Parts that need not be sent again."""


class PatchSend(NamedTuple):
    """One patch on its way out. Pauses stand between the messages, see `lanes.pause`."""

    output: Output
    channel: int
    steps: tuple[bytes, ...]
    settings: tuple[bytes, ...]
    sound: tuple[bytes, ...]
    for_all_channels: bool
    always: bool
    values: tuple[tuple[int, int], ...]
    """Controllers that it sets, by receivers.quantity_key."""

    def send(self, now_ns: int, sink: Sink) -> None:
        """Send what the device needs."""
        output = self.output
        if not output.connected:
            return
        is_on = bool(self.sound) and not self.always and output.patched.get(self.channel) == self.sound
        for data in self.settings if is_on else self.steps:
            output.offer_patch(data, now_ns, sink)
        if self.for_all_channels and not is_on:
            output.patched.clear()
        if self.sound:
            output.patched[self.channel] = self.sound
        output.values.update(self.values)
        output.selected.clear()


def compile_patch(patch: Patch, output: Output) -> PatchSend:
    """Work a patch out."""
    parts = _parts(patch)
    order = patch.order or DEFAULT_ORDER
    steps: list[bytes] = []
    settings: list[bytes] = []
    sound: list[bytes] = []
    for step in order:
        if isinstance(step, int):
            steps.append(pause(step))
            continue
        steps += parts[step]
        if step in SOUND:
            sound += parts[step]
        else:
            settings += parts[step]
    status = messages.CONTROLLER | patch.channel
    return PatchSend(
        output,
        patch.channel,
        tuple(steps),
        tuple(settings),
        tuple(sound),
        bool(patch.sysex or patch.messages),
        patch.always,
        tuple((status << 7 | number, value) for number, value in patch.cc),
    )


def _parts(patch: Patch) -> dict[str, list[bytes]]:
    """Return the messages of each part. Bank select is MSB then LSB, the program change right behind it
    (M1 pp. 13–14)."""
    program = []
    if patch.bank >= 0:
        program.append(messages.controller(patch.channel, messages.BANK_MSB, patch.bank >> 7))
        program.append(messages.controller(patch.channel, messages.BANK_LSB, patch.bank & 0x7F))
    if patch.program >= 0:
        program.append(messages.program_change(patch.channel, patch.program))
    return {
        "sysex": list(patch.sysex),
        "messages": list(patch.messages),
        "program": program,
        "cc": [messages.controller(patch.channel, number, value) for number, value in patch.cc],
        "rpn": _parameters(patch, messages.RPN, patch.rpn),
        "nrpn": _parameters(patch, messages.NRPN, patch.nrpn),
    }


def _parameters(patch: Patch, kind: int, pairs: tuple[tuple[int, int], ...]) -> list[bytes]:
    return [
        data
        for number, value in pairs
        for data in messages.parameter_messages(patch.channel, (kind, number >> 7, number & 0x7F), value)
    ]


class Held(NamedTuple):
    """A note that a song or section holds by itself, `channel` 0–15: a stored voltage for a converter, a
    drone without a key."""

    output: Output
    channel: int
    note: int
    velocity: int


class Holding:
    """The notes that the song or section that is on holds by itself.

    They are pressed on entry and released on leaving, by panic, and while their device is muted. What both
    the old and the new section hold goes on without a break. A press of a key on the same note and its
    release do not end it, see `receivers.SoundingNotes`.
    """

    __slots__ = ("_held",)

    def __init__(self) -> None:
        self._held: dict[Held, None] = {}

    def keep(self, wanted: Collection[Held], now_ns: int, sink: Sink) -> None:
        """End all but what is wanted on."""
        for held in [one for one in self._held if one not in wanted]:
            del self._held[held]
            held.output.play(messages.note_off(held.channel, held.note), now_ns, sink)

    def begin(self, wanted: Collection[Held], now_ns: int, sink: Sink) -> None:
        """Press what is wanted and not held yet, where its device is there."""
        for held in wanted:
            if held not in self._held and held.output.connected:
                self._held[held] = None
                held.output.play(messages.note_on(held.channel, held.note, held.velocity), now_ns, sink)

    def forget(self, wire: Wire | None = None) -> None:
        """All of a wire, or of the rig, has been ended by others."""
        for held in [one for one in self._held if wire is None or one.output.wire is wire]:
            del self._held[held]
