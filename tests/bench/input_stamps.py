"""Which stamp of an arriving tick is calmer: RtMidi's own interval, or the moment its callback runs?

python -m tests.bench.input_stamps jack|alsa [SECONDS] sends ticks at 120 BPM from a process of its own
through real ports and prints how far both stamps scatter (rms) about the moments of sending, which that
process stamps itself. First nothing else is done; then this interpreter computes; then as many other
processes as there are processors do. Both ends run under SCHED_FIFO where that is granted, as in the daemon.
"""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from time import monotonic_ns

import numpy as np
import rtmidi

from routerd.engine.realtime import PORT_PRIORITY, SWITCH_INTERVAL_S

TICK_S = 60 / 24 / 120
LOADS = ("calm", "this interpreter busy", "processors busy")

_SENDER = f"""
import os, sys, time, rtmidi
try:
    os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param({PORT_PRIORITY + 2}))
except OSError:
    pass
out = rtmidi.MidiOut(int(sys.argv[1]), name="stamps-sender")
out.open_virtual_port("out")
print("ready", flush=True)
sys.stdin.readline()
begin = time.monotonic() + 0.5
sent = []
for n in range(int(sys.argv[2])):
    time.sleep(max(0.0, begin + n * {TICK_S!r} - time.monotonic()))
    sent.append(time.monotonic_ns())
    out.send_message([0xF8])
time.sleep(0.5)
print(*sent)
"""
_COMPUTE = "while True: sum(n * n for n in range(2000))"


def scatter_us(stamps_s: list[float], sent_s: list[float]) -> float:
    """Return how far the stamps scatter about the moments of sending, rms in µs; the mean does not count."""
    return float(np.std(np.array(stamps_s) - np.array(sent_s)) * 1e6)


@contextlib.contextmanager
def realtime() -> Iterator[None]:
    """Have threads that are started here inherit what the daemon's input threads have."""
    with contextlib.suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(PORT_PRIORITY))
    yield
    with contextlib.suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))


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


def measure(api: int, count: int, how: str) -> str:
    """Send and receive; return the scatter of both stamps as one line."""
    intervals_s: list[float] = []
    moments_s: list[float] = []

    def heard(event: tuple[list[int], float], _: object) -> None:
        moments_s.append(monotonic_ns() / 1e9)
        intervals_s.append(event[1])

    sender = subprocess.Popen(
        [sys.executable, "-c", _SENDER, str(api), str(count)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert sender.stdin is not None
    assert sender.stdout is not None
    sender.stdout.readline()
    with realtime():
        receives = rtmidi.MidiIn(api, name="stamps-receiver")
        receives.ignore_types(timing=False)
        receives.set_callback(heard)
        names = receives.get_ports()
        receives.open_port(next(n for n, name in enumerate(names) if "stamps-sender" in name))
    with load(how):
        sent_text, _ = sender.communicate("go\n")
    receives.close_port()
    receives.delete()
    sent_s = [int(word) / 1e9 for word in sent_text.split()]
    if len(moments_s) != len(sent_s):
        return f"{len(sent_s)} sent, {len(moments_s)} heard: cannot be compared"
    stamps_s = list(np.cumsum(intervals_s))
    own, moment = scatter_us(stamps_s[1:], sent_s[1:]), scatter_us(moments_s[1:], sent_s[1:])
    return f"RtMidi's stamps {own:.0f}, callback's moments {moment:.0f}"


def main(kind: str, seconds: str = "20") -> None:
    """Measure and print."""
    api = {"jack": rtmidi.API_UNIX_JACK, "alsa": rtmidi.API_LINUX_ALSA}[kind]
    count = int(float(seconds) / TICK_S)
    sys.setswitchinterval(SWITCH_INTERVAL_S)  # as the engine has it
    print(f"{kind}, {count} ticks at 120 BPM; scatter in µs rms")
    for how in LOADS:
        print(f"  {how}: {measure(api, count, how)}", flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
