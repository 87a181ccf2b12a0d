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

The thresholds stand here with what they mean and where they were published.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

from routerd.core.units import DIN_BYTE_NS, NS_PER_US
from routerd.link.messages import Realtime
from routerd.printing import counted
from routerd.server.report.figures import (
    Figures,
    FindingKind,
    Grade,
    PortFigures,
    SongFigures,
    Threshold,
    Verdict,
)

DIN_BYTE = Threshold(
    DIN_BYTE_NS / NS_PER_US,
    "one byte on a DIN cable: less than what a single byte ahead of the tick costs",
    "MIDI 1.0 Detailed Specification 4.2.1, p. 1",
)
STEADY = Threshold(
    1_000.0,
    "most variation an instrument should add between gesture and sound",
    "Wessel & Wright, Problems and Prospects for Intimate Musical Control of Computers",
)
NOTICED = Threshold(
    3_000.0,
    "players rated 10 ms of delay that varied by 3 ms worse than none",
    "Jack, Mehrabi, Stockman & McPherson, Music Perception 36(1), p. 109",
)
HEARD = Threshold(
    6_000.0,
    "least displacement of one note that listeners hear in an even row of notes up to 240 ms apart; "
    "2.5 % of the interval above that",
    "Friberg & Sundberg, Time discrimination in a monotonic, isochronous sequence, 1995",
)
DELAY = Threshold(
    10_000.0,
    "constant delay that players did not rate worse than none; 20 ms they did",
    "Jack, Mehrabi, Stockman & McPherson, Music Perception 36(1), p. 109",
)
THRESHOLDS = (DIN_BYTE, STEADY, NOTICED, HEARD, DELAY)

ALLOW_REALTIME = (
    "give the user the right to it (rtprio and memlock in /etc/security/limits.d, or LimitRTPRIO= and "
    "LimitMEMLOCK= in the service's unit), log in again and restart routerd"
)

_BUSY = "look for a busy process (top -H), set the CPU governor to performance, switch power saving off"
_OUR_FAULT = "that is a fault of routerd; keep this report and the log"
_OTHER_PORT = "its driver or hub holds sends back; try another USB port without a hub"

_EVERYWHERE = {
    "missed": f"The computer stalled for more than a quarter note, or sends failed: {_BUSY} and suspend too.",
    "stall": f"Something held up the clock: {_BUSY}.",
    "jitter": f"Something keeps the clock from waking in time: {_BUSY}.",
    "wander": f"Something now and then delays the clock: {_BUSY}.",
    "delay": f"Ticks leave late by a constant amount: {_BUSY}; if it stays, delay the audio to match.",
    "doubled": f"Ticks went out twice: {_OUR_FAULT}.",
    "drift": f"Ticks drift from the grid: {_OUR_FAULT}.",
}

_ONE_PORT = {
    "missed": "Sends to {port} failed while others went on: try its cable, a USB port without a hub.",
    "stall": "{port} was held up and most others were not: " + _OTHER_PORT + ".",
    "jitter": "{port} is uneven and most others are not: " + _OTHER_PORT + ".",
    "wander": "{port} is now and then late and most others are not: " + _OTHER_PORT + ".",
    "delay": "{port} is late and most others are not: " + _OTHER_PORT + ".",
    "doubled": "{port} got ticks twice: " + _OUR_FAULT + ".",
    "drift": "Sends to {port} take longer and longer: find what floods it, or try another interface.",
}

_OF_THE_COMPUTER = {"missed", "stall", "jitter", "wander", "delay"}

AT_AN_INSTANT: frozenset[FindingKind] = frozenset({"missed", "stall", "jitter"})
"""Findings for which the largest interval deviation says when to look."""

SAME_MOMENT_S = 0.05
"""Ports that were worst this close together had one cause: a tick at 48 BPM. House choice."""

TICKS_PER_SIXTEENTH = 6


