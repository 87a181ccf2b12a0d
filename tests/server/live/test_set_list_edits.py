"""The set list over HTTP: edits, undo, two people at once, writing it back, how long it takes."""

from __future__ import annotations

from pathlib import Path

import pytest
from server_service import Service, a_service

from routerd.core.model.set_list import SetList
from routerd.server.http.shapes import SongFacts
from routerd.server.rigfiles import load_folder
from routerd.server.view import Pace, durations_of

START = ["copper-ferry", "nine-lamps", "weather-room"]


def names(document: dict[str, list[dict[str, str]]]) -> list[str]:
    return [song["song"] for song in document["order"]]


async def test_edits_and_undo_while_a_song_is_on(service: Service) -> None:
    await service.ask("POST", "/v1/next")
    await service.ask("POST", "/v1/set-list/move", {"song": 2, "to": 1})
    answer = await service.ask("POST", "/v1/set-list/insert", {"song": "Low Tide"})
    assert names(answer.json) == [
        "nine-lamps",
        "low-tide",
        "copper-ferry",
        "weather-room",
    ]  # behind what is on
    answer = await service.ask("POST", "/v1/set-list/drop", {"song": 4})
    answer = await service.ask("POST", "/v1/set-list/encore", {"song": 3})
    assert answer.json["encore"] == 1
    too_long = await service.ask("PUT", "/v1/set-list", {"order": ["low-tide"], "encore": 1})
    assert too_long.json["type"] == "/problems/unknown-place"
    status = (await service.ask("GET", "/v1/status")).json
    assert (status["song"]["title"], status["set_list"]["position"]) == ("Nine Lamps", 1)
    for _ in range(4):
        answer = await service.ask("POST", "/v1/set-list/undo")
        assert answer.status == 200
    assert names(answer.json) == START
    assert (await service.ask("GET", "/v1/status")).json["song"]["title"] == "Nine Lamps"
    answer = await service.ask("POST", "/v1/set-list/undo")
    assert (answer.status, answer.json["type"]) == (409, "/problems/refused")


async def test_nobody_loses_an_edit(service: Service) -> None:
    """RFC 9110: 412 where If-Match names another revision (13.1.1), 304 where If-None-Match does (13.1.2)."""
    first = await service.ask("GET", "/v1/set-list")
    tag = first.headers["ETag"]
    assert (await service.ask("GET", "/v1/set-list", If_None_Match=f'"other", W/{tag}')).status == 304
    mine = await service.ask("POST", "/v1/set-list/drop", {"song": 3}, If_Match=tag)
    assert mine.status == 200
    assert mine.headers["ETag"] != tag
    for method, path, body in (
        ("POST", "/v1/set-list/drop", {"song": 1}),
        ("PUT", "/v1/set-list", {"order": ["low-tide"]}),
    ):
        theirs = await service.ask(method, path, body, If_Match=tag)
        assert (theirs.status, theirs.json["type"]) == (412, "/problems/changed-meanwhile")
    assert (await service.ask("POST", "/v1/set-list/drop", {"song": 1}, If_Match=f"W/{tag}")).status == 412
    assert names((await service.ask("GET", "/v1/set-list")).json) == START[:2]
    assert (await service.ask("POST", "/v1/set-list/drop", {"song": 1}, If_Match="*")).status == 200
    await service.ask("POST", "/v1/next")
    assert (await service.ask("POST", "/v1/set-list/drop", {"song": 5})).json[
        "type"
    ] == "/problems/unknown-place"


async def test_undo_and_save_are_guarded_as_well(service: Service) -> None:
    old = (await service.ask("GET", "/v1/set-list")).headers["ETag"]
    new = (await service.ask("POST", "/v1/set-list/drop", {"song": 3})).headers["ETag"]
    for word in ("undo", "save"):
        refused = await service.ask("POST", f"/v1/set-list/{word}", If_Match=old)
        assert (refused.status, refused.json["type"]) == (412, "/problems/changed-meanwhile")
    saved = await service.ask("POST", "/v1/set-list/save", If_Match=new)
    assert (saved.status, saved.headers["ETag"]) == (200, new)
    undone = await service.ask("POST", "/v1/set-list/undo", If_Match=f'"other", {new}')
    assert (undone.status, names(undone.json)) == (200, START)


