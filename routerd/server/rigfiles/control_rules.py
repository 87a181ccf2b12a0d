"""What must be true across the values of controls, presses, pedals and LEDs, and what they mean."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from routerd.core.midi import messages
from routerd.core.model.actions import ACTIONS, NOTHING, Action, ToSection, ToSong
from routerd.core.model.commands import Command, parse_when
from routerd.core.model.controls import Control, Led, Pedal, Press, PressTimes, Shows
from routerd.server.rigfiles.check import Checked
from routerd.server.rigfiles.control_entries import KINDS, ControlEntry, LedEntry, PedalEntry, PressesEntry
from routerd.server.rigfiles.problems import shown
from routerd.server.rigfiles.text import Path

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
        path: Path = ("controls", index)
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
                f"the same message of {shown(entry.source)} already has a meaning in line {taken[0]}",
                "choose another message, channel or press, or remove one of the two",
            )
        lines.setdefault(entry.channel, checked.document.line(path))


def _review_control(checked: Checked[Any], path: Path, entry: ControlEntry) -> None:
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


def _review_said(checked: Checked[Any], path: Path, entry: ControlEntry) -> None:
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
    checked: Checked[Any], path: Path, key: str, value: Any, arguments: Sequence[tuple[Any, Any]]
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
        path: Path = ("pedals", index)
        if checked.is_sound(path) and pedal.heel == pedal.toe:
            checked.report(
                (*path, "toe"), "heel and toe are the same", "write what the pedal sends at its two ends"
            )


def review_leds(checked: Checked[Any], leds: Sequence[LedEntry]) -> None:
    """Check that every LED has one message and says what it shows."""
    for index, led in enumerate(leds):
        path: Path = ("leds", index)
        if not checked.is_sound(path):
            continue
        if (led.note is None) == (led.cc is None):
            checked.report(path, "an LED has one message", "write one of note and cc")
        arguments = ((Shows.SECTION, led.section), (Shows.SONG, led.song))
        _review_argument(checked, path, "shows", led.shows, arguments)
