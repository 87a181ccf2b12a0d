"""The show on simulated time. "opener" is at 125 BPM: 20 ms a tick, 96 ticks and 1 920 ms a bar of 4/4.

Ticks: 24 to the quarter note (M1 p. 30).
"""

from __future__ import annotations

import json
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import pytest

from routerd.core.errors import CommandError, NotFoundError
from routerd.core.midi.messages import Kind
from routerd.core.model.actions import Action, ToSong, ToTempo
from routerd.core.model.codec import MalformedError, decode, encode, from_json
from routerd.core.model.commands import NOW, Command, Moment, When
from routerd.core.model.controls import Control
from routerd.core.model.set_list import SetList
from routerd.core.model.snapshot import ArmedCommand, Snapshot
from routerd.core.model.song import Patch
from routerd.core.show.show import Show
from routerd.core.show.tick_sender import NO_SONG
from tests.stage import (
    CLOSER,
    CONTROLS,
    MIDDLE,
    MS,
    OPENER,
    ORDER,
    RIG,
    START,
    SYNTH,
    TICK,
    Stage,
    ask,
    compiled,
    route,
)

OPENER_PATCH = ["b2 00 01", "b2 20 01", "c2 05", "b2 07 64"]


def times_of_ticks(stage: Stage, name: str = "modular") -> list[float]:
    return stage.times_ms(name, TICK)


# Books and songs


def test_the_first_song_is_entered_and_nothing_starts() -> None:
    stage = Stage()
    stage.run(100 * MS)
    assert stage.show.snapshot().song == "opener"
    assert stage.show.snapshot().index == 0
    assert stage.show.snapshot().transport == "stopped"
    assert stage.sent("modular") == []
    assert times_of_ticks(stage) == [0, 20, 40, 60, 80, 100]


def test_a_device_gets_its_patch_when_it_is_there() -> None:
    stage = Stage()
    stage.run(60 * MS)
    assert stage.sent("synth") == OPENER_PATCH
    assert stage.sent("sampler") == []


def test_next_stops_swaps_patches_and_changes_tempo_on_the_tick() -> None:
    """Tempo changes where the next tick lies: no gap, no double tick."""
    stage = Stage()
    stage.run(50 * MS)
    stage.do(Action.START)
    stage.run(200 * MS)
    ticks = len(times_of_ticks(stage))
    stage.do(Action.NEXT)
    stage.run(400 * MS)
    assert stage.sent("modular") == ["fa", "fc"]
    assert stage.sent("sampler") == ["c0 09"]
    after = times_of_ticks(stage)[ticks - 1 :]
    assert after[1] - after[0] == pytest.approx(20)  # the tick that was already planned
    assert after[2] - after[1] == pytest.approx(10)  # 250 BPM
    assert stage.show.snapshot().bpm == Fraction("250")
    assert [e["kind"] for e in stage.events if e["kind"] in ("song", "section", "tempo")][-3:] == [
        "tempo",
        "song",
        "section",
    ]


def test_next_and_previous_end_with_a_refusal_that_changes_nothing() -> None:
    stage = Stage()
    stage.run(50 * MS)
    before = stage.show.snapshot()
    with pytest.raises(CommandError, match="first song"):
        stage.do(Action.PREVIOUS)
    assert stage.show.snapshot() == before
    stage.do(Action.NEXT)
    stage.do(Action.NEXT)
    before = stage.show.snapshot()
    with pytest.raises(CommandError, match="last song"):
        stage.do(Action.NEXT)
    assert stage.show.snapshot() == before
    stage.do(Action.PREVIOUS)
    assert stage.show.snapshot().song == "middle"


def test_song_by_number_by_name_and_unknown() -> None:
    stage = Stage()
    stage.do(Action.SONG, 3)
    assert stage.show.snapshot().song == "closer"
    stage.do(Action.SONG, "opener")
    assert (stage.show.snapshot().song, stage.show.snapshot().index) == ("opener", 0)
    before = stage.show.snapshot()
    for wrong in (0, 4, "nothing", None):
        with pytest.raises(NotFoundError):
            stage.do(Action.SONG, wrong)
    assert stage.show.snapshot() == before


