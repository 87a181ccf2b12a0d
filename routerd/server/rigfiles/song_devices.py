"""Devices whose clock is otherwise in one song: what must be true of what a song says, and what it means.

Rate, start and sequence are those of the port, so they must agree where several devices share one, and go
to the device whose timing holds for it. Pulses are each device's own.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from routerd.core.model.rig import Rig, wire_names
from routerd.core.model.song import Song
from routerd.core.model.timing import Timing
from routerd.server.rigfiles.check import Checked
from routerd.server.rigfiles.entries import RigFile, SongFile
from routerd.server.rigfiles.port_rules import sharing_output
from routerd.server.rigfiles.problems import shown
from routerd.server.rigfiles.tempo import resolve_pulse, review_pulse
from routerd.server.rigfiles.text import Path
from routerd.server.rigfiles.time_entries import SongDeviceEntry

_OF_PORT = {"rate": "clock", "starts": "transport", "sequence": "transport"}
"""What holds for the port, and what its devices must get for it to mean anything."""


def review_song_devices(rig: Checked[RigFile], songs: Iterable[Checked[SongFile]]) -> None:
    """Check what songs say of devices against the rig."""
    if rig.model is None or not rig.is_sound(("devices",)):
        return
    ports = {name: group for group in sharing_output(rig.model) for name, _ in group}
    for song in songs:
        first: dict[tuple[str, str], tuple[Any, str]] = {}
        for name, entry in ({} if song.model is None else song.model.devices).items():
            path: Path = ("devices", name)
            if not song.is_sound(path) or name not in ports or not rig.is_sound(path):
                continue
            if not entry.model_fields_set:
                song.report(path, f"nothing is said of {shown(name)}", "add rate, starts, sequence or pulse")
            review_pulse(song, (*path, "pulse"), entry.pulse)
            if entry.pulse is not None and not entry.pulses:
                song.report((*path, "pulses"), "there are a pulse and no pulses", "remove one of the two")
            for key, needed in _OF_PORT.items():
                value = getattr(entry, key)
                if value is None:
                    continue
                if not any(getattr(device, needed) for _, device in ports[name]):
                    what = f"'{key}' has no meaning, as {shown(name)} gets no {needed}"
                    song.report((*path, key), what, f"add '{needed}: true' to it in rig.yaml, or remove it")
                seen, other = first.setdefault((ports[name][0][0], key), (value, name))
                if seen != value:
                    song.report(
                        (*path, key),
                        f"{shown(name)} and {shown(other)} share an output port, but not '{key}'",
                        "write the same in both, or leave it out in one",
                    )


def with_devices(song: Song, file: SongFile, rig: Rig) -> Song:
    """Return the song with the whole timing of every device that it wants otherwise."""
    usual = {device.name: device.timing for device in rig.devices}
    channels = {device.name: device.channels for device in rig.devices}
    timed = wire_names(rig)
    wanted: dict[str, Timing] = {}
    for name, entry in file.devices.items():
        port = timed[name]
        wanted[port] = _of_port(wanted.get(port, usual[port]), entry)
        wanted[name] = _own(wanted.get(name, usual[name]), entry, channels[name])
    devices = tuple((name, timing) for name, timing in wanted.items() if timing != usual[name])
    return replace(song, timing=replace(song.timing, devices=devices)) if devices else song


def _of_port(timing: Timing, entry: SongDeviceEntry) -> Timing:
    return replace(
        timing,
        rate=timing.rate if entry.rate is None else entry.rate,
        start=timing.start if entry.starts is None else entry.starts,
        sequence_steps=timing.sequence_steps if entry.sequence is None else entry.sequence,
    )


def _own(timing: Timing, entry: SongDeviceEntry, channels: tuple[int, ...]) -> Timing:
    if not entry.pulses:
        return replace(timing, pulse=None)
    if entry.pulse is None:
        return timing
    pulse = resolve_pulse(entry.pulse)
    if channels and "channel" not in entry.pulse.model_fields_set:
        pulse = replace(pulse, channel=channels[0])
    return replace(timing, pulse=pulse)
