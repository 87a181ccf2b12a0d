"""Which stamp of an arriving tick is calmer: RtMidi's own interval, or the moment its callback runs?

python -m tests.bench.input_stamps jack|alsa [SECONDS] sends ticks at 120 BPM from a process of its own
through real ports while this one computes, and prints how far both stamps scatter (rms) about the straight
line.
"""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from time import monotonic_ns

import numpy as np
import rtmidi

TICK_S = 60 / 24 / 120

_SENDER = f"""
import sys, time, rtmidi
out = rtmidi.MidiOut(int(sys.argv[1]), name="stamps-sender")
out.open_virtual_port("out")
print("ready", flush=True)
sys.stdin.readline()
begin = time.monotonic() + 0.5
for n in range(int(sys.argv[2])):
    time.sleep(max(0.0, begin + n * {TICK_S!r} - time.monotonic()))
    out.send_message([0xF8])
time.sleep(0.5)
"""


def scatter_us(stamps: list[float]) -> float:
    """Return how far stamps (in s) scatter about the line that fits them best, rms in µs."""
    x = np.arange(len(stamps))
    y = np.array(stamps) - stamps[0]
    return float(np.std(y - np.polyval(np.polyfit(x, y, 1), x)) * 1e6)


def measure(api: int, count: int, *, busy: bool) -> tuple[float, float, int]:
    """Return the scatter of RtMidi's stamps and of the callback's moments, and how many ticks came."""
    intervals: list[float] = []
    moments: list[float] = []

    def heard(event: tuple[list[int], float], _: object) -> None:
        moments.append(monotonic_ns() / 1e9)
        intervals.append(event[1])

    stop = threading.Event()

    def compute() -> None:
        while not stop.is_set():
            sum(n * n for n in range(2000))

    sender = subprocess.Popen(
        [sys.executable, "-c", _SENDER, str(api), str(count)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert sender.stdin is not None
    assert sender.stdout is not None
    sender.stdout.readline()
    receives = rtmidi.MidiIn(api, name="stamps-receiver")
    receives.ignore_types(timing=False)
    receives.set_callback(heard)
    names = receives.get_ports()
    receives.open_port(next(n for n, name in enumerate(names) if "stamps-sender" in name))
    loads = [threading.Thread(target=compute) for _ in range(2 if busy else 0)]
    for load in loads:
        load.start()
    sender.stdin.write("go\n")
    sender.stdin.flush()
    sender.wait()
    stop.set()
    for load in loads:
        load.join()
    receives.close_port()
    del receives
    stamps = list(np.cumsum(intervals[1:]))
    return scatter_us(stamps), scatter_us(moments[1:]), len(moments)


def main(kind: str, seconds: str = "20") -> None:
    """Measure and print."""
    api = {"jack": rtmidi.API_UNIX_JACK, "alsa": rtmidi.API_LINUX_ALSA}[kind]
    count = int(float(seconds) / TICK_S)
    print(f"{kind}, {count} ticks at 120 BPM; scatter in µs rms")
    for busy in (False, True):
        own, moment, heard = measure(api, count, busy=busy)
        how = "busy" if busy else "calm"
        print(f"  {how}: RtMidi's stamps {own:.0f}, callback's moments {moment:.0f} ({heard} heard)")
        time.sleep(0.2)


if __name__ == "__main__":
    main(*sys.argv[1:])
