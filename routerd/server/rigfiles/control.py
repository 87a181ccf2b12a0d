"""Controls, presses, pedals and LEDs: their shape, what must be true of them, and what they mean.

A few lines more than most modules: all that feet and fingers do is one list of keys to a reader.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import Annotated, Any

from pydantic import ConfigDict

from routerd.core.midi import messages
from routerd.core.midi.messages import ACTIVE_SENSING, TICK, is_whole
from routerd.core.model.actions import ACTIONS, NOTHING, Action, At, ToSection, ToSong
from routerd.core.model.commands import WHEN_PATTERN, WHEN_WORDS, Command, parse_when
from routerd.core.model.controls import Control, Led, Pedal, Press, PressTimes, Shows
from routerd.server.rigfiles.problems import quote
from routerd.server.rigfiles.shape import Checked, Entry, Leaf, ValidationContext, option, wrong
from routerd.server.rigfiles.text import KeyPath
from routerd.server.rigfiles.values import (
    BYTE,
    CHANNEL,
    NAME,
    NOTE,
    SOURCE,
    TARGET,
    TITLE,
    choice,
    decimal,
    read_whole,
    whole,
)


def _section(value: Any, context: ValidationContext) -> int | str:
    if isinstance(value, int) and not isinstance(value, bool):
        return read_whole(value, 1, 999)
    name: str = NAME.read(value, context)
    return name


def _message(value: Any, _: ValidationContext) -> bytes:
    remedy = "write one whole message in hexadecimal such as F0 7F 7F 06 02 F7 or FA"
    try:
        message = bytes.fromhex(value) if isinstance(value, str) else b""
    except ValueError as error:
        raise wrong(f"{quote(value)} is not hexadecimal", remedy) from error
    if not is_whole(message) or message[0] in (TICK, ACTIVE_SENSING):
        raise wrong(f"{quote(value)} is not a message that can be a control", remedy)
    return message


def _when(value: Any, _: ValidationContext) -> str:
    try:
        return str(parse_when(value.strip() if isinstance(value, str) else ""))
    except ValueError as error:
        raise wrong(f"{quote(value)} is not a moment", f"write {WHEN_WORDS}") from error


PRESS = choice(Press)
SHOWS = choice(Shows)
DEBOUNCE = whole(0, 2000)
PRESS_MS = whole(100, 5000)
SECTION = Leaf(_section, {"type": ["integer", "string"], "minimum": 1, "maximum": 999, "maxLength": 64})
MESSAGE = Leaf(_message, {"type": "string", "pattern": "^[0-9A-Fa-f]{2}( ?[0-9A-Fa-f]{2})*$"})
WHEN = Leaf(_when, {"type": "string", "pattern": WHEN_PATTERN})
ACTION = choice(Action, leave_out=[action for action, row in ACTIONS.items() if row.control is None])

PROGRAM_OR_ANY = Leaf(
    lambda value, _: -1 if value == "any" else read_whole(value, 1, 128) - 1,
    {"type": ["integer", "string"], "minimum": 1, "maximum": 128, "pattern": "^any$"},
)

PLACE = whole(1, 999)
AT = choice(At)
NUDGE = decimal("-50", "50", "BPM", "-0.5")
KINDS = ("note", "cc", "program", "message")


class ControlEntry(Entry):
    """A message of a device that means an action: a foot switch, a pad, a button."""

    model_config = ConfigDict(
        title="control", json_schema_extra={"oneOf": [{"required": [kind]} for kind in KINDS]}
    )

    source: Annotated[str, SOURCE] = option("The device that sends it.", "pedals", alias="from")
    note: Annotated[int | None, NOTE] = option("This note, when pressed.", "C4", None)
    cc: Annotated[int | None, BYTE] = option("This controller, when it rises to 64 or above.", 80, None)
    program: Annotated[int | None, PROGRAM_OR_ANY] = option(
        "This program, counted from 1, or any: its number is then the song's or section's.", 1, None
    )
    message: Annotated[bytes | None, MESSAGE] = option("Exactly this message.", "F0 7F 7F 06 02 F7", None)
    channel: Annotated[int | None, CHANNEL] = option("On this channel; any channel when left out.", 16, None)
    press: Annotated[Press, PRESS] = option("How it is pressed.", "long", Press.SHORT)
    debounce_ms: Annotated[int | None, DEBOUNCE] = option(
        "How long it is not heard again; as the rig says when left out.", 300, None, "debounce-ms"
    )
    do: Annotated[Action, ACTION] = option("What it means.", "next")
    when: Annotated[str, WHEN] = option("When it is done.", "bar", "now")
    section: Annotated[int | str | None, SECTION] = option(
        "With 'do: section': which one, by number from 1 or by name.", "chorus", None
    )
    song: Annotated[int | None, PLACE] = option(
        "With 'do: song': which one of the set list, from 1.", 3, None
    )
    device: Annotated[str | None, TARGET] = option(
        "With 'do: mute', 'solo' or 'retrigger': which device.", "pad", None
    )
    route: Annotated[str | None, TITLE] = option("With 'do: mute' or 'solo': which route.", "left hand", None)
    by: Annotated[Fraction | None, NUDGE] = option("With 'do: nudge': by how many BPM.", "-0.5", None)
    at: Annotated[At | None, AT] = option("With 'do: retrigger': what it waits for.", "cycle", None)
    label: Annotated[str | None, TITLE] = option("What people call the switch.", "switch 3", None)


class PressesEntry(Entry):
    """How presses are measured, in milliseconds."""

    model_config = ConfigDict(title="presses")

    debounce_ms: Annotated[int, DEBOUNCE] = option(
        "How long a switch is not heard again after a press.", 50, 50, "debounce-ms"
    )
    long_ms: Annotated[int, PRESS_MS] = option("A press held this long is a long one.", 600, 600)
    double_ms: Annotated[int, PRESS_MS] = option(
        "A second press within this time makes them double.", 350, 350, "double-ms"
    )


class PedalEntry(Entry):
    """An expression pedal that does not reach the ends of its range."""

    model_config = ConfigDict(title="pedal")

    source: Annotated[str, SOURCE] = option("The device that sends it.", "pedals", alias="from")
    cc: Annotated[int, BYTE] = option("Its controller.", 11)
    channel: Annotated[int | None, CHANNEL] = option("On this channel; any channel when left out.", 16, None)
    heel: Annotated[int, BYTE] = option("What it sends with the heel down; becomes 0.", 4)
    toe: Annotated[int, BYTE] = option("What it sends with the toe down; becomes 127.", 121)


class LedEntry(Entry):
    """An LED of a foot controller, switched by a note or controller."""

    model_config = ConfigDict(
        title="LED", json_schema_extra={"oneOf": [{"required": ["note"]}, {"required": ["cc"]}]}
    )

    target: Annotated[str, TARGET] = option("The device that has it.", "pedals", alias="to")
    note: Annotated[int | None, NOTE] = option("Switched by this note.", "C4", None)
    cc: Annotated[int | None, BYTE] = option("Switched by this controller.", 80, None)
    channel: Annotated[int, CHANNEL] = option("On this channel.", 16)
    shows: Annotated[Shows, SHOWS] = option("What it shows.", "running")
    section: Annotated[int | str | None, SECTION] = option(
        "With 'shows: section': which one, by number from 1 or by name.", "chorus", None
    )
    song: Annotated[int | None, PLACE] = option(
        "With 'shows: song': which one of the set list, from 1.", 3, None
    )
    on: Annotated[int, BYTE] = option("The value that lights it.", 127, 127)
    off: Annotated[int, BYTE] = option("The value that puts it out.", 0, 0)


ANY_PROGRAM = -1
_STATUSES = {"note": messages.NOTE_ON, "cc": messages.CONTROLLER, "program": messages.PROGRAM}


def control_of(entry: ControlEntry) -> Control:
    """Return the control that an entry means."""
    status, number = _status_of(entry)
    return Control(
        device=entry.source,
        status=status,
        number=number,
        command=_command(entry),
        channel=-1 if entry.channel is None else entry.channel,
        press=entry.press,
        debounce_ms=-1 if entry.debounce_ms is None else entry.debounce_ms,
        message=entry.message or b"",
        label=entry.label or "",
    )


def _status_of(entry: ControlEntry) -> tuple[int, int]:
    """Return status and number of the message that an entry names; 0 and 0 for a whole message."""
    kind = next(kind for kind in KINDS if getattr(entry, kind) is not None)
    return _STATUSES.get(kind, 0), getattr(entry, kind) if kind in _STATUSES else 0


def _command(entry: ControlEntry) -> Command:
    """Return what an entry asks for; for any program its song or section is put in later."""
    row = ACTIONS[entry.do]
    if row.argument is None:
        return Command(entry.do, None, parse_when(entry.when))
    said: dict[str, Any] = dict.fromkeys(row.argument.needed())
    for key in row.control.keys if row.control else ():
        if getattr(entry, key) is not None:
            said[key] = getattr(entry, key)
    if entry.program == ANY_PROGRAM:
        said = dict.fromkeys(said, ANY_PROGRAM)
    return Command(entry.do, row.argument(**said), parse_when(entry.when))


def led_of(entry: LedEntry) -> Led:
    """Return the LED that an entry means."""
    base, number = (messages.NOTE_ON, entry.note) if entry.note is not None else (0xB0, entry.cc)
    argument = entry.section or entry.song or 0
    return Led(entry.target, base | entry.channel, number or 0, entry.shows, argument, entry.on, entry.off)


def pedal_of(entry: PedalEntry) -> Pedal:
    """Return the pedal that an entry means."""
    channel = -1 if entry.channel is None else entry.channel
    return Pedal(entry.source, entry.cc, entry.heel, entry.toe, channel)


def times_of(entry: PressesEntry | None) -> PressTimes:
    """Return how presses are measured."""
    return PressTimes() if entry is None else PressTimes(entry.debounce_ms, entry.long_ms, entry.double_ms)


def review_controls(checked: Checked[Any], entries: Sequence[ControlEntry]) -> None:
    """Check the controls of the rig or of a song: each names one message, and no two the same press of it."""
    earlier: dict[tuple[Any, ...], dict[int | None, int]] = {}  # the lines of channels, by message and press
    for index, entry in enumerate(entries):
        path: KeyPath = ("controls", index)
        if not checked.is_sound(path):
            continue
        kinds = [kind for kind in KINDS if getattr(entry, kind) is not None]
        if len(kinds) != 1:
            checked.report(
                path,
                f"the control has {' and '.join(kinds)}" if kinds else "the control names no message",
                "write exactly one of note, cc, program and message",
            )
            continue
        _review_control(checked, path, entry)
        status, number = _status_of(entry)
        message = (entry.source, status, number, entry.message, entry.press)
        lines = earlier.setdefault(message, {})
        taken = [
            lines[channel] for channel in lines if entry.channel is None or channel in (None, entry.channel)
        ]
        if taken:
            checked.report(
                path,
                f"the same message of {quote(entry.source)} already has a meaning in line {taken[0]}",
                "choose another message, channel or press, or remove one of the two",
            )
        lines.setdefault(entry.channel, checked.document.line(path))


def _review_control(checked: Checked[Any], path: KeyPath, entry: ControlEntry) -> None:
    if entry.program != ANY_PROGRAM:
        _review_said(checked, path, entry)
    elif ACTIONS[entry.do].argument not in (ToSong, ToSection) or entry.section or entry.song:
        checked.report(
            (*path, "program"),
            "any program names a song or section",
            "write 'do: song' or 'do: section' without a number",
        )
    if entry.message is not None and entry.channel is not None:
        checked.report(
            (*path, "channel"), "a whole message has its channel in it", "remove 'channel', or 'message'"
        )
    if entry.press is Press.LONG and (entry.program is not None or entry.message is not None):
        checked.report(
            (*path, "press"),
            "a program change or a whole message is over at once and cannot be held",
            "write 'press: short' or 'press: double'",
        )
    if not ACTIONS[entry.do].armable and entry.when != "now":
        checked.report((*path, "when"), f"'do: {entry.do}' is done at once", "remove 'when'")


def _review_said(checked: Checked[Any], path: KeyPath, entry: ControlEntry) -> None:
    """Check that an entry has the keys that its action needs, and none that only others take."""
    row = ACTIONS[entry.do]
    said = row.control or NOTHING
    takers: dict[str, Action] = {}
    for action, other in ACTIONS.items():
        for key in other.control.keys if other.control else ():
            takers.setdefault(key, action)
    given = [key for key in takers if getattr(entry, key) is not None]
    for key in given:
        if key not in said.keys:
            checked.report(
                (*path, key),
                f"'{key}' has no meaning with 'do: {entry.do}'",
                f"write 'do: {takers[key]}', or remove it",
            )
    if row.argument is None:
        return
    missing = [key for key in row.argument.needed() if key in said.keys and key not in given]
    one_of = row.argument.one_of
    if missing or (one_of and sum(key in given for key in one_of) != 1):
        checked.report((*path, "do"), f"'do: {entry.do}' {said.lacks}", said.remedy)


def _review_argument(
    checked: Checked[Any], path: KeyPath, key: str, value: Any, arguments: Sequence[tuple[Any, Any]]
) -> None:
    for word, given in arguments:
        if value is word and given is None:
            checked.report((*path, key), f"'{key}: {word}' does not say which", f"add '{word}: 1'")
        elif value is not word and given is not None:
            checked.report(
                (*path, word.value),
                f"'{word}' has no meaning with '{key}: {value}'",
                f"write '{key}: {word}', or remove it",
            )


def review_presses(checked: Checked[Any], presses: PressesEntry | None) -> None:
    """Check that a second press can be heard at all."""
    if presses is not None and checked.is_sound(("presses",)) and presses.debounce_ms >= presses.double_ms:
        checked.report(
            ("presses",),
            f"debounce-ms {presses.debounce_ms} lets no second press through within double-ms "
            f"{presses.double_ms}",
            "make debounce-ms the smaller of the two",
        )


def review_pedals(checked: Checked[Any], pedals: Sequence[PedalEntry]) -> None:
    """Check that every pedal has a way to go."""
    for index, pedal in enumerate(pedals):
        path: KeyPath = ("pedals", index)
        if checked.is_sound(path) and pedal.heel == pedal.toe:
            checked.report(
                (*path, "toe"), "heel and toe are the same", "write what the pedal sends at its two ends"
            )


def review_leds(checked: Checked[Any], leds: Sequence[LedEntry]) -> None:
    """Check that every LED has one message and says what it shows."""
    for index, led in enumerate(leds):
        path: KeyPath = ("leds", index)
        if not checked.is_sound(path):
            continue
        if (led.note is None) == (led.cc is None):
            checked.report(path, "an LED has one message", "write one of note and cc")
        arguments = ((Shows.SECTION, led.section), (Shows.SONG, led.song))
        _review_argument(checked, path, "shows", led.shows, arguments)
