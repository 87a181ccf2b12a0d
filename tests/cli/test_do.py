"""`routerd do`: every action of the table as a command, its short answers, its exit status, and waiting."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator

import pytest

from routerd.cli import build_parser, main
from routerd.cli.do import body_of
from routerd.core.model.actions import ACTIONS
from routerd.server.http.bodies import read_body
from routerd.server.http.command_handlers import body_of as model_of
from tests.service import Service, free_port, write_rig

RIG = """
name: Small rig
devices:
  keys: {input: Stage Keys*}
  drum-machine: {input: Drum Machine*, output: Drum Machine*, clock: true}
  synth: {output: Lead Synth*, wire: din, clock: true, transport: true}
"""
SONGS = {
    "one": "title: First One\ntempo: 240\nsections: [{name: verse}, {name: chorus}]\nchecklist: [Tune]\n",
    "two": "title: Two\ntempo: 240\n",
}


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    folder = write_rig(tmp_path_factory.mktemp("do") / "rig", RIG, SONGS, ["one", "two"])
    (folder / "sets" / "short.yaml").write_text("name: Short\norder: [two]\n")
    with Service(folder, folder.parent / "state", "--ports", "simulated", "--set", "Set") as service:
        service.wait_until_open()
        yield service


@pytest.fixture(autouse=True)
def at_the_beginning(service: Service) -> None:
    service.ask("POST", "/v1/silence")
    service.ask("POST", "/v1/song", {"song": 1})


def does(service: Service, capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    status = main(["do", *words, "--listen", f"127.0.0.1:{service.http}"])
    said = capsys.readouterr()
    return status, said.out, said.err


SAID = {
    "song": (["3"], {"song": 3}),
    "section": (["chorus", "--when", "2 bars"], {"section": "chorus", "when": "2 bars"}),
    "continue": (["9"], {"bar": 9}),
    "tempo": (["290/3"], {"bpm": "290/3"}),
    "tap": (["--when", "bar"], {"when": "bar"}),
    "nudge": (["-0.5"], {"by": -0.5}),
    "retrigger": (["synth", "--at", "cycle"], {"device": "synth", "at": "cycle"}),
    "click": ([], {"on": None}),
    "clock-source": ([], {"device": None}),
    "mute": (["synth", "--off"], {"device": "synth", "on": False}),
    "solo": (["--route", "drums"], {"route": "drums"}),
    "done": (["2", "--song", "One", "--not-done"], {"number": 2, "song": "One", "done": False}),
    "learn": (["pedal"], {"what": "pedal"}),
}


@pytest.mark.parametrize("action", [action for action, row in ACTIONS.items() if row.over_http])
def test_every_action_of_the_table_is_a_command_whose_body_the_api_reads(action: str) -> None:
    words, wanted = SAID.get(action, ([], {}))
    body = body_of(build_parser().parse_args(["do", action, *words]))
    if action == "done":
        assert body.pop("done") is False
        wanted = {key: value for key, value in wanted.items() if key != "done"}
    assert body == wanted
    row = next(row for one, row in ACTIONS.items() if one == action)
    model = model_of(row.argument, armable=row.armable, undone=row.undo is not None)
    read_body(json.dumps(body).encode(), model)  # raises what the API would answer


def test_it_is_done_and_answers_in_a_line(service: Service, capsys: pytest.CaptureFixture[str]) -> None:
    first = "First One, verse: stopped, bar 1 beat 1, 240 BPM\n"
    assert does(service, capsys, "previous")[0] == 1
    assert does(service, capsys, "section", "verse") == (0, first, "")
    assert does(service, capsys, "done")[1] == f"{first}by hand: 1 of 1 done\n"
    assert does(service, capsys, "song", "two")[:2] == (0, "Two: stopped, bar 1 beat 1, 240 BPM\n")
    assert does(service, capsys, "set-list", "Short")[0] == 0
    assert service.status()["set_list"]["name"] == "Short"
    service.ask("POST", "/v1/set-list/undo")
    assert does(service, capsys, "set-list", "Nowhere")[0] == 2
    muted = does(service, capsys, "mute", "synth")[1]
    assert muted.endswith("\nmuted: device synth\n")
    assert "muted" not in does(service, capsys, "mute", "synth", "--off")[1]
    assert does(service, capsys, "next-section")[0] == 1  # there is none
    assert json.loads(does(service, capsys, "tempo", "100.5", "--json")[1])["tempo"]["set_by"] == "hand"


def test_what_is_armed_is_waited_for(service: Service, capsys: pytest.CaptureFixture[str]) -> None:
    assert (
        "armed: song Two, waits for next-press"
        in does(service, capsys, "song", "2", "--when", "next-press")[1]
    )
    assert does(service, capsys, "start", "--wait", "bar")[0] == 0
    status, said, _ = does(service, capsys, "section", "chorus", "--when", "bar", "--wait")
    assert (status, said.partition(":")[0]) == (0, "First One, chorus")
    status, _, wrong = does(service, capsys, "next", "--when", "bar 999", "--wait", "--within", "0.2")
    assert (status, wrong) == (1, "routerd: next still waits for bar 999\n")
    for others, words in (
        ("cancel", "was forgotten by cancel"),
        ("next", "for 9 bars was armed in its place"),
    ):
        body = {"when": "9 bars"} if others == "next" else {}
        threading.Timer(0.5, service.ask, ("POST", f"/v1/{others}", body)).start()
        status, _, wrong = does(service, capsys, "next", "--when", "bar 999", "--wait", "--within", "20")
        assert (status, wrong) == (1, f"routerd: next {words}\n")


def test_a_bar_and_a_port_are_waited_for(service: Service, capsys: pytest.CaptureFixture[str]) -> None:
    begun_s = time.monotonic()
    assert does(service, capsys, "start", "--wait", "bar 3")[0] == 0
    assert time.monotonic() - begun_s >= 1.9  # two bars of four beats at 240 BPM
    assert service.status()["position"]["bar"] >= 3
    assert does(service, capsys, "wait", "port")[0] == 0
    status, _, wrong = does(service, capsys, "wait", "port nobody")
    assert (status, "choose from keys" in wrong) == (2, True)
    does(service, capsys, "stop")
    status, _, wrong = does(service, capsys, "wait", "bar", "--within", "0.1")
    assert (status, "transport is stopped" in wrong) == (1, True)


def test_a_server_that_is_started_again_meanwhile_ends_no_waiting(
    service: Service, capsys: pytest.CaptureFixture[str]
) -> None:
    does(service, capsys, "start")
    for moment, within, words in (
        ("bar 999", "4", "next still waits for bar 999"),
        ("4 bars", "12", "next is not armed any more"),
    ):
        threading.Timer(0.5, service.kill_server).start()
        status, _, wrong = does(service, capsys, "next", "--when", moment, "--wait", "--within", within)
        assert (status, wrong.startswith(f"routerd: {words}")) == (1, True), wrong
    assert does(service, capsys, "wait", "port", "--within", "20")[0] == 0


@pytest.mark.parametrize(
    ("words", "status", "wrong"),
    [
        (("go",), 1, "nothing is armed"),
        (("song", "Three"), 2, "there is no song 'Three'"),
        (("mute",), 2, "say one of device or route"),
        (("next", "--within", "3"), 2, "--within needs --wait"),
    ],
)
def test_what_cannot_be_done_is_said(
    service: Service, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], status: int, wrong: str
) -> None:
    found, out, said = does(service, capsys, *words)
    assert (found, out) == (status, "")
    assert said.startswith(f"routerd: {wrong}")


@pytest.mark.parametrize("words", [["song"], ["tempo", "fast"], ["next", "--when", "soon"], ["wait", "rain"]])
def test_wrong_words_are_no_command(capsys: pytest.CaptureFixture[str], words: list[str]) -> None:
    with pytest.raises(SystemExit) as caught:
        main(["do", *words])
    assert caught.value.code == 2
    assert "usage: routerd do" in capsys.readouterr().err


def test_where_no_service_answers_it_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["do", "next", "--listen", f"127.0.0.1:{free_port()}"]) == 2
    assert "no service answers at" in capsys.readouterr().err
