"""Random fire at the engine's inputs, another piece every day; `tests.bench.fuzz` throws the rest."""

from __future__ import annotations

import json
import os
from datetime import UTC, datetime
from itertools import pairwise
from random import Random

import pytest

from routerd.core.errors import LinkError
from routerd.core.model.actions import Action
from routerd.core.model.commands import Apply
from routerd.core.model.rig import RigFolder
from routerd.link.frames import (
    LONGEST_FRAME,
    VERSION,
    TickRecord,
    Unpacker,
    pack_message,
    pack_tap,
    pack_taps,
    pack_ticks,
)
from routerd.link.messages import Ask, PlayIn
from routerd.ports.sysex_assembly import SysexAssembly
from tests.hostile.rich_rig import DEMO, RICH, compiled_rig, rig_folder_of
from tests.hostile.streams import from_bytes, legal, mutated, stream, throw_all, to_bytes
from tests.hostile.under_fire import MS, FarEnd, UnderFire, assembled
from tests.stage import ask

SEED = int(os.environ.get("ROUTERD_FUZZ_SEED", "0")) or datetime.now(UTC).date().toordinal()
"""Moves from day to day; a failure prints it, and ROUTERD_FUZZ_SEED brings it back."""

MESSAGES = 4_000


@pytest.fixture(scope="module", params=["demo", "rich"])
def book(request: pytest.FixtureRequest) -> RigFolder:
    return rig_folder_of({"demo": DEMO, "rich": RICH}[request.param])


def test_a_show_under_fire(book: RigFolder) -> None:
    fire = UnderFire(compiled_rig(book))
    try:
        throw_all(fire, stream(Random(SEED), MESSAGES))
        fire.end()
    except Exception as error:
        error.add_note(f"ROUTERD_FUZZ_SEED={SEED}, after {fire.handed} messages")
        raise
    assert fire.handed > MESSAGES // 2


def test_what_is_thrown_reaches_the_show() -> None:
    """The fire is no blank: songs change, sources are followed, wires fill, notes sound."""
    fire = UnderFire(compiled_rig(rig_folder_of(RICH)))
    songs, states, sounded, queued = set(), set(), 0, 0
    for seed in range(3):
        throws = stream(Random(seed), 800)
        for throw in throws:
            throw_all(fire, iter([throw]))
            songs.add(fire.show.ticks.song_number)
            sounded = max(sounded, sum(sum(end.sounding.values()) for end in fire.far_ends.values()))
            queued = max(queued, *(output.queued for output in fire.far_ends))
            if fire.show.tempo.source is not None:
                states.add(fire.show.tempo.source.state.value)
    assert len(songs) >= 2
    assert sounded > 10
    assert queued > 10
    assert states >= {"free", "acquiring"}


def test_a_mistake_would_be_seen() -> None:
    """The far end fails on what is no MIDI, and sees a note that hangs."""
    far_end = FarEnd("synth")
    far_end.hear(b"\x90\x3c\x40")
    assert far_end.sounding
    for wrong in (b"\x90\x3c", b"\x3c", b"\x90\x3c\x80", b"\xf9", b"\xf4", b"\xf7"):
        with pytest.raises(AssertionError):
            far_end.hear(wrong)
    far_end.hear(b"\xf0\x7d")
    with pytest.raises(AssertionError):
        far_end.hear(b"\x90\x3c\x40")


def test_streams_can_be_written_and_read() -> None:
    throws = [throw for throw in stream(Random(SEED), 300) if len(throw.data) < 32]
    again = list(from_bytes(to_bytes(iter(throws))))
    assert [(t.input, t.data, t.split) for t in again] == [(t.input, t.data, t.split) for t in throws]


def test_nothing_legal_is_lost_between_the_port_and_the_router() -> None:
    """Whole messages among garbage: every one comes through once and in order (M1 pp. 5, 30)."""
    random = Random(SEED)
    for _ in range(300):
        assembly = SysexAssembly()
        chunks = [legal(random) if random.random() < 0.6 else mutated(random) for _ in range(20)]
        out = [message for chunk in chunks for message in assembly.take(chunk)]
        assert out == assembled(chunks), (SEED, [chunk.hex() for chunk in chunks])
        assembly.take(b"\xf6")  # ends what is open
        whole = [legal(random) for _ in range(20)]
        assert [message for data in whole for message in assembly.take(data)] == whole


def test_a_storm_of_ticks_keeps_the_grid_within_its_flood_limits() -> None:
    """Whatever a source sends, ticks go out no closer than at 7/8 of the shortest period (480 BPM)."""
    fire = UnderFire(compiled_rig(rig_folder_of(RICH)))
    throw_all(fire, from_bytes(b"\x2a\x42\xc0\x01" * 2))  # to the song that follows
    random = Random(SEED)
    ticks: list[int] = []
    output = next(output for output in fire.far_ends if output.name == "host")
    far_end = fire.far_ends[output]
    hear = far_end.hear

    def stamped(data: bytes) -> None:
        if data == b"\xf8":
            ticks.append(fire.now_ns)
        hear(data)

    far_end.hear = stamped  # type: ignore[method-assign]
    assert fire.show.tempo.source is not None
    for _ in range(3000):
        fire.throw(3, b"\xf8", random.choice((0, 0, 2 * MS)))
        fire.pass_time(fire.now_ns + random.choice((0, 1, 1000, MS, 5 * MS, 6 * MS, 20 * MS, 21 * MS)))
    fire.check_bounds()
    assert len(ticks) > 200
    assert min(b - a for a, b in pairwise(ticks)) >= 5_208_333 * 7 // 8 - 1


def test_the_link_takes_any_bytes_or_says_so() -> None:
    """The engine's end of the socket: frames cut anywhere, changed anywhere; only LinkError, nothing kept."""
    random = Random(SEED)
    frames = [
        pack_message(Ask(Apply(ask(Action.SONG, "low-tide", "bar")), 7)),
        pack_message(PlayIn("keys", (b"\x90\x3c\x40",))),
        pack_ticks([TickRecord(1, 2, 3, 4, 5)] * 20),
        pack_taps([pack_tap(1, 2, b"\x90\x3c\x40"), pack_tap(3, 0x8001, b"\xf8")]),
    ]
    refused = 0
    for _ in range(2000):
        data = bytearray(b"".join(random.choices(frames, k=3)))
        for _ in range(random.randrange(4)):
            data[random.randrange(len(data))] = random.randrange(256)
        unpacker, place = Unpacker(), 0
        try:
            while place < len(data):
                size = random.choice((1, 2, 3, 7, 60, 1000))
                for part in unpacker.feed(bytes(data[place : place + size])):
                    json.dumps(part, default=repr)
                place += size
        except LinkError:
            refused += 1
        assert len(unpacker._pending) <= LONGEST_FRAME + 4, SEED
    assert refused > 100


@pytest.mark.parametrize(
    "payload", [b"5", b'"abc"', b"[1,2]", b"[1]", b"{}", b"[" * 100_000, b"\xff", b"", b"null"]
)
def test_a_frame_that_is_json_and_no_message_is_refused(payload: bytes) -> None:
    frame = (len(payload) + 2).to_bytes(4, "big") + bytes((VERSION,)) + b"J" + payload
    with pytest.raises(LinkError, match="malformed"):
        list(Unpacker().feed(frame))
