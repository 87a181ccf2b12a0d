"""What happens, for whoever wants to know: streams that listeners subscribe to.

Events go to the log and to everybody who listens (HTTP clients, the show's record, a soundcheck); tick
records, totals of traffic and whole messages go only to listeners. The engine sends whole messages only while
somebody listens to them.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Generic, TypeVar

from routerd.core.model.plain import Plain
from routerd.link.messages import Tap, TickRecord
from routerd.server.log import EventLog

T = TypeVar("T")


class Stream(Generic[T]):
    """Hands values to its listeners, in the order in which they came.

    `on_demand` is called with True when the first has come, with False when the last has gone.
    """

    def __init__(self, on_demand: Callable[[bool], None] = lambda _: None) -> None:
        self._on_demand = on_demand
        self._listeners: list[Callable[[T], object]] = []

    def subscribe(self, listener: Callable[[T], object]) -> None:
        """Call `listener` with every value from now on."""
        self._listeners.append(listener)
        if len(self._listeners) == 1:
            self._on_demand(True)

    def unsubscribe(self, listener: Callable[[T], object]) -> None:
        """Call it no more; raises ValueError when it is not subscribed."""
        self._listeners.remove(listener)
        if not self._listeners:
            self._on_demand(False)

    def emit(self, value: T) -> None:
        """Call every listener; one may subscribe or leave meanwhile."""
        for listener in tuple(self._listeners):
            listener(value)


class Feed:
    """The streams. `events` are {"kind", "at_ns", ...}; `want_messages` switches whole messages on or off."""

    def __init__(self, want_messages: Callable[[bool], None]) -> None:
        self.events: Stream[Plain] = Stream()
        self.ticks: Stream[list[TickRecord]] = Stream()
        self.traffic: Stream[Plain] = Stream()
        self.messages: Stream[list[Tap]] = Stream(want_messages)
        self._log = EventLog()

    def emit(self, event: Plain) -> None:
        """Log an event and hand it to everybody who listens."""
        self._log.take(event)
        self.events.emit(event)
