"""Devices that share a port, channels that tell its parts apart, and keys apart from their sounds."""

from __future__ import annotations

from fractions import Fraction

import pytest
from sound_rig import Folder

from routerd.core.model.rig import Device, Rig, WireKind
from routerd.core.model.timing import StartMode
from routerd.server.rigfiles import load_folder

HEAD = "title: One\ntempo: 120\n"


def rig_of(*lines: str) -> str:
    devices = "".join(f"  {line}\n" for line in lines)
    return f"name: Stage\ndevices:\n  keys: {{input: Keys*}}\n{devices}"


def told(rig_folder: Folder, rig: str, song: str = HEAD) -> list[str]:
    return [
        str(problem)
        for problem in load_folder(rig_folder({"rig.yaml": rig, "songs/one.yaml": song})).problems
    ]


def settled(rig_folder: Folder, *lines: str, song: str = HEAD) -> tuple[Rig, dict[str, Device]]:
    loaded = load_folder(rig_folder({"rig.yaml": rig_of(*lines), "songs/one.yaml": song}))
    assert [str(problem) for problem in loaded.problems] == []
    assert loaded.rig_folder is not None
    return loaded.rig_folder.rig, {device.name: device for device in loaded.rig_folder.rig.devices}


def test_what_holds_for_a_port_is_written_once_and_holds_for_all(rig_folder: Folder) -> None:
    _, found = settled(
        rig_folder,
        "lead: {output: Box*}",
        "pad: {output: bOX*, wire: din, running-status: true, active-sensing: true}",
        "other: {output: Elsewhere*}",
    )
    for name in ("lead", "pad"):
        assert found[name].wire is WireKind.DIN
        assert found[name].running_status
        assert found[name].active_sensing
    assert found["other"].wire is WireKind.USB


def test_the_clock_of_a_port_is_put_together_from_its_devices(rig_folder: Folder) -> None:
    rig, found = settled(
        rig_folder,
        "lead: {output: Box*, clock: true, timing: {pulse: {note: C2}}}",
        "pad: {output: Box*, transport: true, timing: {offset: -5, starts: bar, mtc: {rate: 25}}}",
    )
    timing = found["lead"].timing
    assert (timing.offset_ns, timing.start, timing.rate) == (-5_000_000, StartMode.BAR, Fraction(1))
    assert timing.mtc is not None
    assert timing.pulse is not None
    assert found["pad"].timing.mtc is None
    assert [(one.name, one.clock, one.transport) for one in rig.devices if one.name != "keys"] == [
        ("lead", True, False),
        ("pad", False, True),
    ]


def test_a_device_of_one_channel_needs_it_nowhere_else(rig_folder: Folder) -> None:
    loaded = load_folder(
        rig_folder(
            {
                "rig.yaml": rig_of(
                    "lead: {output: Box*, channels: 3, timing: {pulse: {note: C2}}}",
                    "pad: {output: Box*, channels: [5, 7-8]}",
                ),
                "songs/one.yaml": HEAD + "routes:\n  - {from: keys, to: lead}\n  - {from: keys, to: pad}\n"
                "  - {name: b, from: keys, to: pad, channel: 8}\n"
                "patches:\n  - {device: lead, program: 1}\n  - {device: pad, program: 2}\n"
                "click: {device: pad}\ndevices: {pad: {pulse: {note: C2}}}\n",
            }
        )
    )
    assert loaded.problems == ()
    assert loaded.rig_folder is not None
    song = loaded.rig_folder.song("one")
    assert [route.to_channel for route in song.routes] == [2, -1, 7]
    assert [patch.channel for patch in song.patches] == [2, 4]
    assert song.timing.click is not None
    assert song.timing.click.channel == 4
    ((name, own),) = song.timing.devices
    assert name == "pad"
    assert own.pulse is not None
    assert own.pulse.channel == 4
    pulse = loaded.rig_folder.rig.devices[1].timing.pulse
    assert pulse is not None
    assert pulse.channel == 2


CONTRADICTIONS = [
    (("lead: {output: Box*, wire: din}", "pad: {output: box*, wire: usb}"), 5, "different 'wire'", "line 4"),
    (("lead: {output: Box*, running-status: true}", "pad: {output: Box*, running-status: false}"), 5,
     "two different 'running-status'", "line 4"),
    (("lead: {output: Box*, clock: true}", "pad: {output: Box*, clock: false}"), 5,
     "two different 'clock'", "leave it out"),
    (("lead: {output: Box*, clock: true, timing: {offset: 5}}",
      "pad: {output: Box*, clock: true, timing: {offset: 6}}"), 5,
     "two different 'offset'", "write the same"),
    (("lead: {output: Box*, clock: true, timing: {mtc: {rate: 25}}}",
      "pad: {output: Box*, clock: true, timing: {mtc: {rate: 30}}}"), 5,
     "two different 'mtc'", "same"),
    (("lead: {output: Box*, channels: 1-3}", "pad: {output: Box*, channels: [3, 4]}"), 5,
     "channel 3 of the output port is already that of 'lead' in line 4", "of its own"),
    (("lead: {output: Box*, local-control: false}", "pad: {output: Box*, local-control: true}"), 5,
     "two different 'local-control'", "'channels'"),
    (("lead: {input: Box*, local-control: false}",), 4, "no output to send local-control to", "add 'output'"),
    (("lead: {output: Box*, channels: 17}",), 4, "17 is outside", "1 to 16"),
    (("lead: {output: Box*, local-control: off}",), 4, "neither true nor false", "true or false"),
]  # fmt: skip


