"""Every kind of mistake in a rig folder: the file, the exact line, and words that help."""

from __future__ import annotations

import pytest
from sound_rig import RIG, Folder, problems_of

from routerd.server.rigfiles import Problem, load_folder

HEAD = "title: One\ntempo: 120\n"


def test_a_problem_reads_as_file_line_what_remedy() -> None:
    assert (
        str(Problem("songs/x.yaml", 12, "it is wrong", "do right"))
        == "songs/x.yaml:12: it is wrong; do right"
    )


SONG_MISTAKES = [
    ("tempo: 120\n", 1, "'title' is missing", "title: Copper Ferry"),
    ("title: One\n", 1, "'tempo' is missing", "tempo: 121.5"),
    ("title: One\ntempo: fast\n", 2, "tempo 'fast' is not a tempo", "121.5"),
    ("title: One\ntempo: 1215\n", 2, "tempo 1215 is outside 10 to 480 BPM", "10 to 480"),
    ("title: One\ntempo: 1e999999999\n", 2, "is not a tempo", "121.5"),
    ("title: One\ntempo: 1/0\n", 2, "outside 10 to 480", "10 to 480"),
    ("title: [One]\ntempo: 120\n", 1, "title is a list, not text", "write text"),
    ("title: ' '\ntempo: 120\n", 1, "title is empty", "write some text"),
    (f"title: {'x' * 201}\ntempo: 120\n", 1, "title has 201 characters", "at most 200"),
    ('title: "a\\tb"\ntempo: 120\n', 1, "control character", "plain text"),
    (HEAD + "tempoo: 3\n", 3, "'tempoo' is not a key of a song", "did you mean 'tempo'?"),
    (HEAD + "meter: 4/5\n", 3, "meter '4/5'", "7/8"),
    (HEAD + "meter: 33/4\n", 3, "meter '33/4'", "from 1 to 32"),
    (HEAD + "meter: 4\n", 3, "meter 4 is not a meter", "7/8"),
    (HEAD + "duration: 4:60\n", 3, "duration '4:60'", "4:10"),
    (HEAD + "duration: 1:60:00\n", 3, "duration '1:60:00'", "1:02:30"),
    (HEAD + "duration: true\n", 3, "is true, not a duration", "4:10"),
    (HEAD + "duration: [4, 10]\n", 3, "not a duration", "4:10"),
    (HEAD + "duration: 0\n", 3, "duration 0 is not between", "whole seconds"),
    (HEAD + "start: on\n", 3, "start 'on' is not known here", "manual or entry"),
    (HEAD + "start: true\n", 3, "start true is not known here", "manual or entry"),
    (HEAD + "notes:\n", 3, "'notes' has no value", "remove the line"),
    (HEAD + "checklist: tape\n", 3, "'checklist' must be a list, not 'tape'", "'- '"),
    (HEAD + "checklist:\n  - tape\n  -\n", 5, "a list entry is empty", "remove its '-'"),
    (HEAD + "routes: {from: keys}\n", 3, "'routes' must be a list", "'- '"),
    (HEAD + "routes:\n  - keys\n", 4, "an entry of 'routes' must be a group", "name, from, to"),
    (HEAD + "routes:\n  - from: synth\n    to: host\n", 4, "from 'synth' has no input", "keys or pedals"),
    (HEAD + "routes:\n  - from: keys\n    to: pedals\n", 5,
     "to 'pedals' has no output", "keys, synth or host"),
    (HEAD + "routes:\n  - from: keys\n    to: keys\n", 5, "from 'keys' to itself", "another device"),
    (HEAD + "routes:\n  - {name: a, from: keys, to: host}\n  - {name: a, from: keys, to: synth}\n", 5,
     "route 'a' is already in line 4", "of its own"),
    (HEAD + "routes:\n  - {from: keys, to: host}\n  - {from: keys, to: host}\n", 5,
     "route 'keys to host' is already in line 4", "of its own"),
    (HEAD + "patches:\n  - device: synth\n    bank:\n      msb: 128\n", 6, "msb 128 is outside", "0 to 127"),
    (HEAD + "patches:\n  - device: synth\n    cc:\n      7: 100\n      10: 300\n", 7,
     "controller 10 300 is outside", "0 to 127"),
    (HEAD + "sections:\n  - {tempo: 100}\n", 4, "'name' is missing", "name: chorus"),
    (HEAD + "sections:\n  - name: a\n  - name: b\n  - name: a\n", 6,
     "section 'a' is already in line 4", "of its own"),
    (HEAD + "sections:\n  - name: a\n    tempo: 1\n", 5, "tempo 1 is outside", "10 to 480"),
    (HEAD + "sections:\n  - name: a\n    routes:\n      - {name: nope, off: true}\n", 6,
     "no route 'nope'", "shared"),
    (HEAD + "sections:\n  - name: a\n    patches:\n      - {device: snyth, program: 1}\n", 6,
     "device 'snyth' is not a device", "did you mean 'synth'?"),
]  # fmt: skip

