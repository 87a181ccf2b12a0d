"""How a rig names a port: by a pattern alone, or also by the USB device that the port belongs to.

Two devices of one product have the same port names. A serial number stays with the device, whichever
socket it is plugged into; a USB path stays with the socket. The path is the kernel's own name for a socket:
the number of the bus, then the ports on the way there ("1-1.2").
"""

from __future__ import annotations

import re
from typing import Any, NamedTuple

from routerd.core.model.rig import ANY_USB, Usb
from routerd.server.rigfiles.leaf import Leaf, Surroundings, wrong
from routerd.server.rigfiles.problems import choose, shown
from routerd.server.rigfiles.scalars import TITLE

_USB_PATH = re.compile(r"\d{1,3}-\d{1,3}(?:\.\d{1,3}){0,6}")
_KEYS = ("name", "serial", "usb-path")
_REMEDY = "write a name such as 'Lead Synth*', or a group such as '{name: Lead Synth*, serial: AA01}'"
_COPY = "copy it from what 'routerd ports' prints"


class PortChoice(NamedTuple):
    """A port name pattern, and the USB device on which it is looked for."""

    pattern: str = ""
    usb: Usb = ANY_USB


def _read(value: Any, surroundings: Surroundings) -> PortChoice:
    if isinstance(value, list):
        raise wrong("is a list, not a name", _REMEDY)
    if not isinstance(value, dict):
        return PortChoice(TITLE.read(value, surroundings))
    for key in value:
        if key not in _KEYS:
            raise wrong(f"has an unknown key {shown(key)}", choose(str(key), _KEYS))
    if "name" not in value:
        raise wrong("has no 'name'", _REMEDY)
    if len(value) == 1:
        raise wrong(
            "has neither 'serial' nor 'usb-path'", "add one, or write the name alone, without a group"
        )
    path = _text(value, "usb-path", surroundings)
    if path and _USB_PATH.fullmatch(path) is None:
        raise wrong(f"has a usb-path {shown(path)}, which is none", f"write one such as 1-1.2; {_COPY}")
    serial = _text(value, "serial", surroundings)
    return PortChoice(_text(value, "name", surroundings), Usb(serial, path))


def _text(group: dict[str, Any], key: str, surroundings: Surroundings) -> str:
    if key not in group:
        return ""
    value = group[key]
    if not isinstance(value, str | int) or isinstance(value, bool):
        raise wrong(f"has a {key} that is {shown(value)}, not text", _COPY if key != "name" else _REMEDY)
    text: str = TITLE.read(value, surroundings)
    return text


_NAME_SCHEMA = {**TITLE.schema}
_GROUP_SCHEMA = {
    "type": "object",
    "properties": {
        "name": _NAME_SCHEMA,
        "serial": _NAME_SCHEMA,
        "usb-path": {"type": "string", "pattern": f"^{_USB_PATH.pattern}$"},
    },
    "required": ["name"],
    "minProperties": 2,
    "additionalProperties": False,
}
PORT = Leaf(_read, {"anyOf": [_NAME_SCHEMA, _GROUP_SCHEMA]})
