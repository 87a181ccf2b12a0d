"""The set as a sheet: for the music stand, and for the technician.

What is on a sheet is worked out here, as text and as one self-contained page: large enough for arm's length
and poor light, also on a telephone, and dark where its reader likes it so. On paper it is black on white; a
song is never broken over two pages, and the last two stay together where one page holds them.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from html import escape
from pathlib import Path

from routerd.core.midi.messages import CONTROLLER, NOTE_ON
from routerd.core.midi.tuning import note_hz, note_name, volts
from routerd.core.model.actions import Action, ToSection
from routerd.core.model.commands import NOW
from routerd.core.model.controls import Control, Press
from routerd.core.model.rig import RigFolder
from routerd.core.model.song import Hold, Patch, Song
from routerd.core.units import format_bpm
from routerd.printing import counted, length_words, say_document
from routerd.server.offline import rig_folder_of
from routerd.server.soundcheck.figures import LEVELS_DOWN, QUALIFIED_ONLY

CAUTIONS = (LEVELS_DOWN, "Mute the PA for panic and note tests.", QUALIFIED_ONLY)
"""At the foot of every sheet; what is on it can make a rig loud."""

_STYLE = """
@page { size: A4; margin: 12mm }
:root { color-scheme: light; --ink: #000; --paper: #fff; --indent: 16mm }
* { box-sizing: border-box }
body { font: 14pt/1.3 sans-serif; color: var(--ink); background: var(--paper); margin: 0 auto;
  max-width: 190mm; padding: 2mm; overflow-wrap: anywhere }
h1 { font-size: 20pt; margin: 0 0 2mm; border-bottom: 1mm solid var(--ink) }
article { break-inside: avoid; border-bottom: .4mm solid var(--ink); padding: 2mm 0 3mm }
.last { break-inside: avoid; break-before: avoid }
article, p, li { orphans: 3; widows: 3 }
h2 { font-size: 26pt; line-height: 1.1; margin: 0; display: flex; gap: 4mm; break-after: avoid }
h2 b { min-width: 12mm; text-align: right; overflow-wrap: normal }
.facts { font-size: 18pt; font-weight: bold; margin: 1mm 0 1mm var(--indent); break-after: avoid }
table { border-collapse: collapse; margin: 1mm 0 1mm var(--indent) }
th, td { padding: .5mm 4mm .5mm 0; vertical-align: top; text-align: left }
th { font-weight: bold; font-size: 17pt }
ul { list-style: none; margin: 1mm 0 0 var(--indent); padding: 0 }
li { padding-left: 8mm; text-indent: -8mm }
li::before { content: "\\2610"; display: inline-block; width: 8mm; text-indent: 0; font-size: 16pt }
.plain { margin: 1mm 0 0 var(--indent); white-space: pre-line }
.encore { background: var(--ink); color: var(--paper); padding: 1mm 3mm; font-size: 18pt; display: block;
  text-transform: uppercase; margin-top: 3mm; print-color-adjust: exact; -webkit-print-color-adjust: exact }
.small { font-size: 12pt; margin: 2mm 0 0 var(--indent) }
@media print { body { font-size: 12pt; padding: 0 } h2 { font-size: 23pt } th, .facts { font-size: 15pt }
  .small { font-size: 10pt; line-height: 1.2; columns: 2 }
  .small div { break-inside: avoid; padding-left: 3mm; text-indent: -3mm } footer.small { columns: 1 }
  table { display: inline-block; vertical-align: top } h1 { font-size: 17pt } }
@media screen and (max-width: 150mm) { :root { --indent: 0mm } h2 b { min-width: 0 } }
@media screen and (prefers-color-scheme: dark) {
  :root { color-scheme: dark; --ink: #f2f2f2; --paper: #111 } }
"""


def print_sheet(folder: Path, set_name: str | None, form: str, *, technical: bool) -> int:
    """Print the sheet of a set as "text", "html" or "json"; return 1 when the folder has mistakes."""
    rig_folder = rig_folder_of(folder, set_name)
    if rig_folder is None:
        return 1
    writer = {"text": as_text, "html": as_html, "json": as_json}[form]
    say_document(writer(rig_folder, technical=technical), form)
    return 0


@dataclass(slots=True)
class Entry:
    """One song of the order as a sheet shows it."""

    number: int
    title: str
    facts: str
    encore: bool
    sections: list[tuple[str, str]] = field(default_factory=list)
    """Name, and what it takes to get there."""
    checklist: list[str] = field(default_factory=list)
    notes: str = ""
    technical: list[str] = field(default_factory=list)


def entries(rig_folder: RigFolder, *, technical: bool) -> list[Entry]:
    """Return what is on the sheet; `technical` adds tuning and patches."""
    found = []
    begin_encore = len(rig_folder.set_list.order) - rig_folder.set_list.encore
    for index, identifier in enumerate(rig_folder.set_list.order):
        song = rig_folder.song(identifier)
        entry = Entry(index + 1, song.title, _facts(song), index >= begin_encore, notes=song.notes.strip())
        entry.sections = [
            (section.name, _presses(rig_folder, song, number, section.name))
            for number, section in enumerate(song.sections, 1)
        ]
        entry.checklist = [item.in_words for item in song.checklist]
        if technical:
            entry.technical = list(_technical(rig_folder, song))
        found.append(entry)
    return found


def as_text(rig_folder: RigFolder, *, technical: bool) -> str:
    """Return the sheet as plain text."""
    lines = [_head(rig_folder), "=" * len(_head(rig_folder)), ""]
    encore = False
    for entry in entries(rig_folder, technical=technical):
        if entry.encore and not encore:
            lines += ["--- ENCORE ---", ""]
            encore = True
        lines += [f"{entry.number:3}. {entry.title.upper()}", f"     {entry.facts}"]
        width = max((len(name) for name, _ in entry.sections), default=0)
        lines += [f"     {name:{width}}  {how}".rstrip() for name, how in entry.sections]
        lines += [f"     [ ] {step}" for step in entry.checklist]
        lines += [f"     {line}" for line in entry.technical]
        lines += [f"     {line}" for line in entry.notes.splitlines()]
        lines.append("")
    return "\n".join([*lines, *CAUTIONS, ""])


def as_json(rig_folder: RigFolder, *, technical: bool) -> str:
    """Return the sheet as JSON: the set, and its songs in order."""
    set_list = rig_folder.set_list
    songs = [asdict(entry) for entry in entries(rig_folder, technical=technical)]
    document = {"set_list": set_list.name, "date": set_list.date, "songs": songs, "cautions": CAUTIONS}
    return json.dumps(document, ensure_ascii=False, indent=2)


def as_html(rig_folder: RigFolder, *, technical: bool) -> str:
    """Return the sheet as a page that needs nothing else."""
    songs: list[str] = []
    encore = False
    for entry in entries(rig_folder, technical=technical):
        heading = ""
        if entry.encore and not encore:
            heading = '<h2 class="encore">Encore</h2>'
            encore = True
        songs.append(heading + _article(entry))
    foot = f'<footer class="small">{"<br>".join(escape(line) for line in CAUTIONS)}</footer>'
    last = f'<div class="last">{"".join(songs[-1:])}{foot}</div>'
    title = escape(rig_folder.set_list.name)
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>{title}</title>'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<style>{_STYLE}</style></head><body>\n<header><h1>{escape(_head(rig_folder))}</h1></header>\n<main>"
        + "\n".join([*songs[:-1], last])
        + "</main>\n</body></html>\n"
    )


def _article(entry: Entry) -> str:
    parts = [
        f"<article><h2><b>{entry.number}</b> {escape(entry.title)}</h2>",
        f'<p class="facts">{escape(entry.facts)}</p>',
    ]
    if entry.sections:
        rows = (
            f'<tr><th scope="row">{escape(name)}</th><td>{escape(how)}</td></tr>'
            for name, how in entry.sections
        )
        parts.append(f"<table>{''.join(rows)}</table>")
    if entry.checklist:
        parts.append(f"<ul>{''.join(f'<li>{escape(step)}</li>' for step in entry.checklist)}</ul>")
    if entry.technical:
        lines = (f"<div>{escape(line)}</div>" for line in entry.technical)
        parts.append(f'<div class="small">{"".join(lines)}</div>')
    if entry.notes:
        parts.append(f'<div class="plain">{escape(entry.notes)}</div>')
    return "".join([*parts, "</article>"])


def _head(rig_folder: RigFolder) -> str:
    total = sum(rig_folder.song(name).duration_s for name in rig_folder.set_list.order)
    total += rig_folder.set_list.changeover_s * (len(rig_folder.set_list.order) - 1)
    words = [
        rig_folder.set_list.name,
        rig_folder.set_list.date,
        counted(len(rig_folder.set_list.order), "song"),
    ]
    if total:
        words.append(
            length_words(total)
            + (f" of {length_words(rig_folder.set_list.slot_s)}" if rig_folder.set_list.slot_s else "")
        )
    return " · ".join(word for word in words if word)


def _facts(song: Song) -> str:
    words = [song.key, f"{format_bpm(song.bpm)} BPM", f"{song.beats}/{song.beat_unit}"]
    if song.duration_s:
        words.append(length_words(song.duration_s))
    return " · ".join(word for word in words if word)


def _presses(rig_folder: RigFolder, song: Song, number: int, name: str) -> str:
    """Return which presses of controls lead to a section."""
    own = {_key(control) for control in song.controls}
    every = [*song.controls, *(c for c in rig_folder.rig.controls if _key(c) not in own)]
    straight = [c for c in every if c.command.argument in (ToSection(number), ToSection(name))]
    if not straight and number == 1:
        return "on entering the song"
    step = [c for c in every if c.command.action is Action.NEXT_SECTION]
    return "; ".join(_press(control) for control in straight or step)


def _key(control: Control) -> tuple[str, int, int, bytes]:
    return control.device, control.status, control.number, control.message


def _press(control: Control) -> str:
    if control.message:
        what = "message " + control.message.hex(" ").upper()
    elif control.status == NOTE_ON:
        what = f"note {note_name(control.number)}"
    elif control.status == CONTROLLER:
        what = f"CC {control.number}"
    else:
        what = f"program {control.number + 1}"
    how = "" if control.press is Press.SHORT else f", {control.press}"
    moment = control.command.when
    when = "" if moment == NOW else f", on the {str(moment).replace('-', ' ')}"
    return f"{control.label or f'{control.device} {what}'}{how}{when}"


def _technical(rig_folder: RigFolder, song: Song) -> Iterator[str]:
    name, hertz = note_name(song.tuning_note), note_hz(song.tuning_note, song.concert_pitch_hz)
    yield f"Tune to {name}, {hertz:.2f} Hz (A4 {song.concert_pitch_hz:g} Hz)"
    for patch in song.patches:
        yield _patch(rig_folder, patch)
    for hold in song.holds:
        yield _hold(rig_folder, hold)
    for section in song.sections:
        for patch in section.patches:
            yield f"{section.name}: {_patch(rig_folder, patch)}"
        for hold in section.holds:
            if hold not in song.holds:
                yield f"{section.name}: {_hold(rig_folder, hold)}"


def _hold(rig_folder: RigFolder, hold: Hold) -> str:
    device = next(device for device in rig_folder.rig.devices if device.name == hold.device)
    words = f"{device.title} ch {hold.channel + 1}: holds {note_name(hold.note)}, velocity {hold.velocity}"
    if device.volts_per_octave:
        words += f", {volts(hold.note, device.zero_volts_note, device.volts_per_octave):.3f} V"
    return words


def _patch(rig_folder: RigFolder, patch: Patch) -> str:
    title = next((d.title for d in rig_folder.rig.devices if d.name == patch.device), patch.device)
    words = []
    if patch.bank >= 0:
        words.append(f"bank MSB {patch.bank >> 7} LSB {patch.bank & 127}")
    if patch.program >= 0:
        words.append(f"program {patch.program + 1}")
    words += [f"CC {number} = {value}" for number, value in patch.cc]
    if patch.sysex:
        words.append(f"SysEx, {counted(sum(len(message) for message in patch.sysex), 'byte')}")
    channel = f" ch {patch.channel + 1}" if patch.channel >= 0 else ""
    return f"{title}{channel}: {', '.join(words) or 'settings'}"
