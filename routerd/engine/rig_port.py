"""A port that the rig asks for: the system's port that it has found, and how that stands.

On one side lies a feed or a wire of the rig, its end; on the other a port of the system, if one matches.
"""

from __future__ import annotations

from routerd.core.model.rig import Device, Usb
from routerd.core.output.wire import Wire
from routerd.core.routing.input import Feed
from routerd.core.show.compiler import CompiledRig
from routerd.link.messages import Doubt, PortState
from routerd.ports.base import CONNECTED, Condition, InputPort, OutputPort, PortInfo
from routerd.ports.life import Life
from routerd.ports.patterns import match_port, match_rank


class RigPort:
    """What the port keeper has on each feed and wire of the rig. `port` is None while none is open."""

    __slots__ = ("condition", "doubt", "end", "is_output", "life", "pattern", "port", "sound_ns", "usb")

    def __init__(self, end: Feed | Wire, life: Life) -> None:
        self.end = end
        self.life = life
        self.is_output = isinstance(end, Wire)
        self.pattern: str
        self.usb: Usb
        if isinstance(end, Wire):
            self.pattern, self.usb = end.devices[0].output_pattern, end.devices[0].output_usb
        else:
            self.pattern, self.usb = end.device.input_pattern, end.device.input_usb
        self.port: InputPort | OutputPort | None = None
        self.condition: Condition = CONNECTED
        self.sound_ns = 0
        """When its bytes were last known to get through."""
        self.doubt: tuple[str, str] | None = None
        """What is doubtful about its pattern, and what to do."""

    @property
    def devices(self) -> tuple[Device, ...]:
        """The devices on it, at least one."""
        end = self.end
        return end.devices if isinstance(end, Wire) else tuple(input.device for input in end.inputs)

    def rank(self, info: PortInfo) -> int | None:
        """Return how well a port matches (see `match_rank`)."""
        return match_rank(self.pattern, info, self.usb)

    def better(self, free: list[PortInfo]) -> PortInfo | None:
        """Return a free port that matches better than the one it has, which only stood in for it."""
        if self.port is None:
            return None
        best = match_port(self.pattern, free, self.usb)
        has, could_have = self.rank(self.port.info), None if best is None else self.rank(best)
        return best if has is not None and could_have is not None and could_have < has else None

    def close(self) -> None:
        """Close the port that it has, if it has one."""
        port, self.port, self.condition = self.port, None, CONNECTED
        if port is not None:
            port.close()

    def state(self) -> list[PortState]:
        """Return how it stands, for each of its devices."""
        life = self.life
        return [
            PortState(
                device=device.name,
                direction="output" if self.is_output else "input",
                pattern=_wanted_text(self.pattern, self.usb),
                port=None if self.port is None else self.port.info.name,
                state=life.state.value,
                error=life.error or None,
                since_ns=life.since_ns,
                doubt=self.doubt and Doubt(*self.doubt),
            )
            for device in self.devices
        ]


def ends(compiled: CompiledRig) -> list[Feed | Wire]:
    """Return all that a rig wants ports for."""
    return [*compiled.feeds, *compiled.wires]


def _wanted_text(pattern: str, usb: Usb) -> str:
    """Return what the rig asks for, as one line for people."""
    words = [pattern]
    if usb.serial:
        words.append(f"serial {usb.serial}")
    if usb.path:
        words.append(f"usb-path {usb.path}")
    return ", ".join(words)
