"""The bed itself: the ALSA sequencer is there, and what one process sends another receives.

The judge from outside is aseqdump (alsa-utils), which decodes messages by ALSA's own library.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest
from usb import wait_for

if TYPE_CHECKING:
    import rtmidi

pytestmark = pytest.mark.system

SENDER = """
import sys, rtmidi
out = rtmidi.MidiOut(rtmidi.API_LINUX_ALSA, name="bed sender")
out.open_virtual_port("out")
print("open", flush=True)
for line in sys.stdin:
    out.send_message(bytes.fromhex(line))
"""


@contextmanager
def sender() -> Iterator[subprocess.Popen[str]]:
    """Another process with a sequencer port that sends what it is told, in hexadecimal."""
    command = [sys.executable, "-c", SENDER]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdin is not None
        assert process.stdout.readline() == "open\n"
        try:
            yield process
        finally:
            process.stdin.close()
            assert process.wait(20) == 0


def say(process: subprocess.Popen[str], *messages: str) -> None:
    assert process.stdin is not None
    process.stdin.write("".join(message + "\n" for message in messages))
    process.stdin.flush()


def collect(port: rtmidi.MidiIn, count: int) -> list[list[int]]:
    got: list[list[int]] = []

    def enough() -> bool:
        while message := port.get_message():
            got.append(message[0])
        return len(got) >= count

    wait_for(f"{count} messages", enough)
    return got


def test_messages_from_another_process_arrive_in_order() -> None:
    with sender() as other:
        import rtmidi

        port = rtmidi.MidiIn(rtmidi.API_LINUX_ALSA, name="bed receiver")
        port.ignore_types(sysex=False, timing=False, active_sense=False)
        names = port.get_ports()
        port.open_port(next(number for number, name in enumerate(names) if "bed sender" in name))
        notes = [[0x90, note, 100] for note in range(100)]
        say(other, *(text for note in notes for text in (bytes(note).hex(), "f8")))
        got = collect(port, 200)
        port.close_port()
        port.delete()
    assert got[0::2] == notes
    assert got[1::2] == [[0xF8]] * 100


def test_aseqdump_reads_what_was_sent() -> None:
    with sender() as other:
        command = ["stdbuf", "-oL", "aseqdump", "-p", "bed sender"]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as dump:
            assert dump.stdout is not None
            assert "Waiting" in dump.stdout.readline()
            assert "Source" in dump.stdout.readline()
            say(other, "903c40", "b0075a", "e00040", "fa", "f8", "f07d0102f7")
            lines = [dump.stdout.readline() for _ in range(6)]
            dump.terminate()
    kinds = [" ".join(line.split()[1:]) for line in lines]
    assert kinds == [
        "Note on 0, note 60, velocity 64",
        "Control change 0, controller 7, value 90",
        "Pitch bend 0, value 0",
        "Start",
        "Clock",
        "System exclusive F0 7D 01 02 F7",
    ]
