"""The daemon as a process of its own, asked through its API, and the rig that the guest tests play on it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, ClassVar

from usb import wait_for

ROOT = Path(__file__).resolve().parents[3]
START_LIMIT_S = 480.0
"""An emulated processor takes half a minute to start two Python processes when nothing else runs, and some
minutes on a machine that has much else to do."""

BULK_SIZES = (4, 1024, 16 * 1024, 64 * 1024)


def dump_of(length: int) -> bytes:
    """Return a SysEx of that length, another at each place, under the identifier for non-commercial use."""
    return b"\xf0\x7d" + bytes((i * 7 + i // 128) % 128 for i in range(length - 3)) + b"\xf7"


RIG = """\
name: Guest rig
devices:
  keys: {input: Far Keys out*}
  box: {output: Far Box in*, wire: virtual}
  watcher: {output: "aseqdump*", wire: virtual, clock: true, transport: true}
  instrument: {output: Test Instrument*, wire: virtual}
  left:
    input: {name: Twin Synth*, serial: LEFT1}
    output: {name: Twin Synth*, serial: LEFT1}
    clock: true
  right:
    input: {name: Twin Synth*, serial: RIGHT2}
    output: {name: Twin Synth*, serial: RIGHT2}
    clock: true
"""
"""Every song has one tempo, 120: whatever is tested, clocks come at one rate."""

SONGS = {
    "remap": """\
title: Remap
tempo: 120
routes:
  - {from: keys, to: box, channel: 5, notes: 48-72, transpose: 12, velocity: {max: 100},
     pass: [notes, cc, pitch-bend, sysex]}
  - {from: keys, to: left, channel: 2}
  - {from: keys, to: right, channel: 3}
patches:
  - {device: left, channel: 2, program: 6, cc: {7: 90}}
  - {device: right, channel: 3, program: 9}
  - {device: instrument, channel: 1, program: 6}
  - {device: instrument, channel: 2, program: 41}
sections:
  - {name: low}
  - name: high
    patches:
      - {device: instrument, channel: 2, bank: {msb: 0}, program: 74}
""",
    "through": """\
title: Through
tempo: 120
routes:
  - {from: left, to: box, pass: [notes, poly-pressure, cc, program, channel-pressure, pitch-bend, sysex]}
  - {from: left, to: right, pass: [notes, sysex]}
  - {from: keys, to: instrument, channel: 1}
  - {name: second, from: keys, to: instrument, channel: 2}
patches:
  - {device: instrument, channel: 1, program: 20}
  - {device: instrument, channel: 2, program: 33}
""",
    "bulk": """\
title: Bulk
tempo: 120
patches:
  - device: right
    sysex: [{file: sysex/4.syx}, {file: sysex/1024.syx}, {file: sysex/16384.syx}, {file: sysex/65536.syx}]
  - {device: instrument, channel: 1, program: 128}
