"""Whether an engine hangs, as its spare judges it: of times and states passed in, so hours can be simulated.

A late tick alone says little. The machine may stand still as a whole (a virtual one does): then the spare,
which waits above every thread of the engine, has itself been woken late, and what it was late by is taken
off. Or the engine waits for a processor, which a spare would not get any sooner: then a thread of it can run,
and it is given BUSY times as long. Otherwise it does nothing and waits for nothing, as when it has been
stopped or its threads wait for each other: a hang, when the margin has passed and it is seen twice.
"""

from __future__ import annotations

from collections.abc import Callable

from routerd.core.units import NS_PER_MS

HANG_NS = 20 * NS_PER_MS
"""How late a tick must be for its engine to be taken for hung, where threads get the processor at once."""

HANG_UNHURRIED_NS = 100 * NS_PER_MS
"""The same where real-time scheduling is refused, and any thread may have to wait."""

BUSY = 5
"""So many times as long for an engine that has, or wants, a processor: it goes in circles, or is held up."""

IN_TIME_NS = 300_000
"""A spare that is woken later than this does not judge others in that moment."""

LOOK_NS = 5 * NS_PER_MS
"""How often the spare looks."""

AGAIN_NS = 1 * NS_PER_MS
"""How soon it looks again at an engine that is late."""

AWAY_NS = 400_000
"""It is woken no nearer to a tick than this."""

TIMES = 2
"""So often in a row it must look like a hang."""


class HangJudge:
    """Looks at one engine, whenever its spare wakes."""

    def __init__(self, margin_ns: int) -> None:
        self.margin_ns = margin_ns
        self._seen = 0
        self._standstills: list[tuple[int, int]] = []
        """When the spare was held up, from the tick on that is due next."""

    def next_look_ns(self, now_ns: int, due_ns: int) -> int:
        """Return when to look next, the next tick being due at `due_ns`."""
        look_ns = min(now_ns + LOOK_NS, max(due_ns + self.margin_ns, now_ns + AGAIN_NS))
        return due_ns + AWAY_NS if abs(look_ns - due_ns) < AWAY_NS else look_ns

    def look(
        self, now_ns: int, due_ns: int, *, woken_late_ns: int, has_moved: bool, is_busy: Callable[[], bool]
    ) -> bool:
        """Return whether the engine hangs, whose next tick was due at `due_ns` when the spare looked last.

        The spare has been woken `woken_late_ns` too late; `has_moved`: the engine has done something since.
        `is_busy`, asked only when it matters, says whether a thread of it runs or wants to.
        """
        in_time = woken_late_ns <= IN_TIME_NS
        if not in_time:
            self._standstills.append((now_ns - woken_late_ns, now_ns))
        self._standstills = [stretch for stretch in self._standstills if stretch[1] > due_ns]
        held_up_ns = sum(end_ns - max(begin_ns, due_ns) for begin_ns, end_ns in self._standstills)
        late_ns = now_ns - due_ns - held_up_ns
        fresh = has_moved or not in_time or late_ns < self.margin_ns
        excused = fresh or (late_ns < BUSY * self.margin_ns and is_busy())
        self._seen = 0 if excused else self._seen + 1
        return self._seen >= TIMES