def test_a_song_outside_the_order_is_played_in_between() -> None:
    stage = Stage(compiled(order=("opener", "closer")))
    stage.do(Action.SONG, "middle")
    assert (stage.show.snapshot().song, stage.show.snapshot().index) == ("middle", None)
    stage.do(Action.NEXT)
    assert (stage.show.snapshot().song, stage.show.snapshot().index) == ("closer", 1)


def test_a_song_played_twice() -> None:
    stage = Stage(compiled(order=("opener", "middle", "opener", "closer")))
    stage.do(Action.NEXT)
    stage.do(Action.NEXT)
    assert stage.show.snapshot().index == 2
    stage.do(Action.NEXT)
    assert stage.show.snapshot().song == "closer"


def test_a_new_order_leaves_the_song_on() -> None:
    stage = Stage()
    stage.do(Action.NEXT)
    stage.do(Action.START)
    stage.run(100 * MS)
    sent = len(stage.sent())
    stage.show.set_order(SetList("later", ("closer", "opener", "middle")), stage.now_ns)
    stage.run(200 * MS)
    snapshot = stage.show.snapshot()
    assert (snapshot.song, snapshot.index, snapshot.transport) == ("middle", 2, "running")
    assert snapshot.set_list.name == "later"
    assert len(stage.sent()) == sent
    stage.show.set_order(SetList("later", ("opener", "closer")), stage.now_ns)
    assert (stage.show.snapshot().song, stage.show.snapshot().index) == ("middle", None)
    before = stage.show.snapshot()
    with pytest.raises(NotFoundError, match="missing"):
        stage.show.set_order(SetList("bad", ("opener", "missing")), stage.now_ns)
    assert stage.show.snapshot() == before


def test_start_policy_entry_starts_from_the_top() -> None:
    stage = Stage()
    stage.run(50 * MS)
    stage.do(Action.SONG, "closer")
    stage.run(150 * MS)
    assert stage.sent("modular") == ["fa"]
    assert stage.show.snapshot().transport == "running"
    start_ms = stage.times_ms("modular", START)[0]
    assert min(abs(start_ms - tick) for tick in times_of_ticks(stage)) >= 1  # M1 p. 30


def test_start_policy_entry_does_not_start_at_load() -> None:
    stage = Stage(compiled(order=("closer",)))
    stage.run(300 * MS)
    assert stage.show.snapshot().transport == "stopped"
    assert stage.sent("modular") == []


# Sections


def test_section_changes_routes_patches_and_tempo() -> None:
    stage = Stage()
    stage.do(Action.SONG, "middle")
    stage.run(50 * MS)
    stage.play("keys", "90 3c 40")
    stage.do(Action.SECTION, "chorus")
    stage.run(100 * MS)
    stage.play("keys", "80 3c 40", "90 3c 41", "80 3c 40")
    stage.run(150 * MS)
    assert stage.sent("sampler") == ["c0 09", "90 3c 40", "80 3c 40"]
    assert stage.sent("synth")[-3:] == ["c0 06", "90 48 41", "80 48 40"]
    assert stage.sent("modular") == ["90 3c 41", "80 3c 40"]
    assert stage.show.snapshot().bpm == Fraction("250")
    stage.do(Action.SECTION, 3)
    assert (stage.show.snapshot().bpm, stage.show.snapshot().section) == (100, 3)


def test_a_tempo_by_hand_stays_between_sections_that_ask_for_none() -> None:
    stage = Stage()
    stage.do(Action.SONG, "middle")
    stage.do(Action.TEMPO, "121.5")
    stage.do(Action.SECTION, "chorus")
    assert stage.show.snapshot().bpm == Fraction("243/2")
    stage.do(Action.SECTION, "bridge")
    assert stage.show.snapshot().bpm == Fraction("100")
    stage.do(Action.SECTION, "verse")
    assert stage.show.snapshot().bpm == Fraction("250")


@pytest.mark.parametrize("text", ["0", "481", "10/3", "-100"])
def test_what_is_no_tempo_is_refused(text: str) -> None:
    stage = Stage()
    before = stage.show.snapshot()
    for when in (NOW, When(Moment.BAR)):
        with pytest.raises(CommandError, match="is outside 10 to 480 BPM"):
            stage.show.apply(Command(Action.TEMPO, ToTempo(Fraction(text)), when), stage.now_ns)
    assert stage.show.snapshot() == before