SONG_MISTAKES += [
    (HEAD + "routes:\n  - {from: keys, to: host, drone: {intervals: [0, 7]}}\n", 1,
     "'keys to host' takes its root from the song's key, and there is none", "'key: D minor'"),
    (HEAD + "key: sad\nroutes:\n  - {from: keys, to: host, drone: {intervals: [0, 7]}}\n", 3,
     "the drone of route 'keys to host' takes its root from the key", "'D minor'"),
]  # fmt: skip

ROUTE_MISTAKES = [
    ("{from: kyes, to: synth}", "from 'kyes' is not a device", "did you mean 'keys'?"),
    ("{from: keys}", "the route has no 'to'", "add 'to:'"),
    ("{to: synth}", "the route has no 'from'", "add 'from:'"),
    ("{from: keys, to: host, pass: [note]}", "pass 'note'", "did you mean 'notes'?"),
    ("{from: keys, to: host, pass: []}", "'pass' is empty", "notes"),
    ("{from: keys, to: host, pass: notes}", "'pass' must be a list", "'- '"),
    ("{from: keys, to: host, channel: 0}", "channel 0 is outside 1 to 16", "1 to 16"),
    ("{from: keys, to: host, channel: 17}", "channel 17 is outside", "1 to 16"),
    ("{from: keys, to: host, from-channel: x}", "from-channel 'x'", "1 to 16"),
    ("{from: keys, to: host, from_channel: 1}", "'from_channel' is not", "from-channel"),
    ("{from: keys, to: host, transpose: 49}", "transpose 49 is outside", "-48 to 48"),
    ("{from: keys, to: host, transpose: 1.5}", "transpose '1.5'", "whole number"),
    ("{from: keys, to: host, notes: H2}", "notes 'H2' is not a note range", "C2-B4"),
    ("{from: keys, to: host, notes: 0-128}", "'128' is not a note", "0 to 127"),
    ("{from: keys, to: host, notes: C5-C4}", "ends below its start", "lower note first"),
    ("{from: keys, to: host, notes: 0-9, transpose: -10}", "transpose -10 moves", "smaller"),
    ("{from: keys, to: host, notes: 120, transpose: 8}", "transpose 8 moves", "smaller"),
    ("{from: keys, to: host, velocity: 3}", "'velocity' must be a group", "fixed, max or curve"),
    ("{from: keys, to: host, velocity: {}}", "velocity takes one", "'fixed' or 'max'"),
    ("{from: keys, to: host, velocity: {fixed: 1, max: 2}}", "takes one", "'fixed' or"),
    ("{from: keys, to: host, velocity: {fixed: 0}}", "fixed 0 is outside", "1 to 127"),
    ("{from: keys, to: host, octave: 6}", "octave 6 is outside", "-5 to 5"),
    ("{from: keys, to: host, notes: 100-127, octave: 3}", "octave 3 moves every note", "smaller"),
    ("{from: keys, to: host, velocity: {curve: steep}}", "curve 'steep' is not known", "soft or hard"),
    ("{from: keys, to: host, velocity: {curve: [[0, 0]]}}", "curve has 1 points", "2 to 128"),
    ("{from: keys, to: host, velocity: {curve: [[0, 9], [9, 3]]}}", "curve falls from 9 to 3", "rise"),
    ("{from: keys, to: host, velocity: {curve: [[9, 0], [9, 3]]}}", "from 9 back to 9", "rise"),
    ("{from: keys, to: host, velocity: {curve: [[0, 0], [127, 0]]}}", "never rises", "above 0"),
    ("{from: keys, to: host, velocity: {curve: [[0, 0], [127, 200]]}}", "curve 200 is outside", "0 to 127"),
    ("{from: keys, to: host, velocities: 80-1}", "ends below its start", "lower number first"),
    ("{from: keys, to: host, velocities: 0-5}", "'0-5' is outside 1 to 127", "1 to 127"),
    ("{from: keys, to: synth, pass: [clock]}", "would get clock twice", "out of 'pass'"),
    ("{from: keys, to: host, pass: [notes], block: [pitch-bend]}",
     "both 'pass' and 'block'", "one of the two"),
    ("{from: keys, to: host, pass: [notes], sysex: [F0]}", "does not let through", "let sysex pass"),
    ("{from: keys, to: host, sysex: [7D]}", "not how a SysEx begins", "begin with F0"),
    ("{from: keys, to: host, chord: [0, 0]}", "same semitone twice", "once"),
    ("{from: keys, to: host, chord: 4}", "not a list of semitones", "[0, 4, 7]"),
    ("{from: keys, to: host, drone: {root: H}}", "root 'H' is not the name", "F#"),
    ("{from: keys, to: host, cc: [128]}", "cc 128 is outside", "0 to 127"),
    ("{from: keys, to: host, programs: {0: 1}}", "0' is not a whole number", "1 to 128"),
    ("{from: keys, to: host, pitch-bend-range: {from: 2}}", "'to' is missing", "to: 12"),
    ("{from: keys, to: host, zone: {from: lower, members: 7}}", "to a zone or to one channel", "'to'"),
    ("{from: keys, to: host, zone: {from: low, members: 7, to: upper}}", "from 'low'", "lower"),
    ("{from: keys, to: host, zone: {from: lower, members: 16, to: upper}}", "members 16 is", "1 to 15"),
    ("{from: keys, to: host, channel: 2, zone: {from: upper, members: 7, to: lower}}", "no meaning", "make"),
    ("{from: keys, to: host, map: [{from: 1}]}", "'to' is missing", "to: fine 1"),
    ("{from: keys, to: host, map: [{from: 6, to: 1}]}", "controller 6 is part of a parameter", "nrpn"),
    ("{from: keys, to: host, map: [{from: 1, to: note 3}]}", "'note 3' cannot be mapped", "hoose from"),
    ("{from: keys, to: host, map: [{from: pitch-bned, to: 3}]}",
     "'pitch-bned' cannot be mapped", "mean 'pitch-bend'"),
    ("{from: keys, to: host, map: [{from: fine, to: 3}]}", "'fine' is incomplete", "'fine 1'"),
    ("{from: keys, to: host, map: [{from: 1, to: 2, range: 0-200}]}", "range goes up to 200", "0 to 127"),
    ("{from: keys, to: host, map: [{from: 1, to: 2, from-range: 5-5}]}", "no two ends", "different"),
    ("{from: keys, to: host, map: [{from: 1, to: 2, device: keys}]}", "'keys' to itself", "another device"),
    ("{from: keys, to: host, map: [{from: 1, to: start, curve: soft}]}", "a switch has neither", "remove"),
    ("{name: sharde, off: true}", "no route 'sharde'", "write 'shared'"),
    ("{off: true}", "'off' needs the name", "name"),
    ("{name: shared, off: true, to: host}", "takes no key but 'name'", "remove"),
    ("{name: shared, off: yes}", "off 'yes' is neither", "true or false"),
]  # fmt: skip

