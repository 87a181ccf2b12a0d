"""Lamps, learn mode and checklists on the show."""

from __future__ import annotations

from dataclasses import replace

import pytest

from routerd.core.errors import CommandError, NotFoundError
from routerd.core.model.actions import Action, Learns, StepDone
from routerd.core.model.codec import MalformedError, from_json
from routerd.core.model.commands import Command
from routerd.core.model.controls import Led, Shows
from routerd.core.model.rig import Device
from routerd.core.model.snapshot import LearningState, TuningNote
from routerd.core.model.song import Step
from tests.stage import CLOSER, MIDDLE, MS, OPENER, RIG, Stage, compiled

BOARD = Device("board", output_pattern="board")
LAMPS = (
    Led("board", 0xBF, 80, Shows.RUNNING),
    Led("board", 0xBF, 81, Shows.ARMED, on=100),
    Led("board", 0xBF, 82, Shows.SECTION, 2),
    Led("board", 0xBF, 83, Shows.SECTION, "verse"),
    Led("board", 0x9F, 36, Shows.SONG, 2),
    Led("board", 0x9F, 37, Shows.LAST_SONG),
    Led("board", 0x9F, 38, Shows.CHECKLIST),
)
LIT_RIG = replace(RIG, devices=(*RIG.devices, BOARD), leds=LAMPS)
LISTED = replace(MIDDLE, checklist=(Step("tape in"), Step("tune", "Technician", "chorus")))


def stage_with_lamps() -> Stage:
    return Stage(compiled(LIT_RIG, songs=(OPENER, LISTED, CLOSER)))


def new_on_board(stage: Stage) -> list[str]:
    sent = [data.hex(" ") for _, name, data in stage.log if name == "board"]
    stage.log.clear()
    return sent


def test_lamps_are_told_when_they_change_and_when_they_come_back() -> None:
    stage = stage_with_lamps()
    assert new_on_board(stage) == [
        "bf 50 00", "bf 51 00", "bf 52 00", "bf 53 00", "9f 24 00", "9f 25 00", "9f 26 00",
    ]  # fmt: skip
    stage.do(Action.NEXT)
    assert new_on_board(stage) == ["bf 53 7f", "9f 24 7f", "9f 26 7f"]
    stage.do(Action.SECTION, "chorus", "2 bars")
    assert new_on_board(stage) == ["bf 51 64"]
    stage.run(3000 * MS)
    assert new_on_board(stage)[0] == "bf 51 00"
    stage.do(Action.START)
    stage.run(3100 * MS)
    assert "bf 50 7f" in [data.hex(" ") for _, name, data in stage.log if name == "board"]
    stage.log.clear()
    stage.lose("board")
    stage.do(Action.NEXT)
    stage.open("board")
    assert new_on_board(stage) == [
        "bf 50 7f", "bf 51 00", "bf 52 00", "bf 53 00", "9f 24 00", "9f 25 7f", "9f 26 00",
    ]  # fmt: skip


def test_the_next_message_is_learnt_and_does_nothing_else() -> None:
    stage = Stage()
    stage.do(Action.LEARN, "control")
    stage.play("keys", "f8", "80 3c 40", "b0 50 00")  # clock, releases: nobody means these
    assert stage.show.snapshot().learning.over is False
    stage.play("pedals", "b0 50 7f")
    assert stage.show.snapshot().learning == LearningState(
        Learns.CONTROL, over=True, device="pedals", message=bytes.fromhex("B0 50 7F")
    )
    assert stage.show.snapshot().song == "opener"
    stage.play("pedals", "b0 50 00")
    stage.run(100 * MS)
    stage.play("pedals", "b0 50 7f")  # the one after it counts again
    assert stage.show.snapshot().song == "middle"


def test_a_learnt_note_leaves_no_release_behind() -> None:
    stage = Stage()
    stage.do(Action.NEXT)
    stage.do(Action.LEARN, "control")
    before = len(stage.log)
    stage.play("keys", "90 3c 40", "80 3c 40")
    assert len(stage.log) == before


def test_a_pedals_ends_are_learnt_until_it_is_told_to_end() -> None:
    stage = Stage()
    stage.do(Action.LEARN, "pedal")
    stage.play("keys", "b0 0b 40", "b0 0b 05", "b1 0b 00", "b0 0b 7a", "b0 0b 60")
    learning = stage.show.snapshot().learning
    assert (learning.low, learning.high, learning.over) == (5, 122, False)
    stage.do(Action.LEARN)
    assert stage.show.snapshot().learning.over is True


def test_learn_mode_ends_by_itself() -> None:
    stage = Stage()
    stage.do(Action.LEARN, "control")
    stage.run(59_000 * MS)
    assert stage.show.snapshot().learning.over is False
    stage.run(60_100 * MS)
    assert stage.show.snapshot().learning.over is True
    with pytest.raises(MalformedError, match="'everything' is none of control, pedal, nothing"):
        from_json(Command, {"action": "learn", "argument": ["Learn", {"what": "everything"}]})


def test_that_learning_ends_is_told_and_why() -> None:
    stage = Stage()
    stage.do(Action.LEARN, "control")
    stage.run(60_100 * MS)
    stage.do(Action.LEARN, "pedal")
    stage.play("keys", "b0 0b 40")
    stage.do(Action.LEARN, "nothing")
    stage.do(Action.LEARN, "nothing")  # nothing ends
    told = [
        {key: event[key] for key in event if key != "at_ns"}
        for event in stage.events
        if str(event["kind"]).startswith("learning")
    ]
    assert told == [
        {"kind": "learning", "learns": "control"},
        {"kind": "learning-ended", "learns": "control", "why": "time", "heard": False},
        {"kind": "learning", "learns": "pedal"},
        {"kind": "learning-ended", "learns": "pedal", "why": "asked", "heard": True},
    ]


