"""`routerd monitor`, /v1/monitor and /v1/explain: messages of a running service, and their fate."""

from __future__ import annotations

import json
import queue
import signal
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator

import jsonschema
import pytest

from routerd.cli import main
from routerd.cli.watch import Choice, events_of, lines_of
from routerd.ports.far_end import FarEnd
from routerd.server.http.about import document
from routerd.server.http.application import OPERATIONS
from tests.service import Service, free_port, until, write_rig

DOCUMENT = document(OPERATIONS)

RIG = """
name: Small rig
devices:
  keys: {input: Stage Keys*}
  pedals: {input: Pedal Board*}
  synth: {output: Lead Synth*, wire: din, clock: true}
controls: [{from: pedals, cc: 80, channel: 16, do: next-section}]
"""
SONG = """
title: One
tempo: 240
routes: [{name: high, from: keys, to: synth, channel: 2, notes: 60-127, pass: [notes]}]
sections: [{name: verse}, {name: chorus, routes: [{name: low, from: keys, to: synth, notes: 0-59}]}]
"""


@pytest.fixture(scope="module")
def far_end_port() -> int:
    return free_port()


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory, far_end_port: int) -> Iterator[Service]:
    folder = write_rig(tmp_path_factory.mktemp("monitor") / "rig", RIG, {"one": SONG}, ["one"])
    options = ("--ports", "simulated", "--far-end", str(far_end_port))
    with Service(folder, folder.parent / "state", *options) as service:
        service.wait_until_open()
        yield service


@pytest.fixture(scope="module")
def far_end(service: Service, far_end_port: int) -> Iterator[FarEnd]:
    with FarEnd(("127.0.0.1", far_end_port)) as far_end:
        yield far_end


class Listening:
    """A reader of /v1/monitor; what it has got so far is in `messages`."""

    def __init__(self, service: Service, query: str = "") -> None:
        url = f"http://127.0.0.1:{service.http}/v1/monitor{query}"
        self._answer = urllib.request.urlopen(url, timeout=30)
        self._got: queue.SimpleQueue[tuple[str, dict[str, object]]] = queue.SimpleQueue()
        self.messages: list[dict[str, object]] = []
        assert self._answer.readline() == b": messages of routerd\n"  # it listens from now on
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        lines = (line.decode().rstrip("\n") for line in self._answer)
        for event in events_of(lines):
            self._got.put(event)

    def until(self, words: str) -> dict[str, object]:
        """Wait for a message of these words; return it."""

        def found() -> dict[str, object] | None:
            while not self._got.empty():
                self.messages.append(self._got.get()[1])
            return next((one for one in self.messages if one.get("words") == words), None)

        message: dict[str, object] = until(found, what=words)
        return message


def test_what_came_in_has_its_fate_and_what_it_made_follows(service: Service, far_end: FarEnd) -> None:
    listening = Listening(service)
    time.sleep(0.2)
    for code in ("90 3C 64", "80 3C 40", "90 24 64", "80 24 40"):
        far_end.play("keys", bytes.fromhex(code))
    far_end.play("pedals", bytes.fromhex("BF 50 00"))
    passed = listening.until("note on C4 velocity 100, channel 1")
    sent = [{"device": "synth", "bytes": "91 3C 64", "words": "note on C4 velocity 100, channel 2"}]
    assert passed["fates"] == [{"route": "high", "target": "synth", "why_not": None, "sent": sent}]
    assert listening.until("note on C4 velocity 100, channel 2")["device"] == "synth"
    kept_out = listening.until("note on C2 velocity 100, channel 1")
    why = "it takes notes C4 to G9; this is C2"
    other = {"route": "low", "target": "synth", "why_not": "not in this section; it would pass in chorus"}
    assert kept_out["fates"] == [
        {"route": "high", "target": "synth", "why_not": why, "sent": []},
        {**other, "sent": []},
    ]
    assert kept_out["loop"] is False
    control = listening.until("controller 80 (general purpose 5) 0, channel 16")
    assert (control["controls"], control["fates"]) == (["the release of next-section (short press)"], [])
    assert not any(one["words"] == "clock" for one in listening.messages)  # clock only when asked for
    described = DOCUMENT["paths"]["/v1/monitor"]["get"]["responses"]["200"]["content"]["text/event-stream"]
    documented = jsonschema.Draft202012Validator(
        {**described["schema"], "components": DOCUMENT["components"]}
    )
    for one in (*listening.messages, {"messages": 3}):
        documented.validate(one)
    assert not documented.is_valid({**passed, "fates": None})


def test_kinds_channels_and_devices_choose(service: Service, far_end: FarEnd) -> None:
    clock = Listening(service, "?kind=clock&device=keys")
    time.sleep(0.2)
    far_end.play("keys", bytes.fromhex("F8"))
    assert clock.until("clock")["direction"] == "in"
    second = Listening(service, "?channel=2&kind=notes")
    time.sleep(0.2)
    for code in ("90 3C 64", "80 3C 40"):
        far_end.play("keys", bytes.fromhex(code))
    second.until("note off C4, channel 2")
    assert {one["device"] for one in second.messages} == {"synth"}


def test_a_rig_that_is_loaded_meanwhile_counts(service: Service, far_end: FarEnd) -> None:
    listening = Listening(service)
    song = service.folder / "songs" / "one.yaml"
    before = song.read_text()
    song.write_text(before.replace("notes: 60-127", "notes: 70-127"))
    try:
        service.ask("POST", "/v1/reload")
        time.sleep(0.5)
        far_end.play("keys", bytes.fromhex("90 41 64"))
        fates = listening.until("note on F4 velocity 100, channel 1")["fates"]
        far_end.play("keys", bytes.fromhex("80 41 40"))
        assert isinstance(fates, list)
        assert fates[0]["why_not"] == "it takes notes A#4 to G9; this is F4"
    finally:
        song.write_text(before)
        service.ask("POST", "/v1/reload")