@pytest.mark.parametrize("value", ["fast", "1e3", None, "1e999999999", 120])
def test_what_is_no_tempo_never_becomes_a_command(value: object) -> None:
    with pytest.raises(MalformedError, match=r"bpm: .* is not a fraction"):
        from_json(Command, {"action": "tempo", "argument": ["ToTempo", {"bpm": value}]})


# Arming


def test_a_section_armed_for_the_bar_falls_exactly_on_it() -> None:
    """Instead of "opener" there is a song in 4/4 at 125 BPM with two sections; the second is at 250 BPM."""
    song = replace(
        OPENER,
        sections=(replace(MIDDLE.sections[0]), replace(MIDDLE.sections[2], bpm=Fraction(250))),
    )
    stage = Stage(compiled(songs=(song, MIDDLE, CLOSER)))
    stage.do(Action.START)
    stage.run(500 * MS)
    stage.do(Action.SECTION, "bridge", at_bar=True)
    assert stage.show.snapshot().armed == ArmedCommand(ask(Action.SECTION, "bridge", "bar"), 1)
    stage.run(4000 * MS)
    assert stage.show.snapshot().armed is None
    # Start went out behind tick 0, so tick 1 is position 0 and tick 97 the next bar
    ticks = times_of_ticks(stage)
    steps = [round(after - before, 5) for before, after in pairwise(ticks)]
    assert set(steps[:97]) == {20.0}
    assert set(steps[97:]) == {10.0}
    assert stage.show.transport.clock.segment.anchor_tick == 97


def test_start_armed_for_the_bar_starts_with_the_bars_first_tick() -> None:
    stage = Stage()
    stage.run(500 * MS)
    stage.do(Action.START, at_bar=True)
    stage.run(4000 * MS)
    (start_ms,) = stage.times_ms("modular", START)
    ticks = times_of_ticks(stage)
    assert start_ms == 1901  # between ticks 95 and 96, at 1 900 and 1 920 ms
    first_played = min(n for n, at_ms in enumerate(ticks) if at_ms > start_ms)
    assert first_played == 96  # bars are counted from tick 0, the first after "opener" was entered


def test_what_is_armed_right_before_the_bar_with_room_is_done_at_once() -> None:
    stage = Stage()
    stage.run(1905 * MS)
    stage.do(Action.START, at_bar=True)  # tick 96, at 1 920 ms, is the first of a bar
    assert stage.show.snapshot().armed is None
    stage.run(3000 * MS)
    assert stage.times_ms("modular", START) == [1905]
    stage = Stage()
    stage.run(1919 * MS)  # too late for this bar
    stage.do(Action.START, at_bar=True)
    stage.run(4000 * MS)
    assert stage.times_ms("modular", START) == [3821]  # right behind tick 191


def test_armed_wrongly_changes_nothing() -> None:
    stage = Stage()
    before = stage.show.snapshot()
    for action, argument in [
        (Action.PANIC, None),
        (Action.TEMPO, ToTempo(Fraction(5))),
        (Action.GO, None),
        (Action.CANCEL, None),
        (Action.PREVIOUS, None),
        (Action.SONG, "nothing"),
        (Action.SECTION, "nothing"),
        (Action.CONTINUE, 0),
    ]:
        with pytest.raises(CommandError):
            stage.do(action, argument, at_bar=True)
    assert stage.show.snapshot() == before


def test_armed_and_then_gone_is_refused_aloud() -> None:
    stage = Stage()
    stage.run(100 * MS)
    stage.do(Action.SONG, "closer", at_bar=True)
    stage.load(compiled(songs=(OPENER, MIDDLE), order=("opener", "middle"), before=stage.show.book))
    stage.run(4000 * MS)
    assert [e["why"] for e in stage.events if e["kind"] == "refused"] == ["no song 'closer'"]
    assert stage.show.snapshot().song == "opener"


