"""Which ports a rig's patterns find, and what is doubtful about it: none, several, or routerd's own.

Used by whoever keeps ports open and by `routerd check`, so that both say the same.
"""

from __future__ import annotations

import fnmatch
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import NamedTuple

from routerd.core.model.rig import ANY_USB, Device, Usb, port_in, port_out, sharing
from routerd.ports.base import CLIENT_NAME, PortInfo

_NUMBER = re.compile(r"\d+")


def match_port(pattern: str, ports: list[PortInfo], usb: Usb = ANY_USB) -> PortInfo | None:
    """Return the port that matches best, see `matching`."""
    return next(iter(matching(pattern, ports, usb)), None)


def matching(pattern: str, ports: Iterable[PortInfo], usb: Usb = ANY_USB) -> list[PortInfo]:
    """Return the ports whose names match the shell pattern, upper and lower case alike, the best first.

    Only ports of the USB device that `usb` names are considered. An exact name wins over a pattern, so that
    a name with brackets in it still finds its port. A name of which wildcards stand for less is better, so
    that `Box A*` finds "Box A" beside "Box A spare"; among equals the first is.
    """
    ranked = [(rank, port) for port in ports if (rank := match_rank(pattern, port, usb)) is not None]
    ranked.sort(key=lambda one: one[0])
    exact = [port for rank, port in ranked if rank == 0]
    return exact or [port for _, port in ranked]


def match_rank(pattern: str, port: PortInfo, usb: Usb = ANY_USB) -> int | None:
    """Return how well a port matches, the less the better; None for not at all."""
    if usb.serial not in ("", port.serial) or usb.path not in ("", port.usb_path):
        return None
    name, wanted = port.name.casefold(), pattern.casefold()
    if name == wanted:
        return 0
    # a number counts for one character: how many digits it has means nothing
    return len(_NUMBER.sub("0", name)) if fnmatch.fnmatchcase(name, wanted) else None


class Doubt(NamedTuple):
    """What is doubtful about a pattern, for people, and what to do.

    `kind` is "none" (no port matches), "taken" (one that matches is another device's), "own" (it names
    routerd's own ports) or "several".
    """

    kind: str
    text: str
    remedy: str


def doubt_of(
    pattern: str, usb: Usb, listed: Iterable[PortInfo], taken: Mapping[PortInfo, str]
) -> Doubt | None:
    """Return what is doubtful about a pattern, None where it finds one port.

    `taken` are ports that other devices have, and the names of these.
    """
    found = matching(pattern, listed, usb)
    free = [port for port in found if port not in taken]
    if len(free) == 1:
        return None
    if free:
        names = [repr(port.name) for port in free]
        both = f"{', '.join(names[:-1])} and {names[-1]}"
        text = f"{pattern!r} matches {len(free)} ports, {both}: the first is opened"
        return Doubt("several", text, _which(free))
    if found:
        return Doubt(
            "taken",
            f"{found[0].name!r} matches {pattern!r}, but is the port of {taken[found[0]]} already",
            "write it in the same words at both devices, and they share it, or name another port here",
        )
    if pattern.casefold().lstrip("*?").startswith(CLIENT_NAME):
        return Doubt(
            "own",
            f"{pattern!r} matches ports of routerd itself only, which are left out",
            "name the port of a device or of another program; routerd ports lists them",
        )
    return Doubt(
        "none",
        f"no port matches {pattern!r}",
        "plug it in, switch it on or start the program; routerd ports lists what there is",
    )


def _which(ports: Sequence[PortInfo]) -> str:
    """Return how to say which of these ports is meant."""
    if len({port.name for port in ports}) == len(ports):
        return "write the whole name of the one that is meant"
    if len({(port.serial, port.usb_path) for port in ports}) == len(ports):
        return "say which USB device is meant by its serial or usb-path; routerd ports prints both"
    return "rename or unplug one: a name cannot tell them apart"


def vagueness(pattern: str, usb: Usb) -> tuple[bool, bool]:
    """Return what ports are opened in the order of: who wants a certain USB device, or a port of a certain
    name, comes before who would also take another."""
    return usb == ANY_USB, any(sign in pattern for sign in "*?[")


class Wish(NamedTuple):
    """What one port of a rig is looked for by, and the devices on it."""

    devices: tuple[str, ...]
    is_output: bool
    pattern: str
    usb: Usb


def wishes(devices: Sequence[Device]) -> list[Wish]:
    """Return what the ports of these devices are looked for by, in the order of the rig."""
    found = []
    for group in sharing(devices, port_in):
        names = tuple(device.name for device in group)
        found.append(Wish(names, False, group[0].input_pattern, group[0].input_usb))
    for group in sharing(devices, port_out):
        names = tuple(device.name for device in group)
        found.append(Wish(names, True, group[0].output_pattern, group[0].output_usb))
    return found


def doubts(
    devices: Sequence[Device], inputs: Sequence[PortInfo], outputs: Sequence[PortInfo]
) -> Iterator[tuple[Wish, Doubt]]:
    """Yield what would be doubtful, were these ports opened for these devices now."""
    listed = {False: inputs, True: outputs}
    taken: dict[bool, dict[PortInfo, str]] = {False: {}, True: {}}
    every = wishes(devices)
    for wish in sorted(every, key=lambda wish: vagueness(wish.pattern, wish.usb)):
        for port in matching(wish.pattern, listed[wish.is_output], wish.usb):
            if port not in taken[wish.is_output]:
                taken[wish.is_output][port] = wish.devices[0]
                break
    for wish in every:
        others = {p: name for p, name in taken[wish.is_output].items() if name != wish.devices[0]}
        doubt = doubt_of(wish.pattern, wish.usb, listed[wish.is_output], others)
        if doubt is not None:
            yield wish, doubt
