"""What one call to the show has led to, and when that call is: shared by all parts of the show.

Every verb of the show begins by setting `now_ns`. All that the parts do from there on is done at that
time, and what they want done outside is put here: messages in `sink`, what people should learn of in
`events`, and `revision` goes up when a snapshot would differ. The caller of the show empties `sink` and
`events` after every call.

Invariants: `now_ns` never decreases; both lists are the same objects for ever, so that others may hold
them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Concatenate, ParamSpec

if TYPE_CHECKING:
    from collections.abc import Callable

    from routerd.core.model.events import EngineEvent
    from routerd.core.output.wire import Sink

P = ParamSpec("P")


class Effects:
    """Time of the call, messages to send, events to report, and the number of the state."""

    __slots__ = ("events", "now_ns", "revision", "sink")

    def __init__(self, now_ns: int) -> None:
        self.now_ns = now_ns
        self.sink: Sink = []
        self.events: list[EngineEvent] = []
        self.revision = 0
        """Differs whenever a snapshot would; it may go up without one."""

    def enter(self, now_ns: int) -> int:
        """Begin a call at `now_ns`, or now where later work has overtaken it; return when that is."""
        self.now_ns = max(self.now_ns, now_ns)
        return self.now_ns

    def pass_time(self, now_ns: int) -> None:
        """Begin a call that lets time pass; raises ValueError when it goes backwards."""
        if now_ns < self.now_ns:
            raise ValueError(f"time went backwards by {self.now_ns - now_ns} ns")
        self.now_ns = now_ns

    def event(
        self, kind: Callable[Concatenate[int, P], EngineEvent], *args: P.args, **fields: P.kwargs
    ) -> None:
        """Report something that has happened now, of a class of `core.model.events`."""
        self.events.append(kind(self.now_ns, *args, **fields))
