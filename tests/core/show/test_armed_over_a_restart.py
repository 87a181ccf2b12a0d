"""What is armed when the service goes, and comes back: kept, or gone with its reason."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest

from routerd.core.model.actions import Action, ToSong
from routerd.core.model.codec import encode
from routerd.core.model.commands import Command, Moment, When
from routerd.core.model.snapshot import ResumePoint, resume_point_of
from tests.stage import (
    MS,
    Stage,
    ask,
    compiled,
)

NEXT_PRESS = When(Moment.NEXT_PRESS)


def kept(action: Action, argument: int | str | None = None, when: str = "next-press") -> dict[str, object]:
    """Return what is kept over a restart of a command that waits."""
    plain: dict[str, object] = json.loads(encode(ask(action, argument, when)))
    return plain


def restarted(stage: Stage, **changed: Any) -> Stage:
    """Return a new show that begins where the old one stood, as after a crash."""
    snapshot = stage.show.snapshot()
    return Stage(begin=replace(resume_point_of(snapshot), **changed))


@pytest.mark.parametrize(
    ("action", "argument", "when"),
    [
        (Action.NEXT, None, "next-press"),
        (Action.SONG, "closer", "next-press"),
        (Action.SECTION, "chorus", "release"),
        (Action.TEMPO, "250", "bar 17"),
    ],
)
def test_what_waits_for_people_or_a_named_bar_is_kept_over_a_restart(
    action: Action, argument: str | None, when: str
) -> None:
    stage = Stage()
    stage.do(Action.SONG, 2)
    stage.play("keys", "90 3C 40")
    stage.do(action, argument, when)
    armed = stage.show.snapshot().armed
    after = restarted(stage)
    assert after.show.snapshot().armed == armed
    assert [event["action"] for event in after.events if event["kind"] == "armed"] == [action.value]
    after.run(60_000 * MS)
    assert after.show.snapshot().armed == armed


def test_what_was_armed_is_done_by_the_first_press_after_a_restart() -> None:
    stage = Stage()
    stage.do(Action.SONG, "closer", "next-press")
    after = restarted(stage)
    after.play("pedals", "B0 50 7F")
    assert after.show.snapshot().song == "closer"
    assert after.show.snapshot().armed is None


def test_the_place_of_a_song_that_is_played_twice_is_kept() -> None:
    book = compiled(order=("opener", "middle", "opener", "closer"))
    stage = Stage(book)
    stage.do(Action.SONG, 3, "next-press")
    snapshot = stage.show.snapshot()
    after = Stage(book, ResumePoint("opener", index=0, armed=resume_point_of(snapshot).armed))
    after.do(Action.GO)
    assert after.show.snapshot().index == 2


@pytest.mark.parametrize(
    ("armed", "why"),
    [
        (kept(Action.START, None, "bar"), "its bar went by"),
        (kept(Action.SONG, "closer", "beat"), "its beat went by"),
        (kept(Action.SONG, "gone"), "no song 'gone'"),
        (json.loads(encode(Command(Action.SONG, ToSong("gone", 1), NEXT_PRESS))), "no song 'gone'"),
        (kept(Action.SECTION, "gone"), "no section 'gone'"),
        (kept(Action.PANIC), "cannot be armed"),
    ],
)
def test_what_cannot_be_kept_over_a_restart_is_told(armed: dict[str, object], why: str) -> None:
    after = Stage(begin={"song": "middle", "section": 1, "armed": armed})
    assert after.show.snapshot().armed is None
    (gone,) = [event for event in after.events if event["kind"] == "armed-gone"]
    assert why in str(gone["why"])
    assert gone["action"] == armed["action"]


@pytest.mark.parametrize(
    ("armed", "why"),
    [
        ({"action": "explode", "when": ["next-press"]}, "'explode' is none of"),
        ({"action": "next", "when": ["soon"]}, "'soon' is none of"),
        ({"action": "next", "argument": [1], "when": ["next-press"]}, "is none of"),
        ({"action": "next", "argument": ["ToSong", {"song": 1}]}, "next takes no argument"),
        ({"action": "song", "when": ["next-press"]}, "song takes ToSong, not None"),
        ({"action": "nudge", "argument": ["Nudge", {"by": "51"}]}, "-50 to 50 BPM"),
        ({}, "lacks action"),
    ],
)
def test_what_is_no_command_is_gone_after_a_restart(armed: dict[str, object], why: str) -> None:
    after = Stage(begin={"song": "middle", "section": 1, "armed": armed})
    assert after.show.snapshot().armed is None
    (gone,) = [event for event in after.events if event["kind"] == "armed-gone"]
    assert why in str(gone["why"])
    assert gone["action"] is None


def test_what_was_armed_for_a_song_that_has_left_the_folder_is_gone() -> None:
    armed = kept(Action.NEXT)
    after = Stage(begin={"song": "away", "section": 1, "armed": armed})
    assert after.show.snapshot().armed is None
    (gone,) = [event for event in after.events if event["kind"] == "armed-gone"]
    assert "not in the rig folder any more" in str(gone["why"])
