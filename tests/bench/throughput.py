"""10 000 messages a second through the service for a minute: is anything lost, do the ticks keep time?

    python -m tests.bench.throughput [--seconds 60] [--rate 10000]

The service runs with simulated ports; this process plays its keyboard, another counts what arrives at the
device. Then the service's own counters and jitter report are asked. The first run, with a hundredth of the
rate, is there for scale: both are worth what the machine is worth in that minute.
"""

from __future__ import annotations

import argparse
import multiprocessing
import socket
import time
from multiprocessing.connection import Connection
from typing import Any

from routerd.core.midi.messages import note_off, note_on
from routerd.ports.far_end import FarEnd
from tests.bench.ticks import DEVICE, free_port, get, routerd

BURST = 10
"""Messages sent one behind the other, so that the sender need not wake for each."""


def listen(udp: int, ready: Connection) -> None:
    """Count the presses that arrive until told to stop."""
    count = 0
    with FarEnd(("127.0.0.1", udp)) as far_end:
        far_end.listen()
        ready.send("ready")
        while not ready.poll():
            arrival = far_end.receive(0.2)
            if arrival is not None and arrival.device == DEVICE and arrival.data[0] & 0xF0 in (0x80, 0x90):
                count += 1
        ready.send(count)


def play(udp: int, seconds: float, rate: int) -> int:
    """Press and release keys, every press another than those just before; return the messages sent."""
    sent = 0
    with FarEnd(("127.0.0.1", udp)) as far_end:
        begin_s = time.monotonic()
        while (now_s := time.monotonic()) < begin_s + seconds:
            due_s = begin_s + sent / rate
            if due_s > now_s:
                time.sleep(due_s - now_s)
            for i in range(BURST // 2):
                note = 40 + (sent // 2 + i) % 40
                far_end.play("keys", note_on(0, note, 1 + (sent // 80) % 127))
                far_end.play("keys", note_off(0, note, 1 + (sent // 80) % 127))
            sent += BURST
    return sent


def run(seconds: float, rate: int) -> dict[str, Any]:
    """One run with a service of its own."""
    http, udp = free_port(socket.SOCK_STREAM), free_port(socket.SOCK_DGRAM)
    with routerd(http, udp):
        base = f"http://127.0.0.1:{http}"
        here, there = multiprocessing.Pipe()
        listener = multiprocessing.Process(target=listen, args=(udp, there))
        listener.start()
        here.recv()
        before = get(f"{base}/v1/status")["engine"]["counters"]
        sent = play(udp, seconds, rate)
        time.sleep(2.5)  # the counters come once a second
        after = get(f"{base}/v1/status")["engine"]["counters"]
        here.send("stop")
        heard = here.recv()
        listener.join()
        report = get(f"{base}/v1/report")
    return {
        "sent": sent,
        "taken in": after["messages_in"] - before["messages_in"],
        "heard at the far end": heard,
        "dropped": after["messages_dropped"] - before["messages_dropped"],
        "report": report,
    }


def main() -> None:
    """See the module's head."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--rate", type=int, default=10_000)
    options = parser.parse_args()
    for rate in (options.rate // 100, options.rate):
        result = run(options.seconds, rate)
        report = result.pop("report")
        facts = ", ".join(f"{key} {value}" for key, value in result.items())
        print(f"{rate} a second for {options.seconds:g} s: {facts}")
        ticks = report["overall"]
        late = {key: ticks["lateness_us"][key] for key in ("p50", "p99", "max")}
        print(f"  ticks {ticks['ticks']}, missed {ticks['missed']}, late by (µs) {late}")


if __name__ == "__main__":
    main()
