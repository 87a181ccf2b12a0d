"""Ports that go and come back under a show, on simulated time."""

from __future__ import annotations

from dataclasses import replace

from routerd.core.model.actions import Action
from routerd.core.model.song import Patch
from tests.stage import (
    CLOSER,
    MIDDLE,
    MS,
    OPENER,
    Stage,
    compiled,
)

OPENER_PATCH = ["b2 00 01", "b2 20 01", "c2 05", "b2 07 64"]


def test_a_device_that_comes_back_gets_what_it_missed_and_its_patch() -> None:
    stage = Stage()
    stage.run(100 * MS)
    stage.play("keys", "90 3c 40", "b0 40 7f")
    stage.lose("synth")
    stage.play("keys", "80 3c 40")
    stage.run(200 * MS)
    begun = len(stage.sent("synth"))
    stage.open("synth")
    stage.run(300 * MS)
    assert stage.sent("synth")[begun:] == ["80 3c 40", "b0 40 00", *OPENER_PATCH]
    assert stage.sounding() == {}


def test_a_device_that_goes_while_a_release_waits_gets_it_later() -> None:
    dump = b"\xf0\x7d" + bytes(1999) + b"\xf7"
    stage = Stage(compiled(songs=(OPENER, replace(MIDDLE, patches=(Patch("synth", sysex=(dump,)),)), CLOSER)))
    stage.run(100 * MS)
    stage.play("keys", "90 3c 40")
    stage.run(120 * MS)
    stage.do(Action.NEXT)
    stage.play("keys", "80 3c 40")
    stage.lose("synth")
    stage.run(200 * MS)
    stage.open("synth")
    assert "80 3c 40" in stage.sent("synth")
    assert stage.sounding() == {}


def test_a_release_that_the_port_refused_is_owed() -> None:
    stage = Stage()
    stage.run(100 * MS)
    stage.play("keys", "90 3c 40")
    stage.run(110 * MS)
    stage.show.receive(stage.input("keys"), bytes.fromhex("80 3c 40"), stage.now_ns)
    unsent = [data for _, data in stage.show.effects.sink]
    stage.show.effects.sink.clear()  # the port raised instead of taking it
    stage.show.output_lost(stage.output("synth").wire, stage.now_ns, unsent)
    stage.open("synth")
    stage.run(200 * MS)
    assert stage.sounding() == {}


def test_a_lost_input_lets_go_of_what_it_holds() -> None:
    stage = Stage()
    stage.run(100 * MS)
    stage.play("keys", "90 3c 40", "b0 40 7f")
    stage.show.input_lost(stage.input("keys"), stage.now_ns)
    stage.run(200 * MS)
    assert stage.sounding() == {}
    stage.show.input_opened(stage.input("keys"), stage.now_ns)
    stage.collect()
    assert [e["kind"] for e in stage.events][-2:] == ["port-closed", "port-opened"]
