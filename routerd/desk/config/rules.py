"""What must be true across the values of a file: of one entry, of a list, of a song and its sections.

Each function adds problems to the file it is given and returns nothing else but what the next
needs. An entry in which a value was already wrong is left alone, so nothing is told twice.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import partial
from typing import Any

from routerd.core import messages
from routerd.core.model import Action, Control
from routerd.core.mutes import DEVICE, ROUTE
from routerd.desk.config.check import Checked
from routerd.desk.config.entries import ControlEntry, DeviceEntry, PatchEntry, RigFile, SongFile
from routerd.desk.config.problems import MISTAKE, choose, shown
from routerd.desk.config.route_resolve import root_of, route_name
from routerd.desk.config.route_rules import RouteNames, review_routes, review_twice
from routerd.desk.config.text import Path

MOST_SYSEX_BYTES = 1024 * 1024


def control_of(entry: ControlEntry) -> Control:
    """Return the control that an entry means."""
    status, number = next(
        (status, number)
        for status, number in (
            (messages.NOTE_ON, entry.note),
            (messages.CONTROLLER, entry.controller),
            (messages.PROGRAM, entry.program),
        )
        if number is not None
    )
    return Control(
        device=entry.source,
        status=status,
        number=number,
        action=entry.do,
        channel=-1 if entry.channel is None else entry.channel,
        argument=entry.section or entry.song or 0,
        subject=DEVICE + entry.device if entry.device else ROUTE + entry.route if entry.route else "",
    )


def review_rig(checked: Checked[RigFile]) -> RouteNames:
    """Check devices, controls and shared routes; return the names that songs inherit."""
    rig = checked.model
    if rig is None:
        return RouteNames(complete=False)
    if not rig.devices and checked.is_sound(("devices",)):
        checked.report(("devices",), "there are no devices", "describe at least one, with an input or output")
    for name, device in rig.devices.items():
        _review_device(checked, ("devices", name), name, device)
    _review_controls(checked, rig.controls)
    return review_routes(checked, ("routes",), rig.routes, RouteNames())


def review_song(checked: Checked[SongFile], inherited: RouteNames) -> None:
    """Check the routes, patches and sections of one song."""
    song = checked.model
    if song is None:
        return
    names = review_routes(checked, ("routes",), song.routes, inherited)
    rootless = set(names.rootless)
    _review_patches(checked, ("patches",), song.patches)
    first: dict[str, int] = {}
    for index, section in enumerate(song.sections):
        path: Path = ("sections", index)
        rootless |= review_routes(checked, (*path, "routes"), section.routes, names).rootless
        _review_patches(checked, (*path, "patches"), section.patches)
        if section.name is not MISTAKE:
            review_twice(checked, first, (*path, "name"), section.name, "section")
    if rootless and song.key is not MISTAKE and root_of(song.key) is None:
        checked.report(
            ("key",) if song.key else (),
            f"the drone of route {shown(min(rootless))} takes its root from the key, which names no note",
            "begin the key with one, such as 'D minor', or give the drone a 'root'",
        )
    patches = [*song.patches, *(patch for section in song.sections for patch in section.patches)]
    size = sum(len(m) for patch in patches for dump in patch.sysex if dump is not MISTAKE for m in dump)
    if size > MOST_SYSEX_BYTES:
        checked.report((), f"the song sends {size} bytes of SysEx", f"keep it under {MOST_SYSEX_BYTES}")


def _review_patches(checked: Checked[Any], path: Path, patches: Sequence[PatchEntry]) -> None:
    for index, patch in enumerate(patches):
        here = (*path, index)
        if not checked.is_sound(here):
            continue
        if not patch.model_fields_set & {"bank", "program", "controllers", "sysex"}:
            checked.report(
                here, "the patch changes nothing", "add a program, bank, controllers or sysex to it"
            )
        if patch.bank is not None and not patch.bank.model_fields_set:
            checked.report((*here, "bank"), "the bank has no number", "write 'msb', 'lsb' or both")


def _review_device(checked: Checked[RigFile], path: Path, name: str, device: DeviceEntry) -> None:
    if not checked.is_sound(path):
        return
    if not device.input and not device.output:
        checked.report(path, f"device {shown(name)} has no port", "add 'input', 'output' or both")
    for key, wanted in (("clock", device.clock), ("transport", device.transport)):
        if wanted and not device.output:
            checked.report(
                (*path, key),
                f"device {shown(name)} has no output to send {key} to",
                f"add 'output', or remove '{key}'",
            )
    if device.loop is not None and not device.output:
        checked.report(
            (*path, "loop"),
            f"device {shown(name)} has no output that a loop could begin at",
            "add 'output', or remove 'loop'",
        )


def _review_controls(checked: Checked[RigFile], entries: Sequence[ControlEntry]) -> None:
    earlier: dict[tuple[str, int, int], dict[int, int]] = {}  # the lines of channels, by message
    for index, entry in enumerate(entries):
        path: Path = ("controls", index)
        if not checked.is_sound(path):
            continue
        kinds = [kind for kind in ("note", "controller", "program") if getattr(entry, kind) is not None]
        if len(kinds) != 1:
            checked.report(
                path,
                f"the control has {' and '.join(kinds)}" if kinds else "the control names no message",
                "write exactly one of note, controller and program",
            )
            continue
        _review_argument(checked, path, entry)
        _review_subject(checked, path, entry)
        control = control_of(entry)
        lines = earlier.setdefault((control.device, control.status, control.number), {})
        taken = [
            lines[channel]
            for channel in lines
            if channel == control.channel or -1 in (channel, control.channel)
        ]
        if taken:
            checked.report(
                path,
                f"the same message of {shown(entry.source)} already has a meaning in line {taken[0]}",
                "choose another message or channel, or remove one of the two",
            )
        lines.setdefault(control.channel, checked.document.line(path))


def _review_subject(checked: Checked[RigFile], path: Path, entry: ControlEntry) -> None:
    given = [key for key in ("device", "route") if getattr(entry, key) is not None]
    if entry.do in (Action.MUTE, Action.SOLO) and len(given) != 1:
        checked.report((*path, "do"), f"'do: {entry.do}' needs a device or a route", "add one of the two")
    elif entry.do not in (Action.MUTE, Action.SOLO) and given:
        checked.report(
            (*path, given[0]),
            f"'{given[0]}' has no meaning with 'do: {entry.do}'",
            "write 'do: mute', or remove it",
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


def _review_argument(checked: Checked[RigFile], path: Path, entry: ControlEntry) -> None:
    for action, number in ((Action.SECTION, entry.section), (Action.SONG, entry.song)):
        if entry.program == -1 and (entry.do not in (Action.SONG, Action.SECTION) or number is not None):
            checked.report((*path, "program"), "any program names a song or section", f"write 'do: {action}'")
            return
        if entry.do is action and number is None and entry.program != -1:
            checked.report((*path, "do"), f"'do: {action}' does not say which", f"add '{action}: 1'")
        elif entry.do is not action and number is not None:
            checked.report(
                (*path, action.value),
                f"'{action}' has no meaning with 'do: {entry.do}'",
                f"write 'do: {action}', or remove it",
            )
