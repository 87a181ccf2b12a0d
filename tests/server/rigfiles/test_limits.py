"""The ends of everything that files may say: what lies on them is taken, what lies one beyond is refused.

Channels, data bytes, programs and 14-bit values as M1 has them (16 channels, p. 4; data bytes 0 to 127, p. 5;
14 bits, p. 12); all other limits are configs/README.md's.
"""

from __future__ import annotations

import struct

import pytest
from sound_rig import RIG, SET, SONG, Folder, problems_of

from routerd.server.rigfiles import load_folder
from routerd.server.rigfiles.problems import one_of, quote
from routerd.server.rigfiles.text import read_document

CONTROL = "controls: [{from: pedals, @}]\n"
LED = "leds: [{to: host, @}]\n"
OTHERS = "keys: {input: k}, pedals: {input: p}, host: {output: h}"
DEVICE = f"devices: {{{OTHERS}, synth: {{output: s, clock: true, transport: true, @}}}}\n"
ROUTE = "routes: [{from: keys, to: synth, @}]\n"
PATCH = "patches: [{device: synth, @}]\n"
CLICK = "click: {device: synth, @}\n"
TIMED = "devices: {synth: {@}}\n"

RIG_KEYS = [
    ("concert-pitch: @\n", ["380", "380.0", "500", "500.0"], ["379", "379.9", "500.1", "501"]),
    ("holdover: @\n", ["1", "600"], ["0", "601"]),
    ("presses: {debounce-ms: @, double-ms: 5000}\n", ["0", "2000"], ["-1", "2001"]),
    ("presses: {debounce-ms: @, double-ms: 300}\n", ["299"], ["300", "301"]),
    ("presses: {long-ms: @}\n", ["100", "5000"], ["99", "5001"]),
    ("presses: {double-ms: @}\n", ["100", "5000"], ["99", "5001"]),
    ("pedals: [{from: pedals, cc: @, heel: 1, toe: 2}]\n", ["0", "127"], ["-1", "128"]),
    ("pedals: [{from: pedals, cc: 11, heel: @, toe: 2}]\n", ["0", "127"], ["-1", "2", "128"]),
    (CONTROL.replace("@", "note: @, do: next"), ["0", "127", "C-1", "G9"], ["-1", "128", "B-2", "G#9"]),
    (CONTROL.replace("@", "cc: @, do: next"), ["0", "127"], ["-1", "128"]),
    (CONTROL.replace("@", "program: @, do: next"), ["1", "128"], ["0", "129"]),
    (CONTROL.replace("@", "cc: 1, channel: @, do: next"), ["1", "16"], ["0", "17"]),
    (CONTROL.replace("@", "cc: 1, debounce-ms: @, do: next"), ["0", "2000"], ["-1", "2001"]),
    (CONTROL.replace("@", "cc: 1, do: song, song: @"), ["1", "999"], ["0", "1000"]),
    (CONTROL.replace("@", "cc: 1, do: section, section: @"), ["1", "999"], ["0", "1000"]),
    (CONTROL.replace("@", "cc: 1, do: nudge, by: @"), ["-50", "50", "50.0"], ["-50.1", "50.1", "51"]),
    (
        CONTROL.replace("@", "message: @, do: next"),
        ["FA", "F0 7D F7", "90 3C 40"],
        ["F8", "FE", "90 3C", "F0 7D"],
    ),
    (CONTROL.replace("@", "cc: 1, do: next, label: @"), ["a" * 200], ["a" * 201]),
    (LED.replace("@", "cc: @, channel: 1, shows: running"), ["0", "127"], ["-1", "128"]),
    (LED.replace("@", "note: @, channel: 1, shows: running"), ["0", "127"], ["-1", "128"]),
    (LED.replace("@", "cc: 1, channel: @, shows: running"), ["1", "16"], ["0", "17"]),
    (LED.replace("@", "cc: 1, channel: 1, shows: running, on: @"), ["1", "127"], ["-1", "128"]),
    (LED.replace("@", "cc: 1, channel: 1, shows: song, song: @"), ["1", "999"], ["0", "1000"]),
    (DEVICE.replace("@", "channels: @"), ["1", "16", "1-16", "[1, 16]"], ["0", "17", "0-16", "2-1", "[]"]),
    (DEVICE.replace("@", "timing: {offset: @}"), ["-250", "250"], ["-250.1", "250.1", "-251", "251"]),
    (DEVICE.replace("@", "timing: {rate: @}"), ["1/96", "4", "4.0", "8/2"], ["1/97", "4.1", "5", "0", "1/0"]),
    (DEVICE.replace("@", "timing: {sequence: @}"), ["1", "1024"], ["0", "1025"]),
    (DEVICE.replace("@", "timing: {pulse: {note: 1, per-quarter: @}}"), ["1/96", "96"], ["1/97", "97"]),
    (DEVICE.replace("@", "timing: {pulse: {note: 1, value: @}}"), ["1", "127"], ["0", "128"]),
    (DEVICE.replace("@", "timing: {pulse: {note: 1, length: @}}"), ["1", "1000"], ["0.9", "0", "1000.1"]),
    (
        DEVICE.replace("@", "timing: {mtc: {rate: @}}"),
        ["24", "25", "29.97", "'30'"],
        ["23", "26", "30.1", "true"],
    ),
    (DEVICE.replace("host", "8").replace("@", "loopback: @"), ["keys"], ["8", "9", "true", "[keys]"]),
    (
        "devices: {keys: {input: k}, pedals: {input: p}, 8: {output: h}, synth: {output: s}}\n"
        "leds: [{to: @, cc: 1, channel: 1, shows: running}]\n",
        ["8", "'8'"],
        ["9", "true", "keys", "[8]"],
    ),
    (DEVICE.replace("@", "timing: {pulse: {cc: @}}"), ["0", "127"], ["-1", "128"]),
]
SONG_KEYS = [
    ("tempo: @\n", ["10", "480", "480.0"], ["9", "9.9", "480.1", "481"]),
    ("duration: @\n", ["0:01", "1", "999:59", "1:59:59", "24:00:00", "86400"],
     ["0:00", "0", "0:60", "1000:00", "1:60:00", "24:00:01", "86401"]),
    ("meter: @\n", ["1/4", "32/32", "32/1"], ["0/4", "33/4", "4/3", "4/64", "4/0"]),
    ("tuning-note: @\n", ["0", "127"], ["-1", "128"]),
    ("key: @\n", ["a" * 64], ["a" * 65]),
    ("checklist: [@]\n", ["a" * 500], ["a" * 501]),
    ("checklist: [{text: a, who: @}]\n", ["a" * 64], ["a" * 65]),
    ("sections: [{name: @}]\n", ["a" * 64], ["a" * 65]),
    ("notes: @\n", ["a" * 20_000], ["a" * 20_001]),
    ("hold: [{device: synth, notes: [@]}]\n", ["0", "127"], ["-1", "128", ""]),
    ("hold: [{device: synth, notes: [1], velocity: @}]\n", ["1", "127"], ["0", "128"]),
    ("tempo-map: [{bar: @, tempo: 100}]\n", ["1", "9999"], ["0", "10000"]),
    ("tempo-map: [{bar: 3, tempo: 100, over: @}]\n", ["1", "999"], ["0", "1000"]),
    ("tempo-map: [{bar: 3, tempo: 100, over: 4}, {bar: @, tempo: 90}]\n", ["7"], ["6"]),
    ("tempo-map: [{bar: 3, tempo: 100}, {bar: @, tempo: 90}]\n", ["4"], ["2", "3"]),
    ("meters: [{bar: @, meter: 3/4}]\n", ["1", "9999"], ["0", "10000"]),
    ("meters: [{bar: 3, meter: 3/4}, {bar: @, meter: 4/4}]\n", ["4"], ["3"]),
    (CLICK.replace("@", "channel: @"), ["1", "16"], ["0", "17"]),
    (CLICK.replace("@", "subdivision: @"), ["1", "8"], ["0", "9"]),
    (CLICK.replace("@", "count-in: @"), ["0", "16"], ["-1", "17"]),
    (CLICK.replace("@", "velocity: @"), ["1", "127"], ["0", "128"]),
    (TIMED.replace("@", "rate: @"), ["1/96", "4"], ["1/97", "5"]),
    (TIMED.replace("@", "pulse: {note: @}"), ["0", "127"], ["-1", "128"]),
    (PATCH.replace("@", "program: @"), ["1", "128"], ["0", "129"]),
    (PATCH.replace("@", "channel: @, program: 1"), ["1", "16"], ["0", "17"]),
    (PATCH.replace("@", "bank: {msb: @}"), ["0", "127"], ["-1", "128"]),
    (PATCH.replace("@", "bank: {lsb: @}"), ["0", "127"], ["-1", "128"]),
    (PATCH.replace("@", "cc: {@: 1}"), ["1", "31", "33", "127"], ["-1", "0", "32", "128", "01"]),
    (PATCH.replace("@", "cc: {7: @}"), ["0", "127"], ["-1", "128"]),
    (PATCH.replace("@", "rpn: {@: 1}"), ["0", "16383"], ["-1", "16384", "01"]),
    (PATCH.replace("@", "nrpn: {1: @}"), ["0", "16383"], ["-1", "16384"]),
    (PATCH.replace("@", "program: 1, order: [program, @]"), ["1 ms", "5000 ms"], ["0 ms", "5001 ms", "1 s"]),
    (PATCH.replace("@", "sysex: ['@']"), ["F0 F7", "F0 7D 7F F7", "F0 F7 F0 F7"],
     ["F0", "F7", "F0 80 F7", "F0 F0 F7", "90 F0 F7", "F0 F7 00", ""]),
    (PATCH.replace("@", "messages: ['@']"), ["B0 7F 7F", "C0 00", "F3 01", "C0 00 C0 01", "F6"],
     ["B0 7F", "B0 80 00", "00", "F0 F7", "F8", "C0 00 C0", "C0 80", ""]),
    (ROUTE.replace("@", "channel: @"), ["1", "16"], ["0", "17"]),
    (ROUTE.replace("@", "from-channel: @"), ["1", "16"], ["0", "17"]),
    (ROUTE.replace("@", "notes: @"), ["0-127", "5", "C-1-G9", "60-60"], ["0-128", "61-60", "-1-5", "true"]),
    (ROUTE.replace("@", "velocities: @"), ["1-127", "5"], ["0-127", "1-128", "6-5"]),
    (ROUTE.replace("@", "transpose: @"), ["-48", "48"], ["-49", "49"]),
    (ROUTE.replace("@", "octave: @"), ["-5", "5"], ["-6", "6"]),
    (ROUTE.replace("@", "transpose: 48, notes: @"), ["79-90", "79"], ["80-90", "80"]),
    (ROUTE.replace("@", "transpose: -48, notes: @"), ["40-48", "48"], ["40-47", "47"]),
    (ROUTE.replace("@", "transpose: 1, octave: -5, notes: @"), ["0-59", "59"], ["0-58", "58"]),
    (ROUTE.replace("@", "chord: @"), ["[-48]", "[48]", str([*range(16)])],
     ["[]", "[-49]", "[49]", "[1, 1]", str([*range(17)]), "1"]),
    (ROUTE.replace("@", "drone: {root: C, octave: @}"), ["-1", "8"], ["-2", "9"]),
    (ROUTE.replace("@", "drone: {root: @}"), ["C", "g", "F#", "Bb"], ["H", "C4", "", "C##"]),
    (ROUTE.replace("@", "cc: @"), ["0", "127", "[1, 64-67]"], ["-1", "128", "[67-64]", "[]"]),
    (ROUTE.replace("@", "programs: {@: 1}"), ["1", "128"], ["0", "129"]),
    (ROUTE.replace("@", "programs: {1: @}"), ["1", "128"], ["0", "129"]),
    (ROUTE.replace("@", "sysex: ['@']"), ["F0", "F0 7F"], ["F0 80", "F7", "90", "F0 7", ""]),
    (ROUTE.replace("@", "velocity: {fixed: @}"), ["1", "127"], ["0", "128"]),
    (ROUTE.replace("@", "velocity: {max: @}"), ["1", "127"], ["0", "128"]),
    (ROUTE.replace("@", "velocity: {curve: @}"),
     ["[[0, 0], [127, 127]]", "[[0, 5], [1, 5]]", "[[0, 0], [1, 1]]", str([[n, n] for n in range(128)])],
     ["[[0, 0]]", "[[0, 0], [128, 1]]", "[[0, 0], [1, 128]]", "[[1, 0], [1, 1]]", "[[2, 0], [1, 1]]",
      "[[0, 2], [1, 1]]", "[[0, 0], [127, 0]]", "[[0, 0], [1, 2, 3]]", "[]"]),
    (ROUTE.replace("@", "pitch-bend-range: {from: @, to: 2}"), ["1", "96"], ["0", "97"]),
    (ROUTE.replace("@", "zone: {from: lower, members: @, to: upper}"), ["1", "15"], ["0", "16"]),
    (ROUTE.replace("@", "zone: {from: lower, members: 7, to: upper, to-members: @}"),
     ["1", "15"], ["0", "16"]),
    (ROUTE.replace("@", "zone: {from: lower, members: 7, channel: @}"), ["1", "16"], ["0", "17"]),
    (ROUTE.replace("@", "zone: {from: lower, members: 7, channel: 1, pitch-bend-range: @}"),
     ["1", "96"], ["0", "97"]),
    (ROUTE.replace("@", "map: [{from: @, to: 1}]"), ["0", "119", "cc 5", "5", "7", "37", "39", "95", "102"],
     ["-1", "120", "6", "38", "96", "101", "fine 32", "rpn 16384"]),
    (ROUTE.replace("@", "map: [{from: 1, to: @}]"),
     ["fine 0", "fine 31", "fine 5", "fine 7", "rpn 0", "rpn 16383", "nrpn 16383"],
     ["fine 6", "fine 32", "rpn 16384", "nrpn -1", "fine", "rpn 1 2"]),
    (ROUTE.replace("@", "map: [{from: 1, to: 2, from-range: @}]"), ["0-127", "5-6"], ["0-128", "5-5", "6-5"]),
    (ROUTE.replace("@", "map: [{from: 1, to: 2, range: @}]"), ["0-127", "127-0", "5-5"], ["0-128", "128-0"]),
    (ROUTE.replace("@", "map: [{from: 1, to: fine 1, range: @}]"), ["0-16383"], ["0-16384"]),
    (ROUTE.replace("@", "map: [{from: 1, to: 2, deadband: @}]"), ["0", "127"], ["-1", "128"]),
]  # fmt: skip
SET_KEYS = [
    ("encore: @\n", ["0"], ["-1", "1"]),
    ("slot: @\n", ["0:01", "24:00:00"], ["0:00", "24:00:01"]),
    ("changeover: @\n", ["0:01", "24:00:00"], ["0:00", "24:00:01"]),
]