""",
}
SET = "name: Guest set\ndate: 2026-11-27\norder: [remap, through, bulk]\n"


def write_rig(folder: Path, rig: str = RIG) -> Path:
    """Write the rig folder."""
    for name in ("songs", "sets", "sysex"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    (folder / "rig.yaml").write_text(rig)
    for name, text in SONGS.items():
        (folder / "songs" / f"{name}.yaml").write_text(text)
    (folder / "sets" / "guest.yaml").write_text(SET)
    for size in BULK_SIZES:
        (folder / "sysex" / f"{size}.syx").write_bytes(dump_of(size))
    return folder


class Client:
    """Speaks to the API as curl would."""

    def __init__(self, address: str) -> None:
        self.base = f"http://{address}"

    def ask(self, method: str, path: str, body: Any = None) -> Any:
        """Return what is answered; raises OSError when nobody answers or the answer is an error."""
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(f"{self.base}{path}", data, method=method)
        if data is not None:
            request.add_header("Content-Type", "application/json")
        try:
            with urllib.request.urlopen(request, timeout=60) as answer:
                return json.load(answer)
        except urllib.error.HTTPError as error:
            raise OSError(f"{method} {path}: {error.code} {error.read().decode()}") from error

    def post(self, path: str, body: Any = None) -> Any:
        """Ask for something to be done."""
        return self.ask("POST", path, {} if body is None else body)

    def status(self) -> Any:
        """Return the status."""
        return self.ask("GET", "/v1/status")

    def answers(self) -> Any:
        """Return the status, or None while nobody answers."""
        try:
            return self.status()
        except OSError:
            return None

    def port(self, device: str, direction: str) -> Any:
        """Return the state of one port."""
        ports = self.status()["ports"]
        return next(port for port in ports if (port["device"], port["direction"]) == (device, direction))

    def wait_for_port(
        self, device: str, direction: str = "output", state: str = "open", limit_s: float = 60.0
    ) -> None:
        """Wait until a port is in that state; just after a reload it may not be in the status yet."""
        wanted = device, direction, state
        wait_for(
            f"the {direction} of {device} to be {state}",
            lambda: any((p["device"], p["direction"], p["state"]) == wanted for p in self.status()["ports"]),
            limit_s,
            every_s=0.2,
        )


class Events:
    """Reads the event stream; `seen` grows."""

    def __init__(self, client: Client) -> None:
        self.seen: list[dict[str, Any]] = []
        self._answer = urllib.request.urlopen(f"{client.base}/v1/events", timeout=300)
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        kind = ""
        try:
            for line in self._answer:
                if line.startswith(b"event: "):
                    kind = line[7:].decode().strip()
                elif line.startswith(b"data: "):
                    self.seen.append({**json.loads(line[6:]), "kind": kind})
        except (OSError, ValueError, AttributeError):
            return  # closed from here or from there

    def of(self, kind: str, **fields: Any) -> list[dict[str, Any]]:
        """Return the events of that kind with those fields."""
        return [e for e in list(self.seen) if {**e, **fields} == e and e["kind"] == kind]


class Daemon(Client):
    """`routerd run` on a rig folder."""

    _running: ClassVar[list[Daemon]] = []

    def __init__(
        self, folder: Path, port: int = 8473, write: Callable[[Path], Path] = write_rig, *options: str
    ) -> None:
        super().__init__(f"127.0.0.1:{port}")
        self.folder = write(folder / "rig")
        self.log_file = folder / "log"
        if "--spare" not in options:  # which costs an emulated processor too much to have beside every test
            options = (*options, "--no-spare")
        command = [sys.executable, "-m", "routerd.cli", "run", str(self.folder), "--ports", "alsa"]
        command += ["--listen", f"127.0.0.1:{port}", "--state-dir", str(folder / "state"), *options]
        with self.log_file.open("wb") as log:
            self.process = subprocess.Popen(
                command, cwd=ROOT, stdin=subprocess.DEVNULL, stdout=log, stderr=log, env=dict(os.environ)
            )
        self._running.append(self)
        wait_for("the daemon", self._up, START_LIMIT_S, every_s=0.5)
        self.events = Events(self)

    def _up(self) -> bool:
        assert self.process.poll() is None, self.log()
        return self.answers() is not None

    def log(self) -> str:
        """Return what it has logged."""
        return self.log_file.read_text(errors="replace")

    def log_lines(self) -> list[dict[str, Any]]:
        """Return its log, one value a line; a line that is none is its own text."""
        lines = []
        for line in self.log().splitlines():
            try:
                lines.append(json.loads(line))
            except ValueError:
                lines.append({"event": line})
        return lines

    @contextmanager
    def rig(self, text: str) -> Iterator[None]:
        """Have another rig.yaml in force; afterwards the tests' own is again."""
        file = self.folder / "rig.yaml"
        try:
            file.write_text(text)
            self.post("/v1/reload")
            yield
        finally:
            file.write_text(RIG)
            self.post("/v1/reload")

    def song(self, title: str) -> None:
        """Go to a song and wait until it is on."""
        self.post("/v1/song", {"song": title})
        wait_for(f"song {title}", lambda: self.status()["song"]["title"] == title, every_s=0.1)

    @classmethod
    def end_all(cls) -> None:
        """Make room for another one."""
        for running in cls._running:
            running.end()

    def end(self) -> None:
        """Stop it as the operator does; harmless when called twice."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
            try:
                self.process.wait(30)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
                raise
