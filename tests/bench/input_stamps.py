"""When ticks that arrive on ALSA are taken to have come: by the kernel's stamps, and when a thread has them.

python -m tests.bench.input_stamps [SECONDS] sends ticks at 120 BPM from a process of its own, which notes
when it sends each. For our input and for RtMidi's, by turns, it prints how far what they tell scatters (rms)
about the moments of sending, and how long after it (median) their first line is reached. First nothing else
is done; then this interpreter computes; then as many other processes as there are processors do. Both ends
run under SCHED_FIFO where that is granted, as in the daemon.
"""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from time import monotonic_ns

import numpy as np
import rtmidi
from numpy.typing import NDArray

from routerd.engine.realtime import PORT_PRIORITY, SWITCH_INTERVAL_S
from routerd.ports import open_system
from tests.service import as_port_thread

TICK_S = 60 / 24 / 120
LOADS = ("calm", "this interpreter busy", "processors busy")

_SENDER = f"""
import os, sys, time, rtmidi
try:
    os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param({PORT_PRIORITY + 2}))
except OSError:
    pass
out = rtmidi.MidiOut(rtmidi.API_LINUX_ALSA, name="stamps-sender")
out.open_virtual_port("out")
print("ready", flush=True)
sys.stdin.readline()
begin = time.monotonic() + 0.5
sent = []
for n in range(int(sys.argv[1])):
    time.sleep(max(0.0, begin + n * {TICK_S!r} - time.monotonic()))
    sent.append(time.monotonic_ns())
    out.send_message([0xF8])
time.sleep(0.5)
print(*sent)
"""
_COMPUTE = "while True: sum(n * n for n in range(2000))"


def scatter_us(apart_ns: NDArray[np.int64]) -> float:
    """Return how far they scatter, rms in µs; the mean does not count, nor does the first quarter."""
    return float(np.std(apart_ns[len(apart_ns) // 4 :]) / 1e3)


@contextlib.contextmanager
def load(how: str) -> Iterator[None]:
    """Keep this interpreter, or all processors, busy."""
    stop = threading.Event()

    def compute() -> None:
        while not stop.is_set():
            sum(n * n for n in range(2000))

    threads = [threading.Thread(target=compute) for _ in range(2 if how == LOADS[1] else 0)]
    count = os.cpu_count() or 1 if how == LOADS[2] else 0
    processes = [subprocess.Popen([sys.executable, "-c", _COMPUTE]) for _ in range(count)]
    for thread in threads:
        thread.start()
    yield
    stop.set()
    for thread in threads:
        thread.join()
    for process in processes:
        process.kill()
        process.wait()


def heard_by_ours(stamps_ns: list[int], moments_ns: list[int]) -> Callable[[], None]:
    """Open our input of the sender's port; return what closes it."""
    ports = open_system("alsa")

    def received(_: bytes, at_ns: int) -> None:
        moments_ns.append(monotonic_ns())
        stamps_ns.append(at_ns)

    ports.open_input(next(one for one in ports.inputs() if "stamps-sender" in one.name), received)
    return ports.close


def heard_by_rtmidi(stamps_ns: list[int], moments_ns: list[int]) -> Callable[[], None]:
    """Do the same by RtMidi, which tells how long before each message the one before it came."""
    receives = rtmidi.MidiIn(rtmidi.API_LINUX_ALSA, name="stamps-receiver")
    receives.ignore_types(timing=False)

    def received(event: tuple[list[int], float], _: object) -> None:
        moments_ns.append(monotonic_ns())
        stamps_ns.append((stamps_ns[-1] if stamps_ns else 0) + round(event[1] * 1e9))

    receives.set_callback(received)
    names = receives.get_ports()
    receives.open_port(next(n for n, name in enumerate(names) if "stamps-sender" in name))

    def close() -> None:
        receives.close_port()
        receives.delete()

    return close


def measure(hear: Callable[[list[int], list[int]], Callable[[], None]], count: int, how: str) -> str:
    """Send and receive; return scatters and delay as one line."""
    stamps_ns: list[int] = []
    moments_ns: list[int] = []
    sender = subprocess.Popen(
        [sys.executable, "-c", _SENDER, str(count)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert sender.stdout is not None
    sender.stdout.readline()
    with as_port_thread():
        close = hear(stamps_ns, moments_ns)
    with load(how):
        sent_text, _ = sender.communicate("go\n")
    close()
    sent_ns = np.array([int(word) for word in sent_text.split()])
    if len(moments_ns) != len(sent_ns):
        return f"{len(sent_ns)} sent, {len(moments_ns)} heard: cannot be compared"
    late_ns = np.array(moments_ns) - sent_ns
    return (
        f"stamps scatter by {scatter_us(np.array(stamps_ns) - sent_ns):.0f}, moments by"
        f" {scatter_us(late_ns):.0f}; received after {np.median(late_ns) / 1e3:.0f}"
    )


def main(seconds: str = "20") -> None:
    """Measure and print."""
    count = int(float(seconds) / TICK_S)
    sys.setswitchinterval(SWITCH_INTERVAL_S)  # as the engine has it
    print(f"{count} ticks at 120 BPM; µs")
    for how in LOADS:
        for name, hear in (("ours", heard_by_ours), ("RtMidi", heard_by_rtmidi)):
            print(f"  {how}, {name}: {measure(hear, count, how)}", flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