def test_a_stall_does_not_cost_a_bar() -> None:
    stage = Stage()
    stage.run(1890 * MS)  # tick 96, at 1 920 ms, is the first of a bar
    stage.do(Action.NEXT, at_bar=True)
    late_ns = 1980 * MS
    while stage.show.next_deadline_ns() <= late_ns:  # all at once, late
        stage.now_ns = late_ns
        stage.show.advance(late_ns)
        stage.collect()
    assert stage.show.snapshot().song == "middle"
    assert stage.show.transport.clock.segment.anchor_tick == 96


# Transport


def test_controls_and_continue_from_a_bar() -> None:
    """A Song Position Pointer counts sixteenths and is sent while stopped (M1 p. 27): bar 5 of 4/4 is 64."""
    stage = Stage()
    stage.do(Action.START)
    stage.run(300 * MS)
    stage.do(Action.CONTINUE, 5)
    stage.run(400 * MS)
    assert stage.sent("modular") == ["fa", "fc", "f2 40 00", "fb"]
    assert [d for d in stage.sent("synth") if d[0] == "f"] == ["fa", "fc", "f2 40 00", "fb"]
    played = sum(1 for at_ms in times_of_ticks(stage) if at_ms > stage.times_ms("modular", b"\xfb")[0])
    assert stage.show.transport.clock.position_ticks == 4 * 96 + played


def test_continue_after_stop_needs_no_song_position() -> None:
    stage = Stage()
    stage.do(Action.START)
    stage.run(300 * MS)
    stage.do(Action.STOP)
    held = stage.show.transport.clock.position_ticks
    stage.run(400 * MS)
    stage.do(Action.CONTINUE)
    stage.run(405 * MS)
    assert stage.sent("modular") == ["fa", "fc", "fb"]
    assert stage.show.transport.clock.position_ticks == held > 0


def test_continue_from_the_top_is_start() -> None:
    """Start is song position 0 and Continue (M1 p. 28); after a song change followers stand elsewhere."""
    stage = Stage()
    stage.do(Action.START)
    stage.run(300 * MS)
    stage.do(Action.NEXT)
    stage.do(Action.CONTINUE)
    stage.run(400 * MS)
    assert stage.sent("modular") == ["fa", "fc", "fa"]


@pytest.mark.parametrize("bar", [0, -1])
def test_continue_from_no_bar(bar: int) -> None:
    stage = Stage()
    before = stage.show.snapshot()
    with pytest.raises(CommandError, match="not a whole number from 1"):
        stage.do(Action.CONTINUE, bar)
    assert stage.show.snapshot() == before


@pytest.mark.parametrize("bar", ["two", 1.5, True])
def test_what_is_no_number_is_no_bar(bar: object) -> None:
    with pytest.raises(MalformedError, match=r"bar: .* is not a whole number"):
        from_json(Command, {"action": "continue", "argument": ["FromBar", {"bar": bar}]})


def test_continue_from_a_bar_that_no_song_position_reaches() -> None:
    """The pointer has 14 bits: 16 383 sixteenths at most (M1 p. 27), which is in bar 1 024 of 4/4."""
    stage = Stage()
    stage.do(Action.CONTINUE, 1024)
    with pytest.raises(CommandError, match="no song position pointer"):
        stage.do(Action.CONTINUE, 1025)
    odd = replace(OPENER, beats=1, beat_unit=32)  # a bar of 3 ticks: every other one is between sixteenths
    stage = Stage(compiled(songs=(odd, MIDDLE, CLOSER)))
    stage.do(Action.CONTINUE, 3)
    with pytest.raises(CommandError, match="no song position pointer"):
        stage.do(Action.CONTINUE, 2)


def test_song_position_goes_out_before_continue_also_behind_a_dump() -> None:
    dump = b"\xf0\x7d" + bytes(599) + b"\xf7"
    song = replace(OPENER, patches=(Patch("synth", sysex=(dump,)),))
    stage = Stage(compiled(songs=(song, MIDDLE, CLOSER)))
    stage.run(30 * MS)
    stage.do(Action.CONTINUE, 2)
    stage.run(1000 * MS)
    sent = stage.sent("synth")
    assert sent.index("f2 10 00") < sent.index("fb")
    assert b"".join(bytes.fromhex(d) for d in sent[: sent.index("f2 10 00")]) == dump
    start_ms = stage.times_ms("synth", b"\xfb")[0]
    assert min(abs(start_ms - tick) for tick in times_of_ticks(stage)) >= 1


