"""Whether the program behind a sequencer port still reads what it is sent.

The kernel keeps what a program has not read yet in the program's input, some 200 messages, and says how many
of them wait. A program that reads has few or none waiting most of the time. One that stands still reads
nothing: whatever is sent to it adds up. What is in there already cannot be taken back, so a program that
stands still must be noticed before it is much.

Only reading makes the number smaller, so it is proof that the program is alive; anything else, over a while,
is proof that it is not. Time counts only as far as somebody has looked: while the whole machine stood
still, nobody could read.
"""

from __future__ import annotations

from routerd.core.units import NS_PER_MS

STALLED_NS = 300 * NS_PER_MS
"""A program that has read nothing for so long, though something waited, stands still."""

MOST_NS = 100 * NS_PER_MS
"""One look counts for no more than this, however long ago the last one was."""

MOST_TICKS = 16
"""After so many ticks without proof that the program reads, whoever sends them looks by itself."""

CONFIRM_NS = 50 * NS_PER_MS
"""A program that has read none of them has so long to read one. Up to 24 ticks may come in a burst, when the
engine itself stood still; at 400 BPM eight come in this time, which makes a quarter note (24, M1 p. 30)."""


class Backlog:
    """Judges one program. `judge` may be called by one thread while another one sends."""

    __slots__ = ("_judged_ns", "_sent", "_suspected", "read_ns", "unread_ns", "unread_ticks", "waiting")

    def __init__(self, now_ns: int) -> None:
        self.waiting = 0
        """How many messages waited when it was last looked at."""
        self.unread_ticks = 0
        """Ticks sent since the program was last known to read; the sender counts them."""
        self.unread_ns = 0
        self.read_ns = now_ns
        """When it was last seen to have read everything or something."""
        self._sent = 0
        self._judged_ns = 0
        self._suspected: tuple[int, int] | None = None
        """How much had been read when first more than MOST_TICKS waited, and when that was."""

    @property
    def is_stalled(self) -> bool:
        """Whether the program stood still when it was last looked at."""
        return self.unread_ns >= STALLED_NS

    def judge(self, waiting: int, sent: int, now_ns: int) -> bool:
        """Return whether the program stands still.

        `waiting` is how many messages wait in its input, `sent` how many have been sent to it in all so far;
        to be asked for in this order, so that one that is sent meanwhile is not taken for one that was read.
        """
        sent_since = sent - self._sent
        has_read = waiting == 0 or waiting < self.waiting + sent_since
        if has_read:
            self.unread_ns = self.unread_ticks = 0
            self.read_ns = now_ns
        elif self.waiting:  # something waited all the time from the last look to this
            self.unread_ns += min(now_ns - self._judged_ns, MOST_NS)
        self.waiting, self._sent, self._judged_ns = waiting, sent, now_ns
        return self.is_stalled

    def is_given_up(self, waiting: int, sent: int, now_ns: int) -> bool:
        """Return whether the program stands still, asked by the sender before a tick beyond MOST_TICKS.

        The same as `judge`, but sure within few ticks whatever the tempo, and whoever else looks or does not.
        """
        gone = sent - waiting  # grows by what is read, and by nothing else
        if waiting < MOST_TICKS or (self._suspected is not None and gone > self._suspected[0]):
            self._suspected = None
            self.unread_ticks = waiting
            return False
        if self._suspected is None:
            self._suspected = gone, now_ns
        if now_ns - self._suspected[1] < CONFIRM_NS:
            return False
        self.give_up(waiting, sent)
        return True

    def give_up(self, waiting: int, sent: int) -> None:
        """Take the program as standing still until it reads: it takes no more, or has not read its ticks."""
        self.waiting, self._sent = waiting, sent
        self.unread_ns = STALLED_NS
