"""Patches and held notes: their shape, SysEx, what must be true of them, and what they mean.

SysEx is given as hexadecimal text, or as a file of whole messages inside the rig folder. A message starts
with F0, ends with F7 and has only data bytes (below 80) between (M1 p. 5).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any

from pydantic import ConfigDict, Field
from pydantic_core import PydanticCustomError

from routerd.core.midi.messages import BANK_LSB, BANK_MSB, SYSEX, SYSEX_END, TICK, is_whole, message_length
from routerd.core.model.route import FULL
from routerd.core.model.song import Hold, Patch
from routerd.core.output.patches import DEFAULT_ORDER
from routerd.core.units import NS_PER_MS
from routerd.server.rigfiles.device import DeviceEntry, own_channel
from routerd.server.rigfiles.problems import one_of, quote, suggest
from routerd.server.rigfiles.shape import Checked, Entry, Leaf, ValidationContext, option, options, wrong
from routerd.server.rigfiles.text import KeyPath, UnreadableFileError, read_file
from routerd.server.rigfiles.values import (
    BYTE,
    CHANNEL,
    FLAG,
    HEX,
    LOUDNESS,
    NOTE,
    PROGRAM,
    TARGET,
    read_whole,
    whole,
)

LARGEST_DUMP_BYTES = 64 * 1024
_MESSAGE_HEX = r"[Ff]0(\s*[0-7][0-9A-Fa-f])*\s*[Ff]7"
_SYSEX_REMEDY = "write bytes such as 'F0 7D 01 F7', or 'file: sysex/name.syx'"


def _read_sysex(value: Any, context: ValidationContext) -> tuple[bytes, ...]:
    if isinstance(value, dict):
        for key in value:
            if key != "file":
                raise wrong(f"has an unknown key {quote(key)}", suggest(key, ["file"]))
        name = value.get("file")
        if not isinstance(name, str):
            raise wrong("names no file", _SYSEX_REMEDY)
        return _dump(name, context)
    if not isinstance(value, str) or HEX.match(value.strip()) is None:
        raise wrong(f"{quote(value)} is not hexadecimal bytes", _SYSEX_REMEDY)
    return _sysex_messages(bytes.fromhex(value), "")


def _dump(name: str, context: ValidationContext) -> tuple[bytes, ...]:
    known = context.dumps.get(name)
    if known is None:
        try:
            known = _sysex_messages(_content(name, context.folder), f"file {quote(name)}: ")
        except PydanticCustomError as error:
            known = error
        context.dumps[name] = known
    if isinstance(known, PydanticCustomError):
        raise known
    return known


def _content(name: str, folder: Path) -> bytes:
    try:
        content = read_file(folder / name, LARGEST_DUMP_BYTES, folder)
    except UnreadableFileError as problem:
        raise wrong(f"file {quote(name)} {problem.what}", problem.remedy) from problem
    if len(content) > LARGEST_DUMP_BYTES:
        raise wrong(f"file {quote(name)} is larger than 64 KiB", "split it over several songs or files")
    return content


def _sysex_messages(content: bytes, where: str) -> tuple[bytes, ...]:
    """Split `content` into its messages; nothing but whole messages may be in it."""
    messages = []
    start = 0
    while start < len(content):
        if content[start] != SYSEX:
            raise wrong(
                f"{where}byte {start + 1} is {content[start]:02X}, where a message must start with F0",
                "give whole messages, each from F0 to F7",
            )
        end = content.find(SYSEX_END, start)
        message = content[start : end + 1]
        if end < 0:
            raise wrong(f"{where}the last message has no F7 at its end", "give whole messages")
        if not is_whole(message):
            offset = next(i for i, byte in enumerate(message[1:-1], start + 2) if byte >= 0x80)
            raise wrong(
                f"{where}byte {offset} is {content[offset - 1]:02X}, above 7F inside a message",
                "between F0 and F7 use bytes 00 to 7F",
            )
        messages.append(message)
        start = end + 1
    if not messages:
        raise wrong(f"{where}holds no message", "give at least one, from F0 to F7")
    return tuple(messages)


SYSEX_ITEM = Leaf(
    _read_sysex,
    {
        "anyOf": [
            {
                "type": "string",
                "pattern": rf"^\s*{_MESSAGE_HEX}(\s*{_MESSAGE_HEX})*\s*$",
                "description": "Whole messages in hexadecimal.",
            },
            {
                "type": "object",
                "properties": {
                    "file": {
                        "type": "string",
                        "description": "A .syx file inside the rig folder, at most 64 KiB.",
                    }
                },
                "required": ["file"],
                "additionalProperties": False,
            },
        ],
        "examples": ["F0 7D 01 F7", {"file": "sysex/bass.syx"}],
    },
)

_PAUSE = re.compile(r"(\d{1,4}) ms")
LONGEST_PAUSE_MS = 5000


def _patch_messages(value: Any, _: ValidationContext) -> tuple[bytes, ...]:
    remedy = "write whole messages such as 'B0 7E 01', without SysEx and real time"
    if not isinstance(value, str) or HEX.match(value.strip()) is None:
        raise wrong(f"{quote(value)} is not hexadecimal bytes", remedy)
    data = bytes.fromhex(value)
    found = []
    while data:
        length = message_length(data[0])
        if not 0 < length <= len(data) or data[0] >= TICK or not is_whole(data[:length]):
            raise wrong(f"{quote(value)} is not whole messages", remedy)
        found.append(data[:length])
        data = data[length:]
    return tuple(found)


def _parameter_key(value: Any, _: ValidationContext) -> int:
    return read_whole(int(value) if re.fullmatch(r"0|[1-9]\d{0,5}", str(value)) else value, 0, FULL)


def _patch_step(value: Any, _: ValidationContext) -> str | int:
    match = _PAUSE.fullmatch(value.strip()) if isinstance(value, str) else None
    if match is not None:
        return read_whole(int(match[1]), 1, LONGEST_PAUSE_MS) * NS_PER_MS
    if isinstance(value, str) and value in DEFAULT_ORDER:
        return value
    raise wrong(
        f"{quote(value)} is neither a part of a patch nor a pause",
        f"write {one_of(DEFAULT_ORDER)}, or a pause such as '200 ms'",
    )


MESSAGES = Leaf(_patch_messages, {"type": "string", "pattern": r"^\s*[0-9A-Fa-f]{2}(\s*[0-9A-Fa-f]{2})*\s*$"})
PARAMETER_KEY = Leaf(_parameter_key, {"type": "string", "pattern": r"^\d{1,5}$"})
FINE = whole(0, FULL)

PATCH_STEP = Leaf(
    _patch_step, {"type": "string", "pattern": rf"^({'|'.join(DEFAULT_ORDER)}|{_PAUSE.pattern})$"}
)


def _controller_key(value: Any, _: ValidationContext) -> int:
    number = read_whole(int(value) if re.fullmatch(r"0|[1-9]\d{0,3}", str(value)) else value, 0, 127)
    if number in {BANK_MSB, BANK_LSB}:
        half = "msb" if number == BANK_MSB else "lsb"
        raise wrong(f"{number} is half of a bank select", f"write it as 'bank: {{{half}: …}}'")
    return number


CONTROLLER_KEY = Leaf(_controller_key, {"type": "string", "pattern": r"^(0|[1-9]\d{0,2})$"})


class BankEntry(Entry):
    """A bank by its two halves; a half left out is 0."""

    model_config = ConfigDict(title="bank", json_schema_extra={"minProperties": 1})

    msb: Annotated[int, BYTE] = option("Controller 0 of the bank select.", 1, 0)
    lsb: Annotated[int, BYTE] = option("Controller 32 of the bank select.", 5, 0)


PATCH_PARTS = ("bank", "program", "cc", "sysex", "messages", "rpn", "nrpn")


class PatchEntry(Entry):
    """The bank, program, controllers and SysEx that a device is put on."""

    model_config = ConfigDict(
        title="patch",
        json_schema_extra={"anyOf": [{"required": [key]} for key in PATCH_PARTS]},
    )

    device: Annotated[str, TARGET] = option("Which device.", "lead-synth")
    channel: Annotated[int, CHANNEL] = Field(
        0, description="On which channel; 1 when left out.", examples=[2], json_schema_extra={"default": 1}
    )
    bank: BankEntry | None = option("Sent before the program.", {"msb": 1, "lsb": 5}, None)
    program: Annotated[int | None, PROGRAM] = option(
        "Counted from 1, as the General MIDI table prints it.", 12, None
    )
    cc: dict[Annotated[int, CONTROLLER_KEY], Annotated[int, BYTE]] = Field(
        default_factory=dict,
        description="Controller numbers and the values they are set to, sent after the program.",
        examples=[{7: 100, 91: 40}],
    )
    sysex: list[Annotated[tuple[bytes, ...], SYSEX_ITEM]] = options(
        "Whole messages, sent before everything else.", ["F0 7D 01 F7", {"file": "sysex/bass.syx"}]
    )
    messages: list[Annotated[tuple[bytes, ...], MESSAGES]] = options(
        "Any other whole messages, behind the SysEx.", ["B0 7E 01"]
    )
    rpn: dict[Annotated[int, PARAMETER_KEY], Annotated[int, FINE]] = Field(
        default_factory=dict,
        description="Registered parameters and the 14-bit values they are set to.",
        examples=[{0: 256}],
    )
    nrpn: dict[Annotated[int, PARAMETER_KEY], Annotated[int, FINE]] = Field(
        default_factory=dict,
        description="Non-registered parameters, likewise.",
        examples=[{300: 8192}],
    )
    order: list[Annotated[str | int, PATCH_STEP]] = options(
        "The parts in the order in which they are sent, with pauses.", ["program", "200 ms", "sysex"]
    )
    always: Annotated[bool, FLAG] = option(
        "Send everything even when the device is already on this sound.", True, False
    )


class HoldEntry(Entry):
    """Notes that a song or section holds on a device by itself."""

    model_config = ConfigDict(title="hold")

    device: Annotated[str, TARGET] = option("Which device.", "bass-modular")
    notes: list[Annotated[int, NOTE]] = Field(
        description="Which notes.", examples=[["A2"]], json_schema_extra={"minItems": 1}
    )
    channel: Annotated[int, CHANNEL] = Field(
        0, description="On which channel; 1 when left out.", examples=[2], json_schema_extra={"default": 1}
    )
    velocity: Annotated[int, LOUDNESS] = option("How hard they are pressed.", 127, 100)


def review_patches(checked: Checked[Any], path: KeyPath, patches: Sequence[PatchEntry]) -> None:
    """Check that every patch changes something, and names its parts once."""
    for index, patch in enumerate(patches):
        here = (*path, index)
        if not checked.is_sound(here):
            continue
        if not patch.model_fields_set & set(PATCH_PARTS):
            checked.report(
                here, "the patch changes nothing", "add a program, bank, controllers or sysex to it"
            )
        if patch.bank is not None and not patch.bank.model_fields_set:
            checked.report((*here, "bank"), "the bank has no number", "write 'msb', 'lsb' or both")
        parts = [step for step in patch.order if isinstance(step, str)]
        given = {"program" if key == "bank" else key for key in patch.model_fields_set & set(PATCH_PARTS)}
        if patch.order and (len(set(parts)) < len(parts) or not given <= set(parts)):
            checked.report(
                (*here, "order"),
                "the order does not have every part of the patch once",
                f"name {one_of(sorted(given))}; 'program' stands for the bank too",
            )


def review_holds(checked: Checked[Any], path: KeyPath, holds: Sequence[HoldEntry]) -> None:
    """Check that every hold has a note."""
    for index, hold in enumerate(holds):
        if checked.is_sound((*path, index)) and not hold.notes:
            checked.report((*path, index, "notes"), "the hold has no note", "list at least one, such as A2")


def _resolve_patch(entry: PatchEntry, device: DeviceEntry) -> Patch:
    return Patch(
        device=entry.device,
        channel=own_channel(entry, entry.channel, device),
        bank=-1 if entry.bank is None else 128 * entry.bank.msb + entry.bank.lsb,
        program=-1 if entry.program is None else entry.program,
        cc=tuple(entry.cc.items()),
        sysex=tuple(message for dump in entry.sysex for message in dump),
        messages=tuple(message for group in entry.messages for message in group),
        rpn=tuple(entry.rpn.items()),
        nrpn=tuple(entry.nrpn.items()),
        order=tuple(entry.order),
        always=entry.always,
    )


def resolve_patches(entries: Iterable[PatchEntry], devices: Mapping[str, DeviceEntry]) -> tuple[Patch, ...]:
    """Return the patches of devices that can be put on a sound from here."""
    return tuple(
        _resolve_patch(entry, devices[entry.device]) for entry in entries if devices[entry.device].recall
    )


def resolve_holds(entries: Iterable[HoldEntry], devices: Mapping[str, DeviceEntry]) -> tuple[Hold, ...]:
    """Return the notes that are held, each once."""
    holds = (
        Hold(entry.device, own_channel(entry, entry.channel, devices[entry.device]), note, entry.velocity)
        for entry in entries
        for note in entry.notes
    )
    return tuple(dict.fromkeys(holds))