def put(base: str, text: str) -> str:
    """Return a file with a key put over its own."""
    key = text.partition(":")[0]
    lines, kept, skipping = base.splitlines(keepends=True), [], False
    for line in lines:
        if not line.startswith((" ", "-")):
            skipping = line.startswith(f"{key}:")
        if not skipping:
            kept.append(line)
    return "".join(kept) + text


@pytest.mark.parametrize(
    ("file", "base", "text", "taken", "refused"),
    [
        (file, base, *row)
        for file, base, rows in (
            ("rig.yaml", RIG, RIG_KEYS),
            ("songs/one.yaml", SONG, SONG_KEYS),
            ("sets/tonight.yaml", SET, SET_KEYS),
        )
        for row in rows
    ],
    ids=lambda value: value.strip() if isinstance(value, str) and "@" in value else "",
)
def test_what_lies_on_a_limit_is_taken_and_what_lies_beyond_is_refused(
    rig_folder: Folder, file: str, base: str, text: str, taken: list[str], refused: list[str]
) -> None:
    made = {value: put(base, text.replace("@", value)) for value in (*taken, *refused)}
    judged = {value: problems_of(rig_folder({file: content})) for value, content in made.items()}
    assert {value: judged[value] for value in taken} == {value: [] for value in taken}
    assert {value: bool(judged[value]) for value in refused} == dict.fromkeys(refused, True)
    for value in refused:
        (problem, *_) = judged[value]
        assert problem.startswith(f"{file}:"), problem


