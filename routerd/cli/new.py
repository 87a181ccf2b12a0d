"""`routerd new`: a rig folder from the ports that are there; with `--learn` also its foot switch.

What goes into the files is worked out from the lists of ports alone (`paired`, `rig_text`). What no list
says, above all the kind of wire, is a guess and marked as one.
"""

from __future__ import annotations

import json
import queue
import re
import select
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from routerd import storage
from routerd.core.errors import PortError
from routerd.core.show.panel import is_press
from routerd.ports import open_system, pattern_of
from routerd.ports.base import PortInfo, PortSystem
from routerd.printing import complain, counted, say, visible
from routerd.server.status import message_as_written

LEARNT = ("next", "previous", "panic")
"""What `--learn` asks a switch for."""

LEARN_S = 30.0
"""How long it waits for each."""

_SONG = """\
# yaml-language-server: $schema=../schemas/song.schema.json
title: First Song
tempo: 120
# Routes say who hears whom. Turn levels down, take the # away, and put in your own names:
#routes:
#  - {{from: {source}, to: {target}, channel: 1}}
#patches:
#  - {{device: {target}, channel: 1, program: 1}}
"""
_SET = """\
# yaml-language-server: $schema=../schemas/set.schema.json
name: First set
order: [first-song]
"""


@dataclass(frozen=True, slots=True)
class Found:
    """One device for rig.yaml: its name there, and the ports that it has on this machine."""

    name: str
    input: PortInfo | None
    output: PortInfo | None
    twins: bool = False
    """Whether other ports have the same name, so that the USB device has to be named as well."""


@dataclass(frozen=True, slots=True)
class Heard:
    """A switch: which device sent which message."""

    device: str
    message: bytes


def make_folder(target: Path, kind: str | None, *, learn: bool) -> int:
    """Write a new rig folder; return 0: written, 2: not, as the folder is not empty or there are no ports."""
    try:
        if target.exists() and (not target.is_dir() or any(target.iterdir())):
            complain(f"routerd: {target} exists already and is not empty; give a new folder")
            return 2
        system = open_system(kind)
        try:
            found = paired(system.inputs(), system.outputs())
            if not found:
                complain("routerd: there are no ports to begin with; switch a device on, or start a program")
                return 2
            switches = _learn(system, found) if learn else {}
        finally:
            system.close()
        _write(target, found, switches)
    except PortError as error:
        complain(f"routerd: no rig folder was made: {error}")
        return 2
    except OSError as error:
        complain(f"routerd: the rig folder is not complete: {error}")
        return 2
    devices = counted(len(found), "device")
    say(f"{target} is made, with {devices}. Check what rig.yaml marks as guessed.")
    say(f"Then: routerd check {target}; routerd run {target}")
    return 0


def paired(inputs: Sequence[PortInfo], outputs: Sequence[PortInfo]) -> list[Found]:
    """Return one device for each input and output that belong together, and for each that stands alone.

    Ports belong together that have the same name and USB device, else those of one program or box
    (`NAME:...`) that has one of each.
    """
    left = list(outputs)
    pairs: list[tuple[PortInfo | None, PortInfo | None]] = []
    for one in inputs:
        partner = next((other for other in left if _key(other) == _key(one)), None)
        if partner is None:
            mine = [other for other in inputs if _client(other) == _client(one)]
            theirs = [other for other in left if _client(other) == _client(one)]
            partner = theirs[0] if len(mine) == len(theirs) == 1 else None
        if partner is not None:
            left.remove(partner)
        pairs.append((one, partner))
    pairs += [(None, one) for one in left]
    names = list(_names([next(port for port in pair if port is not None) for pair in pairs]))
    counts = (Counter(port.name for port in inputs), Counter(port.name for port in outputs))
    return [
        Found(
            name,
            one,
            other,
            twins=(one is not None and counts[0][one.name] > 1)
            or (other is not None and counts[1][other.name] > 1),
        )
        for name, (one, other) in zip(names, pairs, strict=True)
    ]


def _key(port: PortInfo) -> tuple[str, str, str]:
    return port.name, port.serial, port.usb_path


def _client(port: PortInfo) -> str:
    return port.name.partition(":")[0]


def _names(ports: Sequence[PortInfo]) -> Iterator[str]:
    """Yield a name for each device: its box's where that has no other, else the whole port's; none twice."""
    clients = Counter(_client(port) for port in ports)
    used: Counter[str] = Counter()
    for port in ports:
        alone = clients[_client(port)] == 1
        words = _client(port) if alone else port.name.rpartition(":")[2]
        name = re.sub(r"[^a-z0-9]+", "-", pattern_of(words).casefold()).strip("-") or "device"
        used[name] += 1
        yield name if used[name] == 1 else f"{name}-{used[name]}"


