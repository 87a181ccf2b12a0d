"""The contacts of a switch: bounce at either edge, and a switch that is broken.

Contacts bounce for milliseconds when they close and when they open. An edge less than SETTLE_NS behind
another is bounce, however many there are; a foot cannot lift and press again in that time. A switch that
goes on bouncing for longer than contacts do, or is pressed more often than a foot can mean it, chatters:
its cable or contact is broken. Then nothing of it is heard until it has been quiet for QUIET_NS. Actions
that only end things are heard all the same.

House choices. From memory: contacts of ordinary switches bounce for up to some 10 ms, and a foot taps at most
four to five times a second. Fast taps and nudges are meant.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Hashable
from typing import TYPE_CHECKING

from routerd.core.midi.messages import CONTROLLER, PROGRAM
from routerd.core.model.actions import ACTIONS
from routerd.core.units import NEVER_NS, NS_PER_MS, NS_PER_S

if TYPE_CHECKING:
    from routerd.core.model.controls import Switch

SETTLE_NS = 25 * NS_PER_MS
LONGEST_BOUNCE_NS = 200 * NS_PER_MS
QUIET_NS = NS_PER_S

FEW = 5
MANY = 12
"""So many presses in a second are meant: of most switches, and of those whose fast presses are."""


def holds_back(switch: Switch | None) -> bool:
    """Return whether a switch is not heard while it chatters."""
    short = None if switch is None else switch.short
    return short is None or not ACTIONS[short.command.action].always_heard


def most_presses(switch: Switch | None) -> int:
    """Return how many presses in a second of that switch are meant."""
    meanings = () if switch is None else (switch.short, switch.long, switch.double)
    rows = [ACTIONS[control.command.action] for control in meanings if control is not None]
    return MANY if any(row.pressed_fast or row.always_heard for row in rows) else FEW


class Contact:
    """One switch's contact. `quiet_ns` is when it will have been quiet for QUIET_NS, while it chatters.

    `held_back` tells whether it is not heard until then.
    """

    __slots__ = ("_edge_ns", "_presses", "_restless_ns", "chatters", "held_back")

    def __init__(self) -> None:
        self.chatters = self.held_back = False
        self._edge_ns = -NEVER_NS
        self._restless_ns = 0
        """Since when edges have followed one another as closely as bounce."""
        self._presses: deque[int] = deque()

    @property
    def quiet_ns(self) -> int:
        """When it has been quiet for long enough, if nothing comes."""
        return self._edge_ns + QUIET_NS

    def edge(self, switch: Switch | None, down: bool, now_ns: int) -> bool:
        """Take an edge; return False when it is bounce."""
        settle_ns = SETTLE_NS if switch is None else min(SETTLE_NS, switch.debounce_ns)
        settled = now_ns - self._edge_ns >= settle_ns
        self._edge_ns = now_ns
        if settled:
            self._restless_ns = now_ns
        elif now_ns - self._restless_ns > LONGEST_BOUNCE_NS:
            self.chatters = True
        if settled and down:
            presses = self._presses
            presses.append(now_ns)
            while now_ns - presses[0] >= NS_PER_S:
                presses.popleft()
            if len(presses) > most_presses(switch):
                self.chatters = True
        self.held_back = self.chatters and holds_back(switch)
        return settled

    def calm(self) -> None:
        """It has been quiet: it is heard again."""
        self.chatters = self.held_back = False
        self._presses.clear()


def described(what: Hashable) -> str:
    """Return what tells a switch from the others of its device, in words; see `Input` for its forms."""
    if isinstance(what, bytes):
        return f"message {what.hex(' ').upper()}"
    if not isinstance(what, int):
        return str(what)
    kind, channel, number = what >> 7 & 0xF0, (what >> 7 & 0x0F) + 1, what & 0x7F
    if kind == PROGRAM:
        return f"program {number + 1} on channel {channel}"
    return f"{'controller' if kind == CONTROLLER else 'note'} {number} on channel {channel}"
