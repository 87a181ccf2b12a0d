"""The server's end of the link, over a real socket pair."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator
from fractions import Fraction

import pytest

from routerd.core.errors import CommandError, LinkError, NotFoundError
from routerd.core.model import events
from routerd.core.model.actions import Action
from routerd.core.model.commands import Apply, Command, TakeOrder
from routerd.core.model.rig import Rig, RigFolder
from routerd.core.model.set_list import SetList
from routerd.core.model.snapshot import ResumePoint, Snapshot
from routerd.core.model.song import Patch, Song
from routerd.link.frames import MessageTrace, TickRecord, Unpacker, pack_message, pack_ticks
from routerd.link.messages import (
    AnyMessage,
    Ask,
    Commit,
    Happened,
    Loaded,
    Ping,
    Pong,
    Reply,
)
from routerd.server import link_client
from routerd.server.link_client import EngineLink, EngineSilentError, Unasked
from routerd.server.view import NO_SNAPSHOT
from tests.stage import ask


class Notes:
    """Keeps what the engine tells."""

    def __init__(self) -> None:
        self.messages: list[Unasked] = []
        self.ticks: list[TickRecord] = []
        self.more = asyncio.Event()

    def on_message(self, message: Unasked) -> None:
        self.messages.append(message)
        self.more.set()

    def on_ticks(self, records: list[TickRecord]) -> None:
        self.ticks += records
        self.more.set()


class Ends:
    """Both ends of a link; the far one is played by the test."""

    def __init__(self, link: EngineLink, notes: Notes, far: socket.socket) -> None:
        self.link = link
        self.notes = notes
        self.far = far
        self.task = asyncio.create_task(link.run(notes))
        self._unpacker = Unpacker()
        self._said: list[AnyMessage] = []

    async def next(self) -> AnyMessage:
        """Return the next thing that the server says."""
        while not self._said:
            data = await asyncio.get_running_loop().sock_recv(self.far, 65536)
            for message in self._unpacker.feed(data):
                assert not isinstance(message, list | MessageTrace)
                self._said.append(message)
        return self._said.pop(0)

    async def say(self, message: AnyMessage) -> None:
        await asyncio.get_running_loop().sock_sendall(self.far, pack_message(message))


@pytest.fixture
async def ends() -> AsyncIterator[Ends]:
    near, far = socket.socketpair()
    near.setblocking(False)
    far.setblocking(False)
    notes = Notes()
    both = Ends(await EngineLink.over(near), notes, far)
    yield both
    far.close()
    await asyncio.wait_for(asyncio.gather(both.task, return_exceptions=True), 20)


async def test_answers_go_to_whoever_asked(ends: Ends) -> None:
    first = asyncio.create_task(ends.link.command(Command(Action.NEXT)))
    second = asyncio.create_task(ends.link.command(ask(Action.SECTION, "chorus", "bar")))
    third = asyncio.create_task(ends.link.command(ask(Action.SONG, 9)))
    asked = [await ends.next() for _ in range(3)]
    assert asked[1] == Ask(Apply(ask(Action.SECTION, "chorus", "bar")), 2)
    await ends.say(Reply(3, "no ninth", missing=True))
    await ends.say(Reply(2, "not now"))
    await ends.say(Reply(1))
    await ends.say(Reply(77))  # nobody asked that
    assert await first is None
    with pytest.raises(CommandError, match="not now") as refused:
        await second
    assert not isinstance(refused.value, NotFoundError)
    with pytest.raises(NotFoundError, match="no ninth"):
        await third


async def test_no_answer_in_time(ends: Ends, monkeypatch: pytest.MonkeyPatch) -> None:
    assert link_client.REPLY_S == 2.0
    monkeypatch.setattr(link_client, "REPLY_S", 0.05)
    with pytest.raises(EngineSilentError, match=r"within 0\.05 s"):
        await ends.link.order(SetList("tonight", ("one",)))
    await ends.say(Reply(1))  # too late, and harmless
    await ends.say(Ping(1))
    assert await ends.next() == Ask(TakeOrder(SetList("tonight", ("one",))), 1)
    assert type(await ends.next()) is Pong


async def test_whoever_waits_is_told_that_the_engine_has_gone(ends: Ends) -> None:
    waiting = asyncio.create_task(ends.link.command(Command(Action.NEXT)))
    await ends.next()
    ends.far.close()
    with pytest.raises(EngineSilentError, match="gone"):
        await waiting
    await ends.task


async def test_what_the_engine_tells_reaches_the_listener_in_order(ends: Ends) -> None:
    record = TickRecord(1, 2, 3, 4, 5)
    data = pack_message(NO_SNAPSHOT) + pack_ticks([record, record])
    data += pack_message(Happened(events.Panic(1, ending=False)))
    for i in range(0, len(data), 7):  # in pieces of any size
        await asyncio.get_running_loop().sock_sendall(ends.far, data[i : i + 7])
    async with asyncio.timeout(60):
        while len(ends.notes.messages) < 2:
            ends.notes.more.clear()
            await ends.notes.more.wait()
    assert [type(message) for message in ends.notes.messages] == [Snapshot, Happened]
    assert ends.notes.ticks == [record, record]


async def test_another_version_ends_the_link_with_words(ends: Ends) -> None:
    frame = bytearray(pack_message(Happened(events.Panic(1, ending=False))))
    frame[4] = 99
    await asyncio.get_running_loop().sock_sendall(ends.far, frame)
    with pytest.raises(LinkError, match="restart routerd after an upgrade"):
        await asyncio.wait_for(ends.task, 20)


def book(songs: int, dump_bytes: int) -> RigFolder:
    patch = Patch("synth", sysex=(b"\xf0\x7d" + bytes(dump_bytes - 3) + b"\xf7",))
    made = tuple(Song(f"song-{n}", f"Song {n}", Fraction(120 + n), patches=(patch,)) for n in range(songs))
    return RigFolder(Rig("rig", ()), made, SetList("tonight", tuple(song.identifier for song in made)))


async def test_a_rig_arrives_whole_and_the_answer_is_awaited(ends: Ends) -> None:
    """Songs of hundreds of kB, more than any socket buffer: neither side may block the other."""
    whole = book(20, 300_000)
    sending = asyncio.create_task(ends.link.load_rig(whole, 3, ResumePoint("song-1", 1)))
    said: list[AnyMessage] = []
    while not said or not isinstance(said[-1], Commit):
        said.append(await ends.next())
        if len(said) == 5:
            await ends.say(Ping(1))  # answered in the middle of it
    assert Pong(1) in said
    commit = Commit(3, ResumePoint("song-1", 1))
    pieces = [message for message in said if message != Pong(1)]
    assert pieces == [whole.rig, *whole.songs, whole.set_list, commit]
    assert not sending.done()
    await ends.say(Loaded(3))
    await sending


async def test_a_rig_that_is_refused(ends: Ends) -> None:
    sending = asyncio.create_task(ends.link.load_rig(book(1, 10), 1, None))
    while not isinstance(await ends.next(), Commit):
        pass
    await ends.say(Loaded(1, "KeyError('synth')"))
    with pytest.raises(LinkError, match="synth"):
        await sending