def nested(depth: int) -> bytes:
    return b"a: " + b"[" * (depth - 1) + b"1" + b"]" * (depth - 1) + b"\n"


@pytest.mark.parametrize(
    ("whole", "too_much"),
    [
        (nested(24), nested(25)),
        (b"a: [" + b"1, " * 49_997 + b"1]\n", b"a: [" + b"1, " * 49_998 + b"1]\n"),
        (b"a: 1\n#" + b"x" * 999_993 + b"\n", b"a: 1\n#" + b"x" * 999_994 + b"\n"),
    ],
    ids=["24 deep", "50 000 values", "1 MB"],
)
def test_how_much_a_file_may_hold(whole: bytes, too_much: bytes) -> None:
    assert read_document("a.yaml", whole).problems == []
    (problem,) = read_document("a.yaml", too_much).problems
    assert "more than" in problem.what or "larger than" in problem.what


@pytest.mark.parametrize(("mistakes", "told"), [(100, 100), (101, 101), (102, 101), (300, 101)])
def test_a_hundred_mistakes_are_told_and_then_that_there_are_more(mistakes: int, told: int) -> None:
    problems = read_document("a.yaml", b"".join(b"k%d:\n" % n for n in range(mistakes))).problems
    assert len(problems) == told
    assert [p for p in problems if "more than 100" in p.what] == problems[100:]
    assert problems[-1].line == min(mistakes, 100)


