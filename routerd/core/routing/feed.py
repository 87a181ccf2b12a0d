"""The way in from one port, and the devices that are heard on it: mostly one, several where they share it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from routerd.core.midi.messages import NOTE_ON, SYSEX

if TYPE_CHECKING:
    from routerd.core.model.rig import Device
    from routerd.core.routing.input import Input


Received = Callable[[bytes, int], None]
"""Called with a message and its arrival in ns."""


@dataclass(frozen=True, slots=True, eq=False)
class Feed:
    """One port that is listened to. `channels` are, by input, those of its device (0–15); () are all."""

    inputs: tuple[Input, ...]
    channels: tuple[tuple[int, ...], ...]

    @property
    def device(self) -> Device:
        """The device whose entry in the rig names the port; all others of the feed name the same."""
        return self.inputs[0].device

    def heard_by(self, status: int) -> tuple[Input, ...]:
        """Return who hears a message that begins so: one with a channel, those that have the channel.

        A release on nobody's channel goes to the first: by such messages `loops` finds cables.
        """
        if not 0x80 <= status < SYSEX:
            return self.inputs
        channel = status & 0x0F
        heard = tuple(
            input
            for input, channels in zip(self.inputs, self.channels, strict=True)
            if not channels or channel in channels
        )
        return heard if heard or status >= NOTE_ON else self.inputs[:1]

    def receiver(self, receiver_of: Callable[[Input], Received]) -> Received:
        """Return what the port calls with each message; `receiver_of` an input is what takes it for that."""
        if self.channels == ((),):
            return receiver_of(self.inputs[0])
        each = {input: receiver_of(input) for input in self.inputs}
        every = tuple(tuple(each[input] for input in self.heard_by(status)) for status in range(0x100))

        def received(data: bytes, at_ns: int) -> None:
            for one in every[data[0] if data else 0]:
                one(data, at_ns)

        return received
