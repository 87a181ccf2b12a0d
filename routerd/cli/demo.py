"""The demo: the real service on simulated devices at true speed, and someone who plays it.

Nothing is canned. The service runs as `routerd run` would; this module is the band: it plays the
controller keyboard and the foot switch through the simulation's far end, asks the API as curl would,
listens to what reaches each device, and reports it.

More lines than most: the service, who plays it and who listens are one evening.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from importlib import resources
from pathlib import Path
from typing import Any, Self

from routerd.cli.client import Client, ServiceError
from routerd.core.errors import PeerError
from routerd.core.midi import messages
from routerd.core.model.song import Step
from routerd.ports.far_end import FarEnd
from routerd.printing import complain, counted, say

SWITCH_CHANNEL = 15
"""The foot switch board sends on channel 16."""

START_WAIT_S = STOP_WAIT_S = 15.0
"""How long the service may take to begin and to end, on a busy machine."""

_PHRASE = (62, 65, 69, 72, 70, 69, 65, 64)
"""An invented phrase in D minor, one note a half beat."""


def rig_folder() -> Path:
    """Return the demo's rig folder: inside the installed package, or beside it in a checkout."""
    inside = Path(str(resources.files("routerd"))) / "configs" / "demo"
    return inside if inside.is_dir() else Path(__file__).parents[2] / "configs" / "demo"


def copy_rig(target: Path) -> int:
    """Copy the demo's rig folder to `target`, which must not exist yet; return the exit status."""
    if target.exists():
        complain(f"routerd: {target} exists already; give a folder that does not")
        return 2
    shutil.copytree(rig_folder(), target)
    say(f"{target} is yours now. Edit rig.yaml, then: routerd check {target}; routerd run {target}")
    return 0


def by_hand(checklist: list[dict[str, Any]]) -> list[str]:
    """Return a song's checklist, as the status has it, as lines: what is still to be done."""
    steps = [Step(step["text"], step["who"], step["section"]) for step in checklist if not step["done"]]
    return [f"by hand: {step.in_words}" for step in steps]


def in_short(report: dict[str, Any]) -> list[str]:
    """Return what a jitter report, as the API has it, comes to: some lines for people."""
    overall = report["overall"]
    late_ms = {key: overall["lateness_us"][key] / 1000 for key in ("p50", "p99", "max")}
    heard_ms = overall["heard_us"] / 1000
    judged = "less than that" if late_ms["max"] < heard_ms else "that much or more: this computer was busy"
    ports = counted(len(report["ports"]), "device")
    lost = f"{overall['missed']} missed, {overall['doubled']} doubled"
    verdict, realtime = overall["verdict"], report["realtime"]
    short = ["Half a minute is too short to judge a device by one tick in a thousand; 99 in 100 must do."]
    if realtime is not None and realtime["scheduling"] != "fifo":
        short.append(
            "Ticks waited behind other work: real-time scheduling is not permitted (README has how)."
        )
    return [
        f"{overall['ticks']} ticks to {ports} in {report['duration_s']:.0f} s, {lost};",
        f"half of them left within {late_ms['p50']:.2f} ms of their time, 99 in 100 within "
        f"{late_ms['p99']:.2f} ms, the latest after {late_ms['max']:.2f} ms.",
        f"Listeners notice one displaced note from about {heard_ms:.0f} ms on (Friberg & Sundberg, 1995); "
        f"the latest tick was late by {judged}.",
        f"All devices together are {verdict['grade']}: {verdict['words']}.",
        *short,
        "The devices were simulated: this is about this computer, not about cables and instruments.",
    ]


def play() -> int:
    """Play the demo; return the exit status of the service."""
    for number in (signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, _leave)
    with (
        tempfile.TemporaryDirectory(prefix="routerd-demo-") as state_dir,
        _Service(Path(state_dir)) as service,
    ):
        try:
            service.wait_until_ready()
            with FarEnd(("127.0.0.1", service.far_end_port)) as far_end:
                _Evening(service, far_end).play()
            _say("That is the end of the set. In short:")
            for line in in_short(service.get("/v1/report?format=json")):
                _say(f"  {line}")
            _say("While a service runs, `routerd report` has the whole report, with what to do about it.")
        except BrokenPipeError:  # `routerd demo | head`
            raise
        except (PeerError, OSError) as error:
            complain(f"routerd: the demo cannot go on: {error}")
            return 2
        _say("Ctrl-C or SIGTERM: the rig is silenced, transport stopped, ports closed.")
        return service.stop()


def _leave(number: int, _frame: object) -> None:
    raise SystemExit(128 + number)


class _DemoError(PeerError):
    pass


