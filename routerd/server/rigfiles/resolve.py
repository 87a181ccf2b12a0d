"""From checked files to the values that the engine compiles: defaults filled in, routes inherited.

Trusts its arguments: it runs only when no file had a problem.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace

from routerd.core.midi.tuning import A4, retuned
from routerd.core.model.rig import Device, Rig
from routerd.core.model.route import Route
from routerd.core.model.song import (
    Hold,
    Patch,
    Section,
    Song,
    Step,
)
from routerd.core.model.timing import SongTiming, Timing
from routerd.server.rigfiles.control_rules import control_of, led_of, pedal_of, times_of
from routerd.server.rigfiles.entries import (
    DeviceEntry,
    HoldEntry,
    PatchEntry,
    RigFile,
    SongFile,
)
from routerd.server.rigfiles.port_rules import own_channel
from routerd.server.rigfiles.ports import PortChoice
from routerd.server.rigfiles.route_resolve import inherit, root_of
from routerd.server.rigfiles.tempo import resolve_song_timing, resolve_timing

C3 = 48
ALL_CHANNELS = -1
"""The channel of what concerns a whole device, so that no patch of a channel is taken for it."""


def resolve_rig(file: RigFile) -> Rig:
    """Return the rig that a file describes."""
    devices = tuple(_device(name, entry) for name, entry in file.devices.items())
    return Rig(
        name=file.name,
        devices=devices,
        controls=tuple(control_of(entry) for entry in file.controls),
        press_times=times_of(file.presses),
        pedals=tuple(pedal_of(entry) for entry in file.pedals),
        leds=tuple(led_of(entry) for entry in file.leds),
        after_restart=file.after_restart,
        holdover_s=file.holdover,
    )


def _device(name: str, entry: DeviceEntry) -> Device:
    read_from, write_to = entry.input or PortChoice(), entry.output or PortChoice()
    return Device(
        name=name,
        title=entry.title or name,
        input_pattern=read_from.pattern,
        output_pattern=write_to.pattern,
        wire=entry.wire,
        clock=entry.clock,
        transport=entry.transport,
        running_status=entry.running_status,
        active_sensing=entry.active_sensing,
        timing=_timing(entry),
        input_usb=read_from.usb,
        output_usb=write_to.usb,
        loopback=entry.loopback or "",
        identity_reply=entry.identity_reply,
        channels=tuple(sorted(entry.channels or ())),
        local_control=entry.local_control,
        volts_per_octave=entry.volts_per_octave or 0.0,
        zero_volts_note=entry.zero_volts or 0,
    )


def resolve_song(identifier: str, file: SongFile, rig: RigFile, *, tuned: bool = False) -> Song:
    """Return the song that a file describes; `rig` has the routes that it inherits.

    `tuned`: some song of the folder is not at 440 Hz, so that devices have to be told for each.
    """
    beats, beat_unit = file.meter
    root = root_of(file.key)
    routes = inherit(inherit((), rig.routes, root), file.routes, root)
    sections = tuple(
        Section(
            name=entry.name,
            routes=unmuted(inherit(routes, entry.routes, root), [*file.mute, *entry.mute]),
            patches=_patches(entry.patches, rig),
            bpm=entry.tempo,
            held_notes=entry.held_notes or file.held_notes,
            holds=_holds([*file.hold, *entry.hold], rig),
        )
        for entry in file.sections
    )
    return Song(
        identifier=identifier,
        title=file.title,
        bpm=file.tempo,
        beats=beats,
        beat_unit=beat_unit,
        key=file.key,
        duration_s=file.duration,
        start=file.start,
        routes=unmuted(routes, file.mute),
        patches=(*(_tunings(file, rig) if tuned else ()), *_patches(file.patches, rig)),
        sections=sections,
        checklist=(*file.checklist, *_by_hand(file, rig)),
        notes=file.notes,
        sections_end=file.after_sections,
        held_notes=file.held_notes,
        timing=_song_timing(file, rig),
        controls=tuple(control_of(entry) for entry in file.controls),
        concert_pitch_hz=file.concert_pitch or rig.concert_pitch,
        tuning_note=_tuning_note(file, root),
        holds=_holds(file.hold, rig),
    )


def _tuning_note(file: SongFile, root: int | None) -> int:
    if file.tuning_note is not None:
        return file.tuning_note
    return A4 if root is None else C3 + root


def _tunings(file: SongFile, rig: RigFile) -> tuple[Patch, ...]:
    """Return what tunes devices to the song's concert pitch; the show skips what is in force."""
    dumps = retuned(file.concert_pitch or rig.concert_pitch)
    return tuple(
        Patch(name, ALL_CHANNELS, sysex=dumps)
        for name, device in rig.devices.items()
        if device.tuning_standard
    )