PATCH_MISTAKES = [
    ("{device: pedals, program: 1}", "device 'pedals' has no output", "output"),
    ("{program: 1}", "'device' is missing", "device: lead-synth"),
    ("{device: synth}", "the patch changes nothing", "program"),
    ("{device: synth, program: 0}", "program 0 is outside", "1 to 128"),
    ("{device: synth, program: true}", "program true is not a whole", "1 to 128"),
    ("{device: synth, messages: [F8]}", "messages 'F8' is not whole messages", "B0 7E 01"),
    ("{device: synth, messages: [B0 7E]}", "'B0 7E' is not whole", "B0 7E 01"),
    ("{device: synth, nrpn: {20000: 1}}", "20000 is outside 0 to 16383", "16383"),
    ("{device: synth, rpn: {0: 16384}}", "16384 is outside 0 to 16383", "16383"),
    ("{device: synth, program: 1, order: [program, 9 s]}", "'9 s' is neither a part", "200 ms"),
    ("{device: synth, program: 1, order: [program, 6000 ms]}", "6000 is outside 1 to 5000", "5000"),
    ("{device: synth, program: 1, order: [sysex]}", "every part of the patch once", "name program"),
    ("{device: synth, program: 1, order: [program, program]}", "every part of the patch", "name program"),
    ("{device: synth, bank: 3}", "'bank' must be a group", "msb or lsb"),
    ("{device: synth, bank: {}}", "the bank has no number", "'msb'"),
    ("{device: synth, cc: {0: 1}}", "half of a bank select", "bank: {msb"),
    ("{device: synth, cc: {32: 1}}", "half of a bank select", "bank: {lsb"),
    ("{device: synth, cc: {128: 1}}", "controller 128 is outside", "0 to 127"),
    ("{device: synth, cc: {7: 1, 007: 2}}", "controller '007' is not a whole", "0 to 127"),
    ("{device: synth, sysex: F0 F7}", "'sysex' must be a list", "'- '"),
    ("{device: synth, sysex: [hello]}", "'hello' is not hexadecimal", "F0 7D 01 F7"),
    ("{device: synth, sysex: [F0 7D]}", "no F7 at its end", "whole messages"),
    ("{device: synth, sysex: [90 3C 40]}", "byte 1 is 90", "F0 to F7"),
    ("{device: synth, sysex: [F0 7D 90 F7]}", "byte 3 is 90", "00 to 7F"),
    ("{device: synth, sysex: [F0 F7 F0 F8 F7]}", "byte 4 is F8", "00 to 7F"),
    ("{device: synth, sysex: [{file: no.syx}]}", "'no.syx' does not exist", "name"),
    ("{device: synth, sysex: [{file: ../x.syx}]}", "outside the rig folder", "copy"),
    ("{device: synth, sysex: [{file: /etc/passwd}]}", "outside the rig folder", "copy"),
    ("{device: synth, sysex: [{flie: x}]}", "unknown key 'flie'", "file"),
    ("{device: synth, sysex: [{file: songs}]}", "'songs' is a folder", "file"),
]  # fmt: skip


