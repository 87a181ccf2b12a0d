"""Verdicts in words: what a row of figures shows, how bad that is, and what to do about it.

Works on the values of a report's row, so that whoever reads the JSON can repeat it. What each
finding is judged on, and why:

jitter   p99.9 of |interval deviation|: what a sequencer that follows the clock has to smooth; one tick
         in a thousand is one in 21 s at 120 BPM, and does not hang on a single odd one.
wander   p99.9 minus p50 of lateness: slow swings that each interval hides, and missed ticks.
delay    p50 of lateness: what is late evenly is not jitter, and is judged as a delay.
stall    every tick that comes over 6 ms later against the grid than the one before it: rarer than one
         in a thousand, yet heard.
missed, doubled   every one: followers count ticks, so each shifts them by 1/24 of a quarter note.
drift    slope of lateness, without stalls and what catches them up, when it exceeds its uncertainty
         and came to over 1 ms in the time looked at.
"""

from __future__ import annotations

from enum import IntEnum
from typing import Any, NamedTuple

from routerd.printing import counted
from routerd.server.report.thresholds import DELAY, DIN_BYTE, NOTICED, STEADY

Row = dict[str, Any]


class Grade(IntEnum):
    """How good, best first; UNKNOWN when there is too little to say."""

    UNKNOWN = 0
    STEADY = 1
    FAIR = 2
    UNSTEADY = 3
    BAD = 4
    FAILED = 5

    @property
    def word(self) -> str:
        """The grade in the report."""
        return self.name.lower()


class Finding(NamedTuple):
    """One thing that a row shows."""

    kind: str
    grade: Grade
    words: str


def findings(row: Row) -> list[Finding]:
    """Return what `row` shows, worst first; empty when all is well."""
    spread = _spread(row)
    found = [*_lost(row), *_stalls(row), *spread, *_offset(row, bool(spread)), *_drift(row)]
    return sorted(found, key=lambda finding: -finding.grade)


def judge(row: Row) -> tuple[Grade, list[Finding], str]:
    """Return the grade of `row`, its findings and one sentence."""
    found = findings(row)
    if found:
        return found[0].grade, found, "; ".join(finding.words for finding in found)
    if row["interval_deviation_us"]["p99_9"] is None:
        if not row["ticks"]:
            return Grade.UNKNOWN, [], "no ticks recorded"
        return Grade.UNKNOWN, [], f"{row['ticks']} ticks are too few to judge one in a thousand"
    jitter = row["interval_deviation_us"]["p99_9"]
    words = f"999 intervals in 1000 are within {microseconds(jitter)}"
    if jitter <= DIN_BYTE.ns / 1000:
        words += ", less than one byte takes on a DIN cable"
    return Grade.STEADY, [], words


def microseconds(value_us: float) -> str:
    """Return a time in the unit that reads best."""
    if value_us < 1000:
        return f"{value_us:.0f} µs"
    if value_us < 1_000_000:
        return f"{value_us / 1000:.1f} ms"
    return f"{value_us / 1_000_000:.1f} s"


def _grade(value_us: float, heard_us: float) -> Grade:
    if value_us <= STEADY.ns / 1000:
        return Grade.STEADY
    if value_us <= NOTICED.ns / 1000:
        return Grade.FAIR
    return Grade.UNSTEADY if value_us <= heard_us else Grade.BAD


def _lost(row: Row) -> list[Finding]:
    found = []
    if row["missed"]:
        found.append(Finding("missed", Grade.FAILED, f"{counted(row['missed'], 'tick')} never sent"))
    if row["doubled"]:
        found.append(Finding("doubled", Grade.FAILED, f"{counted(row['doubled'], 'tick')} sent twice"))
    return found


def _stalls(row: Row) -> list[Finding]:
    if not row["stalls"]:
        return []
    longest = microseconds(row["longest_stall_us"])
    if row["stalls"] == 1:
        words = f"one stall of {longest}"
    else:
        words = f"{row['stalls']} stalls, the longest {longest}"
    return [Finding("stall", Grade.BAD, words)]


def _explained(row: Row) -> bool:
    """Return whether the tails are no more than the stalls and misses already found."""
    p99_us = row["interval_deviation_us"]["p99"]
    return bool(row["stalls"] or row["missed"]) and (p99_us is None or p99_us <= STEADY.ns / 1000)


def _spread(row: Row) -> list[Finding]:
    if _explained(row):
        return []
    deviation, lateness, drift = row["interval_deviation_us"], row["lateness_us"], row["drift"]
    found = []
    if deviation["p99_9"] is not None:
        grade = _grade(deviation["p99_9"], row["heard_us"])
        if grade > Grade.STEADY:
            size = microseconds(deviation["p99_9"])
            found.append(Finding("jitter", grade, f"1 interval in 1000 is off by {size} or more"))
    if lateness["p99_9"] is None or found or (drift and drift["found"]):
        return found
    swing = lateness["p99_9"] - lateness["p50"]
    grade = _grade(swing, row["heard_us"])
    if grade > Grade.STEADY:
        words = f"1 tick in 1000 is {microseconds(swing)} or more later than usual"
        found.append(Finding("wander", grade, words))
    return found


def _offset(row: Row, uneven: bool) -> list[Finding]:
    usual = row["lateness_us"]["p50"]
    limit = DELAY if uneven else STEADY
    if usual is None or abs(usual) <= limit.ns / 1000 or (row["drift"] and row["drift"]["found"]):
        return []
    grade = Grade.FAIR if abs(usual) <= DELAY.ns / 1000 else Grade.BAD
    how = "late" if usual > 0 else "early"
    return [Finding("delay", grade, f"ticks are usually {microseconds(abs(usual))} {how}")]


def _drift(row: Row) -> list[Finding]:
    drift = row["drift"]
    if not drift or not drift["found"]:
        return []
    grade = max(Grade.FAIR, _grade(abs(drift["accumulated_us"]), row["heard_us"]))
    words = f"ticks drift by {drift['ppm']:.1f} ppm, {microseconds(abs(drift['accumulated_us']))} in all"
    return [Finding("drift", grade, words)]


def shared(kind: str, row: Row, others: list[Row]) -> bool:
    """Return whether most `others` show a finding of `kind` at least half as strongly as `row`.

    Then the cause lies before the ports. With no others there is nothing to tell them apart by.
    """
    if not others:
        return True
    strengths = sorted(_strength(kind, other) for other in others)
    return strengths[len(strengths) // 2] * 2 >= _strength(kind, row)


def _strength(kind: str, row: Row) -> float:
    lateness = row["lateness_us"]
    if kind == "jitter":
        return float(row["interval_deviation_us"]["p99_9"] or 0)
    if kind == "wander":
        return float((lateness["p99_9"] or 0) - (lateness["p50"] or 0))
    if kind == "delay":
        return abs(float(lateness["p50"] or 0))
    if kind == "drift":
        return abs(float(row["drift"]["ppm"])) if row["drift"] else 0.0
    return float(row["stalls" if kind == "stall" else kind])
