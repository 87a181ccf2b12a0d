"""Who gets the processor and the interpreter: asked of the operating system, and kept among ourselves.

Every thread of the engine runs under SCHED_FIFO, because each may hold the interpreter and the clock
waits for whoever does: the clock thread highest, the port thread (and the input threads that inherit from
it) one step below, the event loop last. Memory is locked as it is touched, so that a page never has to
come from disk in a tick, and the processor is asked to stay out of sleep that it wakes from slowly. Nothing
here is needed for routerd to run; without it ticks are late when the machine is busy.

`FloodLimit` slows down an input that floods, so that it cannot take a processor away from the clock. A broken
device or program can bring more messages than can be routed. All threads here are under SCHED_FIFO, and when
they together keep a processor busy, the kernel takes it from all of them for 50 ms in every second (sched(7),
sched_rt_runtime_us): also from the clock. So the thread of an input that brings more than BURST messages
within BURST_NS sleeps for the rest of that time, and the operating system drops what its own buffer does not
hold. A DIN wire carries at most 3 125 messages a second (M1 p. 1), the limit is eight times that; it is a
house choice.
"""

from __future__ import annotations

import ctypes
import gc
import os
import resource
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass
from time import sleep

from routerd.core.units import NS_PER_MS, NS_PER_S
from routerd.link.messages import Realtime

CLOCK_PRIORITY = 70
PORT_PRIORITY = 69
LOOP_PRIORITY = 60
"""The event loop's thread does nothing urgent. But without a real-time priority it could be off the
processor while it holds the interpreter: ticks 20 ms late and more on a busy machine."""

SWITCH_INTERVAL_S = 0.0001
"""How long another thread may keep the interpreter once the clock thread wants it."""

KEEP_INTERVAL_S = 0.005

_MCL_CURRENT, _MCL_FUTURE, _MCL_ONFAULT = 1, 2, 4
_PR_SET_TIMERSLACK = 29

REMEDY_SCHEDULING = (
    "allow real-time scheduling: under systemd by LimitRTPRIO=95 in the unit (routerd's own unit has it); "
    "by hand by a line '@audio - rtprio 95' in /etc/security/limits.d/audio.conf, "
    "the user in group audio, and a new login"
)
REMEDY_MEMORY = (
    "allow locked memory: under systemd by LimitMEMLOCK=infinity in the unit; "
    "by hand by a line '@audio - memlock unlimited' in /etc/security/limits.d/audio.conf and a new login"
)
REMEDY_IDLE = (
    "allow short wake-ups: write access to /dev/cpu_dma_latency, by a udev rule "
    """'KERNEL=="cpu_dma_latency", GROUP="audio", MODE="0660"' """
    "and the user in group audio"
)


@dataclass(slots=True)
class Facts:
    """What was granted. `scheduling` is "fifo" or "other"; `idle_held`: processors wake at once."""

    scheduling: str = "other"
    priority: int = 0
    memory_locked: bool = False
    idle_held: bool = False
    remedies: tuple[str, ...] = ()

    def granted(self) -> Realtime:
        """Return them as the server gets them, with one `remedy` or None."""
        remedy = "; ".join(self.remedies) or None
        return Realtime(self.scheduling, self.priority, self.memory_locked, self.idle_held, remedy)


def permitted_priority(wanted: int) -> int:
    """Return the SCHED_FIFO priority that a thread of this process may have, 0 for none."""
    if os.geteuid() == 0:
        return wanted
    soft, _ = resource.getrlimit(resource.RLIMIT_RTPRIO)
    return wanted if soft == resource.RLIM_INFINITY else min(wanted, soft)


def make_thread_realtime(wanted: int) -> int:
    """Put the calling thread under SCHED_FIFO; return the priority it got, 0 when refused."""
    libc = ctypes.CDLL(None)
    libc.prctl(
        _PR_SET_TIMERSLACK, 1, 0, 0, 0
    )  # for the case that FIFO is refused: sleep to the ns, not to 50 µs
    priority = permitted_priority(wanted)
    if priority < 1:
        return 0
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(priority))
    except OSError:
        return 0
    return priority