@pytest.mark.parametrize(("song", "line", "what", "remedy"), SONG_MISTAKES)
def test_a_mistake_in_a_song(rig_folder: Folder, song: str, line: int, what: str, remedy: str) -> None:
    (problem,) = load_folder(rig_folder({"songs/one.yaml": song})).problems
    assert (problem.file, problem.line) == ("songs/one.yaml", line)
    assert what in problem.what
    assert remedy in problem.remedy


@pytest.mark.parametrize(
    ("key", "entry", "what", "remedy"),
    [("routes", *row) for row in ROUTE_MISTAKES] + [("patches", *row) for row in PATCH_MISTAKES],
)
def test_a_mistake_in_a_route_or_patch(
    rig_folder: Folder, key: str, entry: str, what: str, remedy: str
) -> None:
    song = HEAD + f"{key}:\n  - {entry}\n"
    (problem,) = load_folder(rig_folder({"songs/one.yaml": song})).problems
    assert (problem.file, problem.line) == ("songs/one.yaml", 4)
    assert what in problem.what
    assert remedy in problem.remedy


RIG_MISTAKES = [
    ("name: R\n", 1, "'devices' is missing", "devices:"),
    ("name: R\ndevices: {}\n", 2, "there are no devices", "at least one"),
    ("name: R\ndevices: [keys]\n", 2, "'devices' must be a group", "'key: value'"),
    ("name: R\ndevices:\n  keys: Keys*\n", 3, "'keys' must be a group", "title, input, output"),
    ("name: R\ndevices:\n  keys: {title: Keys}\n", 3, "device 'keys' has no port", "'input', 'output'"),
    ("name: R\ndevices:\n  keys: {input: K, wire: dim}\n", 3, "wire 'dim'", "did you mean 'din'?"),
    ("name: R\ndevices:\n  keys: {input: K, clock: true}\n", 3, "no output to send clock to", "add 'output'"),
    ("name: R\ndevices:\n  keys:\n    input: K\n    transport: true\n", 5,
     "no output to send transport", "'output'"),
    ("name: R\ndevices:\n  keys: {input: K, loopback: keys}\n", 3, "no output that a loop", "add 'output'"),
    ("name: R\ndevices:\n  a: {output: K, loopback: b}\n  b: {output: L}\n", 3,
     "'b' has no input", "'input'"),
    ("name: R\ndevices:\n  a: {output: K, loopback: c}\n  b: {input: L}\n", 3, "'c' is not a device", "b"),
    ("name: R\ndevices:\n  a: {output: K, identity-reply: never}\n", 3,
     "'never' is neither", "true or false"),
    ("name: R\ndevices:\n  keys: {output: K, clock: yes}\n", 3, "clock 'yes' is neither", "true or false"),
    (f"name: R\ndevices:\n  {'k' * 65}: {{input: K}}\n", 3, "device has 65 characters", "at most 64"),
    ("name: R\ndevices:\n  keys: {input: K}\n  keys: {input: L}\n", 4, "twice (first in line 3)", "keep one"),
    ("name: R\ndevices:\n  keys: {input: {name: K, seriall: A}}\n", 3,
     "unknown key 'seriall'", "did you mean 'serial'?"),
    ("name: R\ndevices:\n  keys: {input: {serial: A}}\n", 3, "input has no 'name'", "serial: AA01"),
    ("name: R\ndevices:\n  keys: {input: {name: K}}\n", 3, "neither 'serial' nor 'usb-path'", "name alone"),
    ("name: R\ndevices:\n  keys: {input: {name: K, usb-path: 1.2}}\n", 3,
     "usb-path '1.2', which is not one", "1-1.2"),
    ("name: R\ndevices:\n  keys: {input: {name: K, serial: [A]}}\n", 3,
     "a serial that is a list", "'routerd ports'"),
    ("name: R\ndevices:\n  keys: {output: {name: K, serial: true}}\n", 3,
     "a serial that is true", "'routerd ports'"),
    ("name: R\ndevices:\n  keys: {input: [K]}\n", 3, "input is a list, not a name", "Lead Synth*"),
    (RIG + "colour: red\n", 11, "'colour' is not a key of a rig", "controls"),
]  # fmt: skip


