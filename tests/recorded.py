"""What the program makes of a lot of things, written down as digests, so that no change goes unnoticed.

    python -m tests.recorded renew         # after a change that is meant: write the digests anew
    python -m tests.recorded show sound    # all lines of a recording, to compare with an older checkout's

- `sound`: evenings of chance on a rig that uses every option: all that goes out, with its time;
- `state`: the same evenings: every event, and where the show says that it stands after each step;
- `files`: rig folders with mistakes of chance in them: every problem in words, or what the folder comes to;
- `parts`: single parts of the core, given times and values on their limits; see `recorded_parts`.

The digests are in `tests/digests/`. A test compares: whoever changes what goes out, or when, or what is said,
means it or learns it there. Whether it was right, the other tests say.
"""

from __future__ import annotations

import hashlib
import json
import random
import re
import shutil
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path

from routerd.core.errors import CommandError
from routerd.core.model.actions import Action
from routerd.core.model.codec import from_json, to_json
from routerd.core.model.commands import parse_when
from routerd.core.model.rig import AfterRestart, RigFolder
from routerd.core.show.crash_state import CrashState, crash_state_of, kept_from
from routerd.server.rigfiles import load_folder
from tests.hostile.rich_rig import RICH, compiled_rig, rig_folder_of
from tests.hostile.streams import legal
from tests.recorded_parts import parts
from tests.stage import MS, Stage

DIGESTS = Path(__file__).parent / "digests"
DEMO = Path(__file__).parents[1] / "configs" / "demo"
PLAIN_EVENINGS, EVENINGS, STRETCHES, STEPS = 4, 10, 40, 12
CHANGES = 80
FOLDER_PARTS, IN_A_PART = 80, 12
WHENS = ("now", "now", "now", "beat", "bar", "2 bars", "bar 3", "release", "next-press")

ACTIONS = tuple(
    Action(word)
    for word in (
        *("next", "previous", "song", "section", "next-section", "previous-section", "start", "stop"),
        *("continue", "tempo", "song-tempo", "panic", "silence", "go", "cancel", "clock-source", "tap"),
        *("nudge", "half", "double", "retrigger", "click", "mute", "unmute", "solo", "unsolo"),
        *("done", "learn"),
    )
)
"""In an order of their own, or another order in the program would be another evening."""