@pytest.mark.parametrize(("devices", "line", "what", "remedy"), CONTRADICTIONS)
def test_contradictions_on_one_port(
    rig_folder: Folder, devices: tuple[str, ...], line: int, what: str, remedy: str
) -> None:
    (problem,) = told(rig_folder, rig_of(*devices))
    assert problem.startswith(f"rig.yaml:{line}: ")
    assert what in problem
    assert remedy in problem


def test_no_contradiction_where_ports_or_channels_differ(rig_folder: Folder) -> None:
    settled(
        rig_folder,
        "left: {output: {name: Twin*, serial: A}, wire: din, clock: true, timing: {offset: 5}}",
        "right: {output: {name: Twin*, serial: B}, wire: usb, clock: true, timing: {offset: 6}}",
        "lead: {output: Box*, channels: 1, local-control: false}",
        "pad: {output: Box*, channels: 2, local-control: true}",
        "drum: {output: Box*, channels: 10, timing: {pulse: {note: C2}, offset: 6}}",
    )


CHANNELS = [
    ("routes:\n  - {from: keys, to: lead, channel: 2}\n", 4,
     "channel 2 is not one of 'lead', which has 3, 5"),
    ("routes:\n  - {from: keys, to: lead, map: [{from: 1, to: 7, channels: 1-16}]}\n", 4,
     "channel 1 is not one"),
    ("routes:\n  - {from: keys, to: lead, zone: {from: lower, members: 3, to: lower}}\n", 4,
     "a zone takes channels"),
    ("patches:\n  - {device: lead, channel: 1, program: 1}\n", 4, "channel 1 is not one"),
    ("devices:\n  lead: {pulse: {note: C2, channel: 1}}\n", 4, "channel 1 is not one"),
    ("click: {device: lead, channel: 10}\n", 3, "channel 10 is not one of 'lead'"),
    ("hold:\n  - {device: lead, notes: [C2], channel: 4}\n", 4, "channel 4 is not one"),
    ("routes:\n  - {from: part, to: lead, from-channel: 1}\n", 4, "channel 1 is not one of 'part', which"),
    ("controls:\n  - {from: part, note: 1, channel: 8, do: next}\n", 4, "channel 8 is not one of 'part'"),
    ("sections:\n  - {name: a, patches: [{device: lead, channel: 16, program: 1}]}\n", 4,
     "channel 16 is not one"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "line", "what"), CHANNELS)
def test_channels_that_are_not_the_devices(rig_folder: Folder, text: str, line: int, what: str) -> None:
    rig = rig_of("lead: {output: Box*, channels: [3, 5]}", "part: {input: Box*, channels: 7}")
    (problem,) = told(rig_folder, rig, HEAD + text)
    assert problem.startswith(f"songs/one.yaml:{line}: {what}")


SELF = (
    "routes:\n  - {from: stage, to: stage, transpose: 12}\n"
    "  - {from: keys, to: stage, map: [{from: 1, to: 2}]}\n"
)


def test_a_route_back_needs_keys_apart_from_their_sounds(rig_folder: Folder) -> None:
    (problem,) = told(rig_folder, rig_of("stage: {input: Stage*, output: Stage*}"), HEAD + SELF)
    assert problem == (
        "songs/one.yaml:4: the route leads from 'stage' to itself, where its keys play its own sounds "
        "already; write 'local-control: false' at the device in rig.yaml if it knows that message, or name "
        "another device"
    )
    whole = rig_of("stage: {input: Stage*, output: Stage*, local-control: true}")
    (problem,) = told(rig_folder, whole, HEAD + SELF)
    assert "itself" in problem
    _, found = settled(
        rig_folder, "stage: {input: Stage*, output: Stage*, local-control: false}", song=HEAD + SELF
    )
    assert found["stage"].local_control is False


def test_channels_in_the_rig_that_are_not_the_devices(rig_folder: Folder) -> None:
    pulsed = "lead: {output: Box*, channels: 3, timing: {pulse: {note: C2, channel: 1}}}"
    leds = "leds:\n  - {to: lead, note: C4, channel: 2, shows: running}\n"
    problems = told(rig_folder, rig_of(pulsed) + leds)
    assert [problem.partition(";")[0] for problem in problems] == [
        "rig.yaml:4: channel 1 is not one of 'lead', which has 3",
        "rig.yaml:6: channel 2 is not one of 'lead', which has 3",
    ]