def unmuted(routes: tuple[Route, ...], muted: Iterable[str]) -> tuple[Route, ...]:
    """Return the routes that do not lead to a device of `muted`."""
    silent = set(muted)
    return tuple(route for route in routes if route.target not in silent)


def _timing(entry: DeviceEntry) -> Timing:
    timing = resolve_timing(entry.timing)
    if timing.pulse is None or entry.timing is None or entry.timing.pulse is None:
        return timing
    channel = own_channel(entry.timing.pulse, timing.pulse.channel, entry)
    return replace(timing, pulse=replace(timing.pulse, channel=channel))


def _song_timing(file: SongFile, rig: RigFile) -> SongTiming:
    timing = resolve_song_timing(file)
    if timing.click is None or file.click is None:
        return timing
    channel = own_channel(file.click, timing.click.channel, rig.devices[timing.click.device])
    return replace(timing, click=replace(timing.click, channel=channel))


def _patch(entry: PatchEntry, device: DeviceEntry) -> Patch:
    return Patch(
        device=entry.device,
        channel=own_channel(entry, entry.channel, device),
        bank=-1 if entry.bank is None else 128 * entry.bank.msb + entry.bank.lsb,
        program=-1 if entry.program is None else entry.program,
        cc=tuple(entry.cc.items()),
        sysex=tuple(message for dump in entry.sysex for message in dump),
        messages=tuple(message for group in entry.messages for message in group),
        rpn=tuple(entry.rpn.items()),
        nrpn=tuple(entry.nrpn.items()),
        order=tuple(entry.order),
        always=entry.always,
    )


def _patches(entries: Iterable[PatchEntry], rig: RigFile) -> tuple[Patch, ...]:
    devices = rig.devices
    return tuple(_patch(entry, devices[entry.device]) for entry in entries if devices[entry.device].recall)


def _holds(entries: Iterable[HoldEntry], rig: RigFile) -> tuple[Hold, ...]:
    holds = (
        Hold(entry.device, own_channel(entry, entry.channel, rig.devices[entry.device]), note, entry.velocity)
        for entry in entries
        for note in entry.notes
    )
    return tuple(dict.fromkeys(holds))


def _by_hand(file: SongFile, rig: RigFile) -> list[Step]:
    """Return what a person has to do where a device cannot be put on its sound from here.

    What the checklist tells already, by the name of the device and the number of the program, is told once.
    """
    lists = [("", file.patches)] + [(one.name, one.patches) for one in file.sections]
    items = []
    for section, entries in lists:
        for entry in entries:
            device = rig.devices[entry.device]
            if device.recall:
                continue
            bank = f"bank {entry.bank.msb}/{entry.bank.lsb}, " if entry.bank else ""
            program = f"program {entry.program + 1}" if entry.program is not None else "its sound"
            if any(_tells(item, section, entry, device) for item in file.checklist):
                continue
            text = f"Put {device.title or entry.device} on {bank}{program}"
            items.append(Step(text, section=section))
    return items


def _tells(item: Step, section: str, entry: PatchEntry, device: DeviceEntry) -> bool:
    """Return whether an item of the checklist names the device and the program of a patch."""
    if item.section != section:
        return False
    words = item.text.casefold()
    named = any(name and name.casefold() in words for name in (device.title, entry.device))
    return named and (entry.program is None or str(entry.program + 1) in re.findall(r"\d+", words))
