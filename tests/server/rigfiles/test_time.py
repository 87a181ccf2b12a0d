"""What files say about time: tempo maps and meters in bars, Standard MIDI Files, sources; and every mistake
in it."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from io import BytesIO
from pathlib import Path

import mido
import music21
import pytest
from sound_rig import RIG, Folder, problems_of
from test_resolve import HEAD, book, song

from routerd.core.clock.tempo_map import TempoMap
from routerd.core.model.actions import Action, At, Nudge, Restart, TapRounding
from routerd.core.model.codec import from_json, to_json
from routerd.core.model.commands import Command
from routerd.core.model.timing import (
    ChangePolicy,
    Click,
    ClickPlays,
    Curve,
    FrameRate,
    MeterPoint,
    Pulse,
    SongTiming,
    StartMode,
    TempoPoint,
    TimeCode,
    Timing,
)
from routerd.server.rigfiles.tempo import read_tempo

F = Fraction


def midi(*messages: mido.MetaMessage, ppq: int = 96, kind: int = 0) -> bytes:
    file = mido.MidiFile(type=kind, ticks_per_beat=ppq)
    file.tracks.append(mido.MidiTrack(messages))
    out = BytesIO()
    file.save(file=out)
    return out.getvalue()


def tempo(bpm_us: int, time: int = 0) -> mido.MetaMessage:
    return mido.MetaMessage("set_tempo", tempo=bpm_us, time=time)


def meter(beats: int, unit: int, time: int = 0) -> mido.MetaMessage:
    return mido.MetaMessage("time_signature", numerator=beats, denominator=unit, time=time)


def test_a_map_in_bars_becomes_positions(rig_folder: Folder) -> None:
    """Bars of 4/4 have 96 ticks, of 7/8 84: bar 9 is tick 768, bar 17 tick 768 + 8 × 84 = 1440."""
    one = song(
        rig_folder,
        HEAD + "meters: [{bar: 9, meter: 7/8}]\ntempo-map:\n  - {bar: 9, tempo: 124.5}\n"
        "  - {bar: 17, tempo: 140, over: 8, curve: exponential}\n",
    )
    assert one.timing.meters == (MeterPoint(768, 7, 8),)
    assert one.timing.tempo == (
        TempoPoint(F(768), F("124.5"), F("124.5")),
        TempoPoint(F(1440), F("124.5"), F(140), F(8 * 84), Curve.EXPONENTIAL),
    )


def test_a_source_and_its_transport(rig_folder: Folder) -> None:
    rig = RIG.replace("{input: Pedals*}", "{input: P*, timing: {leads-transport: false}}")
    restarting = RIG.replace("{input: Pedals*}", "{input: P*, timing: {restarts: true}}")
    found = book(rig_folder({"rig.yaml": restarting}))
    timing = next(d.timing for d in found.rig.devices if d.name == "pedals")
    assert timing.restarts
    assert from_json(Timing, to_json(timing)) == timing
    found = book(rig_folder({"rig.yaml": rig, "songs/one.yaml": HEAD + "clock-source: pedals\n"}))
    assert found.song("one").timing.clock_source == "pedals"
    timing = next(d.timing for d in found.rig.devices if d.name == "pedals")
    assert not timing.leads_transport


def test_every_key_of_a_device_clock(rig_folder: Folder) -> None:
    text = (
        "{offset: -12.5, rate: 1/2, starts: bar, sequence: 7, pulse: {per-quarter: 2, channel: 10, note: C2, "
        "value: 127, length: 5, reset: C#2}}"
    )
    rig = RIG.replace("wire: din, clock: true", f"wire: din, clock: true, transport: true, timing: {text}")
    timing = next(d.timing for d in book(rig_folder({"rig.yaml": rig})).rig.devices if d.name == "synth")
    assert timing == Timing(
        offset_ns=-12_500_000,
        rate=F(1, 2),
        start=StartMode.BAR,
        sequence_steps=7,
        pulse=Pulse(F(2), channel=9, note=36, value=127, length_ns=5_000_000, reset=37),
    )


def test_a_song_wants_devices_otherwise(rig_folder: Folder) -> None:
    timing = "{offset: 3, rate: 1/2, sequence: 7, pulse: {note: C2, always: true}}"
    rig = RIG.replace("wire: din, clock: true", f"clock: true, transport: true, timing: {timing}")
    usual = next(d.timing for d in book(rig_folder({"rig.yaml": rig})).rig.devices if d.name == "synth")
    assert usual.pulse == Pulse(F(4), note=36, always=True)
    text = "devices: {synth: {rate: 2, starts: bar, sequence: 16, pulse: {cc: 3, per-quarter: 1}}}\n"
    one = book(rig_folder({"rig.yaml": rig, "songs/one.yaml": HEAD + text})).song("one")
    pulse = Pulse(F(1), cc=3)
    wanted = replace(usual, rate=F(2), start=StartMode.BAR, sequence_steps=16, pulse=pulse)
    assert one.timing.devices == (("synth", wanted),)
    assert from_json(SongTiming, to_json(one.timing)) == one.timing
    one = book(
        rig_folder({"rig.yaml": rig, "songs/one.yaml": HEAD + "devices: {synth: {pulses: false}}\n"})
    ).song("one")
    assert one.timing.devices == (("synth", replace(usual, pulse=None)),)
    one = book(
        rig_folder({"rig.yaml": rig, "songs/one.yaml": HEAD + "devices: {synth: {rate: 1/2}}\n"})
    ).song("one")
    assert one.timing.devices == ()  # it is so already


def test_what_a_song_wants_of_one_device_of_a_port_is_the_ports(rig_folder: Folder) -> None:
    """Rate and start are those of the device that the port's timing is written at; pulses each device's
    own."""
    rig = RIG.replace(
        "  synth: {",
        "  upper: {output: Twin*, clock: true, transport: true}\n  lower: {output: Twin*}\n  synth: {",
    )
    one = book(
        rig_folder(
            {"rig.yaml": rig, "songs/one.yaml": HEAD + "devices: {lower: {starts: bar, pulse: {note: 1}}}\n"}
        )
    ).song("one")
    assert dict(one.timing.devices) == {
        "upper": Timing(start=StartMode.BAR),
        "lower": Timing(pulse=Pulse(F(4), note=1)),
    }


@pytest.mark.parametrize(
    ("text", "what", "remedy"),
    [
        ("{nobody: {rate: 2}}", "'nobody' is not a device in rig.yaml", "synth"),
        ("{pedals: {rate: 2}}", "has no output to send to", "output"),
        ("{synth: {}}", "nothing is set for 'synth'", "add rate"),
        ("{synth: {offset: 2}}", "'offset' is not a key of a device in a song", "rate"),
        ("{synth: {rate: 5}}", "5 is outside", "1/2"),
        (
            "{synth: {starts: bar}}",
            "'starts' has no meaning, as 'synth' gets no transport",
            "transport: true",
        ),
        ("{synth: {sequence: 3}}", "'sequence' has no meaning", "transport: true"),
        ("{synth: {pulse: {value: 3}}}", "a note or a controller", "one of the two"),
        ("{synth: {pulse: {note: 1}, pulses: false}}", "'pulses: false' contradict", "remove one"),
        ("{synth: 3}", "must be a group", "rate"),
        ("[synth]", "must be a group", "key: value"),
    ],
)
def test_every_mistake_in_what_a_song_wants_has_its_remedy(
    rig_folder: Folder, text: str, what: str, remedy: str
) -> None:
    (problem,) = problems_of(rig_folder({"songs/one.yaml": HEAD + f"devices: {text}\n"}))
    assert problem.startswith("songs/one.yaml:3: ")
    assert what in problem
    assert remedy in problem


def test_a_port_has_one_rate_in_a_song(rig_folder: Folder) -> None:
    rig = RIG.replace("  synth: {", "  a: {output: Twin*, clock: true}\n  b: {output: Twin*}\n  synth: {")
    text = "devices:\n  a: {rate: 2}\n  b: {rate: 1/2}\n"
    (problem,) = problems_of(rig_folder({"rig.yaml": rig, "songs/one.yaml": HEAD + text}))
    assert problem.startswith("songs/one.yaml:5: 'b' and 'a' share an output port, but not 'rate'")


@pytest.mark.parametrize(("rate", "counts"), [(25, "song"), ("29.97", "set")])
def test_a_time_code_has_its_rate_and_what_it_counts(rig_folder: Folder, rate: object, counts: str) -> None:
    rig = RIG.replace("clock: true", f"clock: true, timing: {{mtc: {{rate: {rate}, counts: {counts}}}}}")
    timing = next(d.timing for d in book(rig_folder({"rig.yaml": rig})).rig.devices if d.name == "synth")
    assert timing.mtc == TimeCode(FrameRate(str(rate)), counts == "set")


def test_a_click_and_a_change_are_read(rig_folder: Folder) -> None:
    one = song(
        rig_folder,
        HEAD + "change: bar\nclick: {device: synth, channel: 2, subdivision: 2, count-in: 2,"
        " plays: count-in}\n",
    )
    assert one.timing.change is ChangePolicy.BAR
    assert one.timing.click == Click(
        "synth", channel=1, subdivision=2, count_in_bars=2, plays=ClickPlays.COUNT_IN
    )


def test_controls_of_tempo_and_retrigger(rig_folder: Folder) -> None:
    rig = RIG.replace(
        "wire: din, clock: true", "clock: true, transport: true, timing: {sequence: 7}"
    ).replace(
        "controls:\n",
        "controls:\n  - {from: pedals, note: 1, do: nudge, by: -0.25}\n  - {from: pedals, note: 2, do: tap}\n"
        "  - {from: pedals, note: 3, do: retrigger, device: synth, at: cycle}\n",
    )
    nudge, tap, retrigger = book(rig_folder({"rig.yaml": rig})).rig.controls[:3]
    assert nudge.command == Command(Action.NUDGE, Nudge(Fraction(-1, 4)))
    assert tap.command == Command(Action.TAP, TapRounding())
    assert retrigger.command == Command(Action.RETRIGGER, Restart("synth", At.CYCLE))


@pytest.mark.parametrize(
    ("before", "after", "what", "remedy"),
    [
        (
            "clock: true",
            "clock: true, timing: {offset: 251}",
            "offset 251 is outside -250 to 250 ms",
            "-12.5",
        ),
        ("clock: true", "clock: true, timing: {offset: soon}", "offset 'soon' is not a number", "-12.5"),
        ("clock: true", "clock: true, timing: {rate: 0}", "rate 0 is outside", "1/2"),
        ("clock: true", "clock: true, timing: {rate: 1/0}", "rate '1/0' is not a rate", "1/2"),
        ("clock: true", "clock: true, timing: {rate: 5}", "rate 5 is outside 1/96 to 4", "1/2"),
        (
            "clock: true",
            "clock: true, timing: {starts: bar}",
            "no meaning without 'transport'",
            "transport: true",
        ),
        ("clock: true", "timing: {rate: 2}", "no meaning without 'clock'", "clock: true"),
        (
            "clock: true",
            "clock: true, timing: {pulse: {value: 3}}",
            "a note or a controller",
            "one of the two",
        ),
        ("{input: Pedals*}", "{input: P*, timing: {offset: 3}}", "'offset' needs an output", "add 'output'"),
        (
            "clock: true",
            "clock: true, timing: {leads-transport: true}",
            "only a device with an input",
            "input",
        ),
        ("clock: true", "clock: true, timing: {mtc: {rate: 26}}", "26 is not a frame rate", "29.97"),
        (
            "{input: Pedals*}",
            "{input: P*, timing: {clock-from: mtc, leads-transport: false}}",
            "followed with transport",
            "remove 'leads-transport'",
        ),
        (
            "{input: Pedals*}",
            "{input: P*, timing: {restarts: true, leads-transport: false}}",
            "only a device whose transport is followed",
            "remove 'restarts'",
        ),
        (
            "clock: true",
            "clock: true, timing: {restarts: true}",
            "only a device with an input is followed",
            "add 'input', or remove it",
        ),
        ("do: next", "do: nudge", "does not say by how much", "by: 0.5"),
        ("do: next", "do: next, by: 3", "'by' has no meaning with 'do: next'", "do: nudge"),
        ("do: next", "do: retrigger", "needs a device", "device"),
        ("do: next", "do: next, at: bar", "'at' has no meaning", "do: retrigger"),
    ],
)
def test_every_mistake_in_the_rig_has_its_remedy(
    rig_folder: Folder, before: str, after: str, what: str, remedy: str
) -> None:
    (problem,) = problems_of(rig_folder({"rig.yaml": RIG.replace(before, after)}))
    assert problem.startswith("rig.yaml:")
    assert what in problem
    assert remedy in problem


def test_a_midi_file_gives_tempo_and_meter(rig_folder: Folder) -> None:
    """500 000 µs to the quarter is 120 BPM; 96 parts of a quarter are 24 ticks."""
    content = midi(meter(3, 4), tempo(500_000), tempo(400_000, 288), meter(6, 8, 288), tempo(600_000, 1))
    files = {"songs/one.yaml": HEAD + "tempo-file: midi/one.mid\n", "midi/one.mid": content}
    timing = book(rig_folder(files)).song("one").timing
    assert timing.tempo == (
        TempoPoint(F(0), F(120), F(120)),
        TempoPoint(F(72), F(150), F(150)),
        TempoPoint(F(577, 4), F(100), F(100)),
    )
    assert timing.meters == (MeterPoint(0, 3, 4), MeterPoint(144, 6, 8))


def test_the_standards_own_example_file() -> None:
    """The format 0 example of RP-001 (as quoted): 4/4 at 120 BPM and nothing else about time."""
    content = bytes.fromhex(
        "4D546864 00000006 0000 0001 0060 4D54726B 0000003B 00FF580404021808 00FF510307A120 00C005 00C12E"
        "00C246 00923060 003C60 60914340 60904C20 8140823040 003C40 00814340 00804C40 00FF2F00"
    )
    found = read_tempo(content)
    assert found.tempo == (TempoPoint(F(0), F(120), F(120)),)
    assert found.meters == (MeterPoint(0, 4, 4),)


def test_a_real_performance_lasts_as_long_as_mido_says() -> None:
    """music21's k525 file; mido's length is to the last event."""
    (path,) = Path(music21.__file__).parent.rglob("k525MIDIMvt1.mid")
    file = mido.MidiFile(path)
    found = read_tempo(path.read_bytes())
    last = max(sum(message.time for message in track) for track in file.tracks)
    tempo_map = TempoMap(F(120), 4, 4, found.tempo, found.meters)
    assert tempo_map.time_ns(F(last * 24, file.ticks_per_beat)) == pytest.approx(file.length * 1e9, abs=1000)


@pytest.mark.parametrize(
    ("text", "line", "what", "remedy"),
    [
        ("clock-source: synth\n", 3, "clock-source 'synth' has no input", "keys or pedals"),
        ("clock-source: nobody\n", 3, "'nobody' is not a device", "keys"),
        ("tempo-map: [{bar: 0, tempo: 120}]\n", 3, "bar 0 is outside 1 to 9999", "1 to 9999"),
        ("tempo-map: [{bar: 2}]\n", 3, "'tempo' is missing", "tempo: 124.5"),
        ("tempo-map: [{bar: 2, tempo: 0}]\n", 3, "tempo 0 is outside 10 to 480", "10 to 480"),
        ("tempo-map: [{bar: 2, tempo: -5}]\n", 3, "tempo -5 is not a tempo", "121.5"),
        ("tempo-map: [{bar: 2, tempo: .nan}]\n", 3, "tempo '.nan' is not a tempo", "121.5"),
        ("tempo-map: [{bar: 2, tempo: 10000}]\n", 3, "tempo 10000 is", "10 to 480"),
        ("tempo-map: [{bar: 2, tempo: 99, curve: linear}]\n", 3, "'curve' has no meaning", "over: 8"),
        (
            "tempo-map: [{bar: 2, tempo: 99, over: 4}, {bar: 5, tempo: 90}]\n",
            3,
            "bar 5 comes before",
            "in order",
        ),
        ("meters: [{bar: 5, meter: 3/4}, {bar: 5, meter: 4/4}]\n", 3, "bar 5 comes before", "in order"),
        ("meters: [{bar: 5, meter: 0/4}]\n", 3, "meter '0/4'", "1 to 32"),
        ("tempo-file: no.mid\n", 3, "tempo-file file 'no.mid'", ""),
        ("tempo-file: ../x.mid\n", 3, "is outside the rig folder", "copy it"),
        ("tempo-file: [1]\n", 3, "not a file", "midi/copper-ferry.mid"),
        ("tempo-file: bad.mid\n", 3, "not a Standard MIDI File", "export it again"),
        ("tempo-file: fast.mid\n", 3, "a tempo of 600.0 BPM", "by hand"),
        ("tempo-file: odd.mid\n", 3, "in the middle of a bar", "by hand"),
        ("tempo-file: strange.mid\n", 3, "a meter of 4/64", "by hand"),
        (
            "tempo-file: good.mid\nmeters: [{bar: 2, meter: 3/4}]\n",
            4,
            "both 'meters' and 'tempo-file'",
            "remove",
        ),
    ],
)
def test_every_mistake_has_its_line_and_remedy(
    rig_folder: Folder, text: str, line: int, what: str, remedy: str
) -> None:
    files = {
        "songs/one.yaml": HEAD + text,
        "bad.mid": b"MThd" + bytes(30),
        "good.mid": midi(tempo(500_000)),
        "fast.mid": midi(tempo(100_000)),
        "odd.mid": midi(meter(4, 4), meter(3, 4, 50)),
        "strange.mid": midi(meter(4, 64)),
    }
    (problem,) = problems_of(rig_folder(files))
    assert problem.startswith(f"songs/one.yaml:{line}: ")
    assert what in problem
    assert remedy in problem


def test_a_truncated_midi_file_is_refused_at_every_length() -> None:
    content = midi(meter(3, 4), tempo(500_000), tempo(400_000, 288))
    for length in range(len(content)):
        with pytest.raises(ValueError, match="not a Standard MIDI File"):
            read_tempo(content[:length])
