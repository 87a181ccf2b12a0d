"""What feet do, over a real link: learn mode, checklists, long presses, lamps, and what people see of it."""

from __future__ import annotations

from pathlib import Path
from time import monotonic_ns

from server_service import Service, a_service

from routerd.server.rigfiles import load_folder


def press(service: Service, device: str, hexes: str) -> None:
    show = service.engine.show
    input = next(one for one in show.compiled.inputs if one.name == device)
    show.receive(input, bytes.fromhex(hexes), monotonic_ns())
    service.engine._tell_effects()


async def test_the_next_message_becomes_an_entry_that_loads(service: Service, demo_rig: Path) -> None:
    entries = []
    for message in ("bf 5a 7f", "9f 24 40", "cf 04", "f0 7f 7f 06 02 f7"):
        waiting = (await service.ask("POST", "/v1/learn", {"what": "control"})).json["learning"]
        assert (waiting["over"], waiting["entry"]) == (False, None)
        press(service, "pedals", message)
        status = await service.status_when(lambda status: status["learning"]["over"])
        entries.append(status["learning"]["entry"])
    assert entries == [
        "- {from: pedals, cc: 90, channel: 16, do: next}",
        "- {from: pedals, note: 36, channel: 16, do: next}",
        "- {from: pedals, program: 5, channel: 16, do: next}",
        '- {from: pedals, message: "F0 7F 7F 06 02 F7", do: next}',
    ]
    assert (await service.ask("GET", "/v1/status")).json["song"]["title"] == "Copper Ferry"
    await service.ask("POST", "/v1/learn", {"what": "pedal"})
    for value in ("40", "06", "79", "50"):
        press(service, "pedals", f"bf 0b {value}")
    await service.ask("POST", "/v1/learn", {"what": "nothing"})
    pedal = (await service.ask("GET", "/v1/learn")).json["learning"]["entry"]
    assert pedal == "- {from: pedals, cc: 11, channel: 16, heel: 6, toe: 121}"
    rig = demo_rig / "rig.yaml"
    text = rig.read_text(encoding="utf-8").replace(
        "controls:\n", "controls:\n  " + "\n  ".join(entries) + "\n"
    )
    rig.write_text(f"{text}\npedals:\n  {pedal}\n", encoding="utf-8")
    assert [str(problem) for problem in load_folder(demo_rig).problems] == []


async def test_the_steps_that_are_done_are_remembered(demo_rig: Path, tmp_path: Path) -> None:
    async with a_service(demo_rig, tmp_path / "state") as service:
        await service.start()
        await service.until_ready()
        answer = await service.ask("POST", "/v1/done")
        assert [item["done"] for item in answer.json["song"]["checklist"]] == [True, False]
        await service.ask("POST", "/v1/done", {"song": "Nine Lamps", "number": 3})
        await service.ask("POST", "/v1/done", {"number": 1, "done": False})
        assert (await service.ask("POST", "/v1/done", {"number": 9})).json["type"] == "/problems/unknown-step"
        await service.stop()
    async with a_service(demo_rig, tmp_path / "state") as service:
        await service.start()
        status = await service.until_ready()
        assert not any(item["done"] for item in status["song"]["checklist"])
        song = (await service.ask("GET", "/v1/songs/nine-lamps")).json
        assert [item["done"] for item in song["checklist"]] == [False, False, True]


async def test_what_is_armed_is_seen_and_the_next_press_does_it(service: Service) -> None:
    answer = await service.ask("POST", "/v1/song", {"song": "Low Tide", "when": "next-press"})
    assert answer.json["armed"] == {
        "action": "song",
        "argument": "low-tide",
        "title": "Low Tide",
        "when": "next-press",
        "left": None,
    }
    press(service, "pedals", "bf 50 7f")
    status = await service.status_when(lambda status: status["song"]["title"] == "Low Tide")
    assert status["armed"] is None
    assert (await service.ask("POST", "/v1/go")).status == 409
