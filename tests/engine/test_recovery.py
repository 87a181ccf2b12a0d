"""The engine is killed: the next one goes on where it was, on the same grid; or says why not."""

from __future__ import annotations

import contextlib
import os
import shutil
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from routerd.cli.demo import rig_folder
from routerd.core.errors import CommandError
from routerd.core.midi.messages import CONTINUE, START, STOP, TICK, note_on, song_position
from routerd.core.model.actions import Action
from routerd.core.model.commands import Command
from routerd.core.model.rig import RigFolder
from routerd.core.model.set_list import SetList
from routerd.core.model.snapshot import ResumePoint
from routerd.core.show.compiler import Compiler
from routerd.core.show.show import Show
from routerd.engine.crash_memory import CrashMemory
from routerd.engine.realtime import make_thread_realtime
from routerd.engine.recovery import Record, RecoveryError, record_of, recover
from routerd.engine.worker import Worker
from routerd.link.working_rig import FILE, Head, Origin, pack_rig
from routerd.ports.far_end import Arrival, FarEnd
from tests.service import Restarted, free_port, unexpected, until
from tests.stage import OPENER, RIG, SONGS, ask, route

ORIGIN = Origin("/rig", None)
SET = SetList("tonight", tuple(song.identifier for song in SONGS))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return Path(shutil.copytree(rig_folder(), tmp_path / "rig"))


class Ear:
    """Hears one device across the death of the engine."""

    def __init__(self, far_end: FarEnd, device: str) -> None:
        self._far_end, self._device = far_end, device
        self.heard: list[Arrival] = []

    def until(self, wanted: Any, limit_s: float = 30.0) -> int:
        """Listen until a message is, or begins with the status byte of, `wanted`; return when it came."""
        end_s = time.monotonic() + limit_s
        while time.monotonic() < end_s:
            arrival = self._far_end.receive(0.005)
            if arrival is None:
                self._far_end.ask()
            elif arrival.device == self._device:
                self.heard.append(arrival)
                if wanted in (arrival.data, arrival.data[0]):
                    return arrival.arrival_ns
        raise AssertionError(f"{wanted!r} has not come; heard {[a.data.hex() for a in self.heard[-40:]]}")


@contextlib.contextmanager
def asked_again_and_again(far_end: FarEnd) -> Iterator[None]:
    """Have the next engine know its far end before it opens a port, if the machine lets us."""
    ended = threading.Event()

    def ask() -> None:
        make_thread_realtime(10)
        while not ended.wait(0.002):
            far_end.ask()

    thread = threading.Thread(target=ask)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()


@pytest.fixture
def stage(folder: Path, tmp_path: Path) -> Iterator[tuple[Restarted, FarEnd]]:
    rig = folder / "rig.yaml"
    rig.write_text("after-restart: play\n" + rig.read_text())
    udp = free_port()
    with (
        Restarted(folder, tmp_path / "state", "--ports", "simulated", "--far-end", str(udp)) as service,
        FarEnd(("127.0.0.1", udp)) as far_end,
    ):
        service.wait_until_open()
        yield service, far_end


def test_a_killed_engine_is_followed_by_one_on_the_same_grid(stage: tuple[Restarted, FarEnd]) -> None:
    service, far_end = stage
    service.ask("POST", "/v1/song", {"song": "Weather Room"})
    service.ask("POST", "/v1/section", {"section": "chorus"})
    service.ask("POST", "/v1/mute", {"device": "drum-synth"})
    service.ask("POST", "/v1/tempo", {"bpm": "361/3"})
    service.ask("PUT", "/v1/set-list", {"order": ["weather-room", "nine-lamps", "copper-ferry"]})
    ear = Ear(far_end, "modular-left")
    ear.until(TICK)
    service.ask("POST", "/v1/start")
    ear.until(START)
    began_ns = ear.until(TICK)
    until(lambda: service.status()["transport"] == "running")
    far_end.play("keys", note_on(0, 62, 80))
    time.sleep(0.5)
    before = service.status()
    period_ns = Fraction(60_000_000_000, 24) / Fraction(before["tempo"]["rate_bpm"])
    ear.heard.clear()
    pid = service.kill_engine()
    with asked_again_and_again(far_end):
        went_on = ear.until(CONTINUE)
        first = ear.until(TICK)
    after = service.status_of_another(pid)

    # the tick behind Continue is where the old grid has a bar, of 96 ticks here
    bars = float((first - began_ns) / period_ns / 96)
    assert abs(bars - round(bars)) < 0.5 / 96
    assert went_on < first
    told = [a.data for a in ear.heard if a.data[0] in (STOP, 0xF2)]
    if told:  # on a very busy machine the far end may have joined too late for them
        # Song Position Pointer counts sixteenths (M1 p. 27) and comes while stopped
        assert told == [bytes((STOP,)), song_position(16 * round(bars))]
    assert {k: v for k, v in _standing(after).items() if v != _standing(before)[k]} == {}
    assert after["tempo"]["anchor_ns"] == before["tempo"]["anchor_ns"]
    assert after["engine"]["resumed_gap_ms"] > 0
    assert "going on in 'weather-room'" in service.log
    # and then the folder is read, without a jump
    renewed = until(lambda: (s := service.status()) and s["engine"]["generation"] == 2 and s)
    assert renewed["tempo"]["anchor_ns"] == before["tempo"]["anchor_ns"]
    assert renewed["transport"] == "running"
    assert "the engine died" in str(renewed["problems"])
    assert unexpected(renewed) == []


