"""The verdict on every device, and what is worse or better than in an earlier soundcheck.

A device fails when its port is not open all the time, when its ticks are unsteady, bad or failed by the
jitter report, or when its loopback loses or scatters what goes round. What was measured on the sending side
and what came back over a loopback are told apart and never mixed. Silence in the roll call is no fault: many
never answer.

Times differ from run to run: worse is what is both a quarter and 0.1 ms more.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from routerd.core.model.events import AnyEvent, PortClosed
from routerd.core.model.rig import Device, Rig, wire_names
from routerd.link.messages import PortState
from routerd.printing import counted
from routerd.server.report.figures import Grade, PortFigures
from routerd.server.report.verdict import NOTICED, STEADY, shared_moment, worst_of
from routerd.server.soundcheck.figures import (
    Compared,
    Comparison,
    DeviceVerdict,
    LoopbackFigures,
    MachineFact,
    Soundcheck,
)

Closed = dict[tuple[str, str], str]
"""Why the port of a device and a direction was not open at some time."""

FAILING = frozenset((Grade.UNSTEADY, Grade.BAD, Grade.FAILED))

_WORSE_RATIO, _WORSE_US = 1.25, 100.0


def clock_fact(ports: Sequence[PortFigures]) -> MachineFact | None:
    """Return what held up the ticks of every port at the same moment, which no device is to blame for.

    None where nothing did, or nothing that is too much.
    """
    if shared_moment(ports) is None:
        return None
    found = worst_of(ports).verdict
    if found.grade not in FAILING:
        return None
    words = f"{found.words}, on every port at the same moment"
    return MachineFact("clock", "fail", words, " ".join(found.advice))


def judge_devices(
    rig: Rig,
    ports: Iterable[PortState],
    rows: Iterable[PortFigures],
    loopbacks: Iterable[LoopbackFigures],
    closed: Closed,
) -> tuple[DeviceVerdict, ...]:
    """Return one verdict for each device of the rig."""
    states: dict[tuple[str, str], PortState] = {(port.device, port.direction): port for port in ports}
    by_port = {row.port: row for row in rows}
    is_ours = clock_fact(tuple(by_port.values())) is not None
    looped = {loopback.device: loopback for loopback in loopbacks}
    wires = wire_names(rig)
    names = [(device, wires.get(device.name, device.name)) for device in rig.devices]
    return tuple(
        _judge(device, states, closed, by_port.get(name), looped.get(name), is_ours=is_ours)
        for device, name in names
    )


def closed_now(ports: Iterable[PortState]) -> Closed:
    """Return what is not open now."""
    return {(port.device, port.direction): port.error or port.state for port in ports if port.state != "open"}


def note_closed(closed: Closed, event: AnyEvent, pulled: str | None) -> None:
    """Take an event; that somebody was asked to pull the cable of `pulled` is no fault of it."""
    if isinstance(event, PortClosed) and event.device != pulled:
        closed[event.device, event.direction] = event.why or "it was closed"


def _judge(
    device: Device,
    states: dict[tuple[str, str], PortState],
    closed: Closed,
    row: PortFigures | None,
    loopback: LoopbackFigures | None,
    *,
    is_ours: bool,
) -> DeviceVerdict:
    """Return the verdict on a device; `is_ours`: what its ticks show is the machine's fault."""
    verdict = _Verdict()
    for direction, pattern in (("input", device.input_pattern), ("output", device.output_pattern)):
        if pattern:
            way = device.name, direction
            _judge_port(verdict, pattern, direction, states.get(way), closed.get(way))
    if device.clock:
        _judge_ticks(verdict, row, is_ours=is_ours)
    if loopback is not None:
        _judge_loopback(verdict, loopback)
    return DeviceVerdict(
        device=device.name,
        title=device.title,
        verdict="fail" if verdict.failed else "unknown" if verdict.unknown else "pass",
        measured="loopback" if loopback is not None else "sending side" if row is not None else "port only",
        why=tuple(verdict.why),
        todo=tuple(dict.fromkeys(verdict.todo)),
    )


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
    verdict: _Verdict, pattern: str, direction: str, port: PortState | None, closed: str | None
) -> None:
    is_open = port is not None and port.state == "open"
    if is_open and closed is None:
        verdict.say(f"its {direction} port is open")
        return
    verdict.failed = True
    if is_open:
        verdict.say(
            f"its {direction} port is open, but was not all the time ({closed})",
            "check its cable, and the program or the server at its other end, and run this again",
        )
        return
    state, error = ("missing", None) if port is None else (port.state, port.error)
    what = "is not there" if state == "missing" else f"is {state}"
    verdict.say(
        f"its {direction} port {pattern!r} {what}" + (f" ({error})" if error else ""),
        "switch it on, check its cable, and compare `routerd ports` with rig.yaml",
    )


def _judge_ticks(verdict: _Verdict, row: PortFigures | None, *, is_ours: bool) -> None:
    if row is None or not row.ticks:
        verdict.unknown = True
        verdict.say(
            "no tick was sent to it, so its clock was not judged", "repeat the clock run with its port open"
        )
        return
    if is_ours:
        verdict.unknown = True
        verdict.say("ticks, on the sending side: held up with those of every other port; see this machine")
        return
    found = row.verdict
    verdict.failed |= found.grade in FAILING
    verdict.unknown |= found.grade is Grade.UNKNOWN
    verdict.say(f"ticks, on the sending side: {found.grade}: {found.words}", *found.advice)


