"""The API against an engine at the other end of a real link: what people ask, and what they are told."""

from __future__ import annotations

import asyncio
from fractions import Fraction
from pathlib import Path
from time import monotonic
from typing import Any

import pytest
from server_service import Service, a_service

from routerd.core.model.actions import Action
from routerd.link.messages import Ask, Counters, Doubt, Ping, Pong, PortState, PortStates


async def test_status_tells_the_whole_moment(service: Service) -> None:
    status = (await service.ask("GET", "/v1/status")).json
    assert status["set_list"] == {"name": "Harbour", "date": "2026-11-27", "position": 1, "songs": 3}
    assert status["song"]["title"] == "Copper Ferry"
    assert status["song"]["meter"] == "4/4"
    assert status["song"]["checklist"][0]["text"].startswith("Put the tape")
    assert status["next_song"] == {"number": 2, "song": "nine-lamps", "title": "Nine Lamps"}
    assert status["section"] == {"number": 1, "name": "intro"}
    assert status["armed"] is None
    assert status["transport"] == "stopped"
    assert status["tempo"]["bpm"] == 121.5
    assert status["tempo"]["anchor_ns"] > 0
    assert status["position"] == {"bar": 1, "beat": 1, "tick": 0, "next_bar_s": None}
    assert status["clock_source"] == "internal"
    assert status["engine"]["pid"] == service.engine.pid
    assert status["engine"]["scheduling"] == "fifo"
    assert status["engine"]["rss_bytes"] > 1_000_000
    assert status["server"]["restarts"] == 0
    assert status["problems"] == []


async def test_a_bare_post_goes_to_the_next_song(service: Service) -> None:
    answer = await service.ask("POST", "/v1/next")
    assert answer.status == 200
    assert answer.json["song"]["title"] == "Nine Lamps"
    assert answer.json["set_list"]["position"] == 2
    back = await service.ask("POST", "/v1/previous", b"{}")
    assert back.json["song"]["title"] == "Copper Ferry"


async def test_next_after_the_last_song_is_refused_and_changes_nothing(service: Service) -> None:
    await service.ask("POST", "/v1/song", {"song": 3})
    before = service.engine.standing()
    answer = await service.ask("POST", "/v1/next")
    assert answer.status == 409
    assert answer.json["type"] == "/problems/refused"
    assert "last song" in answer.json["detail"]
    assert service.engine.standing() == before


async def test_songs_by_number_title_and_file_name(service: Service) -> None:
    for body, title in (
        ({"song": 2}, "Nine Lamps"),
        ({"song": "wEATHER rOOM"}, "Weather Room"),
        ({"song": "low-tide"}, "Low Tide"),
    ):
        answer = await service.ask("POST", "/v1/song", body)
        assert (answer.status, answer.json["song"]["title"]) == (200, title)
    assert answer.json["set_list"]["position"] is None  # Low Tide is not in tonight's order


async def test_an_unknown_title_gets_the_nearest(service: Service) -> None:
    answer = await service.ask("POST", "/v1/song", {"song": "Coper Fery"})
    assert answer.status == 404
    assert answer.json["type"] == "/problems/unknown-song"
    assert "Copper Ferry" in answer.json["detail"]
    assert (await service.ask("POST", "/v1/song", {"song": 9})).status == 404


async def test_sections_by_name_and_number(service: Service) -> None:
    answer = await service.ask("POST", "/v1/section", {"section": "Chorus"})
    assert answer.json["section"] == {"number": 3, "name": "chorus"}
    answer = await service.ask("POST", "/v1/section", {"section": 4})
    assert answer.json["section"]["name"] == "outro"
    assert answer.json["tempo"]["bpm"] == 118
    answer = await service.ask("POST", "/v1/section", {"section": "chrous"})
    assert (answer.status, answer.json["type"]) == (404, "/problems/unknown-section")
    assert "chorus" in answer.json["detail"]


async def test_transport_starts_stops_and_goes_on_from_a_bar(service: Service) -> None:
    began_s = monotonic()

    def bars_since_then() -> float:  # at 121.5 BPM; on a busy machine anything may take long
        return (monotonic() - began_s) * 121.5 / 60 / 4

    assert (await service.ask("POST", "/v1/start")).json["transport"] == "starting"
    status = await service.status_when(lambda status: status["transport"] == "running")
    assert 1 <= status["position"]["bar"] <= 1 + bars_since_then()
    assert (await service.ask("POST", "/v1/stop")).json["transport"] == "stopped"
    began_s = monotonic()
    assert (await service.ask("POST", "/v1/continue", {"bar": 9})).json["transport"] == "starting"
    await service.status_when(lambda status: status["transport"] == "running")
    stopped = (await service.ask("POST", "/v1/stop")).json
    assert 9 <= stopped["position"]["bar"] <= 9 + bars_since_then()