def _standing(status: Any) -> dict[str, Any]:
    keys = ("set_list", "song", "next_song", "section", "muted", "soloed", "transport", "meter")
    ports = [{key: port[key] for key in port if key != "since_ns"} for port in status["ports"]]
    return {key: status[key] for key in keys} | {"bpm": status["tempo"]["bpm"], "ports": ports}


def test_a_folder_that_was_broken_meanwhile_is_reported_and_the_rig_plays_on(
    stage: tuple[Restarted, FarEnd], folder: Path
) -> None:
    service, _ = stage
    (folder / "songs" / "low-tide.yaml").write_text("title: Low Tide\ntempo: slow\n")
    pid = service.kill_engine()
    service.status_of_another(pid)
    status = until(lambda: (s := service.status()) and unexpected(s) and s)
    assert status["problems"][0].startswith("songs/low-tide.yaml:2: ")
    assert status["song"]["title"] == "Copper Ferry"
    assert service.ask("POST", "/v1/song", {"song": "Low Tide"})["song"]["title"] == "Low Tide"


# What an engine goes on from, read as another would


def left(state_dir: Path, *, tick: int = 200, tries: int = 0, **changes: Any) -> CrashMemory:
    """Leave what an engine that died at 4 s would have left; `changes` in the record."""
    state_dir.mkdir(exist_ok=True)
    show = Show(0)
    compiler = Compiler(RIG)
    for song in SONGS:
        compiler.add(song)
    checked = ResumePoint("middle", 2, index=1)
    show.load(compiler.finish(SET), 3, 0, checked)
    while show.next_deadline_ns() <= 4_000_000_000:
        show.advance(show.next_deadline_ns())
    record = record_of(show.snapshot(), ORIGIN)
    assert record is not None
    head = {name: changes.pop(name) for name in Record._fields if name in changes}
    memory = CrashMemory(state_dir / "memory")
    memory.keep(record._replace(state={**record.state, **changes}, **head))
    memory.mark(tick)
    memory.note_tries(tries)
    memory.close()
    data = pack_rig(Head(ORIGIN, 77, 3), RigFolder(RIG, SONGS, SET), (SET,))
    (state_dir / FILE).write_bytes(data)
    return CrashMemory(state_dir / "memory")


def test_all_that_is_needed_is_found(tmp_path: Path) -> None:
    back = recover(left(tmp_path), tmp_path, ORIGIN, 4_500_000_000)
    snapshot = back.show.snapshot()
    assert (snapshot.song, snapshot.section, snapshot.generation) == ("middle", 2, 3)
    assert back.head.engine_started_ns == 77