async def test_no_edit_leaves_only_an_encore(service: Service) -> None:
    """A set that is all encore has no last song to wait after, and no file may hold one."""
    for word, body, order, encore in (
        ("encore", {"song": 2}, START, 2),
        ("move", {"song": 1, "to": 3}, [*START[1:], START[0]], 2),
        ("drop", {"song": 1}, [START[2], START[0]], 1),
        ("move", {"song": 1, "to": 2}, [START[0], START[2]], 1),
        ("drop", {"song": 1}, [START[2]], 0),
    ):
        answer = await service.ask("POST", f"/v1/set-list/{word}", body)
        assert (names(answer.json), answer.json["encore"]) == (order, encore), word
        assert (await service.ask("POST", "/v1/set-list/save")).status == 200
    answer = await service.ask("POST", "/v1/set-list/encore", {"song": 1})
    assert (answer.status, answer.json["type"]) == (409, "/problems/refused")
    assert "cannot begin with the first song" in answer.json["detail"]


async def test_a_file_that_is_at_fault_is_named_with_line_and_remedy(
    service: Service, demo_rig: Path
) -> None:
    file = demo_rig / "sets" / "harbour.yaml"
    for text, words in (
        ("{name: Harbour, order: [Copper Ferry]}\n", "sets/harbour.yaml:1: the order is not on lines"),
        ("name: Harbour\n\norder: &a\n  - Copper Ferry\nx: *a\n", "sets/harbour.yaml:3: the order is not"),
        ("name: Harbour\norder: [Copper Ferry\n", "sets/harbour.yaml:"),
    ):
        file.write_text(text, encoding="utf-8")
        answer = await service.ask("POST", "/v1/set-list/save")
        assert (answer.status, answer.json["type"]) == (409, "/problems/file-at-fault"), text
        assert words in answer.json["detail"]
        assert "save again" in answer.json["detail"]
        assert file.read_text(encoding="utf-8") == text


async def test_edits_and_undo_survive_a_restart(demo_rig: Path, tmp_path: Path) -> None:
    async with a_service(demo_rig, tmp_path / "state") as service:
        await service.start()
        await service.until_ready()
        await service.ask("POST", "/v1/set-list/drop", {"song": 1})
        await service.stop()
    async with a_service(demo_rig, tmp_path / "state") as service:
        await service.start()
        await service.until_ready()
        assert names((await service.ask("GET", "/v1/set-list")).json) == START[1:]
        assert names((await service.ask("POST", "/v1/set-list/undo")).json) == START


async def test_the_file_changes_only_when_asked_and_keeps_its_comments(
    service: Service, demo_rig: Path
) -> None:
    file = demo_rig / "sets" / "harbour.yaml"
    before = file.read_text(encoding="utf-8")
    await service.ask("POST", "/v1/set-list/insert", {"song": "low-tide", "to": 4})
    await service.ask("POST", "/v1/set-list/encore", {"song": 4})
    assert file.read_text(encoding="utf-8") == before
    answer = await service.ask("POST", "/v1/set-list/save")
    assert (answer.status, answer.json) == (200, {"file": "sets/harbour.yaml"})
    after = file.read_text(encoding="utf-8")
    assert [line for line in before.splitlines() if line.startswith("#")] == [
        line for line in after.splitlines() if line.startswith("#")
    ]
    loaded = load_folder(demo_rig)
    assert loaded.rig_folder is not None
    assert loaded.rig_folder.set_list == SetList("Harbour", (*START, "low-tide"), "2026-11-27", 1, 1200, 30)
    assert (await service.ask("POST", "/v1/reload")).status == 200
    assert names((await service.ask("GET", "/v1/set-list")).json) == [*START, "low-tide"]
    # under a new name it becomes a file of its own
    await service.ask("PUT", "/v1/set-list", {"order": ["low-tide"], "name": "Late: the quay"})
    answer = await service.ask("POST", "/v1/set-list/save")
    assert answer.json == {"file": "sets/late-the-quay.yaml"}
    assert load_folder(demo_rig, "Late: the quay").rig_folder is not None