async def test_on_the_next_bar_is_armed_and_then_done(service: Service) -> None:
    answer = await service.ask(
        "POST", "/v1/section", {"section": "verse", "when": "bar"}
    )  # two seconds a bar
    armed = {"action": "section", "argument": "verse", "title": None, "when": "bar", "left": 1}
    assert answer.json["armed"] == armed
    status = await service.status_when(lambda status: status["section"]["name"] == "verse")
    assert status["armed"] is None


async def test_tempo_is_taken_exactly_as_written(service: Service) -> None:
    for body, bpm in (
        ('{"bpm": 121.5}', Fraction(243, 2)),
        ('{"bpm": "121.5"}', Fraction(243, 2)),
        ('{"bpm": 119.88000000000000001}', Fraction("119.88000000000000001")),
        ('{"bpm": 1.2e2}', Fraction(120)),
        ('{"bpm": "361/3"}', Fraction(361, 3)),
    ):
        answer = await service.ask("POST", "/v1/tempo", body)
        assert answer.status == 200, answer.text
        assert answer.json["tempo"]["rate_bpm"] == float(bpm)
        assert answer.json["tempo"]["bpm"] == round(float(bpm), 3)
        assert service.engine.show.transport.clock.segment.bpm == bpm


async def test_a_tempo_by_hand_holds_until_the_songs_is_asked_for(service: Service) -> None:
    assert (await service.ask("GET", "/v1/status")).json["tempo"]["set_by"] == "song"
    tempo = (await service.ask("POST", "/v1/tempo", {"bpm": 100})).json["tempo"]
    assert (tempo["bpm"], tempo["set_by"]) == (100, "hand")
    tempo = (await service.ask("POST", "/v1/song-tempo")).json["tempo"]
    assert (tempo["bpm"], tempo["set_by"]) == (121.5, "song")
    await service.ask("POST", "/v1/tempo", {"bpm": 100})
    armed = (await service.ask("POST", "/v1/song-tempo", {"when": "bar"})).json["armed"]
    assert (armed["action"], armed["when"]) == ("song-tempo", "bar")
    await service.status_when(lambda status: status["tempo"]["set_by"] == "song")


@pytest.mark.parametrize(
    ("path", "transport"), [("stop", "stopped"), ("silence", "stopped"), ("panic", "running")]
)
async def test_stop_panic_and_silence_forget_what_is_armed(
    service: Service, path: str, transport: str
) -> None:
    await service.ask("POST", "/v1/start")
    await service.status_when(lambda status: status["transport"] == "running")
    assert (await service.ask("POST", "/v1/next", {"when": "next-press"})).json["armed"]
    answer = (await service.ask("POST", f"/v1/{path}")).json
    assert (answer["armed"], answer["transport"]) == (None, transport)
    if path != "stop":
        assert (await service.ask("POST", f"/v1/{path}", '{"when": "bar"}')).status == 422


async def test_panic_has_an_empty_body(service: Service) -> None:
    assert (await service.ask("POST", "/v1/panic")).status == 200
    assert (await service.ask("POST", "/v1/panic", '{"when": "now"}')).status == 422


async def test_the_running_order_can_change_while_a_song_is_on(service: Service) -> None:
    answer = await service.ask("PUT", "/v1/set-list", {"order": ["Weather Room", "low-tide", "copper ferry"]})
    assert answer.status == 200
    assert [song["song"] for song in answer.json["order"]] == [
        "weather-room",
        "low-tide",
        "copper-ferry",
    ]
    assert answer.json["name"] == "Harbour"
    status = (await service.ask("GET", "/v1/status")).json
    assert status["song"]["title"] == "Copper Ferry"
    assert status["set_list"]["position"] == 3
    assert status["next_song"] is None


async def test_a_wrong_order_names_every_mistake_and_changes_nothing(service: Service) -> None:
    order = ["Copper Fery", "Nine Lamps", "Wether Room"]
    answer = await service.ask("PUT", "/v1/set-list", {"order": order})
    assert answer.status == 422
    assert [error["pointer"] for error in answer.json["errors"]] == ["/order/0", "/order/2"]
    assert "Copper Ferry" in answer.json["errors"][0]["detail"]
    assert "Weather Room" in answer.json["errors"][1]["detail"]
    assert len((await service.ask("GET", "/v1/set-list")).json["order"]) == 3


async def test_another_set_of_the_folder(demo_rig: Path, tmp_path: Path) -> None:
    (demo_rig / "sets" / "early.yaml").write_text(
        "name: Early\ndate: 2026-01-09\norder: [low-tide, nine-lamps]\n"
    )
    async with a_service(demo_rig, tmp_path / "state") as service:
        await service.start()
        await service.until_ready()
        assert (await service.ask("GET", "/v1/set-list")).json["set_lists"] == ["Early", "Harbour"]
        answer = await service.ask("PUT", "/v1/set-list", {"name": "early"})
        assert [song["title"] for song in answer.json["order"]] == ["Low Tide", "Nine Lamps"]
        answer = await service.ask("PUT", "/v1/set-list", {"name": "erly"})
        assert (answer.status, answer.json["type"]) == (422, "/problems/unknown-set-list")
        assert "Early" in answer.json["detail"]