@pytest.mark.parametrize(("rig", "line", "what", "remedy"), RIG_MISTAKES)
def test_a_mistake_in_the_rig(rig_folder: Folder, rig: str, line: int, what: str, remedy: str) -> None:
    (problem,) = load_folder(rig_folder({"rig.yaml": rig})).problems
    assert (problem.file, problem.line) == ("rig.yaml", line)
    assert what in problem.what
    assert remedy in problem.remedy


CONTROL_MISTAKES = [
    ("{from: synth, note: 60, do: next}", "from 'synth' has no input", "keys or pedals"),
    ("{from: pedal, note: 60, do: next}", "from 'pedal' is not a device", "did you mean 'pedals'?"),
    ("{from: pedals, do: next}", "names no message", "exactly one"),
    ("{from: pedals, note: 1, program: 1, do: next}", "has note and program", "exactly one"),
    ("{from: pedals, note: 128, do: next}", "note 128 is not a note", "0 to 127"),
    ("{from: pedals, note: true, do: next}", "note is true, not a note", "0 to 127"),
    ("{from: pedals, note: 60, do: mute}", "'do: mute' needs a device or a route", "add one of the two"),
    ("{from: pedals, note: 60, do: solo}", "'do: solo' needs a device or a route", "add one of the two"),
    ("{from: pedals, note: 60, do: mute, device: synth, route: shared}",
     "'do: mute' needs a device or a route", "add one of the two"),
    ("{from: pedals, note: 60, do: forward}", "do 'forward' is not known", "next"),
    ("{from: pedals, note: 60, do: tempo}", "do 'tempo' is not known", "next"),
    ("{from: pedals, note: 60}", "'do' is missing", "do: next"),
    ("{from: pedals, note: 60, do: section}", "does not say which", "section: 1"),
    ("{from: pedals, note: 60, do: song, song: 0}", "song 0 is outside", "1 to 999"),
    ("{from: pedals, note: 60, do: next, section: 2}", "no meaning with 'do: next'", "do: section"),
    ("{from: pedals, cc: 80, channel: 16, do: stop}", "already has a meaning in line 8", "another"),
    ("{from: pedals, cc: 80, do: stop}", "already has a meaning in line 8", "another"),
]  # fmt: skip


@pytest.mark.parametrize(("control", "what", "remedy"), CONTROL_MISTAKES)
def test_a_mistake_in_a_control(rig_folder: Folder, control: str, what: str, remedy: str) -> None:
    rig = RIG.replace("do: next}\n", f"do: next}}\n  - {control}\n")
    (problem,) = load_folder(rig_folder({"rig.yaml": rig})).problems
    assert (problem.file, problem.line) == ("rig.yaml", 9)
    assert what in problem.what
    assert remedy in problem.remedy


