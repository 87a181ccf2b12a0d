"""What the port keeper has on each feed and wire of the rig: the port that is open, and how it stands."""

from __future__ import annotations

from typing import Any

from routerd.core.model.rig import Device, Usb
from routerd.core.output.wire import Wire
from routerd.core.routing.feed import Feed
from routerd.core.show.compiler import CompiledBook
from routerd.ports.base import CONNECTED, Condition, PortInfo
from routerd.ports.life import Life
from routerd.ports.patterns import match_rank


class Way:
    """A feed or a wire of the rig, the port that it has, and the life of that."""

    __slots__ = ("condition", "doubt", "is_output", "life", "pattern", "port", "sound_ns", "usb", "way")

    def __init__(self, way: Feed | Wire, life: Life) -> None:
        self.way = way
        self.life = life
        self.is_output = isinstance(way, Wire)
        self.pattern: str
        self.usb: Usb
        if isinstance(way, Wire):
            self.pattern, self.usb = way.devices[0].output_pattern, way.devices[0].output_usb
        else:
            self.pattern, self.usb = way.device.input_pattern, way.device.input_usb
        self.port: Any = None
        self.condition: Condition = CONNECTED
        self.sound_ns = 0
        """When its bytes were last known to get through."""
        self.doubt: tuple[str, str] | None = None
        """What is doubtful about its pattern, and what to do."""

    @property
    def devices(self) -> tuple[Device, ...]:
        """The devices on it, at least one."""
        way = self.way
        return way.devices if isinstance(way, Wire) else tuple(input.device for input in way.inputs)

    def rank(self, info: PortInfo) -> int | None:
        """Return how well a port matches (see `match_rank`)."""
        return match_rank(self.pattern, info, self.usb)

    def plain(self) -> list[dict[str, Any]]:
        """Return it as the link's `ports` has it, for each of its devices."""
        life = self.life
        state = {
            "direction": "output" if self.is_output else "input",
            "pattern": _wanted_text(self.pattern, self.usb),
            "port": None if self.port is None else self.port.info.name,
            "state": life.state.value,
            "error": life.error or None,
            "since_ns": life.since_ns,
            "doubt": self.doubt,
        }
        return [{"device": device.name, **state} for device in self.devices]


def ends(book: CompiledBook) -> list[Feed | Wire]:
    """Return all that a book wants ports for."""
    return [*book.feeds, *book.wires]


def _wanted_text(pattern: str, usb: Usb) -> str:
    """Return what the rig asks for, as one line for people."""
    words = [pattern]
    if usb.serial:
        words.append(f"serial {usb.serial}")
    if usb.path:
        words.append(f"usb-path {usb.path}")
    return ", ".join(words)