async def test_every_song_is_listed_and_found_by_its_file_name(service: Service) -> None:
    songs = (await service.ask("GET", "/v1/songs")).json["songs"]
    assert [song["title"] for song in songs] == ["Copper Ferry", "Low Tide", "Nine Lamps", "Weather Room"]
    assert (await service.ask("GET", "/v1/songs/low-tide")).json == songs[1]
    assert (await service.ask("GET", "/v1/songs/low-tied")).status == 404


async def test_reload_takes_new_files_and_keeps_song_section_and_transport(service: Service) -> None:
    await service.ask("POST", "/v1/section", {"section": "verse"})
    await service.ask("POST", "/v1/start")
    song = service.options.folder / "songs" / "copper-ferry.yaml"
    song.write_text(song.read_text().replace("title: Copper Ferry", "title: Copper Ferry at Night"))
    answer = await service.ask("POST", "/v1/reload")
    assert answer.status == 200, answer.text
    assert answer.json["engine"]["generation"] == 2
    assert answer.json["song"]["title"] == "Copper Ferry at Night"
    assert answer.json["section"]["name"] == "verse"
    assert answer.json["transport"] in ("starting", "running")


async def test_reload_of_broken_files_lists_every_mistake_and_changes_nothing(service: Service) -> None:
    folder = service.options.folder
    good = (folder / "rig.yaml").read_text()
    (folder / "songs" / "nine-lamps.yaml").write_text("title: Nine Lamps\ntempo: fast\ncolour: red\n")
    (folder / "rig.yaml").write_text("name: [")
    before = service.engine.standing()
    answer = await service.ask("POST", "/v1/reload")
    assert answer.status == 422
    assert answer.json["type"] == "/problems/broken-files"
    files = {problem.split(":")[0] for problem in answer.json["problems"]}
    assert files == {"rig.yaml", "songs/nine-lamps.yaml"}
    assert service.engine.standing() == before
    assert (await service.ask("GET", "/v1/status")).json["problems"] == answer.json["problems"]
    (folder / "rig.yaml").write_text(good)
    (folder / "songs" / "nine-lamps.yaml").write_text("title: Nine Lamps\ntempo: 100\n")
    answer = await service.ask("POST", "/v1/reload")
    assert (answer.status, answer.json["problems"]) == (200, [])


async def test_an_engine_that_refuses_a_rig_is_told(service: Service) -> None:
    service.engine.refuses_rigs = True
    answer = await service.ask("POST", "/v1/reload")
    assert (answer.status, answer.json["type"]) == (500, "/problems/engine-refused")
    service.engine.refuses_rigs = False
    assert (await service.ask("POST", "/v1/reload")).status == 200


async def test_a_foot_switch_shows_in_the_status(service: Service) -> None:
    service.engine.press(Action.NEXT)
    await service.status_when(lambda status: status["song"]["title"] == "Nine Lamps")


async def test_a_silent_engine_does_not_stop_the_status(service: Service) -> None:
    service.engine.silent = True
    asked = asyncio.create_task(service.ask("POST", "/v1/next"))
    await service.engine.heard(Ask)
    assert (await service.ask("GET", "/v1/status")).status == 200
    answer = await asked
    assert (answer.status, answer.json["type"]) == (504, "/problems/engine-silent")


async def test_pings_are_answered(service: Service) -> None:
    service.engine.tell(Ping(7))
    assert await service.engine.heard(Pong) == [Pong(7)]


async def test_ports_and_counters_show_in_the_status(service: Service) -> None:
    port: dict[str, Any] = {"device": "keys", "direction": "input", "pattern": "Keys*", "port": None}
    doubt = Doubt("finds no port", "see routerd ports")
    service.engine.tell(PortStates((PortState("keys", "input", "Keys*", None, "missing", doubt=doubt),)))
    service.engine.tell(Counters({"messages_in": 12}))
    status = await service.status_when(lambda status: status["engine"]["counters"])
    shown = {"text": "finds no port", "remedy": "see routerd ports"}
    assert status["ports"] == [{**port, "state": "missing", "error": None, "since_ns": None, "doubt": shown}]
    assert status["engine"]["counters"] == {"messages_in": 12}


async def test_many_requests_at_once_are_all_answered(service: Service) -> None:
    """Reloads wait for each other; commands and questions between them are answered."""
    asked = [service.ask("POST", "/v1/reload") for _ in range(4)]
    asked += [service.ask("POST", "/v1/tempo", {"bpm": 100 + n}) for n in range(10)]
    asked += [service.ask("PUT", "/v1/set-list", {"order": ["low-tide", "copper-ferry"]}) for _ in range(4)]
    asked += [service.ask("GET", "/v1/status") for _ in range(10)]
    answers = await asyncio.gather(*asked)
    assert {answer.status for answer in answers} == {200}
    status = (await service.ask("GET", "/v1/status")).json
    assert status["engine"]["generation"] == 5
    assert status["set_list"]["songs"] == 2
    assert status["song"]["title"] == "Copper Ferry"
