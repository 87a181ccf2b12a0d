"""A long evening of chance on a rig that uses every option, written down: all that goes out, with its time.

    python -m tests.recorded renew      # after a change that is meant: write the digests anew
    python -m tests.recorded show 2     # all lines of an evening, to compare with those of an older checkout

What is kept is a digest for each stretch of each evening, in `tests/recorded.txt`. A test compares: whoever
changes what goes out, or when, means it or learns it there. Whether it was right, the other tests say.
"""

from __future__ import annotations

import hashlib
import random
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from routerd.core.errors import CommandError
from routerd.core.model.actions import Action
from routerd.core.model.commands import parse_when
from tests.hostile.rich_rig import RICH, book_of, compiled_book
from tests.hostile.streams import legal
from tests.stage import MS, Stage

DIGESTS = Path(__file__).parent / "recorded.txt"
EVENINGS, STRETCHES, STEPS = 4, 40, 12
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
    """One evening, played by chance from its number."""

    def __init__(self, number: int) -> None:
        self.random = random.Random(number)
        folder = book_of(RICH)
        self.books = [compiled_book(folder), compiled_book(replace(folder, songs=folder.songs[::-1]))]
        self.stage = Stage(self.books[0])
        self.lost: list[str] = []

    def lines(self) -> Iterator[list[str]]:
        """Yield what happens in each stretch, a line each."""
        for _ in range(STRETCHES):
            for _ in range(STEPS):
                self.step()
            yield self.taken()

    def taken(self) -> list[str]:
        stage = self.stage
        lines = [f"{at_ns} {device} {data.hex(' ')}" for at_ns, device, data in stage.log]
        stage.log.clear()
        stage.events.clear()
        return lines

    def step(self) -> None:
        """Let something happen, then some time pass."""
        one, stage = self.random.choice, self.stage
        what = self.random.randrange(24)
        if what < 9:
            input_ = one(stage.show.book.inputs).name
            for _ in range(one((1, 1, 2, 5))):
                stage.play(input_, legal(self.random).hex())
                stage.run(stage.now_ns + one((0, 0, 1, 4)) * MS)
        elif what < 14:
            self.ask()
        elif what == 14:
            self.cable()
        elif what == 17:
            input_ = one(stage.show.book.inputs)
            stage.show.input_lost(input_, stage.now_ns)
            stage.show.input_opened(input_, stage.now_ns)
            stage.collect()
        elif what == 15:
            stage.load(one(self.books))
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
        stage.run(stage.now_ns + one((0, 1, 7, 20, 50, 200, 900)) * MS)

    def ask(self) -> None:
        """Ask for something that the API or a foot switch can ask for."""
        one, book = self.random.choice, self.stage.show.book
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
        names = [wire.name for wire in self.stage.show.book.wires]
        name = self.random.choice(names)
        if name in self.lost:
            self.lost.remove(name)
            self.stage.open(name, takes_pieces=self.random.random() < 0.5)
        else:
            self.lost.append(name)
            self.stage.lose(name)

    def follow(self) -> None:
        """Have the device that leads send ticks for a while, with some noise."""
        inputs = {input.name for input in self.stage.show.book.inputs}
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

    def tune(self) -> None:
        """Sound a note to tune by."""
        output = self.random.choice(self.stage.show.book.outputs)
        note = self.random.choice((57, 69))
        try:
            self.stage.show.sound(output.name, 0, note, self.random.choice((0, 20)), self.stage.now_ns)
        except CommandError:
            self.stage.log.append((self.stage.now_ns, "refused", b""))
        self.stage.collect()


def digests_of(evening: int) -> Iterator[str]:
    """Yield a line for each stretch: evening, stretch, how many lines, digest."""
    for number, lines in enumerate(Evening(evening).lines()):
        digest = hashlib.sha256("\n".join(lines).encode()).hexdigest()[:16]
        yield f"{evening} {number} {len(lines)} {digest}"


def main() -> int:
    """See the module's head."""
    if sys.argv[1] == "renew":
        lines = [line for evening in range(EVENINGS) for line in digests_of(evening)]
        DIGESTS.write_text("\n".join(lines) + "\n", encoding="utf-8")
    else:
        for number, lines in enumerate(Evening(int(sys.argv[2])).lines()):
            print(f"== {number}")
            print("\n".join(lines))
    return 0


if __name__ == "__main__":
    sys.exit(main())
