"""SysEx as people give it: hexadecimal text, or a file of whole messages inside the rig folder.

A message starts with F0, ends with F7 and has only data bytes (below 80) between (M1 p. 5).
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from pydantic_core import PydanticCustomError

from routerd.core.midi.messages import SYSEX, SYSEX_END, is_whole
from routerd.server.rigfiles.files import UnreadableFileError, read_file
from routerd.server.rigfiles.leaf import Leaf, Surroundings, wrong
from routerd.server.rigfiles.problems import choose, shown

LARGEST_DUMP_BYTES = 64 * 1024

_HEX = re.compile(r"[0-9A-Fa-f]{2}(?:\s*[0-9A-Fa-f]{2})*\Z")
_MESSAGE_HEX = r"[Ff]0(\s*[0-7][0-9A-Fa-f])*\s*[Ff]7"
_REMEDY = "write bytes such as 'F0 7D 01 F7', or 'file: sysex/name.syx'"


def _read(value: Any, surroundings: Surroundings) -> tuple[bytes, ...]:
    if isinstance(value, dict):
        for key in value:
            if key != "file":
                raise wrong(f"has an unknown key {shown(key)}", choose(key, ["file"]))
        name = value.get("file")
        if not isinstance(name, str):
            raise wrong("names no file", _REMEDY)
        return _dump(name, surroundings)
    if not isinstance(value, str) or _HEX.match(value.strip()) is None:
        raise wrong(f"{shown(value)} is not hexadecimal bytes", _REMEDY)
    return _messages(bytes.fromhex(value), "")


def _dump(name: str, surroundings: Surroundings) -> tuple[bytes, ...]:
    known = surroundings.dumps.get(name)
    if known is None:
        try:
            known = _messages(_content(name, surroundings.folder), f"file {shown(name)}: ")
        except PydanticCustomError as error:
            known = error
        surroundings.dumps[name] = known
    if isinstance(known, PydanticCustomError):
        raise known
    return known


def _content(name: str, folder: Path) -> bytes:
    try:
        content = read_file(folder / name, LARGEST_DUMP_BYTES, folder)
    except UnreadableFileError as problem:
        raise wrong(f"file {shown(name)} {problem.what}", problem.remedy) from problem
    if len(content) > LARGEST_DUMP_BYTES:
        raise wrong(f"file {shown(name)} is larger than 64 KiB", "split it over several songs or files")
    return content


def _messages(content: bytes, where: str) -> tuple[bytes, ...]:
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
    _read,
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
