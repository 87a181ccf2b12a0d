"""Another program with MIDI ports, as a process of its own: the other side of tests with real ports.

far_program.py KIND NAME [relay], where KIND is jack or alsa, opens "NAME in:port" and "NAME out:port". A line
of hex digits on standard input is sent as one message; each message received is a line of hex on standard
output, with the time it came in ns of CLOCK_MONOTONIC. A relay sends on what it receives. Nothing of routerd
is used here.
"""

from __future__ import annotations

import contextlib
import os
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from typing import Any, Self


class FarProgram:
    """Starts the program and talks to it."""

    def __init__(self, kind: str, name: str, *, relays: bool = False) -> None:
        self.input_name = f"{name} in:port"
        self.output_name = f"{name} out:port"
        self._process = subprocess.Popen(
            [sys.executable, __file__, kind, name, *(["relay"] if relays else [])],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self._heard: queue.Queue[tuple[bytes, int]] = queue.Queue()
        self._reader = threading.Thread(target=self._read, daemon=True)
        assert self._process.stdout is not None
        if self._process.stdout.readline() != "ready\n":
            self._bury()
            raise RuntimeError(f"the program {name!r} has not got its ports")
        self._reader.start()

    @property
    def pid(self) -> int:
        """Its process number, to be stopped by."""
        return self._process.pid

    @property
    def alive(self) -> bool:
        """Whether it runs."""
        return self._process.poll() is None

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            data, at_ns = line.split()
            self._heard.put((bytes.fromhex(data), int(at_ns)))

    def send(self, data: bytes) -> None:
        """Have it send one message."""
        assert self._process.stdin is not None
        self._process.stdin.write(data.hex() + "\n")
        self._process.stdin.flush()

    def receive(self, timeout_s: float = 10) -> bytes:
        """Return the next message it has received; raises queue.Empty when none comes."""
        return self._heard.get(timeout=timeout_s)[0]

    def receive_stamped(self, timeout_s: float = 10) -> tuple[bytes, int]:
        """The same with the time at which it came, in ns of CLOCK_MONOTONIC."""
        return self._heard.get(block=timeout_s > 0, timeout=timeout_s or None)

    def silent(self, for_s: float) -> bool:
        """Return whether it receives nothing for so long."""
        try:
            self._heard.get(timeout=for_s)
        except queue.Empty:
            return True
        return False

    def settle(self) -> None:
        """Forget what has come so far, and what is still on its way."""
        while not self.silent(1.0):
            pass

    def end(self) -> None:
        """Kill it, as a crash would."""
        self._process.kill()
        self._reader.join()
        self._bury()

    def _bury(self) -> None:
        self._process.wait()
        for pipe in (self._process.stdin, self._process.stdout):
            assert pipe is not None
            pipe.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.end()


def report(heard: queue.SimpleQueue[tuple[list[int], int]]) -> None:
    """Print what has been heard, away from JACK's own thread, which must not be late."""
    while True:
        data, at_ns = heard.get()
        print(bytes(data).hex(), at_ns, flush=True)


def patiently(make: Callable[[], Any]) -> Any:
    """Make a client; tried again for ten seconds, as a JACK server on a busy machine may be slow."""
    until_s = time.monotonic() + 10
    while True:
        try:
            return make()
        except OSError:  # RtMidi's errors are
            if time.monotonic() > until_s:
                raise
        time.sleep(0.2)


def main(kind: str, name: str, relay: str = "") -> None:
    """Be the program."""
    import rtmidi  # here, so that tests which talk to the program need no system library

    # Or the thread that prints could be held up by a busy machine with the interpreter's lock in its hand,
    # and the one that relays with it.
    with contextlib.suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(40))
    api = {"jack": rtmidi.API_UNIX_JACK, "alsa": rtmidi.API_LINUX_ALSA}[kind]
    receives = patiently(lambda: rtmidi.MidiIn(api, name=f"{name} in"))
    receives.ignore_types(False, False, False)
    heard: queue.SimpleQueue[tuple[list[int], int]] = queue.SimpleQueue()
    sends = patiently(lambda: rtmidi.MidiOut(api, name=f"{name} out"))
    sends.open_virtual_port("port")

    def take(event: tuple[list[int], float], _: object) -> None:
        if relay:
            sends.send_message(event[0])
        heard.put((event[0], time.monotonic_ns()))

    receives.set_callback(take)
    receives.open_virtual_port("port")
    print("ready", flush=True)
    threading.Thread(target=report, args=(heard,), daemon=True).start()
    for line in sys.stdin:
        sends.send_message(bytes.fromhex(line))
    os._exit(0)


if __name__ == "__main__":
    main(*sys.argv[1:])