def test_what_is_shown_of_long_values_and_lists() -> None:
    assert quote("a" * 40) == f"'{'a' * 40}'"
    assert quote("a" * 41) == f"'{'a' * 39}…'"
    words = [f"w{n}" for n in range(13)]
    assert one_of(words[:12]) == ", ".join(words[:11]) + " or w11"
    assert one_of(words) == ", ".join(words[:12]) + " … (13 in all)"
    assert (one_of(words[:2]), one_of(words[:1]), one_of([])) == ("w0 or w1", "w0", "")


def test_how_large_a_dump_and_all_dumps_of_a_song_may_be(rig_folder: Folder) -> None:
    """64 KiB in a file, 1 MiB in a song."""

    def folder(sizes: list[int]) -> list[str]:
        files = {f"d{n}.syx": b"\xf0" + bytes(size - 2) + b"\xf7" for n, size in enumerate(sizes)}
        named = ", ".join(f"{{file: {name}}}" for name in files)
        song = SONG + f"patches: [{{device: synth, sysex: [{named}]}}]\n"
        return problems_of(rig_folder({"songs/one.yaml": song, **files}))

    assert folder([65_536] * 16) == []
    (problem,) = folder([65_537])
    assert "64 KiB" in problem
    (problem,) = folder([*[65_536] * 16, 2])
    assert "1048578 bytes" in problem