async def test_the_rest_of_the_rig_follows(tmp_path: Path) -> None:
    many = tuple(f"song-{n}" for n in range(40))
    place = {"song": "song-7", "section": 0, "index": 7, "gap": 0, "done": {}}
    order = {"name": "tonight", "order": many, "date": "2031-05-06"}
    muted = {"muted": ["route pads to synth"], "soloed": []}
    memory = left(tmp_path, resume={**place, **muted}, set_list=order)
    songs = tuple(replace(OPENER, identifier=name) for name in many[:-1])
    odd = replace(OPENER, identifier=many[-1], routes=(route("synth", "pedals"),))
    odd = replace(odd, routes=tuple(replace(one, name="pads to synth") for one in odd.routes))
    data = pack_rig(Head(ORIGIN, 77, 3), RigFolder(RIG, (*songs, odd), SetList("tonight", many)), ())
    (tmp_path / FILE).write_bytes(data)
    back = recover(memory, tmp_path, ORIGIN, 4_500_000_000)
    assert set(back.show.compiled.songs) == {"song-6", "song-7", "song-8", "song-9"}
    with pytest.raises(CommandError, match="not loaded yet"):
        back.show.apply(ask(Action.SONG, 31), 4_500_000_000)
    back.show.apply(Command(Action.NEXT), 4_500_000_000)
    back.complete(await back.rest(Worker(back.show, lambda: None)), 4_600_000_000)
    assert set(back.show.compiled.songs) == set(many)
    assert back.show.snapshot().song == "song-8"
    assert back.show.snapshot().muted == ("route pads to synth",)
    back.show.apply(ask(Action.SONG, "song-30"), 4_700_000_000)


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"boot": "another"}, "started since"),
        ({"program": "0.0.0"}, "version '0.0.0'"),
        ({"origin": ["/other", None]}, "another rig folder or set"),
        ({"origin": ["", "friday"]}, "another rig folder or set"),
        ({"resume": {"song": "gone", "section": 1, "done": {}}}, "no song 'gone'"),
        ({"resume": None}, "makes no sense"),
        ({"resume": {"song": 1}}, "makes no sense"),
        ({"grid": {"anchor_ns": 0, "anchor_tick": 0, "bpm": "0"}}, "makes no sense"),
        ({"set_list": {"name": "", "order": [1], "date": ""}}, "makes no sense"),
        ({"set_list": {"name": "", "order": ["gone"], "date": ""}}, "makes no sense|no song"),
        ({"devices": "all"}, "makes no sense"),
    ],
)
def test_a_record_that_does_not_fit_is_passed_over(tmp_path: Path, changes: Any, why: str) -> None:
    with pytest.raises(RecoveryError, match=why):
        recover(left(tmp_path, **changes), tmp_path, ORIGIN, 4_500_000_000)


@pytest.mark.parametrize(
    ("spoil", "why"),
    [
        (lambda data: b"", "makes no sense"),
        (lambda data: data[:-30], "checksum"),
        (lambda data: data.replace(b"opener", b"closed"), "checksum"),
        (lambda data: os.urandom(5000), "makes no sense"),
        (lambda data: b"[" * 100_000, "makes no sense"),
        (lambda data: b" " * (64 * 1024 * 1024 + 1), "larger than"),
        (lambda data: pack_rig(Head(Origin("/other"), 1, 1), RigFolder(RIG, SONGS, SET), ()), "another"),
        (lambda data: pack_rig(Head(ORIGIN, 1, 1, "0"), RigFolder(RIG, SONGS, SET), ()), "another"),
        (lambda data: pack_rig(Head(ORIGIN, 1, 1), RigFolder(RIG, (OPENER,), SET), ()), "no song 'middle'"),
    ],
)
def test_a_rig_that_does_not_fit_is_passed_over(tmp_path: Path, spoil: Any, why: str) -> None:
    memory = left(tmp_path)
    file = tmp_path / FILE
    file.write_bytes(spoil(file.read_bytes()))
    with pytest.raises(RecoveryError, match=why):
        recover(memory, tmp_path, ORIGIN, 4_500_000_000)


def test_without_a_rig_the_reason_names_the_file(tmp_path: Path) -> None:
    memory = left(tmp_path)
    (tmp_path / FILE).unlink()
    with pytest.raises(RecoveryError, match=r"working-rig\.jsonl: No such file"):
        recover(memory, tmp_path, ORIGIN, 4_500_000_000)


def test_too_long_ago_and_too_often_are_passed_over(tmp_path: Path) -> None:
    with pytest.raises(RecoveryError, match="64 s ago"):
        recover(left(tmp_path), tmp_path, ORIGIN, 66_000_000_000)
    with pytest.raises(RecoveryError, match="3 engines in a row"):
        recover(left(tmp_path / "again", tries=3), tmp_path / "again", ORIGIN, 4_500_000_000)


def test_each_try_counts_before_it_can_fail(tmp_path: Path) -> None:
    memory = left(tmp_path, tries=1)
    (tmp_path / FILE).unlink()
    with pytest.raises(RecoveryError):
        recover(memory, tmp_path, ORIGIN, 4_500_000_000)
    memory.close()
    assert CrashMemory(tmp_path / "memory").tries == 2


def test_where_nothing_was_left_nothing_is_said(tmp_path: Path) -> None:
    with pytest.raises(RecoveryError, match=r"^$"):
        recover(CrashMemory(tmp_path / "memory"), tmp_path, ORIGIN, 0)