def test_a_start_that_is_taken_back_holds_nothing_up() -> None:
    """A device that gets transport but no clock: what waited for the Start goes on without it."""
    lone = replace(SYNTH, clock=False)
    rig = replace(RIG, devices=tuple(lone if d is SYNTH else d for d in RIG.devices))
    stage = Stage(compiled(rig))
    stage.run(25 * MS)
    stage.do(Action.START)  # goes out at once, between two ticks ...
    stage.run(100 * MS)
    stage.do(Action.STOP)
    stage.run(119 * MS + MS // 2)
    stage.do(Action.START)  # ... and this one only behind the tick at 120 ms, at 121 ms
    for note in range(60, 63):
        stage.play("keys", f"90 {note:02x} 40")
    assert stage.sent("synth")[-1] == "90 3c 40"  # 960 µs of wire to a Note On (M1 p. 9): one fits
    stage.do(Action.STOP)
    stage.run(130 * MS)
    assert stage.sent("synth")[-3:] == ["90 3c 40", "90 3d 40", "90 3e 40"]


def test_armed_while_the_wires_are_busy_up_to_the_bar() -> None:
    """A Start that would slip behind the bar's first tick waits for the next bar instead."""
    stage = Stage()
    stage.run(1912 * MS)  # tick 96, at 1 920 ms, is the first of a bar
    for note in range(60, 68):
        stage.play("keys", f"90 {note:02x} 40")  # 7.68 ms of wire
    stage.run(1916 * MS + MS // 2)  # not all of it is handed over yet, but too much for a Start
    stage.do(Action.START, at_bar=True)
    assert stage.show.snapshot().armed is not None
    stage.run(4000 * MS)
    (start_ms,) = stage.times_ms("modular", START)
    assert 3821 <= start_ms <= 3839


def test_redundant_transport_is_silent() -> None:
    stage = Stage()
    stage.do(Action.STOP)
    stage.do(Action.START)
    stage.do(Action.START)
    stage.run(100 * MS)
    stage.do(Action.START)
    stage.do(Action.CONTINUE)
    stage.run(200 * MS)
    stage.do(Action.STOP)
    stage.do(Action.STOP)
    assert stage.sent("modular") == ["fa", "fc"]


def test_missed_ticks_are_told() -> None:
    stage = Stage()
    stage.run(0)
    stage.now_ns = 2000 * MS
    stage.show.advance(stage.now_ns)
    stage.collect()
    (event,) = [e for e in stage.events if e["kind"] == "ticks-missed"]
    assert (event["count"], event["from_tick"], event["to_tick"]) == (99, 1, 99)
    assert stage.show.ticks.number == 100


def test_time_that_runs_backwards_raises() -> None:
    stage = Stage()
    stage.run(100 * MS)
    with pytest.raises(ValueError, match="backwards by 1 ns"):
        stage.show.advance(stage.show.effects.now_ns - 1)


# Panic


def test_panic_sends_note_offs_first_and_mode_messages_behind() -> None:
    """All Notes Off is no substitute for Note Offs (M1 p. 20)."""
    stage = Stage()
    stage.do(Action.SONG, "closer")  # keys play "modular"
    stage.do(Action.STOP)
    stage.play("keys", "90 3c 40", "93 40 40", "b0 40 7f")
    begun = len(stage.sent("modular"))
    stage.do(Action.PANIC)
    sent = stage.sent("modular")[begun:]
    assert sorted(sent[:3]) == ["80 3c 40", "83 40 40", "b0 40 00"]
    assert sent[3:] == [
        f"b{channel:x} {number:02x} 00" for channel in range(16) for number in (64, 120, 121, 123)
    ]
    for name in ("synth", "sampler"):
        stage.run(stage.now_ns + 500 * MS)
        assert stage.sent(name)[-64:] == sent[3:]
    begun = len(stage.sent())
    stage.play("keys", "80 3c 40", "83 40 40")
    assert len(stage.sent()) == begun  # released once
    stage.play("keys", "90 3c 40")
    assert stage.sent("modular")[-1] == "90 3c 40"


def test_panic_comes_at_once_where_the_wire_allows_and_at_wire_speed_on_din() -> None:
    """A DIN byte takes 320 us (M1 p. 1): 64 messages and a release are 62.4 ms; ticks come between."""
    song = replace(OPENER, routes=(route("synth"), route("modular")), patches=())
    stage = Stage(compiled(songs=(song,), order=("opener",)))
    stage.run(100 * MS)
    stage.play("keys", "90 3c 40")
    stage.run(110 * MS)
    stage.log.clear()
    stage.do(Action.PANIC)
    assert {stage.now_ns} == {at_ns for at_ns, name, _ in stage.log if name == "modular"}
    begin_ns = stage.now_ns
    stage.run(400 * MS)
    last_ns = max(at_ns for at_ns, name, data in stage.log if (name, data) == ("synth", b"\xbf\x7b\x00"))
    taken = [data for at_ns, name, data in stage.log if name == "synth" and begin_ns <= at_ns <= last_ns]
    wire_ns = 320_000 * sum(map(len, taken))
    assert sum(len(data) for data in taken if data != TICK) == 65 * 3
    assert last_ns - begin_ns <= 1.05 * wire_ns


def test_panic_keeps_releases_that_wait_for_the_wire() -> None:
    dump = b"\xf0\x7d" + bytes(1999) + b"\xf7"
    song = replace(OPENER, patches=())
    late = replace(MIDDLE, patches=(Patch("synth", sysex=(dump,)),), sections=())
    stage = Stage(compiled(songs=(song, late, CLOSER)))
    stage.run(30 * MS)
    stage.play("keys", "90 3c 40")
    stage.do(Action.NEXT)
    stage.run(40 * MS)
    stage.play("keys", "80 3c 40")  # the dump has begun, and nothing may stand inside it
    stage.run(60 * MS)
    assert "80 3c 40" not in stage.sent("synth")
    stage.do(Action.PANIC)
    stage.run(400 * MS)
    sent = stage.sent("synth")
    assert sent.index("f7") < sent.index("80 3c 40") < sent.index("b0 7b 00")


def test_shut_down_stops_silences_and_drains() -> None:
    stage = Stage()
    stage.do(Action.START)
    stage.run(100 * MS)
    stage.play("keys", "90 3c 40")
    stage.show.shut_down(stage.now_ns)
    stage.collect()
    assert not stage.show.drained(stage.now_ns)
    stage.run(305 * MS)
    assert stage.show.drained(stage.now_ns)
    assert stage.sent("modular")[1] == "fc"
    assert stage.sounding() == {}


# Controls


def test_controls_act_on_their_edge_and_are_not_routed() -> None:
    routes = (route("sampler", "pedals", Kind),)
    sections = tuple(replace(section, routes=routes) for section in MIDDLE.sections)
    stage = Stage(compiled(songs=(OPENER, replace(MIDDLE, sections=sections), CLOSER)))
    stage.play("pedals", "b5 50 7f", "b5 50 7f", "b5 50 00")  # next, any channel
    assert stage.show.snapshot().song == "middle"
    stage.play("pedals", "b2 51 7f")  # previous is on channel 3 only, counted from 0
    assert stage.show.snapshot().song == "middle"
    assert stage.sent("sampler")[-1] == "b2 51 7f"
    stage.play("pedals", "90 24 50", "90 24 00")  # section 2
    assert stage.show.snapshot().section == 2
    stage.play("pedals", "b3 51 7f", "b3 51 00")
    assert stage.show.snapshot().song == "opener"
    stage.run(100 * MS)  # a press right behind another is bounce
    stage.play("pedals", "b3 51 7f")
    (refused,) = [e for e in stage.events if e["kind"] == "refused"]
    assert (refused["device"], refused["action"]) == ("pedals", "previous")
    stage.play("pedals", "c0 07", "b0 52 40")
    assert "panic" in [e["kind"] for e in stage.events]
    assert stage.show.snapshot().transport == "starting"


def test_a_song_control_without_an_argument_is_refused() -> None:
    rig = replace(RIG, controls=(Control("pedals", 0xB0, 80, Command(Action.SONG, ToSong(-1))),))
    stage = Stage(compiled(rig))
    stage.play("pedals", "b0 50 7f")
    assert [e["kind"] for e in stage.events].count("refused") == 1


MALFORMED = "|00|90|90 3c|90 80 80|f4|f7|ff|f0|f0 80|c0 ff|fe fe"


@pytest.mark.parametrize("hexes", MALFORMED.split("|"))
def test_malformed_bytes_disturb_nothing(hexes: str) -> None:
    stage = Stage()
    before, sent = stage.show.snapshot(), len(stage.sent())
    for device in ("keys", "pedals"):
        stage.play(device, hexes)
    assert stage.show.snapshot() == before
    assert len(stage.sent()) == sent


# Ports


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


def test_ticks_go_only_to_devices_that_are_there_and_get_the_clock() -> None:
    stage = Stage()
    stage.run(100 * MS)
    assert times_of_ticks(stage, "sampler") == []
    count = len(times_of_ticks(stage, "synth"))
    stage.lose("synth")
    stage.run(200 * MS)
    assert len(times_of_ticks(stage, "synth")) == count
    assert len(times_of_ticks(stage)) == count + 5


# Reload


def test_reload_keeps_song_section_transport_and_grid() -> None:
    stage = Stage()
    stage.do(Action.SONG, "middle")
    stage.do(Action.SECTION, "chorus")
    stage.do(Action.START)
    stage.run(200 * MS)
    sent, ticks = len(stage.sent()), len(times_of_ticks(stage))
    stage.load(compiled(order=("closer", "middle"), before=stage.show.book))
    stage.run(400 * MS)
    snapshot = stage.show.snapshot()
    assert (snapshot.song, snapshot.section, snapshot.index) == ("middle", 2, 1)
    assert (snapshot.transport, snapshot.bpm, snapshot.generation) == ("running", 250, 2)
    assert len(stage.sent()) == sent
    assert len(times_of_ticks(stage)) == ticks + 20


def test_reload_takes_the_new_version_of_the_song_that_is_on() -> None:
    stage = Stage()
    stage.run(100 * MS)
    changed = replace(
        OPENER, bpm=Fraction(100), routes=(route("modular"),), patches=(Patch("sampler", program=3),)
    )
    stage.play("keys", "90 3c 40")
    stage.load(compiled(songs=(changed, MIDDLE, CLOSER), before=stage.show.book))
    stage.play("keys", "80 3c 40", "90 3e 40")
    stage.run(200 * MS)
    assert stage.sent("sampler") == ["c0 03"]
    assert stage.sent("modular") == ["90 3e 40"]
    assert stage.sent("synth")[-1] == "80 3c 40"
    assert stage.show.snapshot().bpm == Fraction("100")


def test_reload_that_loses_the_section_falls_back_to_the_first() -> None:
    stage = Stage()
    stage.do(Action.SONG, "middle")
    stage.do(Action.SECTION, "bridge")
    for sections, number in ((MIDDLE.sections[1:2], 1), ((), 0), (MIDDLE.sections, 1)):
        song = replace(MIDDLE, sections=sections)
        stage.load(compiled(songs=(OPENER, song, CLOSER), before=stage.show.book))
        assert stage.show.snapshot().section == number


def test_reload_without_the_song_that_is_on_goes_to_what_followed() -> None:
    stage = Stage()
    stage.do(Action.SONG, "middle")
    stage.do(Action.START)
    stage.run(100 * MS)
    stage.load(compiled(songs=(OPENER, CLOSER), order=("opener", "closer"), before=stage.show.book))
    stage.run(200 * MS)
    assert (stage.show.snapshot().song, stage.show.snapshot().index) == ("closer", 1)
    assert stage.show.snapshot().transport == "stopped"


def test_an_empty_book_has_no_song_and_routes_nothing() -> None:
    stage = Stage()
    stage.play("keys", "90 3c 40")
    stage.load(compiled(songs=(), order=(), before=stage.show.book))
    assert stage.show.snapshot().song is None
    assert stage.show.ticks.song_number == NO_SONG
    stage.play("keys", "80 3c 40")
    stage.run(100 * MS)
    assert stage.sounding() == {}
    sent = len(stage.sent())
    stage.play("keys", "90 3c 40")
    assert len(stage.sent()) == sent
    for action in (Action.NEXT, Action.SECTION, Action.SONG):
        with pytest.raises(CommandError):
            stage.do(action)
    stage.load(compiled(before=stage.show.book))
    assert stage.show.snapshot().song == "opener"


def test_a_removed_device_is_released_before_it_goes() -> None:
    dump = b"\xf0\x7d" + bytes(1999) + b"\xf7"
    stage = Stage(compiled(songs=(replace(OPENER, patches=(Patch("synth", sysex=(dump,)),)), MIDDLE, CLOSER)))
    stage.run(30 * MS)
    stage.play("keys", *(f"90 {note:02x} 40" for note in range(40, 60)))  # they wait behind the dump
    rig = replace(RIG, devices=tuple(d for d in RIG.devices if d is not SYNTH))
    stage.load(compiled(rig, songs=(CLOSER,), order=("closer",), before=stage.show.book))
    assert stage.sent("synth")[-21:] == ["f7", *(f"80 {note:02x} 40" for note in range(40, 60))]


def test_what_an_absent_device_is_owed_passes_to_its_successor() -> None:
    stage = Stage()
    stage.run(100 * MS)
    stage.play("keys", "90 3c 40")
    stage.run(110 * MS)
    stage.lose("synth")
    devices = tuple(replace(d, output_pattern="new") if d is SYNTH else d for d in RIG.devices)
    rig = replace(RIG, devices=devices)
    stage.load(compiled(rig, before=stage.show.book))
    stage.open("synth")
    stage.run(200 * MS)
    assert "80 3c 40" in stage.sent("synth")
    assert stage.sounding() == {}


def test_a_key_that_becomes_a_control_by_reload_is_released() -> None:
    stage = Stage()
    stage.run(100 * MS)
    stage.play("keys", "90 24 40")
    rig = replace(RIG, controls=(*CONTROLS, Control("keys", 0x90, 0x24, Command(Action.NEXT))))
    stage.load(compiled(rig, before=stage.show.book))
    stage.play("keys", "80 24 40")
    stage.run(200 * MS)
    assert stage.sounding() == {}
    assert stage.show.snapshot().song == "opener"
    stage.play("keys", "90 24 40")
    assert stage.show.snapshot().song == "middle"


@pytest.mark.parametrize(
    ("place", "song", "section", "bpm"),
    [
        ({"song": "middle", "section": 3, "bpm": "243/2"}, "middle", 3, "243/2"),
        ({"song": "middle", "section": None, "bpm": None}, "middle", 1, "250"),
        ({"song": "middle", "section": 99}, "middle", 3, "100"),
        ({"song": "middle", "section": -4}, "middle", 1, "250"),
        ({"song": "middle", "section": "two", "bpm": "0"}, "middle", 1, "250"),
        ({"song": "middle", "section": 1.5, "bpm": "1/0"}, "middle", 1, "250"),
        ({"song": "middle", "section": [1], "bpm": {"a": 1}}, "middle", 1, "250"),
        ({"song": "missing", "section": 3, "bpm": "100"}, "opener", 0, "125"),
        ({"song": ["opener"]}, "opener", 0, "125"),
        ({"song": 3}, "opener", 0, "125"),
        ({}, "opener", 0, "125"),
    ],
)
def test_a_kept_place_and_a_broken_one(place: dict[str, object], song: str, section: int, bpm: str) -> None:
    stage = Stage(begin=place)
    snapshot = stage.show.snapshot()
    assert (snapshot.song, snapshot.section, snapshot.bpm) == (song, section, Fraction(bpm))
    stage.run(200 * MS)
    assert snapshot.transport == "stopped"


def test_a_kept_place_is_only_for_the_beginning() -> None:
    stage = Stage()
    stage.load(compiled(before=stage.show.book), {"song": "closer"})
    assert stage.show.snapshot().song == "opener"


# What others see


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
