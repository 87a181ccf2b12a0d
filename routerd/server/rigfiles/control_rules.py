"""What must be true across the values of controls, presses, pedals and LEDs, and what they mean."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from routerd.core.midi import messages
from routerd.core.model.arming import Action, parse_when
from routerd.core.model.controls import Control, Led, Pedal, Press, PressTimes, Shows
from routerd.core.routing.mutes import DEVICE, ROUTE
from routerd.core.show.place import DONE_AT_ONCE
from routerd.server.rigfiles.check import Checked
from routerd.server.rigfiles.control_entries import KINDS, ControlEntry, LedEntry, PedalEntry, PressesEntry
from routerd.server.rigfiles.problems import shown
from routerd.server.rigfiles.text import Path
from routerd.server.rigfiles.time_scalars import At

ANY_PROGRAM = -1
_STATUSES = {"note": messages.NOTE_ON, "cc": messages.CONTROLLER, "program": messages.PROGRAM}


def control_of(entry: ControlEntry) -> Control:
    """Return the control that an entry means."""
    kind = next(kind for kind in KINDS if getattr(entry, kind) is not None)
    return Control(
        device=entry.source,
        status=_STATUSES.get(kind, 0),
        number=getattr(entry, kind) if kind in _STATUSES else 0,
        action=entry.do,
        channel=-1 if entry.channel is None else entry.channel,
        argument=entry.section or entry.song or round((entry.by or 0) * 1000),
        press=entry.press,
        when=parse_when(entry.when),
        debounce_ms=-1 if entry.debounce_ms is None else entry.debounce_ms,
        message=entry.message or b"",
        subject=_subject(entry),
    )


def _subject(entry: ControlEntry) -> str:
    if entry.do is Action.RETRIGGER:
        return f"{entry.at or At.BAR} {entry.device}"
    return DEVICE + entry.device if entry.device else ROUTE + entry.route if entry.route else ""


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
    earlier: dict[tuple[Any, ...], dict[int, int]] = {}  # the lines of channels, by message and press
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
        control = control_of(entry)
        message = (control.device, control.status, control.number, control.message, control.press)
        lines = earlier.setdefault(message, {})
        taken = [
            lines[channel]
            for channel in lines
            if channel == control.channel or -1 in (channel, control.channel)
        ]
        if taken:
            checked.report(
                path,
                f"the same message of {shown(entry.source)} already has a meaning in line {taken[0]}",
                "choose another message, channel or press, or remove one of the two",
            )
        lines.setdefault(control.channel, checked.document.line(path))


def _review_control(checked: Checked[Any], path: Path, entry: ControlEntry) -> None:
    arguments = ((Action.SECTION, entry.section), (Action.SONG, entry.song))
    if entry.program != ANY_PROGRAM:
        _review_argument(checked, path, "do", entry.do, arguments)
    elif entry.do not in (Action.SONG, Action.SECTION) or entry.section or entry.song:
        checked.report(
            (*path, "program"),
            "any program names a song or section",
            "write 'do: song' or 'do: section' without a number",
        )
    _review_subject(checked, path, entry)
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
    if entry.do in DONE_AT_ONCE and entry.when != "now":
        checked.report((*path, "when"), f"'do: {entry.do}' is done at once", "remove 'when'")


def _review_subject(checked: Checked[Any], path: Path, entry: ControlEntry) -> None:
    given = [key for key in ("device", "route") if getattr(entry, key) is not None]
    if entry.do in (Action.MUTE, Action.SOLO):
        if len(given) != 1:
            checked.report((*path, "do"), f"'do: {entry.do}' needs a device or a route", "add one of the two")
    elif entry.do is Action.RETRIGGER:
        if given != ["device"]:
            checked.report((*path, "do"), "'do: retrigger' needs a device", "add 'device', and no 'route'")
    elif given:
        checked.report(
            (*path, given[0]),
            f"'{given[0]}' has no meaning with 'do: {entry.do}'",
            "write 'do: mute', or remove it",
        )
    if entry.do is Action.NUDGE and not entry.by:
        checked.report((*path, "do"), "'do: nudge' does not say by how much", "add 'by: 0.5'")
    for key, action in (("by", Action.NUDGE), ("at", Action.RETRIGGER)):
        if getattr(entry, key) is not None and entry.do is not action:
            checked.report(
                (*path, key),
                f"'{key}' has no meaning with 'do: {entry.do}'",
                f"write 'do: {action}', or remove it",
            )


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