def test_nothing_is_learnt_from_what_routerd_plays_or_hears_of_itself() -> None:
    stage = Stage()
    stage.do(Action.LEARN, "control")
    with stage.show.learning_nothing():  # as a soundcheck plays
        stage.play("keys", "90 3c 14", "80 3c 00")
    stage.show.compiled.outputs[0].offer(bytes.fromhex("95 28 14"), stage.now_ns, stage.show.effects.sink)
    stage.collect()
    stage.run(stage.now_ns + 20 * MS)
    stage.play("keys", "95 28 14")  # a loopback brings it back
    stage.play("keys", "f0 7e 10 06 02 7d 42 00 00 20 00 01 00 00 f7")  # an Identity Reply, M1 p. 40
    assert stage.show.snapshot().learning.over is False
    stage.run(stage.now_ns + 500 * MS)
    stage.play("keys", "95 28 14")  # by now it is somebody's finger
    assert stage.show.snapshot().learning.message == bytes.fromhex("95 28 14")


def test_steps_are_done_by_foot_and_by_number() -> None:
    stage = stage_with_lamps()
    stage.do(Action.NEXT)
    stage.do(Action.DONE)
    assert stage.show.snapshot().done == {"middle": (1,)}
    new_on_board(stage)
    stage.show.apply(Command(Action.DONE, StepDone(2, "middle")), stage.now_ns)
    stage.collect()
    assert new_on_board(stage) == ["9f 26 00"]
    with pytest.raises(CommandError, match="nothing of the checklist"):
        stage.do(Action.DONE)
    stage.show.apply(Command(Action.DONE, StepDone(1, "middle", done=False)), stage.now_ns)
    stage.show.apply(Command(Action.DONE, StepDone(None, None, done=False)), stage.now_ns)
    assert stage.show.snapshot().done == {}
    with pytest.raises(NotFoundError, match="steps 1 to 2"):
        stage.show.apply(Command(Action.DONE, StepDone(3, "middle")), stage.now_ns)
    with pytest.raises(NotFoundError, match="no song"):
        stage.show.apply(Command(Action.DONE, StepDone(1, "nothing")), stage.now_ns)


def test_done_steps_come_back_after_a_restart_as_far_as_they_make_sense() -> None:
    kept = {"middle": [2, 9, "x", True], "gone": [1], "opener": 5}
    book = compiled(songs=(OPENER, LISTED, CLOSER))
    stage = Stage(book, {"song": "middle", "section": 1, "done": kept})
    assert stage.show.snapshot().done == {"middle": (2,)}


def test_a_note_to_tune_by_sounds_until_it_is_ended_and_never_hangs() -> None:
    stage = Stage()
    stage.show.sound("sampler", 2, 57, 64, stage.now_ns)
    stage.collect()
    assert stage.sounding() == {("sampler", 2, 57): 1}
    until_ns = stage.now_ns + 60_000 * MS
    assert stage.show.snapshot().tuning == TuningNote("sampler", 3, 57, until_ns)
    stage.do(Action.NEXT)
    stage.show.sound("sampler", 2, 45, 64, stage.now_ns)
    stage.collect()
    assert stage.sounding() == {("sampler", 2, 45): 1}
    stage.show.sound("sampler", 0, 0, 0, stage.now_ns)
    stage.collect()
    assert stage.sounding() == {}
    stage.show.sound("sampler", 2, 45, 64, stage.now_ns)
    stage.do(Action.PANIC)
    assert (stage.sounding(), stage.show.snapshot().tuning) == ({}, None)
    stage.show.sound("sampler", 2, 45, 64, stage.now_ns)
    stage.collect()
    stage.lose("sampler")
    stage.open("sampler")  # what it missed is ended when it is back
    assert stage.sounding() == {}
    with pytest.raises(NotFoundError, match="no device"):
        stage.show.sound("keys", 0, 57, 64, stage.now_ns)


def test_a_note_to_tune_by_that_is_forgotten_ends_by_itself() -> None:
    stage = Stage()
    stage.show.sound("sampler", 2, 57, 20, stage.now_ns, for_s=5)
    stage.collect()
    stage.run(4_999 * MS)
    assert stage.sounding() == {("sampler", 2, 57): 1}
    stage.run(5_000 * MS)
    assert (stage.sounding(), stage.show.snapshot().tuning) == ({}, None)
    assert [at_ns for at_ns, device, data in stage.log if (device, data[0]) == ("sampler", 0x82)] == [
        5_000 * MS
    ]
    stage.show.sound("sampler", 2, 45, 20, stage.now_ns, for_s=5)
    stage.do(Action.PANIC)
    stage.run(8_000 * MS)
    stage.show.sound("sampler", 2, 46, 20, stage.now_ns)  # the end of the one before is not its end
    stage.collect()
    stage.run(30_000 * MS)
    assert stage.sounding() == {("sampler", 2, 46): 1}


def test_transport_goes_on_after_a_crash_only_when_told_so() -> None:
    place = {"song": "middle", "section": 2}
    stage = Stage(begin=dict(place))
    stage.run(500 * MS)
    assert stage.show.snapshot().transport == "stopped"
    stage = Stage(begin={**place, "play": True})
    stage.run(500 * MS)
    assert stage.show.snapshot().transport == "running"
    assert (stage.show.snapshot().song, stage.show.snapshot().section) == ("middle", 2)
    assert [data for data in stage.sent("modular") if data in ("fa", "fb", "fc")] == ["fb"]
    stage = Stage(begin={"song": "gone", "section": 1, "play": True})
    stage.run(500 * MS)
    assert stage.show.snapshot().transport == "stopped"
