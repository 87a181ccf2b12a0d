"""The vocabulary: what a rig, a song and a set list are, as checked and resolved values.

The server makes these from files, the link carries them as plain JSON values, the engine
compiles them. Everything is resolved here: channels are 0–15, programs 0–127, tempo is an
exact fraction, sections carry their whole route list. Nothing here checks; the server has. A few lines more
than most modules, as what a value holds and how it is written out are changed together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction
from typing import Any

from routerd.core.model.checklist import Item, item_from_plain, item_to_plain
from routerd.core.model.controls import (
    DEFAULT_TIMES,
    Control,
    Pedal,
    PressTimes,
    control_from_plain,
    control_to_plain,
    pedal_to_plain,
)
from routerd.core.model.plain import Readers, read_fields, read_messages, read_pairs, to_plain
from routerd.core.model.routes import Route, route_from_plain
from routerd.core.model.timing import (
    HOLD_S,
    PLAIN_SONG_TIMING,
    PLAIN_TIMING,
    SongTiming,
    Timing,
    song_timing_from_plain,
    song_timing_to_plain,
    timing_from_plain,
    timing_to_plain,
)
from routerd.core.show.leds import Lamp, lamp_from_plain, lamp_to_plain

Plain = dict[str, Any]


class WireKind(StrEnum):
    """What carries a port's bytes."""

    DIN = "din"
    USB = "usb"
    VIRTUAL = "virtual"


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


class AfterRestart(StrEnum):
    """What transport does when the service comes back in a song that was running; see show_return."""

    SILENT = "silent"
    PLAY = "play"
    CATCH_UP = "catch-up"


class Sounding(StrEnum):
    """What happens to the notes that are held when a song or section is entered."""

    RING = "ring"
    CUT = "cut"


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
    loop: str = ""
    """The device whose input hears this output by a loop cable at soundcheck; "" for none."""
    answers: bool = True
    """Whether it answers an identity request (M1 p. 40), as far as is known."""
    active_sensing: bool = False
    channels: tuple[int, ...] = ()
    """The channels (0–15) of its ports that are this device's, in order; empty for all."""
    local_control: bool | None = None
    """Whether its own keys play its own sounds (controller 122, M1 p. 25); None: nothing is sent."""
    volts_per_octave: float = 0.0
    """Of the control voltage that it makes of notes; 0 when it makes none or nobody has said."""
    zero_volts_note: int = 0
    """The note (0–127) at which that is 0 V."""


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
    controllers: tuple[tuple[int, int], ...] = ()
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
    sounding: Sounding = Sounding.RING
    holds: tuple[Hold, ...] = ()


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
    checklist: tuple[Item, ...] = ()
    notes: str = ""
    sections_end: SectionsEnd = SectionsEnd.STAY
    sounding: Sounding = Sounding.RING
    timing: SongTiming = PLAIN_SONG_TIMING
    controls: tuple[Control, ...] = ()
    """What messages mean in this song, instead of what they mean in the rig."""
    reference_hz: float = 440.0
    tuning_note: int = 69
    """The note to tune by (0–127)."""
    holds: tuple[Hold, ...] = ()
    """What it holds where it has no sections."""


@dataclass(frozen=True, slots=True)
class SetList:
    """Tonight's running order: identifiers of songs."""

    name: str
    order: tuple[str, ...]
    date: str = ""
    encore: int = 0
    """How many songs at the end of the order are its encore block."""
    slot_s: int = 0
    """How long the evening's slot is; 0 where nobody has said."""
    changeover_s: int = 0
    """From the end of a song to the beginning of the next."""


@dataclass(frozen=True, slots=True)
class Rig:
    """All devices of one player, and what its controls mean."""

    name: str
    devices: tuple[Device, ...]
    controls: tuple[Control, ...] = ()
    press_times: PressTimes = DEFAULT_TIMES
    pedals: tuple[Pedal, ...] = ()
    lamps: tuple[Lamp, ...] = ()
    after_restart: AfterRestart = AfterRestart.SILENT
    hold_s: int = HOLD_S
    """How long tempo and phase of a source that is followed are held when it falls silent."""


@dataclass(frozen=True, slots=True)
class Book:
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
    return next((device for device in devices if device.clock or device.transport), devices[0])


def wire_names(rig: Rig) -> dict[str, str]:
    """Return, by the name of each device with an output, what its wire is called in records and reports."""
    groups = sharing(rig.devices, port_out)
    return {device.name: timed_device(group).name for group in groups for device in group}


# Plain values: what the link and the state folder hold. Written out, so that a mistake is readable.


def device_to_plain(device: Device) -> Plain:
    """Return `device` as JSON values."""
    return {
        "name": device.name,
        "title": device.title,
        "input": device.input_pattern,
        "output": device.output_pattern,
        "wire": device.wire.value,
        "clock": device.clock,
        "transport": device.transport,
        "input_usb": [device.input_usb.serial, device.input_usb.path],
        "output_usb": [device.output_usb.serial, device.output_usb.path],
        "running_status": device.running_status,
        "active_sensing": device.active_sensing,
        "timing": timing_to_plain(device.timing),
        "loop": device.loop,
        "answers": device.answers,
        "channels": list(device.channels),
        "local_control": device.local_control,
        "volts_per_octave": device.volts_per_octave,
        "zero_volts_note": device.zero_volts_note,
    }


