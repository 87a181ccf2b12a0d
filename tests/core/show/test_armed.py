"""What is armed, when it is done, and where sections lead, on simulated time with literal times.

"Opener" runs at 125 BPM: a tick every 20 ms, a beat every 480 ms, a bar of 4/4 every 1 920 ms.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from routerd.core.errors import CommandError, NotFoundError
from routerd.core.model.actions import Action, ToSong
from routerd.core.model.commands import Moment, When, parse_when
from routerd.core.model.set_list import SetList
from routerd.core.model.snapshot import ArmedCommand
from routerd.core.model.song import HeldNotes, SectionsEnd
from routerd.core.model.timing import Click, SongTiming, Timing
from tests.stage import (
    CLOSER,
    MIDDLE,
    MS,
    OPENER,
    RIG,
    SAMPLER,
    START,
    STOP,
    TICK,
    Stage,
    ask,
    compiled,
)

SPEED = (Action.TEMPO, "250")


"""A change that tells by the grid on which tick it was done."""


def changed_at(stage: Stage) -> int:
    return stage.show.transport.clock.segment.anchor_tick


def sections(end: SectionsEnd) -> Stage:
    stage = Stage(compiled(songs=(OPENER, replace(MIDDLE, sections_end=end), CLOSER)))
    stage.do(Action.NEXT)
    return stage


@pytest.mark.parametrize(
    ("text", "when"),
    [
        ("now", When(Moment.NOW)),
        ("beat", When(Moment.BEAT)),
        ("bar", When(Moment.BAR)),
        ("1 bars", When(Moment.BAR, 1)),
        ("4 bars", When(Moment.BAR, 4)),
        ("bar 17", When(Moment.NAMED_BAR, 17)),
        ("next-press", When(Moment.NEXT_PRESS)),
        ("release", When(Moment.RELEASE)),
    ],
)
def test_moments_are_read_and_written(text: str, when: When) -> None:
    assert parse_when(text) == when
    assert parse_when(str(when)) == when


@pytest.mark.parametrize(
    "text", ["", "later", "0 bars", "bar 0", "bar -1", "bars", "10000 bars", "named bar"]
)
def test_what_is_no_moment(text: str) -> None:
    with pytest.raises(ValueError, match="is not a moment"):
        parse_when(text)


@pytest.mark.parametrize(
    ("when", "tick"),
    [("beat", 24), ("bar", 96), ("2 bars", 192), ("4 bars", 384)],
)
def test_what_is_armed_is_done_on_its_line(when: str, tick: int) -> None:
    """Bars are counted from tick 0, the first after "opener" was entered; it is armed behind tick 5."""
    stage = Stage()
    stage.run(105 * MS)
    stage.do(*SPEED, when)
    stage.run(10_000 * MS)
    assert changed_at(stage) == tick
    assert stage.show.snapshot().armed is None


def test_lines_that_are_left_count_down() -> None:
    stage = Stage()
    stage.run(105 * MS)
    stage.do(*SPEED, "3 bars")
    assert stage.show.snapshot().armed == ArmedCommand(ask(*SPEED, "3 bars"), 3)
    stage.run(2000 * MS)
    assert stage.show.snapshot().armed.lines_left == 2


def test_a_bar_that_is_named_waits_for_transport() -> None:
    stage = Stage()
    stage.run(105 * MS)
    stage.do(*SPEED, "bar 3")
    stage.run(8000 * MS)  # bars go by, the song does not
    assert stage.show.snapshot().armed.command.when == parse_when("bar 3")
    stage.do(Action.START)
    begin = stage.show.transport.clock.next_tick
    stage.run(14_000 * MS)
    assert changed_at(stage) == begin + 2 * 96
    with pytest.raises(CommandError, match="bar 2 has gone by; the song is in bar"):
        stage.do(*SPEED, "bar 2")


def test_the_bar_that_begins_next_can_still_be_named_and_the_one_that_has_begun_cannot() -> None:
    """125 BPM and 4/4: a bar has 96 ticks of 20 ms; before its first tick bar 3 has not begun."""
    stage = Stage()
    stage.do(Action.START)
    while stage.show.transport.clock.position_ticks < 2 * 96:
        stage.run(stage.now_ns + 20 * MS)
    assert stage.show.transport.clock.position_ticks == 2 * 96
    stage.do(*SPEED, "bar 3")
    stage.run(stage.now_ns + 20 * MS)
    with pytest.raises(CommandError, match="bar 3 has gone by; the song is in bar 3"):
        stage.do(*SPEED, "bar 3")


def test_the_next_press_does_what_is_armed() -> None:
    """The technician arms a song out of order; the player presses next as always."""
    stage = Stage()
    stage.do(Action.SONG, "closer", "next-press")
    stage.run(5000 * MS)
    assert stage.show.snapshot().song == "opener"
    stage.play("pedals", "b0 50 7f")
    assert stage.show.snapshot().song == "closer"
    assert stage.show.snapshot().armed is None


def test_go_does_what_is_armed_before_its_time() -> None:
    stage = Stage()
    stage.run(105 * MS)
    stage.do(*SPEED, "4 bars")
    stage.do(Action.GO)
    assert changed_at(stage) == 6
    with pytest.raises(CommandError, match="nothing is armed"):
        stage.do(Action.GO)


def test_go_that_is_refused_leaves_it_armed() -> None:
    stage = Stage()
    stage.do(Action.NEXT, None, "next-press")
    stage.show.set_order(SetList("short", ("opener",)), stage.now_ns)
    for press in (Action.GO, Action.NEXT):
        before = stage.show.snapshot()
        with pytest.raises(CommandError, match="last song"):
            stage.do(press)
        assert stage.show.snapshot() == before


@pytest.mark.parametrize(
    ("action", "argument"),
    [
        (Action.MUTE, "device nobody"),
        (Action.UNSOLO, "route nobody"),
        (Action.CLOCK_SOURCE, "nobody"),
        (Action.RETRIGGER, "bar nobody"),
    ],
)
def test_what_is_not_there_cannot_be_armed(action: Action, argument: str) -> None:
    stage = Stage()
    with pytest.raises(NotFoundError, match="nobody"):
        stage.do(action, argument, "next-press")
    assert stage.show.snapshot().armed is None


def test_cancel_and_another_song_disarm() -> None:
    stage = Stage()
    stage.do(Action.NEXT, None, "4 bars")
    stage.do(Action.CANCEL)
    assert stage.show.snapshot().armed is None
    stage.do(Action.CANCEL)  # nothing armed: nothing to do, and no reason to complain in the dark
    stage.do(Action.START, None, "4 bars")
    stage.do(Action.NEXT)
    assert [e["kind"] for e in stage.events].count("disarmed") == 2
    stage.run(20_000 * MS)
    assert stage.show.snapshot().transport == "stopped"


@pytest.mark.parametrize("action", [Action.STOP, Action.PANIC, Action.SILENCE])
@pytest.mark.parametrize("when", ["2 bars", "beat", "bar 3", "release", "next-press"])
def test_stop_and_panic_forget_what_is_armed_and_say_so(action: Action, when: str) -> None:
    """What was armed went through 1.6 s after the stop, and started the sequencers of the next song."""
    stage = Stage(compiled(order=("opener", "closer")))
    stage.do(Action.START)
    stage.run(105 * MS)
    if when == "release":
        stage.play("keys", "90 3c 40")
    stage.do(Action.NEXT, None, when)
    stage.do(action)
    assert stage.show.snapshot().armed is None
    assert [e for e in stage.events if e["kind"] == "disarmed"] == [
        {"kind": "disarmed", "at_ns": 105 * MS, "action": "next", "argument": None, "by": action.value}
    ]
    stage.play("keys", "80 3c 00")
    stage.run(10_000 * MS)
    snapshot = stage.show.snapshot()
    assert snapshot.song == "opener"
    assert snapshot.transport == ("running" if action is Action.PANIC else "stopped")
    assert len(stage.times_ms("modular", START)) == 1


def test_stop_while_stopped_forgets_what_is_armed_too() -> None:
    stage = Stage()
    stage.do(Action.NEXT, None, "bar")
    stage.do(Action.STOP)
    stage.do(Action.STOP)
    stage.run(5000 * MS)
    assert stage.show.snapshot().song == "opener"
    assert [e["kind"] for e in stage.events].count("disarmed") == 1


def test_silence_is_panic_and_stop_at_once() -> None:
    stage = Stage()
    stage.do(Action.START)
    stage.run(105 * MS)
    stage.play("keys", "90 3c 40", "b0 40 7f")
    stage.do(Action.SILENCE)
    at_ns = stage.now_ns
    stage.run(3000 * MS)
    assert stage.times_ms("modular", STOP) == [at_ns / MS]
    assert stage.sent("modular")[2:] == [
        f"b{n:x} {cc} 00" for n in range(16) for cc in ("40", "78", "79", "7b")
    ]
    assert stage.sounding() == {}
    assert [e["kind"] for e in stage.events if e["kind"] != "device-clock"][-2:] == ["transport", "panic"]
    assert (
        len([t for t in stage.times_ms("modular", TICK) if t > at_ns / MS]) == 145
    )  # every 20 ms from 120 to 3000


def test_silence_also_ends_a_click_and_what_would_sound_a_little_later() -> None:
    click = Click("sampler", subdivision=2)
    late = replace(SAMPLER, timing=Timing(offset_ns=200 * MS))
    rig = replace(RIG, devices=tuple(late if d.name == "sampler" else d for d in RIG.devices))
    stage = Stage(compiled(rig, (replace(OPENER, timing=SongTiming(click=click)),), ("opener",)))
    stage.do(Action.CLICK, "on")
    stage.run(1000 * MS)  # 480 ms to the beat: clicks wait for the sampler's 200 ms at all times
    stage.do(Action.SILENCE)
    silent_ns = stage.now_ns
    stage.run(5000 * MS)
    late_clicks = [
        t for t, name, data in stage.log if name == "sampler" and data[0] == 0x99 and t > silent_ns
    ]
    assert late_clicks == []
    assert stage.sounding() == {}
    assert not stage.show.snapshot().click.alone


def test_a_song_armed_by_its_number_is_the_one_that_was_meant() -> None:
    order = ("opener", "middle", "opener", "closer")
    stage = Stage(compiled(order=order))
    stage.do(Action.SONG, 3, "next-press")
    assert stage.show.snapshot().armed.command.argument == ToSong("opener", 2)
    stage.do(Action.GO)
    assert stage.show.snapshot().index == 2
    stage = Stage(compiled(order=order))
    stage.do(Action.SONG, 2, "next-press")
    stage.show.set_order(SetList("other", ("opener", "closer", "middle")), stage.now_ns)
    stage.do(Action.GO)
    assert (stage.show.snapshot().song, stage.show.snapshot().index) == ("middle", 2)


def test_on_release_nothing_that_sounds_is_cut() -> None:
    stage = Stage()
    stage.play("keys", "90 3c 40", "90 40 40", "b0 40 7f")
    stage.do(Action.NEXT, None, "release")
    stage.play("keys", "80 3c 40", "80 40 40")
    stage.run(3000 * MS)
    assert stage.show.snapshot().song == "opener"  # the hold pedal is still down
    stage.play("keys", "b0 40 00")
    assert stage.show.snapshot().song == "middle"
    stage.do(Action.PREVIOUS, None, "release")  # nothing is held: at once
    assert stage.show.snapshot().song == "opener"


def test_notes_ring_over_a_change_or_are_cut() -> None:
    ring = (MIDDLE.sections[0], replace(MIDDLE.sections[1], held_notes=HeldNotes.CUT))
    song = replace(MIDDLE, sections=ring)
    stage = Stage(compiled(songs=(OPENER, song, CLOSER)))
    stage.do(Action.NEXT)
    stage.play("keys", "90 3c 40")
    stage.do(Action.SECTION, 1)
    assert stage.sounding() == {("sampler", 0, 60): 1}
    stage.do(Action.SECTION, 2)
    assert stage.sounding() == {}
    stage.play("keys", "80 3c 40")  # its release goes nowhere a second time
    assert stage.sent("sampler").count("80 3c 40") == 1


def test_next_and_previous_section() -> None:
    stage = sections(SectionsEnd.STAY)
    visited = []
    for action in (Action.NEXT_SECTION, Action.NEXT_SECTION, Action.PREVIOUS_SECTION):
        stage.do(action)
        visited.append(stage.show.snapshot().section)
    assert visited == [2, 3, 2]
    stage.do(Action.SECTION, 3)
    with pytest.raises(CommandError, match="last section"):
        stage.do(Action.NEXT_SECTION)
    stage.do(Action.SECTION, 1)
    with pytest.raises(CommandError, match="first section"):
        stage.do(Action.PREVIOUS_SECTION)
    stage.do(Action.PREVIOUS)
    with pytest.raises(CommandError, match="no sections"):
        stage.do(Action.NEXT_SECTION)


def test_sections_wrap_or_lead_on_to_the_next_song() -> None:
    stage = sections(SectionsEnd.WRAP)
    stage.do(Action.PREVIOUS_SECTION)
    assert stage.show.snapshot().section == 3
    stage.do(Action.NEXT_SECTION)
    assert stage.show.snapshot().section == 1
    stage = sections(SectionsEnd.SONG)
    stage.do(Action.SECTION, 3)
    stage.do(Action.NEXT_SECTION, None, "next-press")
    stage.do(Action.GO)
    assert stage.show.snapshot().song == "closer"
    stage.do(Action.PREVIOUS)
    stage.do(Action.PREVIOUS_SECTION)
    assert stage.show.snapshot().song == "opener"


def test_a_section_can_be_repeated() -> None:
    """Entering the section that is on is no mistake; a device that is on its sound does not get it twice."""
    stage = sections(SectionsEnd.STAY)
    for _ in range(2):
        stage.do(Action.SECTION, "chorus")
    stage.run(100 * MS)
    assert stage.sent("synth").count("c0 06") == 1
    assert [event["section"] for event in stage.events if event["kind"] == "section"][-2:] == ["chorus"] * 2
