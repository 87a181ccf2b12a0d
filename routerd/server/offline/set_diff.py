"""What has changed between two versions of a set: the running order, and each song that is in either."""

from __future__ import annotations

import difflib
from collections.abc import Iterator
from dataclasses import fields

from routerd.core.model.set_list import Book
from routerd.core.model.song import Section, Song
from routerd.core.units import format_bpm

_WORDS = {"bpm": "tempo", "duration_s": "duration", "beat_unit": "meter", "sections_end": "after-sections"}


def differences(old: Book, new: Book) -> Iterator[str]:
    """Yield one line a difference; nothing when the two are the same to play."""
    yield from _order(old, new)
    for kind, before, after in (
        ("device", {d.name: d for d in old.rig.devices}, {d.name: d for d in new.rig.devices}),
        ("song", {s.identifier: s for s in old.songs}, {s.identifier: s for s in new.songs}),
    ):
        for name in sorted({*before, *after}):
            if name not in after:
                yield f"- {kind} {name}"
            elif name not in before:
                yield f"+ {kind} {name}"
            elif before[name] != after[name]:
                yield from _changed(kind, name, before[name], after[name])
    if old.rig.controls != new.rig.controls:
        yield "~ rig: controls"
    if old.rig.leds != new.rig.leds or old.rig.pedals != new.rig.pedals:
        yield "~ rig: LEDs or pedals"


def _order(old: Book, new: Book) -> Iterator[str]:
    before = [old.song(name).title for name in old.set_list.order]
    after = [new.song(name).title for name in new.set_list.order]
    lines = difflib.unified_diff(before, after, old.set_list.name, new.set_list.name, lineterm="", n=1)
    yield from lines
    if old.set_list.encore != new.set_list.encore:
        yield f"~ encore: {old.set_list.encore} -> {new.set_list.encore} songs"


def _changed(kind: str, name: str, before: object, after: object) -> Iterator[str]:
    if not isinstance(before, Song) or not isinstance(after, Song):
        keys = _different(before, after)
        yield f"~ {kind} {name}: {', '.join(keys)}"
        return
    for key in _different(before, after):
        if key == "sections":
            yield from _sections(name, before.sections, after.sections)
            continue
        word = _WORDS.get(key, key)
        was, is_now = _shown(getattr(before, key)), _shown(getattr(after, key))
        yield f"~ {kind} {name}: {word}" + (f" {was} -> {is_now}" if was and is_now else "")


def _different(before: object, after: object) -> list[str]:
    names = [one.name for one in fields(before)]  # type: ignore[arg-type]
    return [name for name in names if getattr(before, name) != getattr(after, name)]


def _sections(song: str, before: tuple[Section, ...], after: tuple[Section, ...]) -> Iterator[str]:
    old, new = {s.name: s for s in before}, {s.name: s for s in after}
    if list(old) != list(new):
        yield f"~ song {song}: sections {', '.join(old) or 'none'} -> {', '.join(new) or 'none'}"
    for name in old.keys() & new.keys():
        if old[name] != new[name]:
            keys = [_WORDS.get(key, key) for key in _different(old[name], new[name])]
            yield f"~ song {song}, {name}: {', '.join(keys)}"


def _shown(value: object) -> str:
    """Return a short value as people write it, "" for what is too long for a line."""
    if isinstance(value, str | int | float):
        return str(value)
    return format_bpm(value) if hasattr(value, "numerator") else ""  # type: ignore[arg-type]
