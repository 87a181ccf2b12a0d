"""A snapshot is made whenever the revision is another: so the revision must be another whenever a snapshot
would be. On simulated time."""

from __future__ import annotations

import json
import random
from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest

from routerd.core.clock.time_code import FrameRate
from routerd.core.errors import CommandError
from routerd.core.model.actions import Action
from routerd.core.model.codec import to_json
from routerd.core.model.rig import Device, Rig, WireKind
from routerd.core.model.snapshot import BarLine, DeviceClockState, ResumePoint, Snapshot, resume_point_from
from routerd.core.model.song import Song
from routerd.core.model.timing import (
    ChangePolicy,
    Click,
    Curve,
    Pulse,
    Segment,
    SongTiming,
    StartMode,
    State,
    TempoBy,
    TempoPoint,
    TimeCode,
    Timing,
)
from tests.stage import MS, Stage, ask, compiled

F = Fraction
PLAIN = Device("plain", output_pattern="p", wire=WireKind.VIRTUAL, clock=True, transport=True)


def device(name: str, timing: Timing, **changes: Any) -> Device:
    return replace(PLAIN, name=name, output_pattern=name, timing=timing, **changes)


RIG = Rig(
    "rig",
    (
        PLAIN,
        device("late", Timing(offset_ns=5 * MS)),
        device("bar", Timing(start=StartMode.BAR, sequence_steps=7)),
        device("entry", Timing(start=StartMode.ENTRY)),
        device("never", Timing(start=StartMode.NEVER)),
        device("half", Timing(rate=F(1, 2))),
        device("pulsed", Timing(pulse=Pulse(F(4), 9, 36, -1, 100, 10 * MS)), clock=False, transport=False),
        device("coded", Timing(mtc=TimeCode(FrameRate.FPS_25)), clock=False, transport=False),
        device("deaf", Timing(), clock=False, transport=False),
        device("clicked", Timing(), clock=False, transport=False),
    ),
)
SONGS = (
    Song("first", "First", F(125)),
    Song("second", "Second", F(125), timing=SongTiming(change=ChangePolicy.BAR)),
    Song(
        "ramp",
        "Ramp",
        F(120),
        timing=SongTiming(
            tempo=(TempoPoint(F(0), F(120), F(180), F(384), Curve.LINEAR),),
            click=Click("clicked", 9, 76, 77, 80, 100, 1, 1, False),
        ),
    ),
)

ACTIONS = (
    "start", "stop", "continue", "next", "previous", "panic", "silence", "half", "double", "tap",
    "song-tempo", "retrigger bar plain", "retrigger bar bar", "retrigger cycle bar", "click on", "click off",
    "go", "cancel", "tempo 97", "nudge 1", "mute device plain", "unmute device plain",
)  # fmt: skip
WHENS = ("now", "now", "now", "beat", "bar", "2 bars", "3 bars", "next-press")


def stage() -> Stage:
    return Stage(compiled(RIG, SONGS, [song.identifier for song in SONGS]))


def shown(one: Stage) -> Snapshot:
    """What a snapshot says, but for what goes on with every tick and is told by itself."""
    snapshot = one.show.snapshot()
    snapshot = replace(snapshot, position_tick=0, revision=0, grid=Segment(0, 0, F(120)), following=None)
    if snapshot.transport is not State.STOPPED:
        # bpm of a ramp: told once a beat, and as the grid's rate at once
        snapshot = replace(snapshot, bpm=F(120), meter_from=BarLine(0, 0))
    return snapshot


@pytest.mark.parametrize("seed", range(8))
def test_nothing_changes_without_another_revision(seed: int) -> None:
    chance = random.Random(seed)
    one = stage()
    seen = {one.show.effects.revision: shown(one)}
    for _ in range(120):
        if chance.random() < 0.4:
            word, _, argument = chance.choice(ACTIONS).partition(" ")
            value: Any = F(argument) if word in ("tempo", "nudge") else argument or None
            try:
                one.show.apply(ask(Action(word), value, chance.choice(WHENS)), one.now_ns)
            except CommandError:
                continue
            one.collect()
        else:
            one.run(one.now_ns + chance.choice((3, 21, 150, 700)) * MS)
        now = shown(one)
        assert seen.setdefault(one.show.effects.revision, now) == now


def standing(one: Stage, name: str) -> DeviceClockState:
    (found,) = [device for device in one.show.snapshot().devices if device.device == name]
    return found


def test_every_device_that_hears_the_clock_is_there() -> None:
    names = [device.device for device in stage().show.snapshot().devices]
    assert names == ["plain", "late", "bar", "entry", "never", "half", "pulsed", "coded"]


def test_a_device_started_by_bar_waits_no_longer_once_it_runs() -> None:
    one = stage()
    one.do(Action.START)
    one.run(500 * MS)
    one.do(Action.RETRIGGER, "bar bar")
    assert (standing(one, "bar").waits_for, standing(one, "bar").running) == ("bar", True)
    revision = one.show.effects.revision
    one.run(2500 * MS)
    assert (standing(one, "bar").waits_for, standing(one, "bar").running) == (None, True)
    assert one.show.effects.revision != revision
    assert (standing(one, "plain").running, standing(one, "pulsed").running) == (True, None)
    assert (standing(one, "half").rate, standing(one, "coded").rate) == (F(1, 2), None)


def test_where_to_go_on_comes_back_from_json_as_it_was() -> None:
    whole = ResumePoint(
        song="one", section=2, bpm=Fraction(361, 3), tempo_by=TempoBy.SOURCE, index=1, gap=0,
        done={"one": (1, 3), "two": ()}, armed=ask(Action.NEXT, None, "bar"),
        muted=("route a",), soloed=("device synth", "device pad"), play=True,
    )  # fmt: skip
    for point in (whole, ResumePoint(), replace(whole, armed=None, armed_unread="it was of another version")):
        assert resume_point_from(json.loads(json.dumps(to_json(point)))) == point


@pytest.mark.parametrize(
    "data", [None, 5, [], {}, {"song": 5, "section": "2", "bpm": "x", "done": 3, "play": 1}]
)
def test_what_makes_no_sense_is_as_if_it_had_not_been_said(data: object) -> None:
    assert resume_point_from(data) == ResumePoint()


def test_a_tempo_that_nobody_has_set_is_none() -> None:
    assert resume_point_from({"bpm": "100", "tempo_by": "song"}).bpm == 100
    assert resume_point_from({"bpm": "100"}).bpm == 100
    assert resume_point_from({"bpm": "100", "tempo_by": "nobody"}).bpm is None