def device_from_plain(plain: Plain) -> Device:
    """Return the device that `device_to_plain` wrote."""
    return Device(
        name=plain["name"],
        title=plain["title"],
        input_pattern=plain["input"],
        output_pattern=plain["output"],
        wire=WireKind(plain["wire"]),
        clock=plain["clock"],
        transport=plain["transport"],
        input_usb=Usb(*plain["input_usb"]),
        output_usb=Usb(*plain["output_usb"]),
        running_status=plain["running_status"],
        active_sensing=plain["active_sensing"],
        timing=timing_from_plain(plain["timing"]),
        loop=plain["loop"],
        answers=plain["answers"],
        channels=tuple(plain["channels"]),
        local_control=plain["local_control"],
        volts_per_octave=plain.get("volts_per_octave", 0.0),
        zero_volts_note=plain.get("zero_volts_note", 0),
    )


def rig_to_plain(rig: Rig) -> Plain:
    """Return `rig` as JSON values."""
    return {
        "name": rig.name,
        "devices": [device_to_plain(device) for device in rig.devices],
        "controls": [control_to_plain(control) for control in rig.controls],
        "press_times": [rig.press_times.guard_ms, rig.press_times.long_ms, rig.press_times.double_ms],
        "pedals": [pedal_to_plain(pedal) for pedal in rig.pedals],
        "lamps": [lamp_to_plain(lamp) for lamp in rig.lamps],
        "after_restart": rig.after_restart.value,
        "hold_s": rig.hold_s,
    }


def rig_from_plain(plain: Plain) -> Rig:
    """Return the rig that `rig_to_plain` wrote."""
    return Rig(
        name=plain["name"],
        devices=tuple(device_from_plain(device) for device in plain["devices"]),
        controls=tuple(control_from_plain(control) for control in plain["controls"]),
        press_times=PressTimes(*plain["press_times"]),
        pedals=tuple(Pedal(*pedal) for pedal in plain["pedals"]),
        lamps=tuple(lamp_from_plain(lamp) for lamp in plain["lamps"]),
        after_restart=AfterRestart(plain["after_restart"]),
        hold_s=plain["hold_s"],
    )


_PATCH_READERS: Readers = {
    "controllers": read_pairs,
    "sysex": read_messages,
    "messages": read_messages,
    "rpn": read_pairs,
    "nrpn": read_pairs,
    "order": tuple,
}


def _patch_from_plain(plain: Plain) -> Patch:
    return Patch(**read_fields(plain, _PATCH_READERS))


def _hold_from_plain(plain: Plain) -> Hold:
    return Hold(**read_fields(plain, {}))


def song_to_plain(song: Song) -> Plain:
    """Return `song` as JSON values; tempo as "numerator/denominator"."""
    return {
        "identifier": song.identifier,
        "title": song.title,
        "bpm": str(song.bpm),
        "meter": [song.beats, song.beat_unit],
        "key": song.key,
        "duration_s": song.duration_s,
        "start": song.start.value,
        "routes": [to_plain(route) for route in song.routes],
        "patches": [to_plain(patch) for patch in song.patches],
        "sections": [
            {
                "name": section.name,
                "routes": [to_plain(route) for route in section.routes],
                "patches": [to_plain(patch) for patch in section.patches],
                "bpm": None if section.bpm is None else str(section.bpm),
                "sounding": section.sounding.value,
                "holds": [to_plain(hold) for hold in section.holds],
            }
            for section in song.sections
        ],
        "checklist": [item_to_plain(item) for item in song.checklist],
        "notes": song.notes,
        "sections_end": song.sections_end.value,
        "sounding": song.sounding.value,
        "timing": song_timing_to_plain(song.timing),
        "controls": [control_to_plain(control) for control in song.controls],
        "reference_hz": song.reference_hz,
        "tuning_note": song.tuning_note,
        "holds": [to_plain(hold) for hold in song.holds],
    }


def song_from_plain(plain: Plain) -> Song:
    """Return the song that `song_to_plain` wrote."""
    beats, beat_unit = plain["meter"]
    return Song(
        identifier=plain["identifier"],
        title=plain["title"],
        bpm=Fraction(plain["bpm"]),
        beats=beats,
        beat_unit=beat_unit,
        key=plain["key"],
        duration_s=plain["duration_s"],
        start=StartPolicy(plain["start"]),
        routes=tuple(route_from_plain(route) for route in plain["routes"]),
        patches=tuple(_patch_from_plain(patch) for patch in plain["patches"]),
        sections=tuple(
            Section(
                name=section["name"],
                routes=tuple(route_from_plain(route) for route in section["routes"]),
                patches=tuple(_patch_from_plain(patch) for patch in section["patches"]),
                bpm=None if section["bpm"] is None else Fraction(section["bpm"]),
                sounding=Sounding(section["sounding"]),
                holds=tuple(_hold_from_plain(hold) for hold in section.get("holds", ())),
            )
            for section in plain["sections"]
        ),
        checklist=tuple(item_from_plain(item) for item in plain["checklist"]),
        notes=plain["notes"],
        sections_end=SectionsEnd(plain["sections_end"]),
        sounding=Sounding(plain["sounding"]),
        timing=song_timing_from_plain(plain["timing"]),
        controls=tuple(control_from_plain(control) for control in plain["controls"]),
        reference_hz=plain["reference_hz"],
        tuning_note=plain["tuning_note"],
        holds=tuple(_hold_from_plain(hold) for hold in plain.get("holds", ())),
    )


def set_list_to_plain(set_list: SetList) -> Plain:
    """Return `set_list` as JSON values."""
    return {
        "name": set_list.name,
        "order": list(set_list.order),
        "date": set_list.date,
        "encore": set_list.encore,
        "slot_s": set_list.slot_s,
        "changeover_s": set_list.changeover_s,
    }


def set_list_from_plain(plain: Plain) -> SetList:
    """Return the set list that `set_list_to_plain` wrote."""
    return SetList(
        name=plain["name"],
        order=tuple(plain["order"]),
        date=plain["date"],
        encore=plain.get("encore", 0),
        slot_s=plain.get("slot_s", 0),
        changeover_s=plain.get("changeover_s", 0),
    )
