"""Starting, starting again, and ending: what the engine is given, and what is remembered."""

from __future__ import annotations

import asyncio
import json
import os
import socket
import sys
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from fake_engine import ALL_GRANTED, FakeEngine
from server_service import Service, a_service, free_port, log_lines

from routerd.core.model.actions import Action
from routerd.core.model.codec import from_json
from routerd.core.model.snapshot import ResumePoint
from routerd.core.model.timing import TempoBy
from routerd.link import working_rig
from routerd.link.messages import Commit, Ping, Pong, Refuse, Serving


async def state_when(path: Path, fits: Any) -> Any:
    """Read the state file until it fits."""
    async with asyncio.timeout(30):
        while True:
            state = _read(path)
            if state is not None and fits(state):
                return state
            await asyncio.sleep(0.02)


def _read(path: Path) -> Any:
    return json.loads(path.read_text()) if path.exists() else None


async def test_the_place_is_remembered_over_a_restart_of_everything(demo_rig: Path, tmp_path: Path) -> None:
    state_dir = tmp_path / "state"
    async with a_service(demo_rig, state_dir) as service:
        await service.start()
        await service.until_ready()
        await service.ask("PUT", "/v1/set-list", {"order": ["weather-room", "low-tide", "nine-lamps"]})
        await service.ask("POST", "/v1/song", {"song": "Copper Ferry"})
        await service.ask("POST", "/v1/section", {"section": "chorus"})
        await service.ask("POST", "/v1/tempo", {"bpm": "361/3"})
        await service.ask("POST", "/v1/mute", {"device": "lead-synth"})
        state = await state_when(state_dir / "state.json", lambda s: "muted" in s["resume"])
        assert from_json(ResumePoint, state["resume"]) == ResumePoint(
            "copper-ferry", 3, Fraction(361, 3), TempoBy.HAND, gap=2, muted=("device lead-synth",)
        )
        assert await service.stop() == 0
    async with a_service(demo_rig, state_dir) as service:
        await service.start()
        status = await service.until_ready()
        assert status["song"]["title"] == "Copper Ferry"
        assert status["section"]["name"] == "chorus"
        assert status["tempo"]["rate_bpm"] == 361 / 3
        assert status["transport"] == "stopped"
        assert status["muted"] == ["device lead-synth"]
        order = (await service.ask("GET", "/v1/set-list")).json["order"]
        assert [song["song"] for song in order] == ["weather-room", "low-tide", "nine-lamps"]


async def test_the_state_is_written_soon_also_after_a_foot_switch(service: Service) -> None:
    path = service.options.state_dir / "state.json"
    await state_when(path, lambda state: state["resume"]["song"] == "copper-ferry")
    service.engine.press(Action.NEXT)
    async with asyncio.timeout(30):  # SETTLE_S says how soon; this machine may be busy
        await state_when(path, lambda state: state["resume"]["song"] == "nine-lamps")
    assert path.stat().st_mode & 0o077 == 0


async def test_an_order_made_by_hand_gives_way_to_a_file_that_has_changed(
    demo_rig: Path, tmp_path: Path
) -> None:
    async with a_service(demo_rig, tmp_path / "state") as service:
        await service.start()
        await service.until_ready()
        await service.ask("PUT", "/v1/set-list", {"order": ["low-tide", "nine-lamps"]})
        answer = await service.ask("POST", "/v1/reload")
        assert answer.json["set_list"]["songs"] == 2  # nothing has changed: the order by hand stays
        file = demo_rig / "sets" / "harbour.yaml"
        file.write_text(file.read_text() + "  - low-tide\n")
        answer = await service.ask("POST", "/v1/reload")
        assert answer.json["set_list"]["songs"] == 4