def heard_ns(shortest_interval_ns: int) -> int:
    """Return the displacement that is heard on sixteenth notes, from the interval of ticks.

    6 ms, or 2.5 % of a sixteenth where that is more (Friberg & Sundberg 1995).
    """
    return max(int(HEARD.us * NS_PER_US), TICKS_PER_SIXTEENTH * shortest_interval_ns * 25 // 1000)


class Finding(NamedTuple):
    """One thing that a row shows."""

    kind: FindingKind
    grade: Grade
    words: str


def judge(row: Figures) -> Verdict:
    """Return the verdict on `row`, without advice; whatever verdict it has is not looked at."""
    found = _findings(row)
    if found:
        kinds = tuple(finding.kind for finding in found)
        return Verdict(found[0].grade, kinds, "; ".join(finding.words for finding in found), ())
    jitter_us = row.interval_deviation_us.p99_9
    if jitter_us is None:
        few = f"{counted(row.ticks, 'tick')} are too few to judge one in a thousand"
        return Verdict(Grade.UNKNOWN, (), few if row.ticks else "no ticks recorded", ())
    words = f"999 intervals in 1000 are within {microseconds(jitter_us)}"
    if jitter_us <= DIN_BYTE.us:
        words += ", less than one byte takes on a DIN cable"
    return Verdict(Grade.STEADY, (), words, ())


def judge_all(
    overall: Figures,
    ports: Sequence[PortFigures],
    songs: Sequence[SongFigures],
    realtime: Realtime | None,
) -> tuple[Figures, tuple[PortFigures, ...], tuple[SongFigures, ...]]:
    """Return the rows, each judged by itself so far, with advice and with an overall verdict.

    The worst row decides the overall grade, or pooling would hide it.
    """
    # 1. Ports. What most of them show has its cause before them: then the advice is on the computer.
    seen = {kind for row in ports for kind in row.verdict.findings}
    advised_ports = []
    for row in ports:
        others = [other for other in ports if other is not row]
        advice = tuple(
            _advise(kind, None if _is_shared(kind, row, others) else row.port, realtime)
            for kind in _to_advise(row.verdict)
        )
        advised_ports.append(replace(row, verdict=replace(row.verdict, advice=advice)))
    # 2. Songs. Where a port shows it too its advice has been given, and knows better whom it concerns.
    advised_songs = []
    for song in songs:
        advice = tuple(_advise(kind, None, realtime) for kind in _to_advise(song.verdict) if kind not in seen)
        advised_songs.append(replace(song, verdict=replace(song.verdict, advice=advice)))
    # 3. All of it: the worst grade, where that is, and every piece of advice once.
    rows: list[Figures] = [*advised_ports, *advised_songs]
    worst = max(
        [overall.verdict.grade, *(row.verdict.grade for row in rows)], key=lambda grade: grade.severity
    )
    words = overall.verdict.words
    if worst.severity > Grade.STEADY.severity:
        bad_ports = [row.port for row in ports if row.verdict.grade is worst]
        bad_songs = [row.song or "no song" for row in songs if row.verdict.grade is worst]
        where = f"on {_where(bad_ports, len(ports), 'port')}, in {_where(bad_songs, len(songs), 'song')}"
        words += f"; {worst} {where}"
    every = tuple(dict.fromkeys(words for row in rows for words in row.verdict.advice))
    verdict = replace(overall.verdict, grade=worst, words=words, advice=every)
    return replace(overall, verdict=verdict), tuple(advised_ports), tuple(advised_songs)


def shared_moment(ports: Sequence[PortFigures]) -> float | None:
    """Return when every port showed the same kinds of finding at its worst, in s; None where that is not so.

    What all ports show at one moment has its cause before them, in the computer.
    """
    kinds = {frozenset(row.verdict.findings) for row in ports}
    if len(ports) < 2 or len(kinds) != 1 or not AT_AN_INSTANT & next(iter(kinds)):
        return None
    moments = [row.worst_at_s for row in ports if row.worst_at_s is not None]
    if len(moments) < len(ports) or max(moments) - min(moments) > SAME_MOMENT_S:
        return None
    return min(moments)


def worst_of(ports: Sequence[PortFigures]) -> PortFigures:
    """Return the port whose worst interval was off by most."""
    return max(ports, key=lambda row: row.interval_deviation_us.max or 0.0)


def _to_advise(verdict: Verdict) -> list[FindingKind]:
    """Leave out stalls where ticks were given up in them: the advice on those says more."""
    return [kind for kind in verdict.findings if kind != "stall" or "missed" not in verdict.findings]


def _where(names: Sequence[str], rows: int, noun: str) -> str:
    if not names:
        return f"no single {noun}"
    return f"every {noun}" if len(names) == rows > 1 else ", ".join(names)


def _advise(kind: FindingKind, port: str | None, realtime: Realtime | None) -> str:
    """Return what to do about a finding of `kind` on `port` alone, or on all of them (None)."""
    if port is not None:
        return _ONE_PORT[kind].format(port=port)
    if realtime is not None and realtime.scheduling != "fifo" and kind in _OF_THE_COMPUTER:
        return f"Let the clock go before other work: {realtime.remedy or ALLOW_REALTIME}."
    return _EVERYWHERE[kind]


def microseconds(value_us: float) -> str:
    """Return a time in the unit that reads best."""
    if value_us < 1000:
        return f"{value_us:.0f} µs"
    if value_us < 1_000_000:
        return f"{value_us / 1000:.1f} ms"
    return f"{value_us / 1_000_000:.1f} s"


def _grade(value_us: float, heard_us: float) -> Grade:
    if value_us <= STEADY.us:
        return Grade.STEADY
    if value_us <= NOTICED.us:
        return Grade.FAIR
    return Grade.UNSTEADY if value_us <= heard_us else Grade.BAD


def _findings(row: Figures) -> list[Finding]:
    """Return what `row` shows, worst first; empty when all is well."""
    spread = _spread(row)
    found = [*_lost(row), *_stalls(row), *spread, *_offset(row, bool(spread)), *_drift(row)]
    return sorted(found, key=lambda finding: -finding.grade.severity)


def _lost(row: Figures) -> list[Finding]:
    found = []
    if row.missed:
        found.append(Finding("missed", Grade.FAILED, f"{counted(row.missed, 'tick')} never sent"))
    if row.doubled:
        found.append(Finding("doubled", Grade.FAILED, f"{counted(row.doubled, 'tick')} sent twice"))
    return found


def _stalls(row: Figures) -> list[Finding]:
    if not row.stalls:
        return []
    longest = microseconds(row.longest_stall_us)
    words = f"one stall of {longest}" if row.stalls == 1 else f"{row.stalls} stalls, the longest {longest}"
    return [Finding("stall", Grade.BAD, words)]


def _explained(row: Figures) -> bool:
    """Return whether the tails are no more than the stalls and misses already found."""
    p99_us = row.interval_deviation_us.p99
    return bool(row.stalls or row.missed) and (p99_us is None or p99_us <= STEADY.us)


def _spread(row: Figures) -> list[Finding]:
    if _explained(row):
        return []
    late, jitter_us = row.lateness_us, row.interval_deviation_us.p99_9
    found = []
    if jitter_us is not None:
        grade = _grade(jitter_us, row.heard_us)
        if grade.severity > Grade.STEADY.severity:
            words = f"1 interval in 1000 is off by {microseconds(jitter_us)} or more"
            found.append(Finding("jitter", grade, words))
    if late.p99_9 is None or late.p50 is None or found or (row.drift and row.drift.found):
        return found
    swing_us = late.p99_9 - late.p50
    grade = _grade(swing_us, row.heard_us)
    if grade.severity > Grade.STEADY.severity:
        words = f"1 tick in 1000 is {microseconds(swing_us)} or more later than usual"
        found.append(Finding("wander", grade, words))
    return found


def _offset(row: Figures, uneven: bool) -> list[Finding]:
    usual_us = row.lateness_us.p50
    limit = DELAY if uneven else STEADY
    if usual_us is None or abs(usual_us) <= limit.us or (row.drift and row.drift.found):
        return []
    grade = Grade.FAIR if abs(usual_us) <= DELAY.us else Grade.BAD
    how = "late" if usual_us > 0 else "early"
    return [Finding("delay", grade, f"ticks are usually {microseconds(abs(usual_us))} {how}")]


def _drift(row: Figures) -> list[Finding]:
    drift = row.drift
    if drift is None or not drift.found:
        return []
    size_us = abs(drift.accumulated_us)
    grade = max(Grade.FAIR, _grade(size_us, row.heard_us), key=lambda one: one.severity)
    return [Finding("drift", grade, f"ticks drift by {drift.ppm:.1f} ppm, {microseconds(size_us)} in all")]


def _is_shared(kind: FindingKind, row: Figures, others: Sequence[Figures]) -> bool:
    """Return whether most `others` show a finding of `kind` at least half as strongly as `row`.

    Then the cause lies before the ports. With no others there is nothing to tell them apart by.
    """
    if not others:
        return True
    strengths = sorted(_strength(kind, other) for other in others)
    return strengths[len(strengths) // 2] * 2 >= _strength(kind, row)


def _strength(kind: FindingKind, row: Figures) -> float:
    late = row.lateness_us
    strengths: dict[FindingKind, float] = {
        "jitter": row.interval_deviation_us.p99_9 or 0.0,
        "wander": (late.p99_9 or 0.0) - (late.p50 or 0.0),
        "delay": abs(late.p50 or 0.0),
        "drift": abs(row.drift.ppm) if row.drift else 0.0,
        "stall": row.stalls,
        "missed": row.missed,
        "doubled": row.doubled,
    }
    return strengths[kind]