def _judge_loopback(verdict: _Verdict, loopback: LoopbackFigures) -> None:
    """Judge by what came back: lost probes, and how far the ticks spread."""
    if not loopback.probes and not loopback.ticks:
        verdict.failed = True
        verdict.say(
            f"nothing was sent round to {loopback.hears}",
            "check that the output's port is open, then repeat the loopback measurement",
        )
        return
    if loopback.lost == loopback.probes and not loopback.ticks:
        verdict.failed = True
        verdict.say(
            f"there is no loopback: nothing that was sent came in at {loopback.hears}",
            f"connect its output to the input of {loopback.hears} by a cable, or remove 'loopback' "
            "from rig.yaml",
        )
        return
    if loopback.lost:
        verdict.failed = True
        verdict.say(
            f"over the loopback {loopback.lost} of {counted(loopback.probes, 'probe')} were lost",
            "try another cable, then another port of the interface",
        )
    times = loopback.tick_latency_us if loopback.ticks else loopback.latency_us
    what = "ticks" if loopback.ticks else "probes"
    if times.p50 is None or times.max is None or times.min is None:
        verdict.unknown = True
        verdict.say(f"over the loopback too few {what} came back to judge")
        return
    spread_us = (times.max if times.p99 is None else times.p99) - times.min
    words = (
        f"over the loopback {what} take {times.p50 / 1000:.2f} ms and spread over {spread_us / 1000:.2f} ms"
    )
    if spread_us > NOTICED.us:
        verdict.failed = True
        verdict.say(
            words, "its interface or driver scatters what it is given: try another interface or USB port"
        )
    elif spread_us > STEADY.us:
        verdict.say(f"{words}, more than the 1 ms that an instrument should add")
    else:
        verdict.say(words)


def compare_with_kept(document: Soundcheck, kept: Iterator[Soundcheck]) -> Comparison:
    """Return the comparison with the last and the best of the same rig and stages that went to their end."""
    others = [
        one
        for one in kept
        if one.rig == document.rig
        and one.ended == "complete"
        and one.name != document.name
        and _stages(one) == _stages(document)
    ]
    if not others:
        return Comparison()
    best = min(others, key=_badness)
    return Comparison(last=compare(document, others[0]), best=compare(document, best))


def _stages(document: Soundcheck) -> list[str]:
    return [one.stage for one in document.stages if one.state == "done"]


def _badness(document: Soundcheck) -> tuple[int, int, float]:
    overall = document.report.overall
    grade, deviation_us = overall.verdict.grade, overall.interval_deviation_us.p99_9
    unknown_last = len(Grade) if grade is Grade.UNKNOWN else grade.severity
    return len(document.failed), unknown_last, float("inf") if deviation_us is None else deviation_us


def compare(document: Soundcheck, other: Soundcheck) -> Compared:
    """Return what is worse and what is better than in another soundcheck, in words, worst first.

    Where a figure is worse (or better) on every port it is listed once, by the port where it is most.
    """
    before, now = _figures(other), _figures(document)
    found: dict[tuple[bool, str], list[tuple[float, str, str]]] = {}
    common = [key for key in now if key in before]
    ports = Counter(key.what for key in common)
    for key in common:
        was, value = before[key], now[key]
        big, small = max(value, was), min(value, was)
        if big > small and (not key.unit or (big > small * _WORSE_RATIO and big - small > _WORSE_US)):
            words = f"{_value(was, key.unit)} then, {_value(value, key.unit)} now"
            found.setdefault((value > was, key.what), []).append((big / max(small, 1.0), key.port, words))
    listed: dict[bool, list[tuple[float, str]]] = {True: [], False: []}
    for (worse, what), changes in found.items():
        if len(changes) == ports[what] > 1:
            ratio, port, words = max(changes)
            listed[worse].append((ratio, f"every port, {what}: most on {port}, {words}"))
        else:
            listed[worse] += [(ratio, f"{port}, {what}: {words}") for ratio, port, words in changes]
    return Compared(
        name=other.name,
        worse=tuple(words for _, words in sorted(listed[True], reverse=True)),
        better=tuple(words for _, words in sorted(listed[False], reverse=True)),
    )


class _Key(NamedTuple):
    port: str
    what: str
    unit: str = ""
    """ "" for counts and verdicts."""


def _figures(document: Soundcheck) -> dict[_Key, float]:
    """Return everything that is compared."""
    found: dict[_Key, float] = {}
    for device in document.devices:
        found[_Key(device.device, "failed")] = float(device.verdict == "fail")
    for row in document.report.ports:
        for what, value_us in (
            ("lateness p99.9", row.lateness_us.p99_9),
            ("interval deviation p99.9", row.interval_deviation_us.p99_9),
            ("largest lateness", row.lateness_us.max),
        ):
            if value_us is not None:
                found[_Key(row.port, what, "µs")] = abs(value_us)
        for what, count in (("missed", row.missed), ("doubled", row.doubled), ("stalls", row.stalls)):
            found[_Key(row.port, what)] = count
    for loopback in document.loopbacks:
        times = loopback.tick_latency_us
        found[_Key(loopback.device, "probes lost on the loopback")] = loopback.lost
        for what, value_us in (("loopback latency p50", times.p50), ("loopback latency max", times.max)):
            if value_us is not None:
                found[_Key(loopback.device, what, "µs")] = value_us
    return found


def _value(value: float, unit: str) -> str:
    if not unit:
        return f"{value:.0f}"
    return f"{value / 1000:.2f} ms" if value >= 1000 else f"{value:.0f} {unit}"
