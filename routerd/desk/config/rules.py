"""What must be true across the values of a file: of one entry, of a list, of a song and its sections.

Each function adds problems to the file it is given and returns nothing else but what the next
needs. An entry in which a value was already wrong is left alone, so nothing is told twice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from routerd.core import messages
from routerd.core.model import Action, Control
from routerd.desk.config.check import Checked
from routerd.desk.config.entries import ControlEntry, DeviceEntry, PatchEntry, RigFile, RouteEntry, SongFile
from routerd.desk.config.problems import MISTAKE, choose, shown
from routerd.desk.config.text import Path

MOST_SYSEX_BYTES = 1024 * 1024


@dataclass(frozen=True, slots=True)
class RouteNames:
    """The names of inherited routes; not `complete` when some name could not be read."""

    names: frozenset[str] = frozenset()
    complete: bool = True


def route_name(entry: RouteEntry) -> str:
    """Return the name of a route, given or by default."""
    return entry.name if entry.name is not None else f"{entry.source} to {entry.target}"


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
    _review_patches(checked, ("patches",), song.patches)
    first: dict[str, int] = {}
    for index, section in enumerate(song.sections):
        path: Path = ("sections", index)
        review_routes(checked, (*path, "routes"), section.routes, names)
        _review_patches(checked, (*path, "patches"), section.patches)
        if section.name is not MISTAKE:
            _review_twice(checked, first, (*path, "name"), section.name, "section")
    patches = [*song.patches, *(patch for section in song.sections for patch in section.patches)]
    size = sum(len(m) for patch in patches for dump in patch.sysex if dump is not MISTAKE for m in dump)
    if size > MOST_SYSEX_BYTES:
        checked.report((), f"the song sends {size} bytes of SysEx", f"keep it under {MOST_SYSEX_BYTES}")


def review_routes(
    checked: Checked[Any], path: Path, entries: Sequence[RouteEntry], inherited: RouteNames
) -> RouteNames:
    """Check a list of routes against what it inherits; return the names it passes on."""
    names = set(inherited.names)
    complete = inherited.complete and checked.is_sound(path)
    first: dict[str, int] = {}
    for index, entry in enumerate(entries):
        here = (*path, index)
        if MISTAKE in (entry.name, entry.source, entry.target):
            continue
        if entry.name is None and None in (entry.source, entry.target):
            _review_route(checked, here, entry)
            continue
        name = route_name(entry)
        _review_twice(checked, first, (*here, "name"), name, "route")
        if not entry.off:
            names.add(name)
        elif name in names:
            names.discard(name)
        elif inherited.complete and entry.name is not None:
            checked.report(
                (*here, "name"),
                f"there is no route {shown(name)} to switch off here",
                partial(choose, name, sorted(inherited.names)),
            )
        _review_route(checked, here, entry)
    return RouteNames(frozenset(names), complete)


def _review_twice(checked: Checked[Any], first: dict[str, int], path: Path, name: str, kind: str) -> None:
    line = checked.document.line(path)
    if name in first:
        checked.report(
            path,
            f"{kind} {shown(name)} is already in line {first[name]}",
            f"give each {kind} of a list a 'name' of its own",
        )
    first.setdefault(name, line)


def _review_route(checked: Checked[Any], path: Path, entry: RouteEntry) -> None:
    if not checked.is_sound(path):
        return
    if entry.off:
        others = sorted(entry.model_fields_set - {"name", "off"})
        if entry.name is None:
            checked.report((*path, "off"), "'off' needs the name of a route", "add 'name: …' beside it")
        elif others:
            checked.report(
                (*path, "off"),
                "a route that is switched off takes no key but 'name'",
                "remove the other keys, or 'off'",
            )
        return
    for key, value in (("from", entry.source), ("to", entry.target)):
        if value is None:
            checked.report(path, f"the route has no '{key}'", f"add '{key}:' and the name of a device")
    if entry.source is not None and entry.source == entry.target:
        checked.report(
            (*path, "to"),
            f"the route leads from {shown(entry.source)} to itself",
            "name another device; a loop would never fall silent",
        )
    if entry.kinds is not None and not entry.kinds:
        checked.report((*path, "pass"), "'pass' is empty", "list what to let through, such as notes")
    low, high = entry.notes or (0, 127)
    if high + entry.transpose < 0 or low + entry.transpose > 127:
        checked.report(
            (*path, "transpose"),
            f"transpose {entry.transpose} moves every note of the range outside 0 to 127",
            "choose a smaller transpose or another range",
        )
    if entry.velocity is not None and (entry.velocity.fixed is None) == (entry.velocity.most is None):
        checked.report((*path, "velocity"), "velocity takes one of its two keys", "write 'fixed' or 'most'")


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


def _review_argument(checked: Checked[RigFile], path: Path, entry: ControlEntry) -> None:
    for action, number in ((Action.SECTION, entry.section), (Action.SONG, entry.song)):
        if entry.do is action and number is None:
            checked.report((*path, "do"), f"'do: {action}' does not say which", f"add '{action}: 1'")
        elif entry.do is not action and number is not None:
            checked.report(
                (*path, action.value),
                f"'{action}' has no meaning with 'do: {entry.do}'",
                f"write 'do: {action}', or remove it",
            )
