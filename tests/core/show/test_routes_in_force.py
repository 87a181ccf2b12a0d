"""Panic, and what ends when a show is shut down, on simulated time."""

from __future__ import annotations

from dataclasses import replace

from routerd.core.model.actions import Action
from routerd.core.model.song import Patch
from tests.stage import (
    CLOSER,
    MIDDLE,
    MS,
    OPENER,
    TICK,
    Stage,
    compiled,
    route,
)


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
