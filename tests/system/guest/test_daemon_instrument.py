"""A software synthesizer as a real instrument: it lists which programs its channels are on, and what sounds.

fluidsynth (Debian) with General MIDI sounds (timgm6mb-soundfont) renders into nothing. Programs
are counted from 1 in the rig and from 0 in its listing, as on the wire (GM1, Table 2; M1 p. 9).
"""

from __future__ import annotations

import re
import shutil
import socket
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from daemon import Daemon
from far_program import FarProgram
from usb import wait_for

pytestmark = pytest.mark.system

SOUNDS = Path("/usr/share/sounds/sf2/TimGM6mb.sf2")
SHELL_PORT = 9800


class Instrument:
    """The synthesizer, and its own command line to ask it by."""

    def __init__(self, log: Path) -> None:
        settings = {
            "shell.port": SHELL_PORT,
            "audio.file.name": "/dev/null",
            "audio.file.type": "raw",
            "midi.portname": "Test Instrument",
            "synth.polyphony": 32,
            "synth.sample-rate": 8000,
            "synth.reverb.active": 0,
            "synth.chorus.active": 0,
        }
        words = [word for name, value in settings.items() for word in ("-o", f"{name}={value}")]
        self._log = log
        with log.open("wb") as output:
            self._process = subprocess.Popen(
                ["fluidsynth", "-q", "-i", "-s", "-a", "file", "-m", "alsa_seq", *words, str(SOUNDS)],
                stdin=subprocess.DEVNULL,
                stdout=output,
                stderr=output,
            )
        self._shell = wait_for("the synthesizer", self._connect, 60.0, every_s=0.2)
        self._shell.settimeout(20)

    def _connect(self) -> socket.socket | None:
        assert self._process.poll() is None, self._log.read_text()
        try:
            return socket.create_connection(("127.0.0.1", SHELL_PORT))
        except OSError:
            return None

    def ask(self, question: str, ending: str) -> str:
        """Return what it says, up to `ending`."""
        self._shell.sendall(f"{question}\n".encode())
        said = ""
        while not re.search(ending, said):
            piece = self._shell.recv(65536).decode()
            assert piece, f"it ended after {said!r}"
            said += piece
        return said

    def programs(self) -> dict[int, tuple[int, int]]:
        """Return bank and program of each channel, channels counted from 1."""
        said = self.ask("channels -verbose", r"chan 15, .*\n")
        rows = re.findall(r"chan (\d+), sfont \d+, bank (\d+), preset (\d+)", said)
        return {int(channel) + 1: (int(bank), int(program)) for channel, bank, program in rows}

    def voices(self) -> int:
        """Return how many voices sound."""
        return int(re.findall(r"voice_count: (\d+)", self.ask("voice_count", r"voice_count: \d+\s"))[0])

    def end(self) -> None:
        """End it."""
        self._shell.close()
        self._process.terminate()
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()


@pytest.fixture(scope="module")
def instrument(daemon: Daemon, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Instrument]:
    if shutil.which("fluidsynth") is None or not SOUNDS.exists():
        pytest.skip("no software synthesizer is installed: apt-get install fluidsynth timgm6mb-soundfont")
    made = Instrument(tmp_path_factory.mktemp("instrument") / "log")
    daemon.wait_for_port("instrument")
    yield made
    made.end()


def settles(instrument: Instrument, wanted: dict[int, tuple[int, int]]) -> None:
    """Wait until its listing shows these programs."""

    def shows() -> bool:
        programs = instrument.programs()
        return {channel: programs[channel] for channel in wanted} == wanted

    try:
        wait_for(f"programs {wanted}", shows, every_s=0.1)
    except AssertionError as error:
        raise AssertionError(f"{error}; it shows {instrument.programs()}") from None


@pytest.mark.timeout(300)
def test_each_song_and_section_puts_it_on_its_programs(daemon: Daemon, instrument: Instrument) -> None:
    daemon.song("Through")
    settles(instrument, {1: (0, 19), 2: (0, 32)})
    daemon.song("Remap")
    settles(instrument, {1: (0, 5), 2: (0, 40)})
    daemon.post("/v1/section", {"section": "high"})
    settles(instrument, {1: (0, 5), 2: (0, 73)})
    daemon.song("Bulk")
    settles(instrument, {1: (0, 127)})
    daemon.post("/v1/previous")
    settles(instrument, {1: (0, 19), 2: (0, 32)})


def test_after_panic_no_voice_sounds(daemon: Daemon, instrument: Instrument, keys: FarProgram) -> None:
    daemon.song("Through")
    keys.send(bytes((0xB0, 64, 127)))  # the hold pedal too
    for note in (48, 55, 60, 64):
        keys.send(bytes((0x90, note, 90)))
    wait_for("both channels to sound", lambda: instrument.voices() >= 8)
    daemon.post("/v1/panic")
    wait_for("silence", lambda: instrument.voices() == 0)
    keys.send(bytes((0x90, 60, 90)))
    wait_for("a new note to sound", lambda: instrument.voices() > 0)
    keys.send(bytes((0x80, 60, 0)))
    wait_for("its end: the pedal is up", lambda: instrument.voices() == 0)
