"""Soundchecks that are kept (one file each, the newest fifty), and what is worse than in earlier ones."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator
from pathlib import Path

from routerd.core.model import Plain

FOLDER = "soundchecks"
MOST_KEPT = 50
LARGEST_BYTES = 16 * 1024 * 1024

_GRADES = ("steady", "fair", "unsteady", "bad", "failed", "unknown")
_WORSE_RATIO, _WORSE_US = 1.25, 100.0
"""Times differ from run to run: worse is what is both a quarter and 0.1 ms more."""


class SoundcheckFolder:
    """Reads and writes the folder. `warn` is told what was passed over."""

    def __init__(self, state_folder: Path, warn: Callable[[str], None]) -> None:
        self.path = state_folder / FOLDER
        self._warn = warn

    def write(self, document: Plain) -> None:
        """Keep a soundcheck; raises OSError. The oldest beyond MOST_KEPT are removed."""
        self.path.mkdir(mode=0o700, parents=True, exist_ok=True)
        beside = self.path / ".new"
        with beside.open("w", encoding="utf-8") as file:
            json.dump(document, file)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(self.path / f"{document['name']}.json")
        for name in self.names()[:-MOST_KEPT]:
            (self.path / f"{name}.json").unlink(missing_ok=True)

    def names(self) -> list[str]:
        """Return the names of kept soundchecks, oldest first."""
        return sorted(file.stem for file in self.path.glob("*.json")) if self.path.is_dir() else []

    def read(self, name: str) -> Plain | None:
        """Return a kept soundcheck, None when it is not there or makes no sense."""
        file = self.path / f"{name}.json"
        try:
            if file.stat().st_size > LARGEST_BYTES:
                raise ValueError(f"it is larger than {LARGEST_BYTES} bytes")
            document = json.loads(file.read_bytes())
            if not isinstance(document, dict) or document.get("kind") != "soundcheck":
                raise ValueError("it is not a soundcheck")
            if document.get("schema") != 1 or "report" not in document:
                raise ValueError("it is of another version, or cut off")
        except FileNotFoundError:
            return None
        except (OSError, ValueError, RecursionError) as error:
            self._warn(f"{file} is passed over: {error}")
            return None
        return document

    def all(self) -> Iterator[Plain]:
        """Yield every kept soundcheck that makes sense, newest first."""
        for name in reversed(self.names()):
            document = self.read(name)
            if document is not None:
                yield document


def compare_with_kept(document: Plain, kept: Iterator[Plain]) -> Plain:
    """Return the comparison with the last and the best soundcheck of the same rig that went to its end."""
    others = [
        one
        for one in kept
        if one["rig"] == document["rig"] and one["ended"] == "complete" and one["name"] != document["name"]
    ]
    if not others:
        return {"last": None, "best": None}
    return {"last": compare(document, others[0]), "best": compare(document, min(others, key=_badness))}


def _badness(document: Plain) -> tuple[int, int, float]:
    failed = sum(device["verdict"] == "fail" for device in document["devices"])
    overall = document["report"]["overall"]
    deviation = overall["interval_deviation_us"]["p99_9"]
    return (
        failed,
        _GRADES.index(overall["verdict"]["grade"]),
        float("inf") if deviation is None else deviation,
    )


def compare(document: Plain, other: Plain) -> Plain:
    """Return what is worse and what is better than in another soundcheck, in words, worst first."""
    worse: list[tuple[float, str]] = []
    better: list[tuple[float, str]] = []
    before, now = _figures(other), _figures(document)
    for what, value in now.items():
        was = before.get(what)
        if was is None:
            continue
        name, unit = what
        big, small = max(value, was), min(value, was)
        noticed = big > small if unit == "" else big > small * _WORSE_RATIO and big - small > _WORSE_US
        if noticed:
            words = f"{name}: {_value(was, unit)} then, {_value(value, unit)} now"
            (worse if value > was else better).append((big / max(small, 1.0), words))
    return {
        "name": other["name"],
        "worse": [words for _, words in sorted(worse, reverse=True)],
        "better": [words for _, words in sorted(better, reverse=True)],
    }


def _figures(document: Plain) -> dict[tuple[str, str], float]:
    """Return everything that is compared, by name and unit ("" for counts and verdicts)."""
    found: dict[tuple[str, str], float] = {}
    for device in document["devices"]:
        found[(f"{device['device']}, failed", "")] = float(device["verdict"] == "fail")
    for row in document["report"]["ports"]:
        port = row["port"]
        for name, value in (
            (f"{port}, lateness p99.9", row["lateness_us"]["p99_9"]),
            (f"{port}, interval deviation p99.9", row["interval_deviation_us"]["p99_9"]),
            (f"{port}, largest lateness", row["lateness_us"]["max"]),
        ):
            if value is not None:
                found[(name, "µs")] = abs(value)
        for key in ("missed", "doubled", "stalls"):
            found[(f"{port}, {key}", "")] = row[key]
    for loop in document["loops"]:
        found[(f"{loop['device']}, probes lost on the loop", "")] = loop["lost"]
        for key in ("p50", "max"):
            if loop["tick_latency_us"][key] is not None:
                found[(f"{loop['device']}, loop latency {key}", "µs")] = loop["tick_latency_us"][key]
    return found


def _value(value: float, unit: str) -> str:
    if not unit:
        return f"{value:.0f}"
    return f"{value / 1000:.2f} ms" if value >= 1000 else f"{value:.0f} {unit}"
