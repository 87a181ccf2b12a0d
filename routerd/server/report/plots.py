"""The plots of a report as SVG text, drawn by Matplotlib.

Legible without colour: lines differ in dash and marker as well as in colour, and the colours are Okabe and
Ito's set for all kinds of colour vision (Color Universal Design, 2008; hex values from memory). Imported only
where a page is made, in a process of its own, because the library takes some 60 MB.
"""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Iterable
from typing import Any, TypeAlias

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from routerd.core.units import DIN_BYTE_NS, NS_PER_S
from routerd.server.report.figures import Bin, Report, SongMark, StabilityPoint

Points: TypeAlias = "list[tuple[float, float]]"

WIDTH_IN = 6.2
_COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9", "#000000")
_DASHES = ("-", "--", "-.", ":")
_MARKERS = "osv^Dxp*"
_LEAST_US = 1.0
"""Where logarithmic axes begin; what is earlier is drawn there."""

_NONE = 0.6
"""Where a logarithmic axis of counts draws none."""

_STYLE: dict[Any, Any] = {
    "svg.fonttype": "none",
    "font.family": "sans-serif",
    "font.size": 9,
    "axes.grid": True,
    "grid.color": "#d5d5d5",
    "grid.linewidth": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "path.simplify": True,
}
_NO_METADATA = dict.fromkeys(("Date", "Creator", "Format", "Type"))

_SAME = 0.05
"""Curves whose values differ by less than this part are one line: it is less than a line's width."""

_MOST_PORTS = 3
"""So many ports are named beside one line; of more, how many they are."""

_NAME_PART = 1 / 40
_MOST_NAMES = 12
"""Song changes closer to the one before than such a part of the axis share its place; with more places none
is named."""

_LIMITS = ((1000, "1 ms"), (3000, "3 ms"), (6000, "6 ms"))
"""Thresholds as in `verdict`, where they are drawn."""


def draw(name: str, plot: Callable[[Figure], None], height_in: float) -> str:
    """Return one figure as an <svg> element; `name` keeps its inner names apart from other figures'."""
    with mpl.rc_context({**_STYLE, "svg.hashsalt": name}):
        figure = Figure(figsize=(WIDTH_IN, height_in), layout="constrained")
        FigureCanvasSVG(figure)
        plot(figure)
        out = io.StringIO()
        figure.savefig(out, format="svg", metadata=_NO_METADATA)
    text = out.getvalue()
    return text[text.index("<svg") :]


def lateness_over_time(report: Report) -> str:
    """Return one panel for each port: least to largest lateness as a band, the mean as a line."""
    curves = [curve for curve in report.curves if curve.lateness]

    def plot(figure: Figure) -> None:
        panels = figure.subplots(len(curves), 1, sharex=True, sharey=True, squeeze=False)[:, 0]
        factor, unit = _time_unit(report.duration_s)
        for number, (axes, curve) in enumerate(zip(panels, curves, strict=True)):
            steps = curve.lateness
            at = [step.at_s / factor for step in steps]
            least = [max(_LEAST_US, step.min_us) for step in steps]
            mean = [max(_LEAST_US, step.mean_us) for step in steps]
            most = [max(_LEAST_US, step.max_us) for step in steps]
            axes.fill_between(at, least, most, step="post", color=_colour(number), alpha=0.35, linewidth=0)
            axes.step(at, most, where="post", color=_colour(number), linewidth=0.9)
            axes.step(at, mean, where="post", color="#000000", linewidth=0.8, linestyle=":")
            axes.set_yscale("log")
            axes.set_title(curve.port, loc="left", fontsize=9, pad=2)
            _limits(axes.axhline)
            for mark in report.song_changes:
                axes.axvline(mark.at_s / factor, color="#555555", linewidth=0.7, linestyle=(0, (4, 3)))
        _name_songs(panels[0], report.song_changes, factor)
        panels[-1].set_xlabel(f"time in {unit}")
        figure.supylabel("lateness in µs", fontsize=9)

    return draw("time", plot, 0.7 + 0.95 * len(curves))


def distributions(report: Report) -> str:
    """Return how many ticks were how late, on logarithmic axes, with the percentiles of all ports."""

    def plot(figure: Figure) -> None:
        axes = figure.subplots()
        curves = [(curve.port, _filled(curve.lateness_bins)) for curve in report.curves]
        for number, (ports, cells) in enumerate(_alike(curves)):
            axes.step(*zip(*cells, strict=True), where="pre", label=ports, **_line(number))
        axes.set_xscale("log")
        axes.set_yscale("log")
        axes.set_xlabel("lateness in µs (what is early is drawn at 1)")
        axes.set_ylabel("ticks")
        axes.set_ylim(bottom=_NONE)
        figures = report.overall.lateness_us
        named = (
            ("p50", figures.p50), ("p99", figures.p99), ("p99.9", figures.p99_9), ("max", figures.max)
        )  # fmt: skip
        for place, (words, value) in enumerate(named):
            if value is not None and value > 0:
                axes.axvline(max(_LEAST_US, value), color="#000000", linewidth=0.9, linestyle=_dash(place))
                axes.annotate(
                    words,
                    (max(_LEAST_US, value), 1 - 0.09 * place),
                    xycoords=("data", "axes fraction"),
                    xytext=(3, -8),
                    textcoords="offset points",
                    fontsize=8,
                )
        _legend(figure, axes)

    return draw("distribution", plot, 3.0)


