"""Inputs under random fire, in pieces: how many messages a show takes without a mistake.

    python -m tests.bench.fuzz [--messages 10000000] [--seed 1] [--piece 250000]

What is thrown, and what must hold, is in `tests/hostile` (`streams`, `under_fire`). Of seven pieces six go
to the demo's rig and one to a rig that uses every option. A piece is told by its seed; a failure prints it.
`tests.bench.fuzz_guided` has streams made by what code they reach instead.
"""

from __future__ import annotations

import argparse
import time
from itertools import count
from random import Random

from routerd.core.model.rig import RigFolder
from tests.hostile.rich_rig import DEMO, RICH, compiled_rig, rig_folder_of
from tests.hostile.streams import stream, throw_all
from tests.hostile.under_fire import UnderFire


def piece(book: RigFolder, seed: int, messages: int) -> UnderFire:
    """Throw one piece at a fresh show; raises what goes wrong, with the seed as a note."""
    fire = UnderFire(compiled_rig(book))
    try:
        throw_all(fire, stream(Random(seed), messages))
        fire.end()
    except Exception as error:
        error.add_note(f"seed {seed}, after {fire.handed} messages on rig {book.rig.name!r}")
        raise
    return fire


def run(messages: int, seed: int, of: int) -> None:
    """Throw pieces until so many messages have been thrown."""
    books = [*[rig_folder_of(DEMO)] * 6, rig_folder_of(RICH)]
    thrown, simulated_ns, begun_s = 0, 0, time.monotonic()
    for number in count(seed):
        book = books[number % 7]
        fire = piece(book, number, of)
        thrown += fire.handed
        simulated_ns += fire.now_ns
        took_s = time.monotonic() - begun_s
        print(
            f"piece {number} ({book.rig.name}): {thrown} messages, {simulated_ns / 1e9:.0f} s of show, "
            f"{took_s:.0f} s, longest queue {max(output.most_queued for output in fire.far_ends)}",
            flush=True,
        )
        if thrown >= messages:
            return


def main() -> None:
    """See the module's head."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--messages", type=int, default=10_000_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--piece", type=int, default=250_000)
    given = parser.parse_args()
    run(given.messages, given.seed, given.piece)


if __name__ == "__main__":
    main()