def lock_memory() -> bool:
    """Lock this process's memory as it is touched; False when not permitted.

    Only tried without a limit: under a limit a later allocation, not this call, would fail.
    """
    soft, _ = resource.getrlimit(resource.RLIMIT_MEMLOCK)
    if soft != resource.RLIM_INFINITY and os.geteuid() != 0:
        return False
    libc = ctypes.CDLL(None, use_errno=True)
    return bool(libc.mlockall(_MCL_CURRENT | _MCL_FUTURE | _MCL_ONFAULT) == 0)


def hold_idle_states() -> bool:
    """Keep the processor out of idle states that it wakes from slowly, as long as this process lives.

    The kernel's interface for it (PM QoS): an open /dev/cpu_dma_latency that holds a wish in µs.
    """
    try:
        wish = os.open("/dev/cpu_dma_latency", os.O_WRONLY | os.O_CLOEXEC)
        os.write(wish, (0).to_bytes(4, sys.byteorder))
    except OSError:
        return False
    return True  # left open on purpose: closing it takes the wish back


def keep_interpreter() -> None:
    """Have no other thread take the interpreter from the calling one for a while, unless it lets go itself.

    A thread that waits for the interpreter asks for it after the switch interval; a long one keeps it here.
    """
    sys.setswitchinterval(KEEP_INTERVAL_S)


def share_interpreter() -> None:
    """End what `keep_interpreter` began."""
    sys.setswitchinterval(SWITCH_INTERVAL_S)


def calm_interpreter() -> None:
    """Hand the interpreter over fast, and keep the collector from walking the heap on its own.

    Once, before the clock runs: this collection takes milliseconds.
    """
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    gc.collect()
    gc.freeze()
    gc.disable()


def spare_collector() -> None:
    """Take everything that lives now out of what the collector looks at; costs next to nothing."""
    gc.freeze()


def prepare_process() -> Facts:
    """Lock memory and find out what the threads of this process may have; thread priority is set by each."""
    facts = Facts()
    remedies = []
    got: list[int] = []
    trial = threading.Thread(target=lambda: got.append(make_thread_realtime(CLOCK_PRIORITY)))
    trial.start()
    trial.join()
    facts.priority = got[0]
    if facts.priority:
        facts.scheduling = "fifo"
    else:
        remedies.append(REMEDY_SCHEDULING)
    facts.memory_locked = lock_memory()
    if not facts.memory_locked:
        remedies.append(REMEDY_MEMORY)
    facts.idle_held = hold_idle_states()
    if not facts.idle_held:
        remedies.append(REMEDY_IDLE)
    facts.remedies = tuple(remedies)
    return facts


BURST = 500
BURST_NS = 20 * NS_PER_MS
_CALM_NS = NS_PER_S // 5
"""An input whose bursts take longer than this floods no more, and is reported again when it does."""


class FloodLimit:
    """One for each input, used by its thread: count up with every message, `check` when BURST is reached.

    `on_flood` is called once when a flood begins.
    """

    __slots__ = ("_floods", "_on_flood", "_since_ns", "_sleep", "count")

    def __init__(self, on_flood: Callable[[], None], sleep_s: Callable[[float], None] = sleep) -> None:
        self.count = 0
        self._on_flood = on_flood
        self._sleep = sleep_s
        self._since_ns = 0
        self._floods = False

    def floods(self, now_ns: int) -> bool:
        """Return whether a flood was held back within the last second; any thread may ask."""
        return self._floods and now_ns - self._since_ns < NS_PER_S

    def check(self, now_ns: int) -> None:
        """Sleep if BURST messages have come too fast."""
        took_ns = now_ns - self._since_ns
        self.count = 0
        self._since_ns = max(now_ns, self._since_ns + BURST_NS)
        if took_ns >= _CALM_NS:
            self._floods = False
        if took_ns < BURST_NS:
            if not self._floods:
                self._floods = True
                self._on_flood()
            self._sleep((BURST_NS - took_ns) / NS_PER_S)
