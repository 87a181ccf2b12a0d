"""What a message costs its sender on ALSA: an event written to the sequencer, RtMidi's call, alsa-midi's.

python -m tests.bench.alsa_send [MESSAGES] sends notes and ticks to the kernel's "Midi Through", which wakes
nobody while nobody listens there, in turns by each way in one run: first alone, then while another thread
of this interpreter computes, as the clock thread has it at worst. Prints the time of one call in µs.
alsa-midi, which routerd does not need, takes part where it is installed. Where there is no ALSA, in the
virtual machine:

    tests/system/vm/run.py -- .venv/bin/python -m tests.bench.alsa_send
"""

from __future__ import annotations

import contextlib
import os
import sys
import threading
import time
from collections.abc import Callable
from importlib import import_module

import rtmidi

from routerd.core.midi.messages import TICK_BYTES
from routerd.engine.realtime import CLOCK_PRIORITY, calm_interpreter
from routerd.ports import open_system
from routerd.ports.patterns import match_port

THROUGH = (14, 0)
"""SNDRV_SEQ_CLIENT_DUMMY, the same number in every kernel."""

NOTE = bytes((0x90, 60, 1))
PAUSE_S = 0.001


def alsa_midi_sender() -> Callable[[], None] | None:
    """Return what sends a note by alsa-midi, where that is installed."""
    try:
        alsa_midi = import_module("alsa_midi")
    except ImportError:
        return None
    client = alsa_midi.SequencerClient("bench alsa-midi")
    port = client.create_port("out", alsa_midi.PortCaps.READ)
    note = alsa_midi.NoteOnEvent(60, 0, 1)

    def send() -> None:
        client.event_output_direct(note, port=port, dest=THROUGH)
        client.drain_output()

    return send


def main(messages: int = 300) -> None:
    """See the module's head."""
    system = open_system("alsa")
    through = match_port("Midi Through*Port-0*", system.outputs())
    assert through is not None
    ours = system.open_output(through, "bench")
    theirs = rtmidi.MidiOut(rtmidi.API_LINUX_ALSA, name="bench rtmidi")
    theirs.open_port(next(n for n, name in enumerate(theirs.get_ports()) if "Through" in name))
    ways: dict[str, Callable[[], object]] = {
        "note, written": lambda: ours.send(NOTE),
        "note, RtMidi": lambda: theirs.send_message(NOTE),
        "tick, written": lambda: ours.send(TICK_BYTES),
        "tick, RtMidi": lambda: theirs.send_message(TICK_BYTES),
        "asking how it stands": ours.condition,
    }
    if (alsa_midi := alsa_midi_sender()) is not None:
        ways["note, alsa-midi"] = alsa_midi
    with contextlib.suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(CLOCK_PRIORITY))
    calm_interpreter()
    computing = threading.Event()

    def compute() -> None:
        while computing.is_set():
            sum(range(50))

    for load in ("alone", "beside a thread of this interpreter that computes"):
        if load != "alone":
            computing.set()
            threading.Thread(target=compute, daemon=True).start()
        took: dict[str, list[float]] = {name: [] for name in ways}
        for _ in range(messages):
            for name, send in ways.items():
                time.sleep(PAUSE_S)
                begun_ns = time.perf_counter_ns()
                send()
                took[name].append((time.perf_counter_ns() - begun_ns) / 1000)
        print(load)
        for name, times in took.items():
            least, middle, high = (
                min(times),
                sorted(times)[messages // 2],
                sorted(times)[messages * 9 // 10],
            )
            print(f"  {name:24} least {least:7.1f}  median {middle:7.1f}  90 % {high:7.1f} µs")
    computing.clear()
    system.close()


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
