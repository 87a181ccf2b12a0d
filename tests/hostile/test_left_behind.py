"""What a dead engine left, and the state folder, changed by whoever can write there: an ordinary start or a
show at a sane rate, never a processor that is kept busy, never an exception that nobody expects."""

from __future__ import annotations

import contextlib
import copy
import json
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from routerd.core.errors import RouterdError
from routerd.core.midi.messages import TICK
from routerd.core.model.rig import RigFolder
from routerd.core.model.set_list import SetList
from routerd.core.model.snapshot import ResumePoint
from routerd.core.show.compiler import Compiler
from routerd.core.show.show import Show
from routerd.engine.crash_memory import CrashMemory
from routerd.engine.recovery import Recovery, RecoveryError, record_of, recover
from routerd.link.working_rig import FILE, Head, Origin, pack_rig
from routerd.server.state import STATE, VERSION, StateFolder
from tests.stage import RIG, SONGS

ORIGIN = Origin("/rig", None)
SET = SetList("tonight", tuple(song.identifier for song in SONGS))
DIED_NS, NOW_NS, LATER_NS = 4_000_000_000, 4_500_000_000, 6_500_000_000
FASTEST = 2 * 480 * 24 // 60
"""Ticks a second, at most: tempos end at 480 BPM, and a source may be twice as fast."""


def a_record() -> tuple[dict[str, Any], int]:
    """Return what is kept of a show that has run for four seconds, and its last tick."""
    show = Show(0)
    compiler = Compiler(RIG)
    for song in SONGS:
        compiler.add(song)
    show.load(compiler.finish(SET), 3, 0, ResumePoint("middle", 2, index=1))
    while show.next_deadline_ns() <= DIED_NS:
        show.advance(show.next_deadline_ns())
    record = record_of(show.snapshot(), ORIGIN)
    assert record is not None
    return json.loads(json.dumps(record)), show.ticks.number


RECORD, LAST_TICK = a_record()
BOOK = pack_rig(Head(ORIGIN, 77, 3), RigFolder(RIG, SONGS, SET), (SET,))

numbers = st.one_of(
    st.integers(),
    st.sampled_from([0, -1, 1 << 31, 1 << 40, -(1 << 40), 1 << 62, -(1 << 63), 10**30]),
)
texts = st.sampled_from(
    ["", "0", "-1", "1e999999999", "1/3", "120", "99999999", "1/99999999999", "9" * 5000, "middle", "\x00"]
)
anything = st.recursive(
    st.one_of(st.none(), st.booleans(), numbers, st.floats(), texts, st.text(max_size=5)),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=5), inner, max_size=3)
    ),
    max_leaves=5,
)


def places_in(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Yield the path of every value inside."""
    if path:
        yield path
    if isinstance(value, dict):
        for key, one in value.items():
            yield from places_in(one, (*path, key))
    elif isinstance(value, list):
        for number, one in enumerate(value):
            yield from places_in(one, (*path, number))


def changed(value: Any, changes: list[tuple[tuple[Any, ...], Any]]) -> Any:
    value = copy.deepcopy(value)
    for path, new in changes:
        inner = value
        with contextlib.suppress(KeyError, IndexError, TypeError):  # gone by another change
            for key in path[:-1]:
                inner = inner[key]
            inner[path[-1]] = new
    return value


def changes_of(value: Any, *, most: int = 3) -> st.SearchStrategy[list[tuple[tuple[Any, ...], Any]]]:
    return st.lists(
        st.tuples(st.sampled_from(list(places_in(value))), st.one_of(numbers, texts, anything)),
        min_size=1,
        max_size=most,
    )


@given(changes_of(RECORD), st.one_of(st.just(LAST_TICK), numbers.map(lambda n: n % (1 << 64) - (1 << 63))))
def test_memory_that_was_changed(changes: list[tuple[tuple[Any, ...], Any]], last_tick: int) -> None:
    began_s = time.thread_time()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / FILE).write_bytes(BOOK)
        memory = CrashMemory(folder / "memory")
        memory.keep(changed(RECORD, changes))
        memory.mark(last_tick)
        memory.close()
        memory = CrashMemory(folder / "memory")
        why = ""
        try:
            back: Recovery | None = recover(memory, folder, ORIGIN, NOW_NS)
        except RecoveryError as error:
            why, back = str(error), None
        if back is None:
            assert why.isprintable()
            assert len(why) < 500
        else:
            sane_from(back.show)
        memory.close()
    assert time.thread_time() - began_s < 3.0


def sane_from(show: Show) -> None:
    """Let two seconds go by as the clock thread would."""
    for wire in show.compiled.wires:
        show.output_opened(wire, True, NOW_NS)
    ticks = rounds = 0
    while (due_ns := show.next_deadline_ns()) <= LATER_NS:
        show.advance(max(due_ns, NOW_NS))
        ticks += sum(data[0] == TICK for _, data in show.effects.sink)
        show.effects.sink.clear()
        rounds += 1
        assert rounds < 20_000, "it goes round and round"
    assert ticks <= (FASTEST * 2 + 100) * len(show.compiled.outputs)
    show.snapshot()


@given(st.data())
def test_a_memory_file_of_other_bytes(data: st.DataObject) -> None:
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "memory"
        memory = CrashMemory(path)
        memory.keep(RECORD)
        memory.keep([*RECORD, "x" * 200_000])  # in the larger slots
        memory.close()
        content = bytearray(path.read_bytes())
        for _ in range(data.draw(st.integers(1, 5))):
            at = data.draw(st.one_of(st.integers(0, 40), st.integers(0, len(content) - 1)))
            content[at] = data.draw(st.integers(0, 255))
        path.write_bytes(bytes(content)[: data.draw(st.one_of(st.none(), st.integers(0, len(content))))])
        memory = CrashMemory(path)
        assert memory.left() is None or memory.left()[: len(RECORD)] == RECORD
        assert memory.keep({"a": 1}) == ""
        memory.close()
        again = CrashMemory(path)
        assert again.left() == {"a": 1}
        again.close()


STATE_PLAIN = {
    "version": VERSION,
    "set_list": {"name": "Tonight", "order": ["one", "two"], "date": "", "encore": 0},
    "origin": {"chosen": "Tonight", "base": {"name": "Tonight", "order": ["one"], "date": ""}},
    "resume": {"song": "one", "section": 1, "bpm": "121.5", "index": 0, "gap": 0, "done": {}, "muted": []},
    "transport": "stopped",
    "undo": [{"name": "Tonight", "order": ["two"], "date": ""}],
    "began_s": 17.5,
}


@given(changes_of(STATE_PLAIN))
def test_state_that_was_changed(changes: list[tuple[tuple[Any, ...], Any]]) -> None:
    with tempfile.TemporaryDirectory() as name:
        said: list[str] = []
        (Path(name) / STATE).write_text(json.dumps(changed(STATE_PLAIN, changes)))
        state = StateFolder(Path(name), said.append).read_state()
        assert (state is None) == bool(said)
        if state is None or state.resume is None:
            return
        show = Show(0)
        compiler = Compiler(RIG)
        for song in SONGS:
            compiler.add(song)
        with contextlib.suppress(RouterdError):
            show.load(compiler.finish(SET), 1, 0, replace(state.resume, song="middle"))
        while (due_ns := show.next_deadline_ns()) <= 2_000_000_000:
            show.advance(due_ns)
