"""One message on paper: route by route, and what leaves each port."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from routerd.cli import main
from routerd.core.errors import NotFoundError
from routerd.core.model.rig import RigFolder
from routerd.server.offline.explain import explain, lines_of, read_message
from routerd.server.rigfiles import load_folder

DEMO = Path(__file__).parents[3] / "configs" / "demo"


@pytest.fixture(scope="module")
def folder() -> RigFolder:
    loaded = load_folder(DEMO)
    assert loaded.rig_folder is not None
    return loaded.rig_folder


def told(folder: RigFolder, section: str, device: str, code: str) -> list[str]:
    return list(lines_of(explain(folder, "weather room", section, device, read_message(code))))


def test_what_passes_and_what_does_not(folder: RigFolder) -> None:
    assert told(folder, "chorus", "keys", "90 24 7F") == [
        "keys sends note on C2 velocity 127, channel 1",
        "in Weather Room, chorus:",
        "  route piano (to instrument-host): passes",
        "      note on C2 velocity 127, channel 5",
        "  route doubled bass (to bass-synth): passes",
        "      note on C1 velocity 112, channel 2",
        "  route lead (to lead-synth): it takes notes C5 to C8; this is C2",
        "out to instrument-host: 94 24 7F  note on C2 velocity 127, channel 5",
        "out to bass-synth: 91 18 70  note on C1 velocity 112, channel 2",
    ]


def test_a_route_of_another_section_says_where_it_would_pass(folder: RigFolder) -> None:
    lines = told(folder, "1", "keys", "90 24 7F")
    assert "  route doubled bass (to bass-synth): not in this section; it would pass in chorus" in lines
    assert [line for line in lines if line.startswith("out to")] == [
        "out to instrument-host: 94 24 7F  note on C2 velocity 127, channel 5"
    ]


def test_a_control_goes_to_no_route(folder: RigFolder) -> None:
    assert told(folder, "", "pedals", "BF 54 7F") == [
        "pedals sends controller 84 (portamento control) 127, channel 16",
        "in Weather Room, verse:",
        "  it is a control: switch 5: section 2 (short press)",
        "nothing goes out",
    ]
    assert "  it is a control: the release of switch 5: section 2 (short press)" in told(
        folder, "", "pedals", "BF 54 00"
    )


@pytest.mark.parametrize(
    ("code", "why"),
    [
        ("", "no message"),
        ("x", "is not hexadecimal"),
        ("90 3C", "has 3 bytes"),
        ("90 3C 64 00", "has 3 bytes"),
        ("3C 64", "begins with a data byte"),
        ("F0 7D", "not one whole SysEx"),
        ("F4", "no message of MIDI 1.0"),
        ("C0 80", "has 2 bytes"),
    ],
)
def test_what_is_no_message_is_explained(code: str, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        read_message(code)


@pytest.mark.parametrize(
    ("song", "section", "device", "why"),
    [
        ("Nowhere", "", "keys", "choose from Copper Ferry, Low Tide"),
        ("Weather Room", "coda", "keys", "choose from verse or chorus"),
        ("Wether Room", "", "keys", "did you mean 'Weather Room'"),
        ("Weather Room", "vers", "keys", "did you mean 'verse'"),
        ("Weather Room", "", "key", "did you mean 'keys'"),
        ("Weather Room", "", "lead-synth", "choose from keys, pads or pedals"),
    ],
)
def test_what_is_not_there_is_named_with_what_is(
    folder: RigFolder, song: str, section: str, device: str, why: str
) -> None:
    with pytest.raises(NotFoundError, match=why):
        explain(folder, song, section, device, b"\xfa")


def test_explain_prints_the_way_of_a_message_or_what_is_wrong(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["explain", str(DEMO), "--song", "Weather Room", "--section", "chorus", "--device", "keys"]
    assert main([*words, "--message", "90 24 7F"]) == 0
    assert "out to bass-synth: 91 18 70" in capsys.readouterr().out
    assert main([*words, "--message", "90 24"]) == 2
    assert "routerd: 90 24 is not one whole message" in capsys.readouterr().err
    assert main([*words[:-1], "nobody", "--message", "90 24 7F"]) == 2
    assert "there is no device 'nobody'" in capsys.readouterr().err


def test_as_json_it_is_what_the_api_answers(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["explain", str(DEMO), "--song", "Weather Room", "--section", "chorus", "--device", "keys"]
    assert main([*words, "--message", "90 24 7F", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["place"] == "Weather Room, chorus"
    assert [one["bytes"] for one in answer["sent"]] == ["94 24 7F", "91 18 70"]
    assert [one["why_not"] for one in answer["routes"]] == [None, None, "it takes notes C5 to C8; this is C2"]
