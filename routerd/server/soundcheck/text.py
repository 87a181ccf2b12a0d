"""A soundcheck for a terminal: plain text, 100 columns; the jitter report stands below it."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from routerd.core.model.plain import Plain
from routerd.server.report.text import WIDTH, render_text

_MARKS = {"pass": "PASS   ", "fail": "FAIL   ", "unknown": "UNKNOWN", "warn": "MEND   "}


def render_soundcheck(document: Plain) -> str:
    """Return a soundcheck's document as text that ends with a newline."""
    return "\n".join([*_lines(document), "", render_text(document["report"])])


def _lines(document: Plain) -> Iterator[str]:
    yield f"SOUNDCHECK {document['name']}: {document['rig']}, {document['set_list']}; {document['ended']}"
    yield ""
    for one in document["devices"]:
        yield f"{_MARKS[one['verdict']]} {one['title']} (measured: {one['measured']})"
        yield from _items(one["why"])
        yield from _items([f"TO DO: {item}" for item in one["todo"]])
    yield ""
    for key in ("last", "best"):
        one = document["comparison"][key]
        if one is not None:
            yield f"Than the {key} one ({one['name']}):"
            yield from _items([f"worse: {item}" for item in one["worse"]] or ["nothing is worse"])
            yield from _items([f"better: {item}" for item in one["better"]])
    yield "This machine:"
    for one in document["machine"]:
        remedy = f"; TO DO: {one['remedy']}" if one["remedy"] else ""
        yield from _items([f"{_MARKS[one['grade']]} {one['fact']}: {one['words']}{remedy}"])
    for loop in document["loops"]:
        ticks = loop["tick_latency_us"]
        if ticks["p50"] is not None:
            yield (
                f"Loop {loop['device']} to {loop['hears']}: ticks {ticks['p50'] / 1000:.2f} ms out to in, "
                f"{ticks['min'] / 1000:.2f} to {ticks['max'] / 1000:.2f}; "
                f"{loop['lost']} of {loop['probes']} probes lost"
            )
    for offset in document["offsets"]:
        yield f"  offset_ms for {offset['device']}: {offset['offset_ms']:+.2f}"
    yield "Roll call:"
    yield from _items([f"{one['device']}: {one['state']}; {one['words']}" for one in document["roll_call"]])
    for change in document["song_changes"]:
        yield (
            f"Song {change['number']}, {change['song']}: {change['messages']} messages, "
            f"{change['bytes']} bytes in {change['handed_over_ms']:.1f} ms"
        )
    yield "Stages:"
    yield from _items(
        [f"{one['stage']}: {one['state']}, {one['seconds']} s; {one['words']}" for one in document["stages"]]
    )


def _items(items: list[str]) -> Iterator[str]:
    """Yield each as lines; options and names of devices stay whole, to be copied."""
    for item in items:
        yield from textwrap.wrap(
            item, WIDTH, initial_indent="    - ", subsequent_indent="      ", break_on_hyphens=False
        )
