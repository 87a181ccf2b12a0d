"""Every recipe of the guide is a rig folder that loads without a warning and plays as its table says."""

from __future__ import annotations

import re
from collections import defaultdict
from fractions import Fraction
from pathlib import Path

import pytest

from routerd.core.model.actions import Action
from routerd.server.offline.check import warnings_of
from routerd.server.offline.rehearse import rehearse
from routerd.server.rigfiles import load_folder
from tests.stage import MS, Stage, compiled

GUIDE = Path(__file__).parents[3] / "configs" / "GUIDE.md"
TICK = "F8"
SETTLE_NS = 30 * MS
"""What goes out within this time belongs to what has happened: the next tick from 84 BPM on, a paced wire."""

Heard = dict[str, list[str]]


def recipes() -> dict[str, str]:
    """Return each recipe's text by its heading: the sections that have a table of what goes out."""
    sections = re.split(r"^## (.+)$", GUIDE.read_text(encoding="utf-8"), flags=re.MULTILINE)[1:]
    found = dict(zip(sections[::2], sections[1::2], strict=True))
    return {title: text for title, text in found.items() if "| what goes out |" in text}


RECIPES = recipes()


def write_folder(text: str, folder: Path) -> None:
    """Write the files of a recipe: blocks of YAML whose first line is a comment with their place."""
    blocks = re.findall(r"^```yaml\n# (\S+\.yaml)\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)
    assert blocks
    for name, content in blocks:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        assert not path.exists(), f"{name} stands there twice"
        path.write_text(content, encoding="utf-8")


def rows_of(text: str) -> list[tuple[str, str]]:
    """Return the rows of the recipe's table: what happens, what goes out."""
    table = text.partition("| what goes out |\n")[2].partition("\n\n")[0]
    rows = [line.strip("|").split("|") for line in table.splitlines()[1:]]
    return [(what.strip(), out.strip()) for what, out in rows]


def heard_of(cell: str) -> Heard:
    """Return the messages by device that a cell of the table names: `device` and then its bytes in code."""
    heard: Heard = defaultdict(list)
    device = ""
    for count, code in re.findall(r"(?:(\d+) × )?`([^`]+)`", cell):
        if re.fullmatch(r"[0-9A-F]{2}( [0-9A-F]{2})*", code):
            heard[device] += [code] * int(count or 1)
        else:
            device = code
            heard[device] += []
    return heard


def happen(stage: Stage, what: str) -> None:
    """Let happen what a cell of the table says."""
    if played := re.fullmatch(r"`([\w-]+)` sends ((?:`[0-9A-F ]+`(?:, )?)+)", what):
        stage.play(played[1], *re.findall(r"`([0-9A-F ]+)`", played[2]))
        return
    if passed := re.fullmatch(r"(\d+) (quarter notes?|ms) pass(?:es)?", what):
        clock = stage.show.transport.clock
        quarter_ns = int(Fraction(60_000 * MS) / clock.segment.bpm)
        stage.run(stage.now_ns + int(passed[1]) * (MS if passed[2] == "ms" else quarter_ns))
        return
    asked = re.fullmatch(r"`([a-z-]+)(?: ([\w -]+?))?(?:, (bar|next-press|release))?`", what)
    assert asked, f"the guide's test does not understand {what!r}"
    argument = int(asked[2]) if asked[2] and asked[2].isdigit() else asked[2]
    stage.do(Action(asked[1]), argument, asked[3] or "now")


def taken(stage: Stage) -> Heard:
    """Return what has gone out, by device, a SysEx that went in pieces as one, and forget it."""
    heard: Heard = defaultdict(list)
    for _, device, data in stage.log:
        messages, code = heard[device], data.hex(" ").upper()
        whole = [one for one in messages if one != TICK]
        if data[0] < 0x80 or data == b"\xf7":
            messages[messages.index(whole[-1])] += " " + code
        else:
            messages.append(code)
    stage.log.clear()
    return heard


@pytest.mark.parametrize("title", RECIPES)
def test_a_recipe_loads_and_plays_as_its_table_says(title: str, tmp_path: Path) -> None:
    text = RECIPES[title]
    write_folder(text, tmp_path)
    loaded = load_folder(tmp_path)
    assert not loaded.problems
    assert loaded.rig_folder is not None
    assert [str(one) for one in warnings_of(loaded, rehearse(loaded.rig_folder))] == []
    stage = Stage(compiled(loaded.rig_folder.rig, loaded.rig_folder.songs, loaded.rig_folder.set_list.order))
    stage.run(SETTLE_NS)
    stage.log.clear()
    rows = rows_of(text)
    assert rows
    for what, out in rows:
        happen(stage, what)
        if not re.search("(quarter|ms)", what):
            stage.run(stage.now_ns + SETTLE_NS)
        wanted, heard = heard_of(out), taken(stage)
        assert wanted or out == "nothing"
        for device in {*wanted, *heard}:
            ticks = heard[device].count(TICK)
            if TICK in wanted[device]:
                assert ticks == wanted[device].count(TICK), (what, device)
            assert [one for one in heard[device] if one != TICK] == [
                one for one in wanted[device] if one != TICK
            ], (what, device)
