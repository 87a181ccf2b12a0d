"""Single values about time: how each is written, its range, and its JSON Schema. Otherwise like `scalars`."""

from __future__ import annotations

import re
from enum import StrEnum
from fractions import Fraction
from typing import Any

from routerd.core.model.actions import At
from routerd.core.model.timing import ChangePolicy, ClickPlays, ClockFrom, Curve, FrameRate, StartMode
from routerd.server.rigfiles.leaf import Leaf, Surroundings, wrong
from routerd.server.rigfiles.problems import choose, shown
from routerd.server.rigfiles.scalars import choice, whole

_DECIMAL = re.compile(r"[+-]?\d{1,4}(?:\.\d{1,9})?")
_RATE = re.compile(r"\d{1,3}(?:\.\d{1,6})?|\d{1,3}/\d{1,3}")


class Counts(StrEnum):
    """What a time code counts."""

    SONG = "song"
    SET = "set"


def decimal(least: str, most: str, unit: str, example: str) -> Leaf:
    """Return the leaf of a decimal from `least` to `most`, kept exactly."""

    def read(value: Any, _: Surroundings) -> Fraction:
        remedy = f"write {least} to {most} {unit}, such as {example}"
        written = str(value) if isinstance(value, int) and not isinstance(value, bool) else value
        if not isinstance(written, str) or _DECIMAL.fullmatch(written.strip()) is None:
            raise wrong(f"{shown(value)} is not a number", remedy)
        number = Fraction(written.strip())
        if not Fraction(least) <= number <= Fraction(most):
            raise wrong(f"{shown(value)} is outside {least} to {most} {unit}", remedy)
        return number

    schema = {"type": ["number", "string"], "minimum": float(least), "maximum": float(most)}
    return Leaf(read, {**schema, "pattern": r"^[+-]?\d{1,4}(\.\d{1,9})?$"})


def rate(least: str, most: str, example: str) -> Leaf:
    """Return the leaf of a rate above 0, as a decimal or a fraction."""

    def read(value: Any, _: Surroundings) -> Fraction:
        remedy = f"write {least} to {most} as a decimal or a fraction such as {example}"
        written = str(value) if isinstance(value, int) and not isinstance(value, bool) else value
        try:
            if not isinstance(written, str) or _RATE.fullmatch(written.strip()) is None:
                raise ValueError(written)
            number = Fraction(written.strip())
        except (ValueError, ZeroDivisionError) as error:
            raise wrong(f"{shown(value)} is not a rate", remedy) from error
        if not Fraction(least) <= number <= Fraction(most):
            raise wrong(f"{shown(value)} is outside {least} to {most}", remedy)
        return number

    schema = {
        "type": ["number", "string"],
        "minimum": float(Fraction(least)),
        "maximum": float(Fraction(most)),
    }
    return Leaf(read, {**schema, "pattern": r"^(\d{1,3}(\.\d{1,6})?|\d{1,3}/\d{1,3})$"})


def _frame_rate(value: Any, _: Surroundings) -> FrameRate:
    known = [one.value for one in FrameRate]
    written = str(value) if isinstance(value, int) and not isinstance(value, bool) else value
    if written not in known:
        raise wrong(f"{shown(value)} is not a frame rate", choose("", known))
    return FrameRate(written)


CURVE = choice(Curve)
STARTS = choice(StartMode)
CHANGE = choice(ChangePolicy)
AT = choice(At)
COUNTS = choice(Counts)
CLOCK_FROM = choice(ClockFrom)
CLICK_PLAYS = choice(ClickPlays)
FRAME_RATE = Leaf(_frame_rate, {"type": ["string", "number"], "pattern": r"^(24|25|29\.97|30)$"})
BAR = whole(1, 9999)
BARS = whole(1, 999)
COUNT_IN = whole(0, 16)
STEPS = whole(1, 1024)
SUBDIVISION = whole(1, 8)
OFFSET = decimal("-250", "250", "ms", "-12.5")
LENGTH = decimal("1", "1000", "ms", "10")
NUDGE = decimal("-50", "50", "BPM", "-0.5")
RATE = rate("1/96", "4", "1/2")
PULSES = rate("1/96", "96", "4")