def stability(report: Report) -> str:
    """Return MTIE (with markers) and TDEV (without) over observation times."""

    def plot(figure: Figure) -> None:
        axes = figure.subplots()
        mtie = [(curve.port, _positive(curve.mtie)) for curve in report.curves]
        tdev = [(curve.port, _positive(curve.tdev)) for curve in report.curves]
        for number, (ports, points) in enumerate(_alike(mtie)):
            marker = _MARKERS[number % len(_MARKERS)]
            across = zip(*points, strict=True)
            axes.plot(*across, label=f"{ports} MTIE", marker=marker, markersize=3.5, **_line(number))
        for number, (ports, points) in enumerate(_alike(tdev)):
            line = {**_line(number), "linewidth": 0.8}
            axes.plot(*zip(*points, strict=True), label=f"{ports} TDEV", **line)
        axes.set_xscale("log")
        axes.set_yscale("log")
        _limits(axes.axhline)
        axes.set_xlabel("observation time in s")
        axes.set_ylabel("µs")
        _legend(figure, axes)

    return draw("stability", plot, 3.4)


def wire_utilisation(report: Report) -> str:
    """Return the busiest second of each step on every DIN wire, as a share of what it can carry."""
    wires = [wire for wire in report.wires if wire.max_percent is not None and wire.rates]

    def plot(figure: Figure) -> None:
        axes = figure.subplots()
        factor, unit = _time_unit(report.duration_s)
        percent = DIN_BYTE_NS / NS_PER_S * 100
        curves = [
            (wire.port, [(step.at_s / factor, step.max * percent) for step in wire.rates]) for wire in wires
        ]
        for number, (ports, points) in enumerate(_alike(curves)):
            axes.step(*zip(*points, strict=True), where="post", label=ports, **_line(number))
        for mark in report.song_changes:
            axes.axvline(mark.at_s / factor, color="#555555", linewidth=0.7, linestyle=(0, (4, 3)))
        axes.set_ylim(bottom=0)
        axes.set_xlabel(f"time in {unit} (dashed: song changes)")
        axes.set_ylabel("% of a DIN wire")
        _legend(figure, axes)

    return draw("wires", plot, 2.8)


def _alike(curves: Iterable[tuple[str, Points]]) -> list[tuple[str, Points]]:
    """Return the curves that have points; those that lie upon each other once, under all their ports."""
    groups: list[tuple[list[str], Points]] = []
    for port, points in curves:
        same = next((ports for ports, first in groups if _lies_upon(first, points)), None)
        if same is not None:
            same.append(port)
        elif points:
            groups.append(([port], points))
    return [(_ports(ports), points) for ports, points in groups]


def _lies_upon(one: Points, other: Points) -> bool:
    return len(one) == len(other) and all(
        math.isclose(x, at) and math.isclose(y, value, rel_tol=_SAME)
        for (x, y), (at, value) in zip(one, other, strict=True)
    )


def _ports(names: list[str]) -> str:
    if len(names) <= _MOST_PORTS:
        return ", ".join(names)
    return f"{', '.join(names[:_MOST_PORTS])} and {len(names) - _MOST_PORTS} more"


def _positive(points: Iterable[StabilityPoint]) -> Points:
    return [(one.s, one.us) for one in points if one.us > 0 and one.s > 0]


def _filled(bins: Iterable[Bin]) -> list[tuple[float, float]]:
    """Return limit and count of every bin from the first to the last, the empty ones just below 1."""
    counts: dict[int, float] = {}
    for one in bins:
        number = round(10 * math.log10(max(_LEAST_US, one.to_us)))
        counts[number] = counts.get(number, 0) + one.count
    if not counts:
        return []
    numbers = range(min(counts) - 1, max(counts) + 2)
    return [(10 ** (number / 10), counts.get(number, _NONE)) for number in numbers]


def _limits(line: Callable[..., Any]) -> None:
    for value_us, _ in _LIMITS:
        line(value_us, color="#999999", linewidth=0.6, linestyle=(0, (1, 2)))


def _name_songs(axes: Axes, marks: Iterable[SongMark], factor: float) -> None:
    """Write the names of songs at their changes; of those in one place the first, and how many."""
    first, last = axes.get_xlim()
    names: list[tuple[float, str, int]] = []
    for mark in marks:
        at = mark.at_s / factor
        if names and at - names[-1][0] < (last - first) * _NAME_PART:
            names[-1] = at, names[-1][1], names[-1][2] + 1  # behind all their lines
        else:
            names.append((at, mark.words, 0))
    if len(names) > _MOST_NAMES:
        return
    for at, words, more in names:
        axes.annotate(
            f"{words} +{more}" if more else words,
            (at, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(2, -3),
            textcoords="offset points",
            rotation=90,
            va="top",
            fontsize=6.5,
        )


def _legend(figure: Figure, axes: Axes) -> None:
    handles, _ = axes.get_legend_handles_labels()
    if handles:
        columns = min(3, max(1, math.ceil(len(handles) / 6)) + 1)
        figure.legend(loc="outside lower center", ncols=columns, fontsize=7.5, frameon=False)


def _line(number: int) -> dict[str, Any]:
    return {"color": _colour(number), "linestyle": _dash(number // 2), "linewidth": 1.2}


def _colour(number: int) -> str:
    return _COLOURS[number % len(_COLOURS)]


def _dash(number: int) -> str:
    return _DASHES[number % len(_DASHES)]


def _time_unit(duration_s: float) -> tuple[float, str]:
    if duration_s > 3 * 3600:
        return 3600.0, "h"
    return (60.0, "min") if duration_s > 300 else (1.0, "s")
