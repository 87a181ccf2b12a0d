"""A real performance through the running service, compared note for note with what mido makes of it.

The notes are those of a Standard MIDI File that music21 ships for its own tests (omr/k525short.mid,
a piece by W. A. Mozart); it is read in place. What should come out is worked out here with mido alone.
"""

from __future__ import annotations

import socket
import time
from collections import defaultdict
from importlib.util import find_spec
from pathlib import Path

import mido
import pytest

from routerd.ports.far_end import FarEnd
from tests.service import Service, free_port

RIG = """
name: A real performance
devices:
  keys: {input: Keys}
  high: {output: High, wire: virtual, clock: true}
  low: {output: Low, wire: usb}
"""
SONG = """
title: Serenade
tempo: 132
routes:
  - {from: keys, to: high, notes: C4-G9, transpose: 12, channel: 3, velocity: {max: 80}}
  - {from: keys, to: low, notes: C-1-B3, channel: 7, velocity: {fixed: 64}}
"""
MIDDLE_C = 60
PRESSES = 211
"""The count that mido gives for this file."""


def performance() -> list[mido.Message]:
    """Return the file's messages for channels, in order."""
    spec = find_spec("music21")
    if spec is None or spec.origin is None:
        pytest.skip("music21 is not installed: it belongs to the test extra")
    folder = Path(spec.origin).parent / "omr"
    file = folder / "k525short.mid"
    return [message for message in mido.MidiFile(file) if not message.is_meta]


def expected(messages: list[mido.Message]) -> dict[str, list[mido.Message]]:
    """Return what each device should get, by mido.

    The file's parts play on channels of their own and are folded to one here: a note sounds until the last
    of its keys is released, and a key that comes to it while it sounds strikes it again.
    """
    out: dict[str, list[mido.Message]] = {"high": [], "low": []}
    keys: dict[int, set[int]] = defaultdict(set)  # by note: the channels on which it is down
    for message in messages:
        if message.type not in ("note_on", "note_off"):
            continue
        high, down = message.note >= MIDDLE_C, keys[message.note]
        to = out["high" if high else "low"]
        note, channel = (message.note + 12, 2) if high else (message.note, 6)
        if message.type == "note_on" and message.velocity > 0:
            if down:
                to.append(mido.Message("note_off", channel=channel, note=note, velocity=64))
            down.add(message.channel)
            velocity = min(message.velocity, 80) if high else 64
            to.append(mido.Message("note_on", channel=channel, note=note, velocity=velocity))
            continue
        down.discard(message.channel)
        if not down:
            # a Note On with velocity 0 is a Note Off, and a default release velocity is 64 (M1 p. 10)
            velocity = message.velocity if message.type == "note_off" else 64
            to.append(mido.Message("note_off", channel=channel, note=note, velocity=velocity))
    return out


def test_every_note_arrives_once_in_order_and_as_asked(tmp_path: Path) -> None:
    folder = tmp_path / "rig"
    (folder / "songs").mkdir(parents=True)
    (folder / "rig.yaml").write_text(RIG)
    (folder / "songs" / "serenade.yaml").write_text(SONG)
    messages = performance()
    wanted = expected(messages)
    assert sum(message.type == "note_on" for sent in wanted.values() for message in sent) == PRESSES
    udp = free_port(socket.SOCK_DGRAM)
    options = ("--ports", "simulated", "--far-end", str(udp))
    with Service(folder, tmp_path / "state", *options) as service:
        service.wait_until_open()
        with FarEnd(("127.0.0.1", udp)) as far_end:
            far_end.listen()
            for number, message in enumerate(messages):
                far_end.play("keys", bytes(message.bytes()))
                if number % 20 == 0:
                    time.sleep(0.01)
            got: dict[str, list[mido.Message]] = {"high": [], "low": []}
            end_s = time.monotonic() + 30
            while [len(v) for v in got.values()] != [len(v) for v in wanted.values()]:
                arrival = far_end.receive(1)
                assert time.monotonic() < end_s, {name: len(v) for name, v in got.items()}
                if arrival is not None and arrival.data[0] < 0xA0:
                    got[arrival.device].append(mido.Message.from_bytes(arrival.data))
    assert got == wanted