class Evening:
    """One evening, played by chance from its number.

    From PLAIN_EVENINGS on each has a rig of its own, which differs from the rich one by chance; engines die,
    after which evenings go on in all the ways that there are; and the order is changed.
    """

    def __init__(self, number: int) -> None:
        self.random = random.Random(number)
        self.eventful = number >= PLAIN_EVENINGS
        folder = rig_folder_of(RICH)
        if self.eventful:
            folder = varied(number)
            after = tuple(AfterRestart)[number % len(AfterRestart)]
            folder = replace(folder, rig=replace(folder.rig, after_restart=after))
        self.rig_folders = [compiled_rig(folder), compiled_rig(replace(folder, songs=folder.songs[::-1]))]
        self.stage = Stage(self.rig_folders[0])
        self.lost: list[str] = []
        self.state: list[str] = []

    def stretches(self) -> Iterator[tuple[list[str], list[str]]]:
        """Yield what went out in each stretch, and what was said of it, a line each."""
        for _ in range(STRETCHES):
            for _ in range(STEPS):
                self.step()
            yield self.taken()

    def taken(self) -> tuple[list[str], list[str]]:
        stage = self.stage
        sound = [f"{at_ns} {device} {data.hex(' ')}" for at_ns, device, data in stage.log]
        state, self.state = self.state, []
        stage.log.clear()
        return sound, state

    def step(self) -> None:
        """Let something happen, then some time pass."""
        one, stage = self.random.choice, self.stage
        what = self.random.randrange(24)
        if what < 9:
            input_ = one(stage.show.compiled.inputs).name
            for _ in range(one((1, 1, 2, 5))):
                stage.play(input_, legal(self.random).hex())
                stage.run(stage.now_ns + one((0, 0, 1, 4)) * MS)
        elif what < 14:
            self.ask()
        elif what == 14:
            self.cable()
        elif what == 17:
            input_ = one(stage.show.compiled.inputs)
            stage.show.input_lost(input_, stage.now_ns)
            stage.show.input_opened(input_, stage.now_ns)
            stage.collect()
        elif what == 15:
            stage.load(one(self.rig_folders))
        elif what == 16:
            self.follow()
        elif what in (18, 19):
            self.tread()
        elif what == 20:
            self.echo()
        elif what == 21:
            self.wind()
        elif what == 22:
            self.tune()
        elif what == 23 and self.eventful:
            one((self.die, self.reorder, self.stall))()
        stage.run(stage.now_ns + one((0, 1, 7, 20, 50, 200, 900)) * MS)
        self.state += [json.dumps(to_json(event), sort_keys=True) for event in stage.events]
        self.state.append(json.dumps(to_json(stage.show.snapshot()), sort_keys=True))
        stage.events.clear()

    def ask(self) -> None:
        """Ask for something that the API or a foot switch can ask for."""
        one, book = self.random.choice, self.stage.show.compiled
        action = one(ACTIONS)
        outputs = [output.name for output in book.outputs]
        argument: int | str | None = {
            Action.SONG: one((1, 2, 3, 4, *book.songs)),
            Action.SECTION: one((1, 2, 3, "chorus", "verse")),
            Action.CONTINUE: one((None, None, 1, 2, 5, 9)),
            Action.TEMPO: one(("100", "121.5", "243/2", "300")),
            Action.CLOCK_SOURCE: one(("", "beat-box", "tape", "keys")),
            Action.NUDGE: one(("0.5", "-3", "12")),
            Action.RETRIGGER: one((f"bar {one(outputs)}", f"cycle {one(outputs)}")),
            Action.CLICK: one((None, "on", "off")),
            Action.DONE: one((None, 1, 2)),
            Action.LEARN: one((None, "control", "pedal")),
        }.get(action)
        if action in (Action.MUTE, Action.UNMUTE, Action.SOLO, Action.UNSOLO):
            argument = one((f"device {one(outputs)}", "route strings", "route pads"))
        try:
            self.stage.do(action, argument, str(parse_when(one(WHENS))))
        except CommandError:
            self.stage.log.append((self.stage.now_ns, "refused", b""))

    def cable(self) -> None:
        """Pull a cable, or put one back."""
        names = [wire.name for wire in self.stage.show.compiled.wires]
        name = self.random.choice(names)
        if name in self.lost:
            self.lost.remove(name)
            self.stage.open(name, takes_pieces=self.random.random() < 0.5)
        else:
            self.lost.append(name)
            self.stage.lose(name)

    def follow(self) -> None:
        """Have the device that leads send ticks for a while, with some noise."""
        inputs = {input.name for input in self.stage.show.compiled.inputs}
        if "beat-box" not in inputs:
            return
        bpm = self.random.choice((100, 120, 133, 240))
        if self.random.random() < 0.5:
            self.stage.play("beat-box", "fa")
        due_ns, step_ns = self.stage.now_ns + 20 * MS, self.random.choice((0, 0, 5_333_000))
        for _ in range(self.random.choice((12, 60, 200))):
            self.stage.run(
                due_ns + self.random.randrange(MS) if not step_ns else -(-due_ns // step_ns) * step_ns
            )
            self.stage.play("beat-box", "f8")
            due_ns += 60_000 * MS // 24 // bpm

    def tread(self) -> None:
        """Tread on a switch: for a short or a long time, twice, or with contacts that bounce."""
        one, stage = self.random.choice, self.stage
        number, channel = one((80, 80, 81, 82, 83)), 0xBF
        for _ in range(one((1, 1, 2, 7))):
            for _ in range(one((1, 1, 3))):
                stage.play("pedals", bytes((channel, number, 127)).hex())
                stage.run(stage.now_ns + one((2, 30, 120, 600)) * MS)
                stage.play("pedals", bytes((channel, number, 0)).hex())
                stage.run(stage.now_ns + one((1, 9)) * MS)
            stage.run(stage.now_ns + one((20, 90, 300)) * MS)

    def echo(self) -> None:
        """Have a device send back what it gets, for some keys that are played."""
        one, stage = self.random.choice, self.stage
        for _ in range(one((3, 12))):
            key = one((36, 48, 60, 72))
            for code in (bytes((0x90, key, 90)), bytes((0x80, key, 64))):
                stage.play("keys", code.hex())
                for _ in range(4):
                    sent = [
                        data for _, name, data in stage.log[-12:] if name == "keys-out" and data[0] < 0xF8
                    ]
                    stage.run(stage.now_ns + 5 * MS)
                    for data in sent[-3:]:
                        stage.play("keys", data.hex())

    def wind(self) -> None:
        """Have the tape send time code from some place, at its pace or with a jump."""
        stage = self.stage
        frame = self.random.randrange(25 * 60 * 20)
        for number in range(self.random.choice((16, 80, 240))):
            piece = number % 8
            if piece == 0 and number:
                frame += 2
            second, frames = divmod(frame, 25)
            value = (frames, second % 60, second // 60 % 60, second // 3600 | 0x20)[piece // 2]
            nibble = value >> 4 if piece % 2 else value & 0x0F
            stage.play("tape", bytes((0xF1, piece << 4 | nibble)).hex())
            stage.run(stage.now_ns + 10 * MS)

    def die(self) -> None:
        """Have the engine die, and the next one go on from what is kept of it."""
        stage, show = self.stage, self.stage.show
        state = from_json(CrashState, json.loads(json.dumps(to_json(crash_state_of(show.snapshot())))))
        last_tick = max(0, show.transport.clock.next_tick - 1)
        at_ns = stage.now_ns + self.random.choice((40, 300, 2500)) * MS
        compiled = show.compiled
        begin = to_json(state.resume)
        after = Stage(compiled, begin, at_ns, kept_from(state, last_tick))
        stage.log += after.log
        stage.events += after.events
        stage.now_ns, stage.show, stage.generation = after.now_ns, after.show, after.generation
        self.lost.clear()

    def stall(self) -> None:
        """Have the process stand still, for longer than ticks are caught up or not, and go on late."""
        stage = self.stage
        for _ in range(self.random.choice((1, 2, 9))):
            stage.now_ns += self.random.choice((3, 30, 400, 3000)) * MS
            stage.show.advance(stage.now_ns)
            stage.collect()

    def reorder(self) -> None:
        """Have somebody change the order."""
        order = list(self.stage.show.compiled.set_list.order)
        self.random.shuffle(order)
        set_list = replace(self.stage.show.compiled.set_list, order=tuple(order))
        self.stage.show.set_order(set_list, self.stage.now_ns)
        self.stage.collect()

    def tune(self) -> None:
        """Sound a note to tune by."""
        output = self.random.choice(self.stage.show.compiled.outputs)
        note = self.random.choice((57, 69))
        try:
            self.stage.show.sound(output.name, 0, note, self.random.choice((0, 20)), self.stage.now_ns)
        except CommandError:
            self.stage.log.append((self.stage.now_ns, "refused", b""))
        self.stage.collect()


class Folders:
    """A rig folder with one mistake, or harmless change, of chance after another."""

    def __init__(self, number: int = 0, folder: Path = RICH) -> None:
        self.random = random.Random(number)
        self.folder = folder
        self.texts = {path.relative_to(folder): path.read_text() for path in sorted(folder.rglob("*.yaml"))}

    def lines(self, count: int) -> list[str]:
        """Return what so many changed folders come to: a problem a line, or what the engine would get."""
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name) / "rig"
            shutil.copytree(self.folder, folder)
            return [line for _ in range(count) for line in self.one(folder)]

    def one(self, folder: Path) -> list[str]:
        """Change a line of a file; what does no harm stays changed every other time."""
        place = self.random.choice(tuple(self.texts))
        text = self.changed(self.texts[place])
        (folder / place).write_text(text, encoding="utf-8")
        loaded = load_folder(folder)
        if not loaded.problems and self.random.random() < 0.5:
            self.texts[place] = text
        (folder / place).write_text(self.texts[place], encoding="utf-8")
        if loaded.problems:
            return [str(problem) for problem in loaded.problems]
        return [json.dumps(to_json(loaded.rig_folder), sort_keys=True)]

    def changed(self, text: str) -> str:
        """Return a file's text with one line changed."""
        lines = text.splitlines()
        number = self.random.randrange(len(lines))
        line = lines[number]
        words = list(re.finditer(r"[A-Za-z][\w-]*", line))
        figures = list(re.finditer(r"(?<![\w.])\d+(?![\w.])", line))
        match self.random.randrange(8):
            case 0:
                del lines[number]
            case 1:
                lines.insert(number, line)
            case 2 if words:
                word = self.random.choice(words)
                lines[number] = line[: word.end() - 1] + line[word.end() :]
            case 3 if words:
                word = self.random.choice(words)
                other = self.random.choice(("true", "none", "1-5", "C4", "[1, 2]", "{a: 1}", "bar", ""))
                lines[number] = line[: word.start()] + other + line[word.end() :]
            case _ if figures:
                figure = self.random.choice(figures)
                value = int(figure[0])
                other = str(self.random.choice((*NUMBERS, value - 1, value + 1, -value, f"{value}.5")))
                lines[number] = line[: figure.start()] + other + line[figure.end() :]
            case _:
                lines[number] = f"  {line}"
        return "\n".join(lines) + "\n"


@cache
def varied(number: int) -> RigFolder:
    """Return the rich rig with many changes of chance that leave it without mistakes and with its devices."""
    folders = Folders(number)
    rich = rig_folder_of(RICH)
    devices = [(one.name, one.input_pattern, one.output_pattern) for one in rich.rig.devices]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "rig"
        shutil.copytree(RICH, folder)
        for _ in range(CHANGES):
            place = folders.random.choice(tuple(folders.texts))
            before = folders.texts[place]
            folders.texts[place] = folders.changed(before)
            (folder / place).write_text(folders.texts[place], encoding="utf-8")
            found = load_folder(folder).rig_folder
            if found is None or devices != [
                (one.name, one.input_pattern, one.output_pattern) for one in found.rig.devices
            ]:
                folders.texts[place] = before
                (folder / place).write_text(before, encoding="utf-8")
            else:
                rich = found
    return rich


NUMBERS = (
    0,
    1,
    2,
    5,
    15,
    16,
    17,
    24,
    47,
    48,
    49,
    64,
    96,
    97,
    127,
    128,
    129,
    480,
    481,
    999,
    1000,
    16383,
    16384,
)
"""The ends of what the files' numbers may be, and those beside them."""


def folder_part(number: int) -> list[str]:
    """Return what some changed folders come to: of the rich rig, or of the demo."""
    return Folders(number, DEMO if number % 3 == 2 else RICH).lines(IN_A_PART)


def folders() -> Iterator[tuple[str, list[str]]]:
    """Yield the parts of the folders' recording: a name, and its lines."""
    for number in range(FOLDER_PARTS):
        yield str(number), folder_part(number)


def evenings() -> Iterator[tuple[str, tuple[list[str], list[str]]]]:
    """Yield the parts of the evenings' recordings: a name, what went out, and what was said."""
    for evening in range(EVENINGS):
        for number, stretch in enumerate(Evening(evening).stretches()):
            yield f"{evening} {number}", stretch


def digest(name: str, lines: list[str]) -> str:
    """Return the line that is kept of a part: its name, how many lines, digest."""
    return f"{name}: {len(lines)} {hashlib.sha256(chr(10).join(lines).encode()).hexdigest()[:16]}"


def main() -> int:
    """See the module's head."""
    if sys.argv[1] == "renew":
        DIGESTS.mkdir(exist_ok=True)
        played = list(evenings())
        kept = {
            "sound": [digest(name, sound) for name, (sound, _) in played],
            "state": [digest(name, state) for name, (_, state) in played],
            "files": [digest(*part) for part in folders()],
            "parts": [digest(*part) for part in parts()],
        }
        for kind, lines in kept.items():
            (DIGESTS / f"{kind}.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
        return 0
    kind = sys.argv[2]
    if kind in ("files", "parts"):
        shown = folders() if kind == "files" else parts()
    else:
        shown = ((name, stretch[kind == "state"]) for name, stretch in evenings())
    for name, lines in shown:
        print(f"== {name}")
        print("\n".join(lines))
    return 0


if __name__ == "__main__":
    sys.exit(main())