SET_MISTAKES = [
    ("order: [one]\n", 1, "'name' is missing", "name: Harbour"),
    ("name: S\n", 1, "'order' is missing", "order:"),
    ("name: S\norder: []\n", 2, "the set has no songs", "at least one"),
    ("name: S\norder: one\n", 2, "'order' must be a list", "'- '"),
    ("name: S\norder:\n  - one\n  - onne\n", 4, "no song 'onne'", "did you mean 'one'?"),
    ("name: S\ndate: 27.11.2026\norder: [one]\n", 2, "is not a date", "2026-11-27"),
    ("name: S\ndate: 2026-02-30\norder: [one]\n", 2, "is not a date", "2026-11-27"),
]  # fmt: skip


@pytest.mark.parametrize(("one_set", "line", "what", "remedy"), SET_MISTAKES)
def test_a_mistake_in_a_set(rig_folder: Folder, one_set: str, line: int, what: str, remedy: str) -> None:
    (problem,) = load_folder(rig_folder({"sets/tonight.yaml": one_set})).problems
    assert (problem.file, problem.line) == ("sets/tonight.yaml", line)
    assert what in problem.what
    assert remedy in problem.remedy


@pytest.mark.parametrize(
    ("kind", "device"),
    [
        ("clock", "clock: true"),
        ("transport", "transport: true"),
        ("song-position", "transport: true"),
        ("mtc", "timing: {mtc: {rate: 25}}"),
    ],
)
def test_no_device_gets_time_from_two_sides(rig_folder: Folder, kind: str, device: str) -> None:
    rig = RIG.replace("host: {", f"host: {{{device}, ")
    song = (
        HEAD + f"sections:\n  - name: verse\n    routes:\n      - {{from: keys, to: host, pass: [{kind}]}}\n"
    )
    files = {"rig.yaml": rig, "songs/one.yaml": song}
    (problem,) = problems_of(rig_folder(files))
    assert problem.startswith(f"songs/one.yaml:6: 'host' would get {kind} twice")
    assert not problems_of(rig_folder(files | {"rig.yaml": RIG}))  # from keys alone it may come
    shared = RIG.replace("host: {", f"host: {{{device}, ") + f"  - {{from: keys, to: host, pass: [{kind}]}}\n"
    (problem,) = problems_of(rig_folder({"rig.yaml": shared}))
    assert problem.startswith("rig.yaml:")


UNQUOTED = [
    ("checklist:\n  - Tune: by ear\n", 4,
     "'Tune: by ear' has a ':' in it and no quotes; write 'Tune: by ear'"),
    ("checklist:\n  - {text: Wind: back, who: Technician}\n", 4,
     "'Wind: back' has a ':' in it and no quotes"),
    ("checklist:\n  - {txt: wind back}\n", 4, "has the key 'txt'; did you mean 'text'?"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "line", "what"), UNQUOTED)
def test_a_text_with_an_unquoted_colon_names_the_colon(
    rig_folder: Folder, text: str, line: int, what: str
) -> None:
    (problem,) = problems_of(rig_folder({"songs/one.yaml": HEAD + text}))
    assert problem.startswith(f"songs/one.yaml:{line}: ")
    assert what in problem


def test_a_title_with_an_unquoted_colon_names_the_colon(rig_folder: Folder) -> None:
    (problem,) = problems_of(rig_folder({"songs/one.yaml": "{title: One: two, tempo: 120}\n"}))
    assert problem == "songs/one.yaml:1: 'One: two' has a ':' in it and no quotes; write 'One: two'"
    (problem,) = problems_of(rig_folder({"sets/tonight.yaml": "name: T\norder:\n  - One: two\n"}))
    assert "'One: two' has a ':' in it and no quotes" in problem


@pytest.mark.parametrize("device", ["Host*", "[1, 2]", "true"])
def test_what_is_wrong_with_a_device_is_told_once_and_not_at_each_route(
    rig_folder: Folder, device: str
) -> None:
    rig = f"name: r\ndevices:\n  keys: {{input: k}}\n  host: {device}\n"
    routes = "title: One\ntempo: 120\nroutes: [{from: host, to: host}, {from: keys, to: host}]\n"
    (problem,) = problems_of(rig_folder({"rig.yaml": rig, "songs/one.yaml": routes}))
    assert problem.startswith("rig.yaml:4: ")
