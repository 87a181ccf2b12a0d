"""A service that does what the unit must allow, writes down what it was allowed, and answers to systemd.

It speaks through routerd.engine.supervision alone. SIGUSR1 stops its ticks while the loop goes on.
"""

from __future__ import annotations

import ctypes
import json
import os
import signal
import socket
import threading
import time
from collections.abc import Callable
from pathlib import Path

from routerd.engine.supervision import Notifier
from routerd.ports.sequencer import SOURCE, SequencerClient

STATE = Path("/var/lib/routerd-probe")
_MCL_CURRENT, _MCL_FUTURE = 1, 2


def attempt(action: Callable[[], object]) -> str:
    """Return "" or what was refused."""
    try:
        action()
    except Exception as error:  # noqa: BLE001 - whatever was refused is the finding
        return f"{type(error).__name__}: {error}"
    return ""


def lock_memory() -> None:
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.mlockall(_MCL_CURRENT | _MCL_FUTURE):
        raise OSError(ctypes.get_errno(), "mlockall")


def open_by_rtmidi() -> None:
    import rtmidi

    port = rtmidi.MidiOut(rtmidi.API_LINUX_ALSA, name="probe")
    port.open_virtual_port("out")
    port.delete()


def open_sequencer() -> None:
    client = SequencerClient("probe")
    client.create_port("out", SOURCE)
    client.close()


def listen() -> None:
    with socket.create_server(("127.0.0.1", 0)):
        pass


class Ticks:
    """A thread that does nothing but note the time, until it is told to stop."""

    def __init__(self) -> None:
        self.last_ns = 0
        self.policy = -1
        self.going = True
        threading.Thread(target=self._run, daemon=True).start()

    def _run(self) -> None:
        if not attempt(lambda: os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(70))):
            self.policy = os.sched_getscheduler(0)
        while self.going:
            self.last_ns = time.monotonic_ns()
            time.sleep(0.02)

    def stop(self, *_: object) -> None:
        self.going = False


def main() -> None:
    notifier = Notifier.from_environment(os.environ)
    ticks = Ticks()
    signal.signal(signal.SIGUSR1, ticks.stop)
    refused = {
        "locked memory": attempt(lock_memory),
        "rtmidi": attempt(open_by_rtmidi),
        "sequencer": attempt(open_sequencer),
        "listening": attempt(listen),
        "writing state": attempt(lambda: (STATE / "written").write_text("yes")),
        "writing elsewhere": attempt(lambda: Path("/etc/routerd-probe").write_text("no")),
        "other devices": attempt(lambda: os.close(os.open("/dev/hvc0", os.O_RDWR | os.O_NOCTTY))),
    }
    while not ticks.last_ns:
        time.sleep(0.01)
    facts = {
        "refused": refused,
        "policy": ticks.policy,
        "uid": os.getuid(),
        "watchdog_ns": notifier.watchdog_ns,
    }
    (STATE / "facts.json").write_text(json.dumps(facts))
    notifier.ready("probe ticks")
    print("probe is ready", flush=True)
    while True:
        notifier.feed(ticks.last_ns, time.monotonic_ns())
        time.sleep(notifier.feed_every_s or 1.0)


if __name__ == "__main__":
    main()
