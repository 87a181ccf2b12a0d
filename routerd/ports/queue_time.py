"""When a message came, by the stamps of the kernel's sequencer, in ns of CLOCK_MONOTONIC.

The moment at which RtMidi's callback runs is late by whatever held it up: this interpreter, or a busy
processor. After a standstill many ticks are handed over at once, and by those moments somebody's tempo would
be hundreds of beats a minute. On ALSA RtMidi tells how long before each message the one before it came, by
the queue of the kernel that stamps both: whole ns, so nothing is lost by adding them up. What is not known
is where that queue's zero lies. It is taken from the arrivals that were handed over fastest: the least
distance between moment and stamp over the last five to ten seconds, as the queue has the rate of
CLOCK_MONOTONIC but may step: it goes by a timer, and while that is late a stamp is too early by as much.

Measured (tests.bench.input_stamps, rms about the moments of sending, on an emulated processor some fifteen
times slower than a real one): intervals 71 µs, moments 500 µs; 157 against 1217 while the interpreter
computed, 304 against 574 while processors were busy; with much other work on the machine that emulates 91
against 1155, 530 against 14 647 and 1004 against 4450. No real one with ALSA was at hand.

On JACK intervals are taken in the callback itself and are no calmer (3783 against 3784 µs about a straight
line), so they are not used.

Nothing here is ever later than the moment itself, or earlier than what was told before.
"""

from __future__ import annotations

from routerd.core.units import NS_PER_S

WINDOW_NS = 5 * NS_PER_S


class QueueTime:
    """Follows one RtMidi input. The caller adds every interval that RtMidi tells to `elapsed_s`."""

    __slots__ = ("_before_ns", "_last_ns", "_least_ns", "_turn_ns", "elapsed_s")

    def __init__(self) -> None:
        self.elapsed_s = 0.0
        self._least_ns = 0
        self._before_ns = 0
        self._turn_ns = -WINDOW_NS
        self._last_ns = 0

    def instant_ns(self, now_ns: int) -> int:
        """Return when the message came whose callback runs now, its interval already added."""
        queue_ns = round(self.elapsed_s * NS_PER_S)
        apart_ns = now_ns - queue_ns
        if now_ns >= self._turn_ns:
            fresh = now_ns < self._turn_ns + WINDOW_NS
            self._before_ns = self._least_ns if fresh else apart_ns
            self._least_ns = apart_ns
            self._turn_ns = now_ns + WINDOW_NS
        elif apart_ns < self._least_ns:
            self._least_ns = apart_ns
        at_ns = queue_ns + min(self._least_ns, self._before_ns)
        self._last_ns = at_ns = max(at_ns, self._last_ns)
        return at_ns