def midi_file(*events: bytes, division: int = 24) -> bytes:
    """Return a Standard MIDI File of one track (Standard MIDI Files 1.0, from memory)."""
    track = b"".join(events) + b"\x00\xff\x2f\x00"
    return b"MThd" + struct.pack(">IHHH", 6, 0, 1, division) + b"MTrk" + struct.pack(">I", len(track)) + track


def tempo(microseconds: int, after: int = 0) -> bytes:
    return bytes((after,)) + b"\xff\x51\x03" + microseconds.to_bytes(3, "big")


def meter(beats: int, power: int, after: int = 0) -> bytes:
    return bytes((after,)) + b"\xff\x58\x04" + bytes((beats, power, 24, 8))


@pytest.mark.parametrize(
    ("content", "taken"),
    [
        (midi_file(tempo(125_000)), True),  # 480 BPM
        (midi_file(tempo(124_999)), False),
        (midi_file(tempo(6_000_000)), True),  # 10 BPM
        (midi_file(tempo(6_000_001)), False),
        (midi_file(tempo(0)), False),
        (midi_file(meter(1, 2)), True),
        (midi_file(meter(0, 2)), False),
        (midi_file(meter(32, 5)), True),
        (midi_file(meter(33, 5)), False),
        (midi_file(meter(4, 6)), False),
        (midi_file(meter(4, 2), meter(3, 2, after=96)), True),
        (midi_file(meter(4, 2), meter(3, 2, after=97)), False),
        (midi_file(tempo(500_000), division=1), True),
        (midi_file(tempo(500_000), division=0), False),
        (midi_file(tempo(500_000), division=0xE728), False),  # frames of time code
    ],
)
def test_what_a_tempo_file_may_have(rig_folder: Folder, content: bytes, *, taken: bool) -> None:
    folder = rig_folder({"songs/one.yaml": SONG + "tempo-file: a.mid\n", "a.mid": content})
    assert (problems_of(folder) == []) is taken


@pytest.mark.parametrize(
    ("drone", "notes"),
    [
        ("{root: G, octave: 8, intervals: [0, 12, 13]}", (115, 127)),
        ("{root: C, octave: -1, intervals: [0, -1, 5]}", (0, 5)),
        ("{root: B, octave: -1, intervals: [-11, -12]}", (0,)),
    ],
)
def test_a_drone_leaves_out_what_no_note_is(rig_folder: Folder, drone: str, notes: tuple[int, ...]) -> None:
    song = SONG + f"routes: [{{from: keys, to: synth, drone: {drone}}}]\n"
    rig = load_folder(rig_folder({"songs/one.yaml": song})).rig_folder
    assert rig is not None
    assert [route.drone for route in rig.songs[0].routes if route.target == "synth"][-1] == notes


@pytest.mark.parametrize(
    ("key", "drone", "root"),
    [
        ("C", "{}", 48),
        ("C# minor", "{}", 49),
        ("B", "{octave: 2}", 47),
        ("D", "{root: C}", 48),
        ("", "{root: B}", 59),
    ],
)
def test_a_drone_stands_on_the_root_of_the_key_or_its_own(
    rig_folder: Folder, key: str, drone: str, root: int
) -> None:
    """C4 is 60, so the octave from C3 begins at 48."""
    song = SONG + (f"key: {key}\n" if key else "")
    song += f"routes: [{{from: keys, to: synth, name: held, drone: {drone}}}]\n"
    rig = load_folder(rig_folder({"songs/one.yaml": song})).rig_folder
    assert rig is not None
    assert [route.drone for route in rig.songs[0].routes if route.name == "held"] == [(root,)]
