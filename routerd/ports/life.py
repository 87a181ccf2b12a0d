"""The life of a port: its states, what moves it from one to another, and when it may be tried again.

Everything that changes a port's state is in `TABLE`; whoever keeps ports open (`routerd.engine.port_keeper`)
reports what it has seen, and the table says what that makes of the port. "Open" means that bytes get
through: it is the only state in which the engine sends to a port. DEVELOPERS.md draws the table.
"""

from __future__ import annotations

from collections import deque
from enum import StrEnum

from routerd.core.units import NS_PER_S

RETRY_NS = 2 * NS_PER_S
"""A port that refused is tried again so long after it was tried last: at once if it was open for longer."""

QUARREL_COUNT = 3
QUARREL_NS = 10 * NS_PER_S
"""A port that is disconnected so often within so long is contested, and tried again only after as long."""


class State(StrEnum):
    """Where a port stands, in the words of the status."""

    OPENING = "opening"
    """Being opened, or not looked for yet."""
    OPEN = "open"
    """Bytes get through."""
    MISSING = "missing"
    """No port matches."""
    FAILED = "failed"
    """The system refused to open it, or refused a message."""
    DISCONNECTED = "disconnected"
    """Another program has taken the connection away."""
    STALLED = "stalled"
    """The server or the receiver stands still."""
    CONTESTED = "contested"
    """Disconnected QUARREL_COUNT times within QUARREL_NS: two programs quarrel over it."""


class Seen(StrEnum):
    """What can be seen of a port."""

    FOUND = "found"
    """A port matches; it is going to be opened."""
    ABSENT = "absent"
    """No port matches, or the one that did has left."""
    OPENED = "opened"
    REFUSED = "refused"
    UNREACHABLE = "unreachable"
    """The port system itself cannot be asked."""
    DISCONNECTED = "disconnected"
    """Its connection is no longer there though both ports are."""
    STANDSTILL = "standstill"
    """What is handed over is not taken on."""
    QUARREL = "quarrel"
    """Disconnected once too often; made of DISCONNECTED here, never reported."""


_LOST = {
    Seen.ABSENT: State.MISSING,
    Seen.REFUSED: State.FAILED,
    Seen.UNREACHABLE: State.FAILED,
    Seen.STANDSTILL: State.STALLED,
}
_DISCONNECTED = {Seen.DISCONNECTED: State.DISCONNECTED, Seen.QUARREL: State.CONTESTED}
_TRY = {Seen.FOUND: State.OPENING}

TABLE: dict[State, dict[Seen, State]] = {
    State.OPENING: {**_LOST, **_TRY, Seen.OPENED: State.OPEN},
    State.OPEN: {**_LOST, **_DISCONNECTED},
    State.STALLED: {**_LOST, **_DISCONNECTED, **_TRY},
    State.MISSING: {**_LOST, **_TRY},
    State.FAILED: {**_LOST, **_TRY},
    State.DISCONNECTED: {**_LOST, **_TRY},
    State.CONTESTED: {**_LOST, **_TRY},
}
"""From each state, what is seen, to the next state. What is not here cannot be, and raises."""


class Life:
    """One port's state. `since_ns` is when it began, `error` why the port is not open, if known."""

    __slots__ = ("_disconnected_ns", "_tried_ns", "error", "since_ns", "state")

    def __init__(self, now_ns: int) -> None:
        self.state = State.OPENING
        self.since_ns = now_ns
        self.error = ""
        self._tried_ns = now_ns - RETRY_NS
        self._disconnected_ns: deque[int] = deque(maxlen=QUARREL_COUNT)

    def see(self, seen: Seen, now_ns: int, why: str = "") -> bool:
        """Take what has been seen of the port; return whether state or error is another now.

        Raises ValueError, and changes nothing, for what cannot be seen in this state.
        """
        if seen is Seen.DISCONNECTED:
            seen, why = self._disconnected(now_ns, why)
        next_state = TABLE[self.state].get(seen)
        if next_state is None:
            raise ValueError(f"a port that is {self.state} cannot be {seen}")
        if seen is Seen.FOUND:
            self._tried_ns = now_ns
        elif seen is Seen.UNREACHABLE:  # that is not the port's fault: it is tried as soon as there are ports
            self._tried_ns = now_ns - RETRY_NS
        if (next_state, why) == (self.state, self.error):
            return False
        if next_state is not self.state:
            self.since_ns = now_ns
        self.state, self.error = next_state, why
        return True

    def _disconnected(self, now_ns: int, why: str) -> tuple[Seen, str]:
        times = self._disconnected_ns
        times.append(now_ns)
        if len(times) < QUARREL_COUNT or now_ns - times[0] > QUARREL_NS:
            return Seen.DISCONNECTED, why
        times.clear()
        return Seen.QUARREL, (
            f"{why}, {QUARREL_COUNT} times within {QUARREL_NS // NS_PER_S} s; tried again every"
            f" {QUARREL_NS // NS_PER_S} s"
        )

    def is_due(self, now_ns: int) -> bool:
        """Return whether it is time to try it again though nothing has been announced."""
        if self.state is State.STALLED:
            return now_ns >= max(self.since_ns, self._tried_ns) + RETRY_NS
        return self.state in (State.FAILED, State.CONTESTED) and now_ns >= self.next_try_ns()

    def next_try_ns(self) -> int:
        """Return from when on the port may be opened (again), should one match."""
        if self.state is State.FAILED:
            return self._tried_ns + RETRY_NS
        if self.state is State.CONTESTED:
            return self.since_ns + QUARREL_NS
        return self.since_ns
