"""What is meant by the ups and downs of a switch: a press, a long one, a double one, or bounce.

A switch that means one thing only is answered at once, when it goes down. One with a long meaning is
answered when it comes up early enough or has been down for long; one with a double meaning waits for the
second press. Down again within the guard time is bounce or a slip of the foot: it is not heard, and the
guard time begins anew; up within it counts only if it lasts. Whatever a switch means by the time it comes
up, it is answered as it was meant when it went down.

Contacts bounce for milliseconds when they close and when they open. An edge less than SETTLE_NS behind
another is bounce, however many there are; a foot cannot lift and press again in that time. A switch that
goes on bouncing for longer than contacts do, or is pressed more often than a foot can mean it, chatters:
its cable or contact is broken. Then nothing of it is heard until it has been quiet for QUIET_NS. Actions
that only end things are heard all the same.

House choices. From memory: contacts of ordinary switches bounce for up to some 10 ms, and a foot taps at
most four to five times a second. Fast taps and nudges are meant.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Hashable
from dataclasses import dataclass
from enum import Enum, auto
from typing import TYPE_CHECKING

from routerd.core.midi.messages import CONTROLLER, PROGRAM
from routerd.core.model.actions import ACTIONS
from routerd.core.model.controls import SwitchKey, Turn
from routerd.core.model.snapshot import ChatteringSwitch
from routerd.core.units import NEVER_NS, NS_PER_MS, NS_PER_S

if TYPE_CHECKING:
    from routerd.core.model.controls import Control, Switch


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


class _Phase(Enum):
    DOWN = auto()  # held, not yet answered
    AGAIN = auto()  # released, may be pressed a second time
    DONE = auto()  # answered


@dataclass(slots=True)
class _State:
    switch: Switch
    phase: _Phase
    down_ns: int
    guarded_ns: int
    """Until then it is not heard again."""
    due_ns: int = NEVER_NS
    up_due_ns: int = NEVER_NS
    """When a release within the guard time is to be believed."""


class Presses:
    """Reads all switches of a rig. What is to be done is returned; `next_due_ns` is when to ask `due`.

    `news` are switches that have begun to chatter (True) or are quiet again (False), for the caller to take.
    """

    def __init__(self) -> None:
        self.next_due_ns = NEVER_NS
        self.news: list[tuple[SwitchKey, bool]] = []
        self._states: dict[SwitchKey, _State] = {}
        self._contacts: dict[SwitchKey, Contact] = {}

    @property
    def chattering(self) -> list[SwitchKey]:
        """The switches that chatter."""
        return [key for key, contact in self._contacts.items() if contact.chatters]

    @property
    def chattering_switches(self) -> tuple[ChatteringSwitch, ...]:
        """The switches that chatter, as a snapshot shows them."""
        return tuple(
            ChatteringSwitch(device, described(what), contact.held_back)
            for (device, what), contact in self._contacts.items()
            if contact.chatters
        )

    def turn(self, turn: Turn, now_ns: int) -> list[Control]:
        """Take one edge of a switch; return what is meant by it, most often nothing or one control."""
        out = self.due(now_ns)
        contact = self._contacts.get(turn.key)
        if contact is None:
            contact = self._contacts[turn.key] = Contact()
        chattered = contact.chatters
        settled = contact.edge(turn.switch, turn.down, now_ns)
        state = self._states.get(turn.key)
        if contact.chatters and not chattered:
            self.news.append((turn.key, True))
        if contact.held_back:
            if state is not None:
                state.phase, state.due_ns, state.up_due_ns = _Phase.DONE, NEVER_NS, NEVER_NS
            self._plan()
            return out
        control = None
        if not turn.down:
            control = self._up(turn.key, now_ns)
        elif settled:
            control = self._down(turn, now_ns)
        elif state is not None:
            state.up_due_ns = NEVER_NS  # a release that was to be believed was none either
        state = self._states.get(turn.key)
        if turn.momentary and state is not None and state.phase is _Phase.DOWN:
            control = self._release(state, now_ns)
        self._plan()
        return out if control is None else [*out, control]

    def due(self, now_ns: int) -> list[Control]:
        """Return what time alone has decided by `now_ns`."""
        if now_ns < self.next_due_ns:
            return []
        out: list[Control] = []
        for key, contact in self._contacts.items():
            if contact.chatters and contact.quiet_ns <= now_ns:
                contact.calm()
                self.news.append((key, False))
        for state in self._states.values():
            for at_ns in sorted((state.up_due_ns, state.due_ns)):
                if at_ns > now_ns:
                    continue
                control = self._release(state, at_ns) if at_ns == state.up_due_ns else self._decide(state)
                out += [] if control is None else [control]
        self._plan()
        return out

    def forget(self, device: str) -> None:
        """Forget every switch of a device: it has gone, its releases will not come."""
        self._states = {key: state for key, state in self._states.items() if key[0] != device}
        self.news += [(key, False) for key in self.chattering if key[0] == device]
        self._contacts = {key: contact for key, contact in self._contacts.items() if key[0] != device}
        self._plan()

    def _down(self, turn: Turn, now_ns: int) -> Control | None:
        state, switch = self._states.get(turn.key), turn.switch
        if switch is None:
            return None
        if state is not None and now_ns < state.guarded_ns:
            state.guarded_ns = now_ns + state.switch.debounce_ns
            state.up_due_ns = NEVER_NS
            return None
        guarded_ns = now_ns + switch.debounce_ns
        if state is not None and state.phase is _Phase.AGAIN:
            self._states[turn.key] = _State(state.switch, _Phase.DONE, now_ns, guarded_ns)
            return state.switch.double
        if switch.long is None and switch.double is None:
            self._states[turn.key] = _State(switch, _Phase.DONE, now_ns, guarded_ns)
            return switch.short
        wait_ns = switch.double_ns if switch.long is None else switch.long_ns
        self._states[turn.key] = _State(switch, _Phase.DOWN, now_ns, guarded_ns, now_ns + wait_ns)
        return None

    def _up(self, key: SwitchKey, now_ns: int) -> Control | None:
        state = self._states.get(key)
        if state is None or state.phase is not _Phase.DOWN:
            return None
        guarded_ns = state.down_ns + state.switch.debounce_ns
        if now_ns < guarded_ns:
            state.up_due_ns = guarded_ns
            return None
        return self._release(state, now_ns)

    def _release(self, state: _State, now_ns: int) -> Control | None:
        state.up_due_ns = state.due_ns = NEVER_NS
        if state.phase is not _Phase.DOWN:
            return None
        again_ns = state.down_ns + state.switch.double_ns
        if state.switch.double is None or now_ns >= again_ns:
            state.phase = _Phase.DONE
            return state.switch.short
        state.phase = _Phase.AGAIN
        state.due_ns = again_ns
        return None

    def _decide(self, state: _State) -> Control | None:
        """The time for a second press, or for letting go, is over."""
        state.due_ns = NEVER_NS
        was, state.phase = state.phase, _Phase.DONE
        if was is _Phase.DOWN and state.switch.long is not None:
            return state.switch.long
        return None if was is _Phase.DONE else state.switch.short

    def _plan(self) -> None:
        dues = [min(state.due_ns, state.up_due_ns) for state in self._states.values()]
        dues += [contact.quiet_ns for contact in self._contacts.values() if contact.chatters]
        self.next_due_ns = min(dues, default=NEVER_NS)
