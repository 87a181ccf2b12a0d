"""The verdict on every device: pass or fail, why, what to do, and where it was measured.

A device fails when its port is not open all the time, when its ticks are unsteady, bad or failed by the
jitter report, or when its loop loses or scatters what goes round. What was measured on the sending side and
what came back over a loop are told apart and never mixed. Silence in the roll call is no fault: many never
answer.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from routerd.core.model.plain import Plain
from routerd.core.model.rig import Device, Rig, wire_names
from routerd.server.report.thresholds import NOTICED, STEADY

Closed = dict[tuple[str, str], str]
"""Why the port of a device and a direction was not open at some time."""

FAILING = ("unsteady", "bad", "failed")
_US = 1000


def judge_devices(
    rig: Rig,
    ports: Iterable[Plain],
    report: Plain,
    loops: list[Plain],
    closed: Closed,
) -> list[Plain]:
    """Return one verdict for each device of the rig."""
    states = {(port["device"], port["direction"]): port for port in ports}
    rows = {row["port"]: row for row in report["ports"]}
    looped = {loop["device"]: loop for loop in loops}
    wires = wire_names(rig)
    names = [(device, wires.get(device.name, device.name)) for device in rig.devices]
    return [_judge(device, states, closed, rows.get(name), looped.get(name)) for device, name in names]


def closed_now(ports: Iterable[Plain]) -> Closed:
    """Return what is not open now."""
    return {
        (port["device"], port["direction"]): port["error"] or port["state"]
        for port in ports
        if port["state"] != "open"
    }


def note_closed(closed: Closed, event: Plain, pulled: str | None) -> None:
    """Take an event; that somebody was asked to pull the cable of `pulled` is no fault of it."""
    if event["kind"] == "port-closed" and event["device"] != pulled:
        closed[event["device"], event["direction"]] = event.get("why") or "it was closed"


def _judge(
    device: Device,
    states: dict[tuple[str, str], Plain],
    closed: Closed,
    row: Plain | None,
    loop: Plain | None,
) -> Plain:
    verdict = _Verdict()
    for direction, pattern in (("input", device.input_pattern), ("output", device.output_pattern)):
        if pattern:
            way = device.name, direction
            _judge_port(verdict, pattern, direction, states.get(way), closed.get(way))
    if device.clock:
        _judge_ticks(verdict, row)
    if loop is not None:
        _judge_loop(verdict, loop)
    return {
        "device": device.name,
        "title": device.title,
        "verdict": "fail" if verdict.failed else "unknown" if verdict.unknown else "pass",
        "measured": "loop" if loop is not None else "sending side" if row is not None else "port only",
        "why": verdict.why,
        "todo": list(dict.fromkeys(verdict.todo)),
    }


class _Verdict:
    def __init__(self) -> None:
        self.failed = False
        self.unknown = False
        self.why: list[str] = []
        self.todo: list[str] = []

    def say(self, words: str, *todo: str) -> None:
        self.why.append(words)
        self.todo += todo


def _judge_port(
    verdict: _Verdict, pattern: str, direction: str, port: Plain | None, closed: str | None
) -> None:
    is_open = port is not None and port["state"] == "open"
    if is_open and closed is None:
        verdict.say(f"its {direction} port is open")
        return
    verdict.failed = True
    if is_open:
        verdict.say(
            f"its {direction} port is open, but was not all the time ({closed})",
            "look at its cable and at the program or the server at its other end, and run this again",
        )
        return
    state, error = ("missing", None) if port is None else (port["state"], port["error"])
    what = "is not there" if state == "missing" else f"is {state}"
    verdict.say(
        f"its {direction} port {pattern!r} {what}" + (f" ({error})" if error else ""),
        "switch it on, look at its cable, and compare `routerd ports` with rig.yaml",
    )


def _judge_ticks(verdict: _Verdict, row: Plain | None) -> None:
    if row is None or not row["ticks"]:
        verdict.unknown = True
        verdict.say(
            "no tick was sent to it, so its clock was not judged", "run the clock run with its port open"
        )
        return
    found = row["verdict"]
    verdict.failed |= found["grade"] in FAILING
    verdict.unknown |= found["grade"] == "unknown"
    verdict.say(f"ticks, on the sending side: {found['grade']}: {found['words']}", *found["advice"])


def _judge_loop(verdict: _Verdict, loop: Plain) -> None:
    """Judge by what came round: lost probes, and how far the ticks spread."""
    if not loop["probes"] and not loop["ticks"]:
        verdict.failed = True
        verdict.say(
            f"nothing was sent round to {loop['hears']}",
            "look whether the output's port is open, then run the loop measurement again",
        )
        return
    if loop["lost"] == loop["probes"] and not loop["ticks"]:
        verdict.failed = True
        verdict.say(
            f"the loop is not there: nothing that was sent came in at {loop['hears']}",
            f"connect its output to the input of {loop['hears']} by a cable, or take 'loopback' "
            "out of rig.yaml",
        )
        return
    if loop["lost"]:
        verdict.failed = True
        verdict.say(
            f"over the loop {loop['lost']} of {loop['probes']} probes were lost",
            "try another cable, then another port of the interface",
        )
    figures: dict[str, Any] = loop["tick_latency_us"] if loop["ticks"] else loop["latency_us"]
    what = "ticks" if loop["ticks"] else "probes"
    if figures["p50"] is None:
        verdict.unknown = True
        verdict.say(f"over the loop too few {what} came round to judge")
        return
    spread = (figures["p99"] if figures["p99"] is not None else figures["max"]) - figures["min"]
    words = f"over the loop {what} take {figures['p50'] / _US:.2f} ms and spread over {spread / _US:.2f} ms"
    if spread * _US > NOTICED.ns:
        verdict.failed = True
        verdict.say(
            words, "its interface or driver scatters what it is given: try another interface or USB port"
        )
    elif spread * _US > STEADY.ns:
        verdict.say(words + ", more than the 1 ms that an instrument should add")
    else:
        verdict.say(words)