async def test_a_server_that_is_started_again_changes_nothing(service: Service) -> None:
    await service.ask("POST", "/v1/song", {"song": 2})
    await service.ask("POST", "/v1/start")
    await service.ask("PUT", "/v1/set-list", {"order": ["weather-room", "nine-lamps"]})
    assert await service.stop() == 0
    service.engine.press(Action.SECTION, 1)  # the show goes on meanwhile
    before = service.engine.show.snapshot()
    service.engine.said.clear()
    await service.start()
    status = await service.until_ready()
    assert {type(message) for message in service.engine.said} <= {Pong, Serving}
    assert service.engine.show.generation == before.generation
    assert status["song"]["title"] == "Nine Lamps"
    assert status["set_list"]["position"] == 2
    assert status["transport"] in ("starting", "running")
    assert status["server"]["restarts"] == 1
    assert ["started again (restart 1)" in line for line in status["problems"]] == [True]
    assert (await service.ask("POST", "/v1/reload")).json["engine"]["generation"] == 2


async def test_a_server_that_knows_no_names_still_serves(service: Service) -> None:
    await service.stop()
    (service.options.state_dir / working_rig.FILE).unlink()
    good = (service.options.folder / "rig.yaml").read_text()
    (service.options.folder / "rig.yaml").write_text("{")
    await service.start()
    status = await service.until_ready()
    assert status["song"]["title"] == "copper-ferry"
    assert status["problems"]
    assert (await service.ask("POST", "/v1/next")).json["song"]["song"] == "nine-lamps"
    (service.options.folder / "rig.yaml").write_text(good)
    assert (await service.ask("POST", "/v1/reload")).json["song"]["title"] == "Nine Lamps"


async def test_files_that_changed_under_a_rig_that_is_not_known_are_told(service: Service) -> None:
    await service.stop()
    (service.options.state_dir / working_rig.FILE).unlink()
    await service.start()
    status = await service.until_ready()
    assert status["song"]["title"] == "Copper Ferry"
    assert "reload" in status["problems"][0]
    assert "reload" not in str((await service.ask("POST", "/v1/reload")).json["problems"])


async def test_broken_files_at_the_start_leave_the_last_rig_that_worked(
    demo_rig: Path, tmp_path: Path
) -> None:
    async with a_service(demo_rig, tmp_path / "state") as service:
        await service.start()
        await service.until_ready()
        await service.stop()
    (demo_rig / "songs" / "low-tide.yaml").write_text("title: Low Tide\ntempo: slow\n")
    with log_lines() as said:
        async with a_service(demo_rig, tmp_path / "state") as service:
            await service.start()
            status = await service.until_ready()
            assert status["song"]["title"] == "Copper Ferry"
            assert status["problems"][0].startswith("songs/low-tide.yaml:2: ")
    loud = [line["event"] for line in said if line["log_level"] in ("error", "warning")]
    assert "THE LAST RIG THAT WORKED" in loud[0]
    assert loud[1].startswith("songs/low-tide.yaml:2: ")


async def refused(service: Service) -> list[str]:
    """Start a server that cannot start; return what it tells the engine."""
    await service.start()
    problems = (await service.engine.heard(Refuse))[0].problems
    assert service.engine.show.generation == 0
    assert await service.stop() == 0
    return list(problems)


async def test_broken_files_and_no_rig_are_refused(tmp_path: Path) -> None:
    folder = tmp_path / "rig"
    folder.mkdir()
    (folder / "rig.yaml").write_bytes(b"\x00\xff")
    async with a_service(folder, tmp_path / "state") as service:
        problems = await refused(service)
    assert problems[0].startswith(f"{folder}/rig.yaml:1: ")


async def test_a_cold_start_needs_no_api_which_comes_when_its_port_is_free(
    demo_rig: Path, tmp_path: Path
) -> None:
    with log_lines() as said, socket.create_server(("127.0.0.1", 0)) as other:
        listen = "{}:{}".format(*other.getsockname())
        async with a_service(demo_rig, tmp_path / "state", listen=listen) as service:
            await service.start()
            await service.engine.heard(Commit)
            wanted = "the API cannot be served"
            async with asyncio.timeout(30):
                while not any(wanted in line["event"] for line in said):  # noqa: ASYNC110 - a log sets no event
                    await asyncio.sleep(0.01)
            assert service.engine.show.generation == 1
            other.close()
            status = await service.until_ready()
    assert status["song"]["title"] == "Copper Ferry"
    assert status["problems"] == []
    told, over = (line for line in said if wanted in line["event"])
    assert "another routerd" in told["event"]
    assert told["log_level"] == "warning"
    assert over["event"] == f"no longer: {told['event']}"
    assert over["log_level"] == "info"