def test_a_mute_is_named(service: Service, far_end: FarEnd) -> None:
    service.ask("POST", "/v1/mute", {"device": "synth"})
    listening = Listening(service)
    time.sleep(0.2)
    far_end.play("keys", bytes.fromhex("90 40 64"))
    fates = listening.until("note on E4 velocity 100, channel 1")["fates"]
    far_end.play("keys", bytes.fromhex("80 40 40"))
    explained = service.ask("POST", "/v1/explain", {"device": "keys", "message": "90 40 64"})
    service.ask("POST", "/v1/mute", {"device": "synth", "on": False})
    assert isinstance(fates, list)
    assert "muted" in fates[0]["why_not"]
    assert "muted" in explained["routes"][0]["why_not"]
    assert explained["sent"] == []


def test_a_message_explained_in_the_running_show(service: Service) -> None:
    explained = service.ask("POST", "/v1/explain", {"device": "keys", "message": "90 3C 64"})
    assert explained["place"] == "One, verse"
    assert [one["bytes"] for one in explained["sent"]] == ["91 3C 64"]
    for song, section in (("One", "chorus"), (1, 2)):
        body = {"device": "keys", "message": "90 24 64", "song": song, "section": section}
        assert [one["bytes"] for one in service.ask("POST", "/v1/explain", body)["sent"]] == ["90 24 64"]


@pytest.mark.parametrize(
    ("path", "body", "status", "words"),
    [
        ("/v1/monitor?device=kees", None, 422, "did you mean 'keys'? Choose from keys, pedals or synth"),
        ("/v1/monitor?kind=note", None, 422, "did you mean 'notes'"),
        ("/v1/monitor?channel=17", None, 422, "from 1 to 16"),
        ("/v1/explain", {"device": "keys", "message": "90 3C"}, 422, "is not one whole message"),
        (
            "/v1/explain",
            {"device": "kees", "message": "90 3C 64"},
            404,
            "did you mean 'keys'? Choose from keys or pedals",
        ),
        ("/v1/explain", {"device": "keys", "message": "90 3C 64", "song": "Two"}, 404, "choose from One"),
        ("/v1/explain", {"device": "keys", "message": "90 3C 64", "song": 9}, 404, "has songs 1 to 1, not 9"),
    ],
)
def test_what_is_not_there_is_named(
    service: Service, path: str, body: object, status: int, words: str
) -> None:
    with pytest.raises(urllib.error.HTTPError) as caught:
        service.ask("GET" if body is None else "POST", path, body)
    assert caught.value.code == status
    assert words in json.loads(caught.value.read())["detail"]


def test_an_event_in_lines_for_people() -> None:
    fates = [
        {"route": "a", "target": "synth", "why_not": None, "sent": [{"words": "note on C4"}]},
        {"route": "b", "target": "synth", "why_not": "it blocks channel 1", "sent": []},
    ]
    message = {"at_ns": 1_500_000_000, "device": "keys", "bytes": "90 3C 64", "words": "note on C4"}
    message["loop"] = False
    assert list(lines_of("message", {**message, "direction": "in", "controls": [], "fates": fates})) == [
        "       1.500  in   keys              90 3C 64  note on C4",
        "                     -> a (to synth): note on C4",
        "                     no b (to synth): it blocks channel 1",
    ]
    looped = {**message, "direction": "in", "loop": True, "controls": [], "fates": fates}
    held = list(lines_of("message", looped))
    assert held[1].strip() == "this input hears a loop; what comes back over it is held back"
    silent = list(lines_of("message", {**message, "direction": "in", "controls": [], "fates": []}))
    assert silent[1].strip() == "no route leads from keys here"
    assert list(lines_of("dropped", {"messages": 3})) == ["... 3 messages more than could be shown"]


def test_the_command_says_what_is_wrong(service: Service, capsys: pytest.CaptureFixture[str]) -> None:
    assert Choice().words.startswith("listening to every device: all but clock")
    chosen = Choice(("keys", "synth"), "notes,cc", "2").words
    assert chosen == "listening to keys, synth, channel 2: notes, cc; Ctrl-C ends it"
    assert main(["monitor", "kees", "--listen", f"127.0.0.1:{service.http}"]) == 2
    assert capsys.readouterr().err.startswith("routerd: there is no device 'kees'; did you mean 'keys'?")
    assert main(["monitor", "--listen", f"127.0.0.1:{free_port()}"]) == 2
    assert "no service answers" in capsys.readouterr().err


def test_it_goes_on_with_a_server_that_is_started_again_until_ctrl_c(service: Service) -> None:
    command = [sys.executable, "-m", "routerd.cli", "monitor", "--listen", f"127.0.0.1:{service.http}"]
    # a job in the background would not heed Ctrl-C
    watching = subprocess.Popen(
        ["env", "--default-signal=INT", *command],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert watching.stderr is not None
    try:
        assert watching.stderr.readline().startswith("listening to every device")
        service.kill_server()
        assert watching.stderr.readline() == "routerd: the server has gone; asking again until it is back\n"
        assert watching.stderr.readline().startswith("listening to every device")
        watching.send_signal(signal.SIGINT)
        assert watching.wait(20) == 0
    finally:
        watching.kill()
        watching.communicate()
