"""What is wrong in one plain line each, and which of the changes are worth a word, at literal times."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from routerd.core.model.snapshot import ChatteringSwitch
from routerd.link.messages import Doubt, EngineFacts, Hello, PortState, PortStates, Realtime, SpareState
from routerd.server import health
from routerd.server.health import Announcer, Line, lines_of
from routerd.server.view import NO_SNAPSHOT, Trouble, View

S = 1_000_000_000


def view(**changes: Any) -> View:
    """A server that all is well with, five minutes after its start."""
    hello = Hello(1, "alsa", 1, Realtime("fifo"), 0, 0)
    changes["hello"] = replace(hello, **changes.get("hello", {}))
    problems = changes.pop("problems", {})
    made = View(**{"started_ns": 0, **changes})
    for about, texts in problems.items():
        made.problems.report(about, *texts)
    return made


def port(state: Any, **changes: Any) -> PortState:
    name = "Lead 1" if state == "open" else None
    one = PortState("lead-synth", "output", "Lead*", name, state, since_ns=290 * S)
    return replace(one, **changes)


def said(view: View, now_ns: int = 300 * S) -> list[str]:
    return [str(line) for line in lines_of(view, now_ns)]


def test_all_is_well() -> None:
    assert said(view(ports=[port("open")])) == []


@pytest.mark.parametrize("state", ["missing", "failed", "disconnected", "stalled", "contested", "opening"])
def test_every_state_but_open_is_a_line_with_device_pattern_and_remedy(state: str) -> None:
    (line,) = lines_of(view(ports=[port("open", device="drums"), port(state, error="told so")]), 300 * S)
    assert (line.kind, line.device, line.about) == ("port", "lead-synth", "output")
    assert line.text.startswith("lead-synth: its output ")
    assert line.text.endswith("(told so)")
    assert line.remedy
    assert str(line) == f"{line.text}; {line.remedy}"


def test_ports_that_share_a_reason_are_one_line_that_names_them() -> None:
    """As when the JACK server dies: what is wrong is one thing, and has one remedy."""
    gone = {"error": "no JACK server answers"}
    ways = [("keys", "input"), ("keys", "output"), ("box", "output"), ("pads", "input")]
    ports = [port("failed", device=device, direction=way, **gone) for device, way in ways]
    ports += [port("open", device="box", direction="input"), port("failed", error="it is busy")]
    (first, second) = lines_of(view(ports=ports), 300 * S)
    assert first.text == "4 ports cannot be opened (no JACK server answers): keys, box (output), pads"
    assert (first.kind, first.device, first.remedy) == ("port", None, "they are tried again by themselves")
    assert second.text == "lead-synth: its output cannot be opened (it is busy)"
    # the same line while some come back, another one for another reason
    (later, _) = lines_of(view(ports=ports[2:]), 300 * S)
    assert (later.key, later.text[:7]) == (first.key, "2 ports")
    (stalled,) = lines_of(view(ports=[replace(one, state="stalled") for one in ports[:2]]), 300 * S)
    assert (stalled.device, stalled.key == first.key) == ("keys", False)
    # a reason that is not known may be another one each, and ports that are missing each have a pattern
    unknown = [port("failed", device=name) for name in ("keys", "pads")]
    missing = [port("missing", device=name, error="gone") for name in ("keys", "pads")]
    for several in (unknown, missing):
        assert len(lines_of(view(ports=several), 300 * S)) == 2


def test_a_switch_that_chatters_is_named_with_its_device() -> None:
    switch = ChatteringSwitch("pedals", "controller 80 on channel 16", held_back=False)
    (line,) = lines_of(view(snapshot=replace(NO_SNAPSHOT, chattering=(switch,))), 300 * S)
    assert line.text == "pedals: controller 80 on channel 16 chatters"
    held_back = replace(switch, held_back=True)
    (line,) = lines_of(view(snapshot=replace(NO_SNAPSHOT, chattering=(held_back,))), 300 * S)
    assert (line.kind, line.device, line.about) == ("switch", "pedals", "controller 80 on channel 16")
    assert "chatters" in line.text
    assert "cable" in line.remedy


def test_a_port_may_take_three_seconds_to_open() -> None:
    opening = view(ports=[port("opening")])
    assert said(opening, 293 * S - 1) == []
    assert len(said(opening, 293 * S)) == 1


def test_a_port_that_is_tried_again_is_not_well_for_that_moment() -> None:
    """A port that refuses is tried every two seconds: its line came and went, and health with it."""
    app = view()
    told = [len(app.take_ports(PortStates((port("failed", error="refused"),))))]
    failed = said(app)
    for _ in range(3):
        told.append(len(app.take_ports(PortStates((port("opening", since_ns=300 * S),)))))
        assert said(app) == failed
        told.append(len(app.take_ports(PortStates((port("failed", error="refused"),)))))
        assert said(app) == failed
    assert told == [1, 0, 0, 0, 0, 0, 0]
    app.take_ports(PortStates((port("opening", since_ns=300 * S),)))
    assert "for more than 3 s" in said(app, 303 * S)[0]
    assert [one.state for one in app.take_ports(PortStates((port("open"),)))] == ["open"]
    assert said(app) == []
    app.take_ports(PortStates((port("opening", since_ns=300 * S),)))
    assert said(app) == []
    assert len(app.take_ports(PortStates((port("missing"),)))) == 1


def test_real_time_that_is_refused_is_a_line_with_how_to_allow_it() -> None:
    (line,) = said(view(hello={"realtime": Realtime("other", remedy="allow it like this")}))
    assert line.startswith("real-time scheduling is not permitted")
    assert line.endswith("; allow it like this")


def test_a_process_that_died_is_told_for_a_minute() -> None:
    died = view(
        hello={"started_ns": 100 * S, "resumed_gap_ms": 320, "server_restarts": 2}, started_ns=110 * S
    )
    first, second = said(died, 160 * S - 1)
    assert "the engine died" in first
    assert "0.32 s" in first
    assert "restart 2" in second
    assert len(said(died, 160 * S)) == 1
    assert said(died, 170 * S) == []


def test_a_takeover_is_told_for_a_minute_unless_somebody_asked_for_it() -> None:
    took = SpareState("ready", takeovers=1, took_over_ns=100 * S, took_over_why="the engine has died")
    (line,) = lines_of(view(facts=EngineFacts(spare=took)), 159 * S)
    assert (line.kind, line.text) == ("takeover", "the engine has died, and the spare took over")
    assert lines_of(view(facts=EngineFacts(spare=took)), 160 * S) == []
    assert lines_of(view(facts=EngineFacts(spare=replace(took, asked_for=True))), 159 * S) == []


def test_a_spare_that_cannot_be_had_is_a_line_and_one_that_nobody_wants_is_none() -> None:
    none = EngineFacts(spare=SpareState("none", why_none="no process for it can be had"))
    (line,) = lines_of(view(facts=none), 0)
    assert line.text == "there is no spare: no process for it can be had; an engine that dies leaves a gap"
    assert lines_of(view(facts=EngineFacts()), 0) == []


def test_an_engine_that_says_nothing_any_more() -> None:
    assert said(view(silent_checks=health.SILENT_CHECKS - 1)) == []
    assert "does not answer" in said(view(silent_checks=health.SILENT_CHECKS))[0]


def test_a_flood_and_what_the_server_does_itself() -> None:
    bad = view(
        facts=EngineFacts(("pads",), ("st/lock: it cannot be had",)),
        problems={Trouble.STATE: ["no room"], Trouble.FILES: ["rig.yaml:1: x"]},
    )
    files, state, flood, not_kept = lines_of(bad, 300 * S)
    assert (not_kept.kind, not_kept.text) == ("not-kept", "st/lock: it cannot be had")
    assert (files.text, state.kind) == ("rig.yaml:1: x", "state")
    assert (flood.kind, flood.device) == ("flood", "pads")


def test_a_loop_is_a_line_of_the_device_that_hears_it() -> None:
    looped = view(snapshot=replace(NO_SNAPSHOT, loops=("keys",)))
    (line,) = lines_of(looped, 300 * S)
    assert (line.kind, line.device) == ("loop", "keys")
    assert line.remedy


def test_many_mistakes_in_the_files_are_not_all_shown() -> None:
    lines = said(view(problems={Trouble.FILES: [f"rig.yaml:{number}: wrong" for number in range(99)]}))
    assert len(lines) == health.MOST_MISTAKES + 1
    assert lines[-1].startswith("49 more")


def test_a_source_that_fails_hides_no_other(monkeypatch: pytest.MonkeyPatch) -> None:
    def _broken(_view: View, _now_ns: int) -> list[Line]:
        raise KeyError("gone")

    monkeypatch.setattr(health, "SOURCES", (_broken, *health.SOURCES))
    first, second = said(view(ports=[port("missing")]))
    assert "broken cannot be checked: KeyError" in first
    assert "is missing" in second


# Announcements

LINE = Line("port", "lead-synth: its output is missing", "plug it in", "lead-synth", "output")
OTHER = Line("port", "lead-synth: its output cannot be opened", "", "lead-synth", "output")


def look(announcer: Announcer, lines: list[Line], seconds: float) -> list[str]:
    made = announcer.update(lines, int(seconds * S))
    return [("+" if one.appeared else "-") + one.line.text[-6:] + "!" * one.restless for one in made]


def test_a_line_is_told_when_it_appears_and_when_it_goes() -> None:
    announcer = Announcer()
    assert look(announcer, [], 0) == []
    assert look(announcer, [LINE], 1) == ["+issing"]
    assert look(announcer, [LINE], 2) == []
    assert look(announcer, [OTHER], 3) == ["-issing", "+opened"]
    assert look(announcer, [], 4) == ["-opened"]
    assert look(announcer, [], 5) == []


def test_one_that_comes_and_goes_falls_silent_and_is_told_again_when_it_has_settled() -> None:
    announcer = Announcer()
    words: list[str] = []
    for half_second in range(240):  # two minutes, every half second another state
        words += look(announcer, [LINE] if half_second % 2 else [], half_second / 2)
    assert words == ["+issing", "-issing"] * 5 + ["+issing", "-issing!"]
    settled = {second: words for second in range(120, 140) if (words := look(announcer, [LINE], second))}
    assert settled == {130: ["+issing"]}
    assert look(announcer, [], 200) == ["-issing"]


def test_what_has_settled_is_no_longer_said_to_come_and_go() -> None:
    announcer = Announcer()
    for half_second in range(30):
        look(announcer, [LINE] if half_second % 2 else [], half_second / 2)
    assert look(announcer, [LINE], 24) == []
    assert look(announcer, [LINE], 25) == ["+issing"]


def test_what_has_long_been_over_is_forgotten() -> None:
    announcer = Announcer()
    for second in range(2000):
        look(announcer, [Line("files", f"mistake {second}", about=str(second))], second)
    assert len(announcer._seen) < 130
    assert len(announcer._changes) < 130


def test_a_pattern_that_finds_two_ports_is_a_line_and_one_of_a_missing_port_says_why() -> None:
    doubt = Doubt(
        "'Lead*' matches 2 ports, 'Lead 1' and 'Lead 2': the first is opened", "write the whole name"
    )
    (line,) = lines_of(
        view(ports=[port("open", doubt=doubt), port("open", device="pad", doubt=doubt)]), 300 * S
    )
    assert (line.kind, line.device, line.about) == ("pattern", "lead-synth", "output")
    assert str(line) == (
        "lead-synth: its output pattern 'Lead*' matches 2 ports, 'Lead 1' and 'Lead 2': the first is opened; "
        "write the whole name"
    )
    taken = Doubt("'Lead 1' matches 'Lead*', but is the port of pad already", "write it in the same words")
    (line,) = lines_of(view(ports=[port("missing", doubt=taken)]), 300 * S)
    assert line.kind == "port"
    assert str(line) == f"lead-synth: its output is missing: {taken.text}; {taken.remedy}"
