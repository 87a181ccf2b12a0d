"""The state folder: written whole, read with suspicion; and which set list counts."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from routerd.core.model.rig import Device, Rig, RigFolder
from routerd.core.model.set_list import SetList
from routerd.core.model.snapshot import ResumePoint
from routerd.core.model.song import (
    Patch,
    Section,
    Song,
    Step,
)
from routerd.link import working_rig
from routerd.server import state as module
from routerd.server.state import VERSION, Decision, Origin, State, StateFolder, WorkingRig, decide

TONIGHT = SetList("Tonight", ("one", "two"), "2026-11-27")
STATE = State(
    SetList("Tonight", ("two", "one"), "2026-11-27"),
    Origin("Tonight", TONIGHT),
    ResumePoint("two", 1, Fraction("121.5")),
    "running",
)


def song(identifier: str) -> Song:
    section = Section("verse", (), (Patch("synth", sysex=(b"\xf0\x7d\xf7",)),), Fraction(243, 2))
    return Song(
        identifier, identifier.title(), Fraction(361, 3), sections=(section,), checklist=(Step("tune"),)
    )


def book(*identifiers: str, set_list: SetList = TONIGHT) -> RigFolder:
    rig = Rig("rig", (Device("synth", output_pattern="Synth*", clock=True),))
    return RigFolder(rig, tuple(song(identifier) for identifier in identifiers), set_list)


@pytest.fixture
def warnings() -> list[str]:
    return []


@pytest.fixture
def folder(tmp_path: Path, warnings: list[str]) -> StateFolder:
    return StateFolder(tmp_path / "deep" / "state", warnings.append)


def test_what_is_written_is_read_again(folder: StateFolder, tmp_path: Path, warnings: list[str]) -> None:
    assert folder.read_state() is None
    assert folder.read_working_rig() is None
    working = WorkingRig(book("one", "two"), (TONIGHT,), 123, 4)
    for _ in range(2):  # also over a file that is there already
        folder.write_state(STATE)
        folder.write_working_rig(working)
        assert folder.read_state() == STATE
        assert folder.read_working_rig() == working
    assert warnings == []
    names = sorted(path.name for path in (tmp_path / "deep" / "state").iterdir())
    assert names == ["state.json", working_rig.FILE]
    assert (tmp_path / "deep" / "state" / "state.json").stat().st_mode & 0o077 == 0


def changed(**changes: Any) -> str:
    plain = {
        "version": VERSION,
        "set_list": {"name": "Tonight", "order": ["one"], "date": ""},
        "origin": {"chosen": "Tonight", "base": {"name": "Tonight", "order": ["one"], "date": ""}},
        "resume": {"song": "one", "section": 1, "bpm": None},
        "transport": "stopped",
    }
    return json.dumps({**plain, **changes})


@pytest.mark.parametrize(
    "content",
    [
        "",
        "{",
        "null",
        "[]",
        "{}",
        "\udcff",
        "[" * 100_000,
        " " * 1_000_001,
        json.dumps({"version": VERSION}),
        changed(version=VERSION - 1),
        changed(set_list=None),
        changed(set_list={"name": "Tonight", "order": "one", "date": ""}),
        changed(set_list={"name": "Tonight", "order": [1], "date": ""}),
        changed(origin={}),
        changed(resume=[]),
        changed(resume={"song": 1, "section": 1, "bpm": None}),
        changed(resume={"song": "one", "section": True, "bpm": None}),
        changed(resume={"song": "one", "section": -1, "bpm": None}),
        changed(resume={"song": "one", "section": 1, "bpm": 120}),
        changed(resume={"song": "one", "section": 1, "bpm": "1/0"}),
        changed(transport=1),
    ],
)
def test_a_file_that_makes_no_sense_is_set_aside(
    folder: StateFolder, tmp_path: Path, warnings: list[str], content: str
) -> None:
    where = tmp_path / "deep" / "state"
    where.mkdir(parents=True)
    for name, read in (("state.json", folder.read_state), (working_rig.FILE, folder.read_working_rig)):
        warnings.clear()
        data = content.encode("utf-8", "surrogateescape")
        (where / name).write_bytes(data)
        assert read() is None
        assert "set aside" in warnings[0]
        assert (where / f"{name}.aside").read_bytes() == data
        assert not (where / name).exists()
    folder.write_state(STATE)
    assert folder.read_state() == STATE


def test_a_state_of_the_form_before_is_set_aside_with_its_reason(
    folder: StateFolder, tmp_path: Path, warnings: list[str]
) -> None:
    """What form 1 called the place was named `resume` in form 2."""
    where = tmp_path / "deep" / "state"
    where.mkdir(parents=True)
    before = json.loads(changed(version=1))
    before["place"] = before.pop("resume")
    (where / "state.json").write_text(json.dumps(before))
    assert folder.read_state() is None
    assert "its form is 1, not 2: another version of routerd wrote it" in warnings[0]


def test_the_unchanged_file_makes_sense(folder: StateFolder, tmp_path: Path) -> None:
    where = tmp_path / "deep" / "state"
    where.mkdir(parents=True)
    (where / "state.json").write_text(changed())
    assert folder.read_state() is not None


def test_a_write_that_fails_leaves_what_was_there(
    folder: StateFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder.write_state(STATE)

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(OSError, match="No space"):
        folder.write_state(State(TONIGHT, STATE.origin, None, "stopped"))
    assert folder.read_state() == STATE


BY_HAND = SetList("Tonight", ("two", "one"), "2026-11-27")
LONGER = SetList("Tonight", ("one", "two", "three"), "2026-11-27")
TOMORROW = SetList("Tomorrow", ("three",), "2026-11-28")
EARLY = SetList("Early", ("three", "one"), "2026-01-01")


@pytest.mark.parametrize("at_start", [True, False])
def test_an_order_by_hand_stays_while_its_file_says_the_same(at_start: bool) -> None:
    decision = decide(book("one", "two"), (TONIGHT,), BY_HAND, Origin("Tonight", TONIGHT), at_start=at_start)
    assert decision == Decision(BY_HAND, Origin("Tonight", TONIGHT))


def test_a_file_that_says_something_else_counts() -> None:
    new = book("one", "two", "three", set_list=LONGER)
    decision = decide(new, (LONGER,), BY_HAND, Origin("Tonight", TONIGHT), at_start=False)
    assert decision.set_list == LONGER
    assert decision.origin == Origin("Tonight", LONGER)
    assert "has changed" in decision.why
    quiet = decide(new, (LONGER,), TONIGHT, Origin("Tonight", TONIGHT), at_start=False)
    assert (quiet.set_list, quiet.why) == (LONGER, "")


def test_a_newer_set_counts_at_the_start_but_does_not_break_into_a_show() -> None:
    new = book("one", "two", "three", set_list=TOMORROW)
    sets = (TONIGHT, TOMORROW)
    assert decide(new, sets, BY_HAND, Origin("Tonight", TONIGHT), at_start=True).set_list == TOMORROW
    assert decide(new, sets, BY_HAND, Origin("Tonight", TONIGHT), at_start=False).set_list == BY_HAND


def test_another_set_that_was_chosen_by_hand_stays() -> None:
    origin = Origin("Tonight", EARLY)
    for at_start in (True, False):
        decision = decide(book("one", "two", "three"), (TONIGHT, EARLY), EARLY, origin, at_start=at_start)
        assert decision.set_list == EARLY


def test_an_order_with_a_song_that_is_gone_gives_way() -> None:
    only = SetList("Tonight", ("one",), "2026-11-27")
    sets = (only,)
    decision = decide(book("one", set_list=only), sets, BY_HAND, Origin("Tonight", only), at_start=False)
    assert decision.set_list == only
    assert "song two" in decision.why
    gone = decide(book("one", set_list=only), sets, EARLY, Origin("Tonight", EARLY), at_start=False)
    assert gone.set_list == only


def test_orders_of_thousands_of_songs_can_be_read_again(folder: StateFolder, warnings: list[str]) -> None:
    """As many as the API takes, changed twenty times: undo gives way, the order itself never does."""
    names = [f"song-{'x' * 60}-{number}" for number in range(10_000)]
    orders = [SetList("Tonight", tuple(names[turn:] + names[:turn])) for turn in range(21)]
    state = State(orders[-1], Origin("Tonight", orders[0]), None, "stopped", tuple(orders[:-1]))
    folder.write_state(state)
    read = folder.read_state()
    assert read is not None
    assert read.set_list == orders[-1]
    assert read.undo == tuple(orders[20 - len(read.undo) : 20])
    assert (folder.path / "state.json").stat().st_size <= 5_000_000
    folder.write_state(state)
    assert len(warnings) == 1
    assert "so long" in warnings[0]


def test_what_could_not_be_read_again_is_not_written(
    folder: StateFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder.write_state(STATE)
    monkeypatch.setattr(module, "LARGEST_STATE_BYTES", 50)
    with pytest.raises(OSError, match="larger than 50 bytes"):
        folder.write_state(STATE)
    monkeypatch.undo()
    assert folder.read_state() == STATE
