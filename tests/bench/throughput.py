"""50 000 messages a second through the service on four ports at once: is anything lost, do ticks keep time?

    python -m tests.bench.throughput [--seconds 60] [--rate 50000] [--ports 4]

The service runs with simulated ports, six of them clocked at 120 BPM; one process plays the keyboards,
another counts what arrives at the devices behind them. Both go before other programs where that is permitted,
so that they can keep up; what they cannot take is reported. Then the service's own counters and jitter report
are asked. The first run, with a hundredth of the rate, is there for scale. A port is held back above 25 000.
"""

from __future__ import annotations

import argparse
import contextlib
import multiprocessing
import os
import socket
import tempfile
import time
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from routerd.core.midi.messages import note_off, note_on
from tests.bench.resources import cpu_s
from tests.service import Service, free_port, write_rig

BURST = 10
"""Messages sent one behind the other to each port, so that the sender need not wake for each."""

MOST_BEHIND_S = 0.003
"""What was late by more is not made up for: it would be more at once than a socket has room for."""

NOTES = range(0x80, 0xA0)
SO_RCVBUFFORCE = 33
"""See socket(7); Python's module does not have it."""

AT_BYTES = 8
"""Between the device's name and its bytes, see `routerd.ports.far_end`."""


def keep_up() -> None:
    """Have what is measured with go before other programs, where that is permitted.

    Not real-time: with all processors full of that the kernel takes them away for a while, see sched(7).
    """
    with contextlib.suppress(OSError):
        os.setpriority(os.PRIO_PROCESS, 0, -19)


def rig(folder: Path, ports: int) -> Path:
    """Write a rig of so many keyboards, each with a synthesizer, and six clocked devices."""
    devices = [f"  keys-{i}: {{input: Keys {i}}}\n  synth-{i}: {{output: Synth {i}}}\n" for i in range(ports)]
    devices += [f"  clocked-{i}: {{output: Clocked {i}, clock: true}}\n" for i in range(6)]
    routes = [f"  - {{from: keys-{i}, to: synth-{i}, transpose: 12}}\n" for i in range(ports)]
    song = f"title: One\ntempo: 120\nroutes:\n{''.join(routes)}"
    return write_rig(folder, f"name: r\ndevices:\n{''.join(devices)}", {"one": song}, ["one"])


def listen(udp: int, ready: Connection) -> None:
    """Count what arrives of notes until told to stop, and what the system had no room for."""
    keep_up()
    count = 0
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as end:
        with contextlib.suppress(PermissionError):
            end.setsockopt(socket.SOL_SOCKET, SO_RCVBUFFORCE, 1 << 24)
        end.settimeout(0.2)
        end.sendto(b"L", ("127.0.0.1", udp))
        end.recv(64)
        ready.send("ready")
        take = end.recv
        while not ready.poll():
            with contextlib.suppress(TimeoutError):
                for _ in range(1000):
                    datagram = take(256)
                    at = datagram.find(b"\0") + 1 + AT_BYTES
                    count += datagram[at] in NOTES
        ready.send((count, _dropped(end.getsockname()[1])))


def _dropped(port: int) -> int:
    """Return the datagrams that a socket had no room for, see proc(5)."""
    with Path("/proc/net/udp").open() as rows:
        fields = [row.split() for row in rows]
    return sum(int(row[-1]) for row in fields if row[1].endswith(f":{port:04X}"))


def play(udp: int, seconds: float, rate: int, ports: int) -> int:
    """Press and release keys on all ports, every press another than those before; return what was sent."""
    heads = [b"I" + f"keys-{i}".encode() + b"\0" for i in range(ports)]
    sent, slipped_s = 0, 0.0
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as end:
        end.connect(("127.0.0.1", udp))
        send = end.send
        begin_s = time.monotonic()
        while (now_s := time.monotonic()) < begin_s + seconds:
            due_s = begin_s + slipped_s + sent / rate
            if due_s > now_s:
                time.sleep(due_s - now_s)
            elif now_s - due_s > MOST_BEHIND_S:  # no keyboard makes up for what it has not sent in time
                slipped_s += now_s - due_s
            first = sent // (2 * ports)
            for i in range(BURST // 2):
                note, velocity = 40 + (first + i) % 40, 1 + (sent // 80) % 127
                on, off = note_on(0, note, velocity), note_off(0, note, velocity)
                for head in heads:
                    send(head + on)
                    send(head + off)
            sent += BURST * ports
    return sent


def run(seconds: float, rate: int, ports: int) -> dict[str, Any]:
    """One run with a service of its own."""
    udp = free_port(socket.SOCK_DGRAM)
    with tempfile.TemporaryDirectory() as name:
        folder = rig(Path(name) / "rig", ports)
        with Service(folder, Path(name) / "state", "--ports", "simulated", "--far-end", str(udp)) as service:
            service.wait_until_open()
            here, there = multiprocessing.Pipe()
            listener = multiprocessing.Process(target=listen, args=(udp, there))
            listener.start()
            here.recv()
            before = service.status()["engine"]["counters"]
            engine = service.status()["engine"]["pid"]
            used_s = cpu_s(engine)
            keep_up()
            sent = play(udp, seconds, rate, ports)
            used_s = cpu_s(engine) - used_s
            time.sleep(2.5)  # the counters come once a second
            after = service.status()["engine"]["counters"]
            here.send("stop")
            heard, dropped = here.recv()
            listener.join()
            report = service.ask("GET", "/v1/report")
    return {
        "sent": sent,
        "in a second": round(sent / seconds),
        "the engine's share of a core": f"{used_s / seconds:.0%}",
        "taken in": after["messages_in"] - before["messages_in"],
        "heard at the far end": heard,
        "too much for the listener": dropped,
        "dropped": after["messages_dropped"] - before["messages_dropped"],
        "report": report,
    }


def main() -> None:
    """See the module's head."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--rate", type=int, default=50_000)
    parser.add_argument("--ports", type=int, default=4)
    options = parser.parse_args()
    for rate in (options.rate // 100, options.rate):
        result = run(options.seconds, rate, options.ports)
        report = result.pop("report")
        facts = ", ".join(f"{key} {value}" for key, value in result.items())
        print(f"{rate} a second for {options.seconds:g} s: {facts}")
        ticks = report["overall"]
        late = {key: ticks["lateness_us"][key] for key in ("p50", "p99", "max")}
        print(f"  ticks {ticks['ticks']}, missed {ticks['missed']}, late by (µs) {late}")


if __name__ == "__main__":
    main()