async def test_a_file_that_cannot_be_written_is_told_and_changes_nothing(
    service: Service, demo_rig: Path
) -> None:
    file = demo_rig / "sets" / "harbour.yaml"
    (demo_rig / "songs" / "low-tide.yaml").write_text("title: broken", encoding="utf-8")
    before = file.read_bytes()
    await service.ask("POST", "/v1/set-list/drop", {"song": 1})
    answer = await service.ask("POST", "/v1/set-list/save")
    assert (answer.status, answer.json["type"]) == (409, "/problems/file-at-fault")
    assert answer.json["detail"].startswith("songs/low-tide.yaml:1: ")
    assert answer.json["detail"].endswith("; then save again")
    assert file.read_bytes() == before


def facts(identifier: str, duration_s: int) -> SongFacts:
    return SongFacts(identifier, identifier, "120", "4/4", "", duration_s, (), (), "")


def test_how_long_it_takes_planned_and_as_it_goes() -> None:
    songs = {name: facts(name, length) for name, length in (("a", 200), ("b", 300), ("c", 100), ("d", 0))}
    now = SetList("x", ("a", "b", "c", "d"), "", 1, 900, 30)
    pace = Pace()
    planned = durations_of(now, songs, 1, pace, 1000.0)
    assert (planned.set_s, planned.planned_over_s, planned.elapsed_s) == (
        200 + 300 + 100 + 3 * 30,
        -210,
        None,
    )
    assert planned.without_duration == ("d",)
    pace.update("a", "stopped", 1000.0)
    pace.update("a", "running", 1010.0)
    pace.update("b", "stopped", 1310.0)  # a took 100 s longer than its file says
    live = durations_of(now, songs, 2, pace, 1330.0)
    assert (live.elapsed_s, live.remaining_s) == (320, 280 + 100 + 0 + 2 * 30)
    assert live.over_s == 320 + 440 - 900


@pytest.mark.parametrize(("key", "transport"), [("", "stopped"), ("after-restart: play\n", "running")])
async def test_after_a_crash_it_waits_or_plays_on(
    demo_rig: Path, tmp_path: Path, key: str, transport: str
) -> None:
    """The engine is killed while a song runs: the state folder is all that is left of it."""
    rig = demo_rig / "rig.yaml"
    rig.write_text(key + rig.read_text(encoding="utf-8"), encoding="utf-8")
    async with a_service(demo_rig, tmp_path / "state") as service:
        await service.start()
        await service.until_ready()
        await service.ask("POST", "/v1/next")
        await service.ask("POST", "/v1/section", {"section": 2})
        await service.ask("POST", "/v1/start")
        await service.status_when(lambda status: status["transport"] == "running")
        await service.stop()
    async with a_service(demo_rig, tmp_path / "state") as service:
        await service.start()
        await service.until_ready()
        status = await service.status_when(lambda status: status["transport"] == transport)
        assert (status["song"]["title"], status["section"]["number"]) == ("Nine Lamps", 2)


async def test_a_song_of_the_order_goes_by_number_title_or_file_name(service: Service) -> None:
    await service.ask("POST", "/v1/set-list/move", {"song": "WEATHER room", "to": 1})
    answer = await service.ask("POST", "/v1/set-list/drop", {"song": "nine-lamps"})
    assert names(answer.json) == ["weather-room", "copper-ferry"]
    answer = await service.ask("POST", "/v1/set-list/insert", {"song": 1, "to": 3})
    assert names(answer.json) == ["weather-room", "copper-ferry", "weather-room"]
    answer = await service.ask("POST", "/v1/set-list/encore", {"song": "Copper Ferry"})
    assert answer.json["encore"] == 2


@pytest.mark.parametrize(
    ("song", "kind", "words"),
    [
        ("Weather Room", "unknown-place", "'Weather Room' is number 3 and 4 of the set list; say which"),
        ("Low Tide", "unknown-place", "'Low Tide' is not in the set list"),
        ("Low Tidy", "unknown-song", "did you mean 'Low Tide'?"),
        (5, "unknown-place", "songs 1 to 4, not 5"),
        (0, "wrong-body", "a number from 1"),
        (True, "wrong-body", "one line"),
    ],
)
async def test_a_song_that_is_not_one_of_the_order_changes_nothing(
    service: Service, song: int | str, kind: str, words: str
) -> None:
    before = (await service.ask("POST", "/v1/set-list/insert", {"song": "weather-room", "to": 4})).json
    answer = await service.ask("POST", "/v1/set-list/drop", {"song": song})
    assert answer.json["type"] == f"/problems/{kind}"
    assert words in answer.json["detail"]
    assert (await service.ask("GET", "/v1/set-list")).json == before
