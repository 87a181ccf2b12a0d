"""Transport: the states of start, stop and continue, in one table, and where their bytes may lie.

Rules: Start plays from position 0 and Continue from where it stopped, both from the tick
that follows (M1 pp. 28, 30); Stop holds the position (M1 p. 31); redundant commands are
ignored (M1 pp. 31–32); Start and Continue stand at least 1 ms before the tick that they
start (M1 p. 30). Position counts ticks of the song, the first tick after Start being 0.
"""

from __future__ import annotations

from enum import StrEnum

from routerd.core.midi.messages import CONTINUE_BYTES, START_BYTES, START_LEAD_NS, STOP_BYTES


class State(StrEnum):
    """Where transport is. Starting: the byte waits or is out, its tick is not."""

    STOPPED = "stopped"
    STARTING = "starting"
    RUNNING = "running"


class TempoBy(StrEnum):
    """Who has set the tempo that is in force."""

    SONG = "song"
    HAND = "hand"
    """It holds until the song ends or somebody asks for the song's own."""
    SOURCE = "source"
    """The device that is followed; also when it has fallen silent for good and its tempo is led on in."""


class Command(StrEnum):
    """What can be asked of transport."""

    START = "start"
    CONTINUE = "continue"
    STOP = "stop"
    TICK = "tick"


_TABLE: dict[tuple[State, Command], tuple[State, bytes]] = {
    (State.STOPPED, Command.START): (State.STARTING, START_BYTES),
    (State.STOPPED, Command.CONTINUE): (State.STARTING, CONTINUE_BYTES),
    (State.STARTING, Command.TICK): (State.RUNNING, b""),
    (State.STARTING, Command.STOP): (State.STOPPED, STOP_BYTES),
    (State.RUNNING, Command.STOP): (State.STOPPED, STOP_BYTES),
}


def step(state: State, command: Command) -> tuple[State, bytes]:
    """Return the next state and the byte to send; a redundant command changes and sends nothing."""
    return _TABLE.get((state, command), (state, b""))


def start_slot(earliest_ns: int, last_due_ns: int, next_due_ns: int) -> int:
    """Return when a Start or Continue may go out, START_LEAD_NS or more from the ticks beside it.

    `last_due_ns` and `next_due_ns` are the ticks before and after `earliest_ns`, which is now or
    when the wires are free. The answer lies after the next tick when there is no room before it.
    """
    at_ns = max(earliest_ns, last_due_ns + START_LEAD_NS)
    if at_ns <= next_due_ns - START_LEAD_NS:
        return at_ns
    return max(earliest_ns, next_due_ns + START_LEAD_NS)
