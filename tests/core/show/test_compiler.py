"""Rigs compiled: patch messages, numbers that keep their meaning, parts that are shared."""

from __future__ import annotations

from dataclasses import replace

import pytest

from routerd.core.midi.messages import is_whole
from routerd.core.model.actions import Action
from routerd.core.model.commands import Command
from routerd.core.model.controls import Control, control_keys
from routerd.core.model.song import Patch
from tests.stage import (
    CLOSER,
    KEYS,
    MIDDLE,
    MODULAR,
    OPENER,
    ORDER,
    RIG,
    SAMPLER,
    SYNTH,
    compiled,
    patch_messages,
    route,
)


@pytest.mark.parametrize(
    ("bank", "pair"),
    [(0, "00 00"), (127, "00 7f"), (128, "01 00"), (16383, "7f 7f")],
)
def test_bank_select_is_a_pair_with_the_program_change_right_behind(bank: int, pair: str) -> None:
    """CC 0, CC 32, then the program change at once (M1 pp. 13–14: 00/00 is the first bank, 00/7F the 128th,
    01/00 the 129th, 7F/7F the 16384th; banks here count from 0)."""
    msb, lsb = pair.split()
    sent = [data.hex(" ") for data in patch_messages(Patch("synth", channel=9, bank=bank, program=42))]
    assert sent == [f"b9 00 {msb}", f"b9 20 {lsb}", "c9 2a"]


def test_sysex_comes_before_and_controllers_behind() -> None:
    patch = Patch("synth", 0, 5, 1, ((7, 100), (10, 64)), (b"\xf0\x7d\x01\xf7", b"\xf0\x7d\x02\xf7"))
    sent = patch_messages(patch)
    assert [data.hex(" ") for data in sent] == [
        "f0 7d 01 f7",
        "f0 7d 02 f7",
        "b0 00 00",
        "b0 20 05",
        "c0 01",
        "b0 07 64",
        "b0 0a 40",
    ]
    assert all(is_whole(data) for data in sent)


def test_what_a_patch_does_not_name_is_not_sent() -> None:
    assert patch_messages(Patch("synth")) == ()
    assert patch_messages(Patch("synth", program=0)) == (b"\xc0\x00",)
    assert patch_messages(Patch("synth", bank=0)) == (b"\xb0\x00\x00", b"\xb0\x20\x00")


def test_a_control_is_found_by_every_message_that_may_mean_it() -> None:
    assert control_keys(Control("x", 0xB0, 80, Command(Action.NEXT), channel=3)) == [(0xB3 << 7) | 80]
    assert control_keys(Control("x", 0x90, 36, Command(Action.NEXT), channel=0)) == [
        (0x90 << 7) | 36,
        (0x80 << 7) | 36,
    ]
    assert len(set(control_keys(Control("x", 0xC0, 1, Command(Action.NEXT))))) == 16
    assert len(set(control_keys(Control("x", 0x90, 1, Command(Action.NEXT))))) == 32


def test_a_reload_of_the_same_rig_keeps_every_object_and_number() -> None:
    first = compiled()
    second = compiled(before=first)
    assert all(a is b for a, b in zip(first.inputs, second.inputs, strict=True))
    assert all(a is b for a, b in zip(first.outputs, second.outputs, strict=True))
    assert first.output_names == second.output_names
    assert [song.number for song in first.songs.values()] == [song.number for song in second.songs.values()]


def test_numbers_never_change_their_meaning() -> None:
    first = compiled()
    second = compiled(songs=(CLOSER, OPENER), order=("closer",), before=first)
    third = compiled(songs=(replace(OPENER, identifier="new"), MIDDLE), order=("new",), before=second)
    assert third.song_names == ("opener", "middle", "closer", "new")
    for book in (first, second, third):
        for identifier, song in book.songs.items():
            assert third.song_names[song.number] == identifier
        for output in book.wires:
            assert third.output_names[output.number] == output.name


@pytest.mark.parametrize(
    "changed",
    [
        replace(SYNTH, output_pattern="other"),
        replace(SYNTH, wire=SAMPLER.wire),
        replace(SYNTH, clock=False),
        replace(SYNTH, transport=False),
    ],
)
def test_a_changed_output_is_a_new_output_with_a_new_number(changed: object) -> None:
    first = compiled()
    rig = replace(RIG, devices=tuple(changed if d is SYNTH else d for d in RIG.devices))
    second = compiled(rig, before=first)
    assert second.output_names == ("synth", "sampler", "modular", "synth")
    assert [wire.number for wire in second.wires] == [3, 1, 2]
    assert second.outputs[0] is not first.outputs[0]
    assert second.outputs[1] is first.outputs[1]


def test_a_changed_input_is_a_new_input() -> None:
    first = compiled()
    rig = replace(RIG, devices=(replace(KEYS, input_pattern="other"), *RIG.devices[1:]))
    second = compiled(rig, before=first)
    assert second.inputs[0] is not first.inputs[0]
    assert second.inputs[1] is first.inputs[1]


def test_equal_route_lists_share_one_table() -> None:
    book = compiled(songs=(OPENER, replace(OPENER, identifier="again"), MIDDLE), order=("opener",))
    assert book.songs["opener"].whole.routes.tables is book.songs["again"].whole.routes.tables
    assert book.songs["middle"].sections[0].routes.tables is book.songs["middle"].whole.routes.tables
    assert book.songs["opener"].whole.routes.tables is not book.songs["middle"].whole.routes.tables


def test_a_table_for_every_input() -> None:
    for song in compiled().songs.values():
        for section in (song.whole, *song.sections):
            assert len(section.routes.tables) == 2
            assert all(len(table) == 128 for table in section.routes.tables)


def test_what_names_nothing_raises() -> None:
    with pytest.raises(KeyError):
        compiled(order=(*ORDER, "missing"))
    with pytest.raises(KeyError):
        compiled(songs=(replace(OPENER, routes=(route("nowhere"),)),), order=())
    with pytest.raises(KeyError):
        compiled(songs=(replace(OPENER, patches=(Patch("nowhere", program=1),)),), order=())


def test_only_devices_with_a_port_have_a_way() -> None:
    book = compiled()
    assert [input.name for input in book.inputs] == ["keys", "pedals"]
    assert [output.name for output in book.outputs] == [d.name for d in (SYNTH, SAMPLER, MODULAR)]
    assert book.controls[0].by_key == {}
    short = book.controls[1].by_key[(0xB3 << 7) | 81].short
    assert short is not None
    assert short.command.action is Action.PREVIOUS