class _Service:
    """`routerd run` on the demo's rig, and its API. It ends with this process, however that ends."""

    def __init__(self, state_dir: Path) -> None:
        self.far_end_port = _free_port(socket.SOCK_DGRAM)
        listen = f"127.0.0.1:{_free_port(socket.SOCK_STREAM)}"
        self._base = f"http://{listen}"
        self._client = Client(listen)
        self._log = (state_dir / "log").open("w+")
        lifeline, self._lifeline = os.pipe()
        command = [sys.executable, "-m", "routerd.cli", "run", str(rig_folder()), "--ports", "simulated"]
        command += ["--listen", listen, "--state-dir", str(state_dir), "--far-end", str(self.far_end_port)]
        command += ["--lifeline", str(lifeline)]
        self._process = subprocess.Popen(  # noqa: S603 - our own interpreter, our own arguments
            command, stdin=subprocess.DEVNULL, stderr=self._log, pass_fds=[lifeline]
        )
        os.close(lifeline)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()
        os.close(self._lifeline)
        self._log.close()

    def wait_until_ready(self) -> None:
        """Wait until a song is on and every port is open."""
        _say(
            f"$ routerd run {rig_folder().name} --ports simulated      (the API is at {self._base}/v1/status)"
        )
        until_s = time.monotonic() + START_WAIT_S
        while time.monotonic() < until_s:
            if self._process.poll() is not None:
                self._log.seek(0)
                raise _DemoError(f"the service has ended: {self._log.read()[-2000:]}")
            with contextlib.suppress(ServiceError, KeyError):
                status = self.get("/v1/status")
                if status["song"] and all(port["state"] == "open" for port in status["ports"]):
                    return
            time.sleep(0.1)
        raise _DemoError(f"the service was not ready within {START_WAIT_S:.0f} s")

    def get(self, path: str) -> Any:
        """GET, as JSON."""
        return json.loads(self._client.ask("GET", path))

    def post(self, path: str, body: dict[str, Any]) -> None:
        """POST, and show the curl line that does the same."""
        _say(f"$ curl -X POST {self._base}{path} -d '{json.dumps(body)}'")
        self._client.ask("POST", path, body)

    def stop(self) -> int:
        """Stop the service as Ctrl-C would; return its exit status."""
        if self._process.poll() is None:
            self._process.send_signal(signal.SIGTERM)
        try:
            return self._process.wait(STOP_WAIT_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            return 1


class _Ear:
    """Hears what reaches the devices, on a thread of its own."""

    def __init__(self, far_end: FarEnd) -> None:
        self._far_end = far_end
        self._lock = threading.Lock()
        self._heard: list[tuple[str, int, bytes]] = []
        self._closing = False
        self._thread = threading.Thread(target=self._listen, daemon=True)
        far_end.listen()
        self._thread.start()

    def _listen(self) -> None:
        while not self._closing:
            arrival = self._far_end.receive(0.2)
            if arrival is not None:
                with self._lock:
                    self._heard.append((arrival.device, arrival.arrival_ns, arrival.data))

    def take(self) -> list[tuple[str, int, bytes]]:
        """Return what has been heard since the last call."""
        with self._lock:
            heard, self._heard = self._heard, []
        return heard

    def put_back(self, heard: list[tuple[str, int, bytes]]) -> None:
        """Have the next `take` return these as well."""
        with self._lock:
            self._heard = heard + self._heard

    def close(self) -> None:
        """Stop listening."""
        self._closing = True
        self._thread.join(1)


class _Evening:
    """Three songs in half a minute."""

    def __init__(self, service: _Service, far_end: FarEnd) -> None:
        self._service = service
        self._far_end = far_end
        self._ear = _Ear(far_end)

    def play(self) -> None:
        """Play them, and report what reaches the devices."""
        try:
            self._where()
            self._press(82, "start")
            self._phrase(121.5, 16)
            self._report(
                "The keyboard plays; notes go where the first section sends them.",
                "the lead synthesizer alone, while both modular systems and the sampler start together",
            )
            self._press(84, "section 2")
            self._phrase(121.5, 16)
            self._report(
                "The same keys, another section: other routes and sounds.",
                "the same tune on the sounds of the verse; the sequences run on without a gap",
            )
            self._held_over_a_change()
            self._where()
            self._phrase(87, 8)
            self._report(
                "This song starts its sequencers by itself; the patch dump went out between ticks.",
                "sequences at the new tempo, and no tune: no route takes these keys here",
            )
            self._service.post("/v1/song", {"song": "Weather Room"})
            self._where()
            self._service.post("/v1/start", {"when": "bar"})
            self._phrase(140, 20)
            self._report(
                "Asked for by title: patches, then Start exactly on the next bar.",
                "the tune on the software piano, and the sequences coming in together on a bar",
            )
            self._silence()
        finally:
            self._ear.close()

    def _press(self, number: int, meaning: str) -> None:
        _say(f"foot switch: {meaning}")
        for value in (127, 0):
            self._far_end.play("pedals", messages.controller(SWITCH_CHANNEL, number, value))
            time.sleep(0.08)

    def _phrase(self, bpm: float, notes: int) -> None:
        half_beat_s = 30 / bpm
        for i in range(notes):
            note = _PHRASE[i % len(_PHRASE)]
            self._far_end.play("keys", messages.note_on(0, note, 70 + 5 * (i % 4)))
            time.sleep(half_beat_s * 0.8)
            self._far_end.play("keys", messages.note_off(0, note))
            time.sleep(half_beat_s * 0.2)

    def _held_over_a_change(self) -> None:
        _say("keyboard: holds D4 while the foot goes to the next song")
        self._far_end.play("keys", messages.note_on(0, 62, 90))
        time.sleep(0.3)
        self._ear.take()
        self._press(80, "next")
        time.sleep(0.8)
        before = self._ear.take()
        self._far_end.play("keys", messages.note_off(0, 62))
        time.sleep(0.2)
        after = self._ear.take()
        _say("  a release follows the way of its press, whatever has changed since:")
        _say(f"  ended by the change: {_ended(before)}; ended when the key comes up: {_ended(after)}")
        self._ear.put_back(before + after)

    def _silence(self) -> None:
        _say("keyboard: a note is held, as if it had got stuck")
        self._far_end.play("keys", messages.note_on(0, 69, 60))
        time.sleep(0.3)
        self._ear.take()
        self._press(86, "panic")
        time.sleep(0.3)
        self._report(
            "Panic: what sounds is released, and every channel of every device is sent All Notes Off.",
            "the stuck note ends; the sequences run on",
        )
        self._far_end.play("keys", messages.note_off(0, 69))
        self._press(83, "stop")
        time.sleep(0.2)
        self._report("Stop; the clock goes on, so that the sequencers stay warm.", "silence")

    def _where(self) -> None:
        status = self._service.get("/v1/status")
        song, section = status["song"], status["section"]
        words = [f'on: "{song["title"]}"', f"{status['tempo']['bpm']:g} BPM"]
        if section:
            words.append(f"section {section['name']}")
        words.append(f"transport {status['transport']}")
        _say(", ".join(words))
        for line in by_hand(song["checklist"]):
            _say(f"  {line}")

    def _report(self, headline: str, listener: str = "") -> None:
        time.sleep(0.25)
        _say(headline)
        if listener:
            _say(f"  a listener hears: {listener}")
        by_device: dict[str, list[bytes]] = {}
        for device, _, data in self._ear.take():
            by_device.setdefault(device, []).append(data)
        for device, heard in by_device.items():
            _say(f"  {device:<16} {_summary(heard)}")


def _ended(heard: list[tuple[str, int, bytes]]) -> str:
    devices = [device for device, _, data in heard if data[0] & 0xF0 == messages.NOTE_OFF]
    return ", ".join(dict.fromkeys(devices)) or "nothing"


def _summary(heard: list[bytes]) -> str:
    counts: Counter[str] = Counter()
    for data in heard:
        counts[_name(data)] += 1
    pieces = sum(len(data) for data in heard if data[0] == messages.SYSEX or data[0] < 0x80)
    words = [f"{name} x{count}" if count > 1 else name for name, count in counts.items() if name]
    if pieces:
        words.append(f"{pieces} bytes of patch dump")
    return ", ".join(words)


_REALTIME_NAMES = {
    messages.TICK: "tick",
    messages.START: "START",
    messages.CONTINUE: "CONTINUE",
    messages.STOP: "STOP",
}
_CHANNEL_NAMES = {
    messages.NOTE_OFF: "note off",
    messages.NOTE_ON: "note on",
    messages.CONTROLLER: "controller",
    messages.PROGRAM: "program change",
    messages.BEND: "bend",
}


def _name(data: bytes) -> str:
    if data[0] in _REALTIME_NAMES:
        return _REALTIME_NAMES[data[0]]
    return _CHANNEL_NAMES.get(data[0] & 0xF0, "")


_BEGAN_S = time.monotonic()


def _say(text: str) -> None:
    say(f"{time.monotonic() - _BEGAN_S:5.1f} s  {text}")


def _free_port(kind: socket.SocketKind) -> int:
    with socket.socket(socket.AF_INET, kind) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