def rig_text(found: Iterable[Found], switches: dict[str, Heard]) -> str:
    """Return rig.yaml for these devices, and these switches by what they do."""
    lines = [
        "# yaml-language-server: $schema=schemas/rig.schema.json",
        "# (an editor with such a server reads them: routerd check DIR --schemas DIR/schemas)",
        "# Made from the ports that were there. `*` in a name stands for anything.",
        "# The wire is guessed: write din where a five-pin plug carries it, usb, or virtual for a program.",
        "# What has a sequencer gets `clock: true`, and `transport: true` for start and stop as well.",
        "# Recipes: configs/GUIDE.md; every key: configs/README.md.",
        "name: New rig",
        "devices:",
    ]
    for device in found:
        fields = []
        for key, port in (("input", device.input), ("output", device.output)):
            if port is not None:
                fields.append(f"{key}: {_pattern(port, twins=device.twins)}")
        wire = (
            "usb" if any(p and (p.serial or p.usb_path) for p in (device.input, device.output)) else "virtual"
        )
        lines.append(f"  {device.name}: {{{', '.join(fields)}, wire: {wire}}}  # wire: guessed")
    if switches:
        lines.append("controls:")
        for action, heard in switches.items():
            lines.append(f"  - {{from: {heard.device}, {message_as_written(heard.message)}, do: {action}}}")
    return "\n".join(lines) + "\n"


def _pattern(port: PortInfo, *, twins: bool) -> str:
    name = "".join(one if one.isprintable() else "?" for one in pattern_of(port.name))
    pattern = json.dumps(name, ensure_ascii=False)
    if twins and port.serial:
        return f"{{name: {pattern}, serial: {json.dumps(port.serial)}}}"
    if twins and port.usb_path:
        return f"{{name: {pattern}, usb-path: {json.dumps(port.usb_path)}}}"
    return pattern


def _write(target: Path, found: list[Found], switches: dict[str, Heard]) -> None:
    """Put the files in place; raises OSError. Nothing that is there is overwritten."""
    feet = {heard.device for heard in switches.values()}
    players = [one.name for one in found if one.input is not None and one.name not in feet]
    source = next((name for name in players if "key" in name), players[0] if players else "keys")
    sounding = [one.name for one in found if one.output is not None]
    goal = next((name for name in sounding if name != source), sounding[0] if sounding else "synth")
    files = {
        "songs/first-song.yaml": _SONG.format(source=source, target=goal),
        "sets/first-set.yaml": _SET,
        "rig.yaml": rig_text(found, switches),
    }
    for name, text in files.items():
        path = target / name
        path.parent.mkdir(parents=True, exist_ok=True)
        storage.put(path, text.encode(), inside=target, replace=False)


def _learn(system: PortSystem, found: Iterable[Found]) -> dict[str, Heard]:
    """Ask for a switch for each of LEARNT and return what was pressed; raises PortError."""
    heard: queue.SimpleQueue[Heard] = queue.SimpleQueue()

    def hears(device: str) -> Callable[[bytes, int], None]:
        return lambda data, _at_ns: heard.put(Heard(device, data))

    opened = [
        system.open_input(one.input, hears(one.name), one.name) for one in found if one.input is not None
    ]
    try:
        switches: dict[str, Heard] = {}
        for action in LEARNT:
            say(f"Press the switch for {action} (Enter: none; {LEARN_S:.0f} s)")
            press = _next_press(heard, set(switches.values()))
            if press is None:
                say(f"  no switch for {action}")
            else:
                switches[action] = press
                say(f"  {visible(press.device)}: {message_as_written(press.message)}")
        return switches
    finally:
        for port in opened:
            port.close()


def _next_press(heard: queue.SimpleQueue[Heard], known: set[Heard]) -> Heard | None:
    """Return the next press that is not one of `known`; None after LEARN_S, or at Enter."""
    end_s = time.monotonic() + LEARN_S
    while (left_s := end_s - time.monotonic()) > 0:
        try:
            press = heard.get(timeout=min(0.1, left_s))
        except queue.Empty:
            if sys.stdin is not None and sys.stdin.isatty() and select.select([sys.stdin], [], [], 0)[0]:
                sys.stdin.readline()
                return None
            continue
        same = {(one.device, one.message[:2]) for one in known}
        if is_press(press.message) and (press.device, press.message[:2]) not in same:
            return press
    return None
