"""The shapes of what files say about time: a device's clock, a song's tempo map, meters and click."""

from __future__ import annotations

from fractions import Fraction
from typing import Annotated

from pydantic import ConfigDict

from routerd.core.timing import Curve, SourceKind
from routerd.desk.config import scalars as s
from routerd.desk.config import time_scalars as t
from routerd.desk.config.entry import Entry, key


class TimingEntry(Entry):
    """How a device gets its clock, and how it is followed."""

    model_config = ConfigDict(title="timing")

    sends: Annotated[SourceKind, t.SENDS] = key(
        "By what it is followed when a song follows it.", "clock", SourceKind.CLOCK
    )
    leads_transport: Annotated[bool, s.FLAG] = key(
        "Whether its start, stop, continue and song position are followed too.",
        False,
        True,
        "leads-transport",
    )


class TempoEntry(Entry):
    """A point of a tempo map."""

    model_config = ConfigDict(title="tempo point")

    bar: Annotated[int, t.BAR] = key("The bar, from 1, with which it begins.", 9)
    tempo: Annotated[Fraction, s.TEMPO] = key("Tempo from here on, or at the end of 'over'.", "124.5")
    over: Annotated[int | None, t.BARS] = key("So many bars the way there takes.", 8, None)
    curve: Annotated[Curve, t.CURVE] = key("With 'over': the way there.", "linear", Curve.LINEAR)


class MeterEntry(Entry):
    """A change of meter."""

    model_config = ConfigDict(title="meter change")

    bar: Annotated[int, t.BAR] = key("The bar, from 1, with which it begins.", 17)
    meter: Annotated[tuple[int, int], s.METER] = key("The meter from here on.", "7/8")
