"""A rig as checked and resolved values: its devices with their ports, and what its controls mean; with songs
and a set list, all that an evening needs.

Nothing here checks; the server has. Channels are 0–15.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from routerd.core.model.controls import (
    DEFAULT_TIMES,
    Control,
    Led,
    Pedal,
    PressTimes,
)
from routerd.core.model.set_list import SetList
from routerd.core.model.song import Section, Song
from routerd.core.model.timing import HOLDOVER_S, PLAIN_TIMING, Timing


class WireKind(StrEnum):
    """What carries a port's bytes."""

    DIN = "din"
    USB = "usb"
    VIRTUAL = "virtual"


class AfterRestart(StrEnum):
    """What transport does when the service comes back in a song that was running; see core.show.recovery."""

    SILENT = "silent"
    PLAY = "play"
    CATCH_UP = "catch-up"


@dataclass(frozen=True, slots=True)
class Usb:
    """Which one of several USB devices that share a name: by serial number or by socket; "" means any.

    `path` is the kernel's name for the socket: bus, then the ports on the way, such as "1-1.2".
    """

    serial: str = ""
    path: str = ""


ANY_USB = Usb()


@dataclass(frozen=True, slots=True)
class Device:
    """One instrument, box or program; `input_pattern` and `output_pattern` are port name patterns.

    `input_pattern` names the port that routerd reads from, `output_pattern` the one it writes to;
    `input_usb` and `output_usb` say on which USB device, where a name alone does not tell.
    """

    name: str
    title: str = ""
    input_pattern: str = ""
    output_pattern: str = ""
    wire: WireKind = WireKind.USB
    clock: bool = False
    transport: bool = False
    input_usb: Usb = ANY_USB
    output_usb: Usb = ANY_USB
    running_status: bool = False
    """Whether the interface leaves a repeated status byte out on the wire (M1 p. 5)."""
    timing: Timing = PLAIN_TIMING
    loopback: str = ""
    """The device whose input hears this output by a loop cable at soundcheck; "" for none."""
    identity_reply: bool = True
    """Whether it answers an identity request (M1 p. 40), as far as is known."""
    active_sensing: bool = False
    channels: tuple[int, ...] = ()
    """The channels (0–15) of its ports that are this device's, in order; empty for all."""
    local_control: bool | None = None
    """Whether its own keys play its own sounds (controller 122, M1 p. 25); None: nothing is sent."""
    volts_per_octave: float = 0.0
    """Of the control voltage that it makes of notes; 0 when it makes none or not stated."""
    zero_volts_note: int = 0
    """The note (0–127) at which that is 0 V."""

    @property
    def timed(self) -> bool:
        """Whether it gets clock or transport."""
        return self.clock or self.transport


@dataclass(frozen=True, slots=True)
class Rig:
    """All devices of one player, and what its controls mean."""

    name: str
    devices: tuple[Device, ...]
    controls: tuple[Control, ...] = ()
    press_times: PressTimes = DEFAULT_TIMES
    pedals: tuple[Pedal, ...] = ()
    leds: tuple[Led, ...] = ()
    after_restart: AfterRestart = AfterRestart.SILENT
    holdover_s: int = HOLDOVER_S
    """How long tempo and phase of a source that is followed are held when it falls silent."""
    spare: bool = True
    """Whether a second engine is kept ready for the death of the first."""


@dataclass(frozen=True, slots=True)
class RigFolder:
    """All that the engine needs for the evening: the rig, every song, tonight's order."""

    rig: Rig
    songs: tuple[Song, ...]
    set_list: SetList
    _by_identifier: dict[str, Song] = field(init=False, repr=False, compare=False, default_factory=dict)

    def __post_init__(self) -> None:
        self._by_identifier.update({song.identifier: song for song in self.songs})

    def song(self, identifier: str) -> Song:
        """Return the song of that identifier; raises KeyError."""
        return self._by_identifier[identifier]

    @property
    def parts(self) -> Iterator[Song | Section]:
        """Every song, each followed by its sections: all that has routes, patches and holds."""
        for song in self.songs:
            yield song
            yield from song.sections


Port = tuple[str, Usb]
"""What tells ports apart in a rig: the pattern, upper and lower case alike, and the USB device."""


def port_in(device: Device) -> Port | None:
    """Return the port that a device is heard on, None for none."""
    return (device.input_pattern.casefold(), device.input_usb) if device.input_pattern else None


def port_out(device: Device) -> Port | None:
    """Return the port that a device is sent to on, None for none."""
    return (device.output_pattern.casefold(), device.output_usb) if device.output_pattern else None


def sharing(devices: Iterable[Device], port_of: Callable[[Device], Port | None]) -> list[tuple[Device, ...]]:
    """Return the devices that have a port, those of one port together, in the order of the rig."""
    groups: dict[Port, list[Device]] = {}
    for device in devices:
        port = port_of(device)
        if port is not None:
            groups.setdefault(port, []).append(device)
    return [tuple(group) for group in groups.values()]


def timed_device(devices: Sequence[Device]) -> Device:
    """Return the one of a port's devices whose clock settings hold for it, and whose name its wire bears: the
    first with clock or transport, else the first."""
    return next((device for device in devices if device.timed), devices[0])


def wire_names(rig: Rig) -> dict[str, str]:
    """Return, by the name of each device with an output, what its wire is called in records and reports."""
    groups = sharing(rig.devices, port_out)
    return {device.name: timed_device(group).name for group in groups for device in group}
