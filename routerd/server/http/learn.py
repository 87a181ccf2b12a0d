"""What learn mode has heard, as the entry for rig.yaml."""

from __future__ import annotations

from routerd.core.midi.messages import CONTROLLER, NOTE_ON, PROGRAM
from routerd.core.model.plain import Plain
from routerd.server.http.shapes import Learning


def learning_of(plain: Plain | None) -> Learning | None:
    """Return what the snapshot's `learning` says, with its entry when there is one, or None."""
    if plain is None:
        return None
    return Learning(**plain, entry=entry_of(plain))


def entry_of(plain: Plain) -> str | None:
    """Return the line for `controls` or `pedals` of rig.yaml; None while nothing fit for one was heard."""
    if plain["message"] is None:
        return None
    message = bytes.fromhex(plain["message"])
    if plain["learns"] == "pedal":
        if plain["low"] == plain["high"]:
            return None
        where = f"controller: {message[1]}, channel: {(message[0] & 0x0F) + 1}"
        return f"- {{from: {plain['device']}, {where}, heel: {plain['low']}, toe: {plain['high']}}}"
    return f"- {{from: {plain['device']}, {_words(message)}, do: next}}"


def _words(message: bytes) -> str:
    channel = (message[0] & 0x0F) + 1
    kind = message[0] & 0xF0
    if kind == NOTE_ON:
        return f"note: {message[1]}, channel: {channel}"
    if kind == CONTROLLER:
        return f"controller: {message[1]}, channel: {channel}"
    if kind == PROGRAM:
        return f"program: {message[1] + 1}, channel: {channel}"
    return f'message: "{message.hex(" ").upper()}"'
