"""Soundchecks that are kept (one file each, the newest fifty), and what is worse than in earlier ones."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

from routerd import storage
from routerd.core.model.plain import Plain

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
        self._inside = state_folder
        self._warn = warn

    def write(self, document: Plain) -> None:
        """Keep a soundcheck; raises OSError. The oldest beyond MOST_KEPT are removed."""
        file = self.path / f"{document['name']}.json"
        storage.put(
            file, json.dumps(document).encode(), inside=self._inside, mode=0o600, most_bytes=LARGEST_BYTES
        )
        for name in self.names()[:-MOST_KEPT]:
            (self.path / f"{name}.json").unlink(missing_ok=True)

    def names(self) -> list[str]:
        """Return the names of kept soundchecks, oldest first."""
        return sorted(file.stem for file in self.path.glob("*.json")) if self.path.is_dir() else []

    def read(self, name: str) -> Plain | None:
        """Return a kept soundcheck, None when it is not there or makes no sense."""
        file = self.path / f"{name}.json"
        try:
            document = json.loads(storage.read(file, LARGEST_BYTES, inside=self._inside))
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
    """Return the comparison with the last and the best of the same rig and stages that went to their end."""
    others = [
        one
        for one in kept
        if one["rig"] == document["rig"]
        and one["ended"] == "complete"
        and one["name"] != document["name"]
        and _stages(one) == _stages(document)
    ]
    if not others:
        return {"last": None, "best": None}
    return {"last": compare(document, others[0]), "best": compare(document, min(others, key=_badness))}


def _stages(document: Plain) -> list[str]:
    return [one["stage"] for one in document["stages"] if one["state"] == "done"]


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
    """Return what is worse and what is better than in another soundcheck, in words, worst first.

    Where a figure is worse (or better) on every port it is told once, by the port where it is most.
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
    told: dict[bool, list[tuple[float, str]]] = {True: [], False: []}
    for (worse, what), changes in found.items():
        if len(changes) == ports[what] > 1:
            ratio, port, words = max(changes)
            told[worse].append((ratio, f"every port, {what}: most on {port}, {words}"))
        else:
            told[worse] += [(ratio, f"{port}, {what}: {words}") for ratio, port, words in changes]
    return {
        "name": other["name"],
        "worse": [words for _, words in sorted(told[True], reverse=True)],
        "better": [words for _, words in sorted(told[False], reverse=True)],
    }


class _Key(NamedTuple):
    port: str
    what: str
    unit: str = ""
    """ "" for counts and verdicts."""


def _figures(document: Plain) -> dict[_Key, float]:
    """Return everything that is compared."""
    found: dict[_Key, float] = {}
    for device in document["devices"]:
        found[_Key(device["device"], "failed")] = float(device["verdict"] == "fail")
    for row in document["report"]["ports"]:
        port = row["port"]
        for what, value in (
            ("lateness p99.9", row["lateness_us"]["p99_9"]),
            ("interval deviation p99.9", row["interval_deviation_us"]["p99_9"]),
            ("largest lateness", row["lateness_us"]["max"]),
        ):
            if value is not None:
                found[_Key(port, what, "µs")] = abs(value)
        for what in ("missed", "doubled", "stalls"):
            found[_Key(port, what)] = row[what]
    for loop in document["loops"]:
        found[_Key(loop["device"], "probes lost on the loop")] = loop["lost"]
        for key in ("p50", "max"):
            if loop["tick_latency_us"][key] is not None:
                found[_Key(loop["device"], f"loop latency {key}", "µs")] = loop["tick_latency_us"][key]
    return found


def _value(value: float, unit: str) -> str:
    if not unit:
        return f"{value:.0f}"
    return f"{value / 1000:.2f} ms" if value >= 1000 else f"{value:.0f} {unit}"
