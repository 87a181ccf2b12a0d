"""What others see of a show: its snapshot, events and revision; and bytes that mean nothing to it."""

from __future__ import annotations

import json

import pytest

from routerd.core.model.actions import Action
from routerd.core.model.codec import decode, encode
from routerd.core.model.commands import Command
from routerd.core.model.set_list import SetList
from routerd.core.model.snapshot import Snapshot
from routerd.core.show.show import Show
from tests.stage import (
    MS,
    ORDER,
    Stage,
    ask,
)

MALFORMED = "|00|90|90 3c|90 80 80|f4|f7|ff|f0|f0 80|c0 ff|fe fe"


@pytest.mark.parametrize("hexes", MALFORMED.split("|"))
def test_malformed_bytes_disturb_nothing(hexes: str) -> None:
    stage = Stage()
    before, sent = stage.show.snapshot(), len(stage.sent())
    for device in ("keys", "pedals"):
        stage.play(device, hexes)
    assert stage.show.snapshot() == before
    assert len(stage.sent()) == sent


def test_a_snapshot_crosses_the_link_whole() -> None:
    stage = Stage()
    for snapshot in (Show(0).snapshot(), stage.show.snapshot()):
        assert decode(Snapshot, encode(snapshot)) == snapshot
    assert stage.show.snapshot().songs == ORDER
    assert stage.show.snapshot().outputs == ("synth", "sampler", "modular")
    assert stage.show.snapshot().set_list == SetList("tonight", ORDER, "2031-05-06")


def test_events_are_plain_and_stamped() -> None:
    stage = Stage()
    stage.do(Action.NEXT)
    stage.do(Action.SECTION, 2, at_bar=True)
    stage.do(Action.START)
    stage.run(2000 * MS)
    stage.do(Action.PANIC)
    assert json.loads(json.dumps(stage.events)) == stage.events
    stamps = [event["at_ns"] for event in stage.events]
    assert stamps == sorted(stamps)  # type: ignore[type-var]


def test_revision_moves_with_every_change() -> None:
    stage = Stage()
    for command in (
        Command(Action.NEXT),
        ask(Action.SECTION, 2),
        ask(Action.TEMPO, "99"),
        Command(Action.START),
        Command(Action.STOP),
        ask(Action.NEXT, None, "bar"),
    ):
        before = stage.show.effects.revision
        stage.do(command.action, command.argument, str(command.when))
        assert stage.show.effects.revision > before