async def test_a_mistake_in_where_to_listen_is_refused_at_once(demo_rig: Path, tmp_path: Path) -> None:
    async with a_service(demo_rig, tmp_path / "state", listen="0.0.0.0:8473") as service:
        assert "--token-file" in (await refused(service))[0]


async def test_a_port_that_is_in_use_while_the_show_is_on_is_waited_for(
    demo_rig: Path, tmp_path: Path
) -> None:
    listen = f"127.0.0.1:{free_port()}"
    async with a_service(demo_rig, tmp_path / "state", listen=listen) as service:
        await service.start()
        await service.until_ready()
        await service.stop()
        with socket.create_server(tuple(other_address(listen))):
            await service.start()
            service.engine.tell(Ping(1))
            await service.engine.heard(Pong)
            assert service.task is not None
            assert not service.task.done()
        assert (await service.until_ready())["song"]["title"] == "Copper Ferry"


def other_address(listen: str) -> tuple[str, int]:
    host, _, port = listen.rpartition(":")
    return host, int(port)


async def test_an_engine_that_refuses_the_first_rig_is_told_why(demo_rig: Path, tmp_path: Path) -> None:
    async with a_service(demo_rig, tmp_path / "state") as service:
        service.engine.refuses_rigs = True
        assert "no room for it" in (await refused(service))[0]


async def test_missing_real_time_is_told_plainly(demo_rig: Path, tmp_path: Path) -> None:
    facts = replace(ALL_GRANTED, scheduling="other", priority=0, remedy="allow it like this")
    with log_lines() as said:
        async with a_service(demo_rig, tmp_path / "state", realtime=facts) as service:
            await service.start()
            status = await service.until_ready()
    assert (status["engine"]["scheduling"], status["engine"]["remedy"]) == ("other", "allow it like this")
    told = [line for line in said if line["event"].startswith("real-time scheduling is not permitted")]
    assert [(line["log_level"], line["remedy"]) for line in told] == [("warning", "allow it like this")]


async def test_a_state_folder_that_cannot_be_written_is_told_and_not_fatal(
    demo_rig: Path, tmp_path: Path
) -> None:
    (tmp_path / "state").write_text("a file where the folder should be")
    async with a_service(demo_rig, tmp_path / "state") as service:
        await service.start()
        await service.until_ready()
        status = await service.status_when(lambda status: status["problems"])
        assert "state folder cannot be written" in status["problems"][0]
        assert (await service.ask("POST", "/v1/next")).status == 200
        (tmp_path / "state").unlink()
        await service.ask("POST", "/v1/next")
        await service.status_when(lambda status: not status["problems"])


@pytest.mark.parametrize("ending", ["link", "SIGTERM"])
async def test_the_process_ends_quickly_and_quietly(demo_rig: Path, tmp_path: Path, ending: str) -> None:
    async with FakeEngine(os.getpid()) as engine:
        end = await engine.connect()
        arguments = ["--fd", str(end.fileno()), "--folder", str(demo_rig), "--listen", "127.0.0.1:0"]
        arguments += ["--state-dir", str(tmp_path / "state")]
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "routerd.server.main", *arguments,
            pass_fds=[end.fileno()], stderr=asyncio.subprocess.PIPE,
        )  # fmt: skip
        end.close()
        assert process.stderr is not None
        try:
            async with asyncio.timeout(60):
                while b"API is up" not in await process.stderr.readline():
                    pass
            if ending == "SIGTERM":
                process.terminate()
            else:
                await engine.disconnect()
            _, rest = await asyncio.wait_for(process.communicate(), 20)
        finally:
            if process.returncode is None:
                process.kill()
                await process.wait()
        assert (process.returncode, rest) == (0, b"")
    assert json.loads((tmp_path / "state" / "state.json").read_text())["resume"]["song"] == "copper-ferry"
