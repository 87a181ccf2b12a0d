"""The shape of what feet and fingers do: controls, how presses are measured, pedals, LEDs."""

from __future__ import annotations

from fractions import Fraction
from typing import Annotated

from pydantic import ConfigDict

from routerd.core.model.actions import Action, At
from routerd.core.model.controls import Press, Shows
from routerd.server.rigfiles import scalars as s
from routerd.server.rigfiles import time_scalars as t
from routerd.server.rigfiles.entry import Entry, key

KINDS = ("note", "cc", "program", "message")


class ControlEntry(Entry):
    """A message of a device that means an action: a foot switch, a pad, a button."""

    model_config = ConfigDict(
        title="control", json_schema_extra={"oneOf": [{"required": [kind]} for kind in KINDS]}
    )

    source: Annotated[str, s.SOURCE] = key("The device that sends it.", "pedals", alias="from")
    note: Annotated[int | None, s.NOTE] = key("This note, when pressed.", "C4", None)
    cc: Annotated[int | None, s.BYTE] = key("This controller, when it rises to 64 or above.", 80, None)
    program: Annotated[int | None, s.PROGRAM_OR_ANY] = key(
        "This program, counted from 1, or any: its number is then the song's or section's.", 1, None
    )
    message: Annotated[bytes | None, s.MESSAGE] = key("Exactly this message.", "F0 7F 7F 06 02 F7", None)
    channel: Annotated[int | None, s.CHANNEL] = key("On this channel; any channel when left out.", 16, None)
    press: Annotated[Press, s.PRESS] = key("How it is pressed.", "long", Press.SHORT)
    debounce_ms: Annotated[int | None, s.DEBOUNCE] = key(
        "How long it is not heard again; as the rig says when left out.", 300, None, "debounce-ms"
    )
    do: Annotated[Action, s.ACTION] = key("What it means.", "next")
    when: Annotated[str, s.WHEN] = key("When it is done.", "bar", "now")
    section: Annotated[int | str | None, s.SECTION] = key(
        "With 'do: section': which one, by number from 1 or by name.", "chorus", None
    )
    song: Annotated[int | None, s.PLACE] = key("With 'do: song': which one of the set list, from 1.", 3, None)
    device: Annotated[str | None, s.TARGET] = key(
        "With 'do: mute', 'solo' or 'retrigger': which device.", "pad", None
    )
    route: Annotated[str | None, s.TITLE] = key("With 'do: mute' or 'solo': which route.", "left hand", None)
    by: Annotated[Fraction | None, t.NUDGE] = key("With 'do: nudge': by how many BPM.", "-0.5", None)
    at: Annotated[At | None, t.AT] = key("With 'do: retrigger': what it waits for.", "cycle", None)


class PressesEntry(Entry):
    """How presses are measured, in milliseconds."""

    model_config = ConfigDict(title="presses")

    debounce_ms: Annotated[int, s.DEBOUNCE] = key(
        "How long a switch is not heard again after a press.", 50, 50, "debounce-ms"
    )
    long_ms: Annotated[int, s.PRESS_MS] = key("A press held this long is a long one.", 600, 600)
    double_ms: Annotated[int, s.PRESS_MS] = key(
        "A second press within this time makes them double.", 350, 350, "double-ms"
    )


class PedalEntry(Entry):
    """An expression pedal that does not reach the ends of its range."""

    model_config = ConfigDict(title="pedal")

    source: Annotated[str, s.SOURCE] = key("The device that sends it.", "pedals", alias="from")
    cc: Annotated[int, s.BYTE] = key("Its controller.", 11)
    channel: Annotated[int | None, s.CHANNEL] = key("On this channel; any channel when left out.", 16, None)
    heel: Annotated[int, s.BYTE] = key("What it sends with the heel down; becomes 0.", 4)
    toe: Annotated[int, s.BYTE] = key("What it sends with the toe down; becomes 127.", 121)


class LedEntry(Entry):
    """An LED of a foot controller, switched by a note or controller."""

    model_config = ConfigDict(
        title="LED", json_schema_extra={"oneOf": [{"required": ["note"]}, {"required": ["cc"]}]}
    )

    target: Annotated[str, s.TARGET] = key("The device that has it.", "pedals", alias="to")
    note: Annotated[int | None, s.NOTE] = key("Switched by this note.", "C4", None)
    cc: Annotated[int | None, s.BYTE] = key("Switched by this controller.", 80, None)
    channel: Annotated[int, s.CHANNEL] = key("On this channel.", 16)
    shows: Annotated[Shows, s.SHOWS] = key("What it shows.", "running")
    section: Annotated[int | str | None, s.SECTION] = key(
        "With 'shows: section': which one, by number from 1 or by name.", "chorus", None
    )
    song: Annotated[int | None, s.PLACE] = key(
        "With 'shows: song': which one of the set list, from 1.", 3, None
    )
    on: Annotated[int, s.BYTE] = key("The value that lights it.", 127, 127)
    off: Annotated[int, s.BYTE] = key("The value that puts it out.", 0, 0)
