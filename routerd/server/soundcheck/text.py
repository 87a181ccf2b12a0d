"""A soundcheck for a terminal: plain text, 100 columns; the jitter report stands below it."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator

from routerd.printing import counted
from routerd.server.report.text import WIDTH, render_text
from routerd.server.soundcheck.figures import Soundcheck

_MARKS = {"pass": "PASS   ", "fail": "FAIL   ", "unknown": "UNKNOWN", "warn": "WARN   "}


def render_soundcheck(document: Soundcheck) -> str:
    """Return a soundcheck as text that ends with a newline."""
    return "\n".join([*_lines(document), "", render_text(document.report, advised=True)])


def _lines(document: Soundcheck) -> Iterator[str]:
    yield f"SOUNDCHECK {document.name}: {document.rig}, {document.set_list}; {document.ended}"
    yield ""
    for fact in document.machine:
        if fact.grade == "fail":
            yield f"{_MARKS[fact.grade]} this machine"
            yield from _items([f"{fact.fact}: {fact.words}", f"TO DO: {fact.remedy}"])
    for device in document.devices:
        yield f"{_MARKS[device.verdict]} {device.title} (measured: {device.measured})"
        yield from _items(device.why)
        yield from _items([f"TO DO: {_short_of_machine(item, document)}" for item in device.todo])
    yield ""
    for key, one in (("last", document.comparison.last), ("best", document.comparison.best)):
        if one is not None:
            yield f"Compared with the {key} one ({one.name}):"
            yield from _items([f"worse: {item}" for item in one.worse] or ["nothing is worse"])
            yield from _items([f"better: {item}" for item in one.better])
    yield "This machine:"
    for fact in document.machine:
        remedy = f"; TO DO: {fact.remedy}" if fact.remedy else ""
        yield from _items([f"{_MARKS[fact.grade]} {fact.fact}: {fact.words}{remedy}"])
    for loopback in document.loopbacks:
        times = loopback.tick_latency_us
        if times.p50 is not None and times.min is not None and times.max is not None:
            yield (
                f"Loopback from {loopback.device} to {loopback.hears}: ticks take {times.p50 / 1000:.2f} ms, "
                f"{times.min / 1000:.2f} to {times.max / 1000:.2f}; "
                f"{loopback.lost} of {counted(loopback.probes, 'probe')} lost"
            )
    for offset in document.offsets:
        yield f"  offset for {offset.device}: {offset.offset_ms:+.2f} ms"
    yield "Roll call:"
    yield from _items([f"{call.device}: {call.state}; {call.words}" for call in document.roll_call])
    for change in document.song_changes:
        sent = (
            f"{counted(change.messages, 'message')}, {counted(change.bytes, 'byte')} "
            f"in {change.handed_over_ms:.1f} ms"
        )
        nothing = "nothing had to be sent: every device was on its sounds"
        yield f"Song {change.number}, {change.song}: {sent if change.messages else nothing}"
    yield "Stages:"
    yield from _items(
        [f"{stage.stage}: {stage.state}, {stage.seconds} s; {stage.words}" for stage in document.stages]
    )


def _short_of_machine(item: str, document: Soundcheck) -> str:
    """Return what is to be done for a device; what is listed below for the machine is not repeated here."""
    facts = [fact.fact for fact in document.machine if fact.remedy and fact.remedy in item]
    return f"first what is listed below for this machine: {', '.join(facts)}" if facts else item


def _items(items: Iterable[str]) -> Iterator[str]:
    """Yield each as lines; options and names of devices stay whole, to be copied."""
    for item in items:
        yield from textwrap.wrap(
            item, WIDTH, initial_indent="    - ", subsequent_indent="      ", break_on_hyphens=False
        )
