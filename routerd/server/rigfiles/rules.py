"""What must be true across the values of a file: of one entry, of a list, of a song and its sections.

Each function adds problems to the file it is given and returns nothing else but what the next
needs. An entry in which a value was already wrong is left alone, so nothing is told twice.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import partial
from typing import Any

from routerd.server.rigfiles.check import Checked
from routerd.server.rigfiles.control_rules import (
    review_controls,
    review_leds,
    review_pedals,
    review_presses,
)
from routerd.server.rigfiles.entries import PATCH_PARTS, DeviceEntry, HoldEntry, PatchEntry, RigFile, SongFile
from routerd.server.rigfiles.problems import MISTAKE, choose, one_of, shown
from routerd.server.rigfiles.route_resolve import root_of, route_name
from routerd.server.rigfiles.route_rules import RouteNames, review_routes, review_twice
from routerd.server.rigfiles.text import Path

MOST_SYSEX_BYTES = 1024 * 1024


def review_rig(checked: Checked[RigFile]) -> RouteNames:
    """Check devices, controls and shared routes; return the names that songs inherit."""
    rig = checked.model
    if rig is None:
        return RouteNames(complete=False)
    if not rig.devices and checked.is_sound(("devices",)):
        checked.report(("devices",), "there are no devices", "describe at least one, with an input or output")
    for name, device in rig.devices.items():
        _review_device(checked, ("devices", name), name, device)
    review_controls(checked, rig.controls)
    review_presses(checked, rig.presses)
    review_pedals(checked, rig.pedals)
    review_leds(checked, rig.leds)
    return review_routes(checked, ("routes",), rig.routes, RouteNames())


def review_song(checked: Checked[SongFile], inherited: RouteNames) -> None:
    """Check the routes, patches and sections of one song."""
    song = checked.model
    if song is None:
        return
    names = review_routes(checked, ("routes",), song.routes, inherited)
    rootless = set(names.rootless)
    _review_patches(checked, ("patches",), song.patches)
    _review_holds(checked, ("hold",), song.hold)
    first: dict[str, int] = {}
    for index, section in enumerate(song.sections):
        path: Path = ("sections", index)
        rootless |= review_routes(checked, (*path, "routes"), section.routes, names).rootless
        _review_patches(checked, (*path, "patches"), section.patches)
        _review_holds(checked, (*path, "hold"), section.hold)
        if section.name is not MISTAKE:
            review_twice(checked, first, (*path, "name"), section.name, "section")
    if rootless and song.key is not MISTAKE and root_of(song.key) is None:
        which = f"the drone of route {shown(min(rootless))} takes its root from the"
        if song.key:
            what, remedy = f"{which} key, which names no note", "begin the key with one, such as 'D minor'"
        else:
            what, remedy = f"{which} song's key, and there is none", "add one, such as 'key: D minor'"
        checked.report(("key",) if song.key else (), what, f"{remedy}, or give the drone a 'root'")
    review_controls(checked, song.controls)
    _review_checklist(checked, song, list(first))
    patches = [*song.patches, *(patch for section in song.sections for patch in section.patches)]
    size = sum(len(m) for patch in patches for dump in patch.sysex if dump is not MISTAKE for m in dump)
    if size > MOST_SYSEX_BYTES:
        checked.report((), f"the song sends {size} bytes of SysEx", f"keep it under {MOST_SYSEX_BYTES}")


def _review_checklist(checked: Checked[SongFile], song: SongFile, sections: list[str]) -> None:
    for index, item in enumerate(song.checklist):
        if item is MISTAKE or not item.section or not checked.is_sound(("sections",)):
            continue
        if item.section not in sections:
            checked.report(
                ("checklist", index),
                f"there is no section {shown(item.section)} in this song",
                partial(choose, item.section, sections),
            )


def _review_patches(checked: Checked[Any], path: Path, patches: Sequence[PatchEntry]) -> None:
    for index, patch in enumerate(patches):
        here = (*path, index)
        if not checked.is_sound(here):
            continue
        if not patch.model_fields_set & set(PATCH_PARTS):
            checked.report(
                here, "the patch changes nothing", "add a program, bank, controllers or sysex to it"
            )
        if patch.bank is not None and not patch.bank.model_fields_set:
            checked.report((*here, "bank"), "the bank has no number", "write 'msb', 'lsb' or both")
        parts = [step for step in patch.order if isinstance(step, str)]
        given = {"program" if key == "bank" else key for key in patch.model_fields_set & set(PATCH_PARTS)}
        if patch.order and (len(set(parts)) < len(parts) or not given <= set(parts)):
            checked.report(
                (*here, "order"),
                "the order does not have every part of the patch once",
                f"name {one_of(sorted(given))}; 'program' stands for the bank too",
            )


def _review_holds(checked: Checked[Any], path: Path, holds: Sequence[HoldEntry]) -> None:
    for index, hold in enumerate(holds):
        if checked.is_sound((*path, index)) and not hold.notes:
            checked.report((*path, index, "notes"), "the hold has no note", "list at least one, such as A2")


def _review_device(checked: Checked[RigFile], path: Path, name: str, device: DeviceEntry) -> None:
    if not checked.is_sound(path):
        return
    if not device.input and not device.output:
        checked.report(path, f"device {shown(name)} has no port", "add 'input', 'output' or both")
    for key, wanted in (
        ("clock", device.clock),
        ("transport", device.transport),
        ("tuning-standard", device.tuning_standard),
        ("local-control", device.local_control is not None),
        ("volts-per-octave", device.volts_per_octave is not None),
    ):
        if wanted and not device.output:
            checked.report(
                (*path, key),
                f"device {shown(name)} has no output to send {key} to",
                f"add 'output', or remove '{key}'",
            )
    if (device.volts_per_octave is None) is not (device.zero_volts is None):
        given, other = "volts-per-octave", "zero-volts"
        if device.volts_per_octave is None:
            given, other = other, given
        checked.report(
            (*path, given), f"{shown(given)} says nothing without {shown(other)}", f"add '{other}'"
        )
    if device.loopback is not None and not device.output:
        checked.report(
            (*path, "loopback"),
            f"device {shown(name)} has no output that a loop could begin at",
            "add 'output', or remove 'loopback'",
        )


def review_control_routes(rig: Checked[RigFile], songs: Iterable[Checked[SongFile]]) -> None:
    """Check that the routes that controls name are anywhere."""
    named = [] if rig.model is None else [(i, c) for i, c in enumerate(rig.model.controls) if c.route]
    if not named or rig.model is None:
        return
    lists = [rig.model.routes]
    for song in songs:
        if song.model is None:
            return
        lists += [song.model.routes, *(section.routes for section in song.model.sections)]
    names = {route_name(entry) for entries in lists for entry in entries if entry is not MISTAKE}
    for index, control in named:
        if control.route is not MISTAKE and control.route not in names:
            rig.report(
                ("controls", index, "route"),
                f"no file has a route {shown(control.route)}",
                partial(choose, control.route or "", sorted(names)),
            )
