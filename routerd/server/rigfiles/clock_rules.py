"""Routes against the rig: a device that gets the clock from routerd must not get another's by a route.

Two clocks on one wire are one of twice the tempo to who receives them (24 ticks to the quarter, M1 p. 30);
two sources of transport or of time code send a sequencer back and forth.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from routerd.core.midi.messages import Kind
from routerd.server.rigfiles.check import Checked
from routerd.server.rigfiles.entries import DeviceEntry, RigFile, SongFile
from routerd.server.rigfiles.problems import MISTAKE, shown
from routerd.server.rigfiles.route_entries import RouteEntry
from routerd.server.rigfiles.text import Path


def review_clocked_routes(rig: Checked[RigFile], songs: Iterable[Checked[SongFile]]) -> None:
    """Check the routes of every file that let a kind of time through."""
    if rig.model is None:
        return
    given = {name: _given(device) for name, device in rig.model.devices.items() if device is not MISTAKE}
    files: list[Checked[Any]] = [rig, *songs]
    for checked in files:
        for path, entry in routes_of(checked):
            if not checked.is_sound(path) or entry.off:
                continue
            for kind in entry.kinds or ():
                key = given.get(entry.target or "", {}).get(kind)
                if key is not None and kind not in (entry.block or ()):
                    checked.report(
                        (*path, "pass"),
                        f"{shown(entry.target)} would get {kind.value} twice: it has '{key}' in rig.yaml",
                        f"take {kind.value} out of 'pass', or '{key}' from the device",
                    )


def _given(device: DeviceEntry) -> dict[Kind, str]:
    """Return the kinds that a device gets from routerd itself, and the key that says so."""
    given: dict[Kind, str] = {}
    if device.clock is True:
        given[Kind.CLOCK] = "clock"
    if device.transport is True:
        given |= {Kind.TRANSPORT: "transport", Kind.SONG_POSITION: "transport"}
    if device.timing is not None and device.timing is not MISTAKE and device.timing.mtc is not None:
        given[Kind.MTC] = "mtc"
    return given


def routes_of(checked: Checked[Any]) -> Iterator[tuple[Path, RouteEntry]]:
    """Yield the routes of a file and where each is."""
    model = checked.model
    if model is None:
        return
    lists: list[tuple[Path, list[RouteEntry]]] = [(("routes",), model.routes)]
    if isinstance(model, SongFile):
        lists += [
            (("sections", index, "routes"), section.routes)
            for index, section in enumerate(model.sections)
            if section is not MISTAKE
        ]
    for path, entries in lists:
        yield from (((*path, index), entry) for index, entry in enumerate(entries) if entry is not MISTAKE)
