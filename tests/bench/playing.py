"""A player and everything that may change meanwhile, in steps of chance: nothing withheld, stuck or bent.

    python -m tests.bench.playing --steps 1000000
    python -m tests.bench.playing --steps 400 --seed 17      # one evening again

The player is that of tests/properties/test_no_note_hangs.py, which says what must hold; here it plays without
Hypothesis, some ten times as fast, in evenings of STEPS steps. After each, all keys are up, every device is
there and a song without routes is on. Exit status 1: something sounds, is bent, was struck while it sounded,
or had been withheld; the seed of that evening is printed.
"""

from __future__ import annotations

import argparse
import random
import time
from collections.abc import Callable

from routerd.core.model.actions import Action
from tests.properties.test_no_note_hangs import NAMES, REROUTED, RIGS, SONGS, Player
from tests.stage import NEEDS_NOTHING, ask

STEPS = 400
CHANNELS, KEYS, DEVICES = (0, 1), (60, 61, 62, 72), ("synth", "sampler")
MOVED = ("e0 00 50", "e0 00 40", "d0 45", "b0 01 33", "b0 0b 20", "b0 43 7f", "b0 02 11")
SUBJECTS = ("device sampler", "device synth", "route options", "route keys to synth")
COMMANDS = (
    *(ask(action) for action in NEEDS_NOTHING),
    *(ask(Action.SONG, name) for name in NAMES),
    *(ask(Action.SECTION, number) for number in (1, 2, 3)),
    *(
        ask(action, subject)
        for action in (Action.MUTE, Action.UNMUTE, Action.SOLO, Action.UNSOLO)
        for subject in SUBJECTS
    ),
)


def steps_of(player: Player, rng: random.Random) -> list[Callable[[], None]]:
    """Return what may happen, with what is likelier more often."""
    one = rng.choice
    playing = [
        lambda: player.press(channel=one(CHANNELS), key=one(KEYS), velocity=rng.randrange(1, 128)),
        lambda: player.release(channel=one(CHANNELS), key=one(KEYS), as_note_on=one((True, False))),
        lambda: player.pedal(channel=one(CHANNELS), number=one((64, 66, 4)), value=one((0, 20, 63, 64, 127))),
        lambda: player.move(channel=one(CHANNELS), moved=one(MOVED)),
        lambda: player.wait(ms=rng.randrange(60)),
        lambda: player.noise(data=rng.randbytes(rng.randrange(5))),
        lambda: player.command(command=one(COMMANDS), at_bar=one((True, False))),
    ]
    changes = [
        lambda: player.reload(rig=one(RIGS), songs=one((SONGS, REROUTED, SONGS[1:], SONGS[:1]))),
        lambda: player.reorder(order=rng.sample(NAMES, len(NAMES))),
        lambda: player.lose(name=one(DEVICES)),
        lambda: player.come_back(name=one(DEVICES), takes_pieces=one((True, False))),
        lambda: player.tune(name=one(DEVICES), note=rng.randrange(60, 63), velocity=one((0, 64))),
        player.unplug_keys,
    ]
    return playing * 4 + changes


def evening(seed: int, steps: int) -> None:
    """Play one; raises AssertionError when something does not hold."""
    rng = random.Random(seed)
    player = Player()
    player.begin()
    may_happen = steps_of(player, rng)
    for _ in range(steps):
        rng.choice(may_happen)()
        player.ticks_keep_their_grid()
    player.teardown()


def main() -> int:
    """See the module's head."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--steps", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    begin_s, done, seed = time.monotonic(), 0, options.seed
    while done < options.steps:
        steps = min(STEPS, options.steps - done)
        try:
            evening(seed, steps)
        except AssertionError as error:
            print(f"seed {seed}, {steps} steps: {error}")
            return 1
        done += steps
        seed += 1
        if done % 100_000 < STEPS:
            print(f"{done} steps", flush=True)
    print(f"{done} steps in {seed - options.seed} evenings, {time.monotonic() - begin_s:.0f} s: all well")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
