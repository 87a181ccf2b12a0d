"""Inputs under guided fire: atheris mutates streams of messages towards code that has not run yet.

    pip install '.[fuzz]'
    python -m tests.bench.fuzz_guided [--seconds 600] [--corpus DIR]

It begins with real messages (or what an earlier run has left in DIR). What must hold is in
`tests.hostile.under_fire`. The show lives on from stream to stream, as the engine's does, and is ended and
looked at every so many; a failing stream is written to the current folder by the fuzzer.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path
from random import Random

import atheris

with atheris.instrument_imports(include=["routerd.core", "routerd.ports.sysex_assembly"]):
    from tests.hostile.rich_rig import DEMO, RICH, compiled_rig, rig_folder_of
    from tests.hostile.streams import from_bytes, stream, throw_all, to_bytes
    from tests.hostile.under_fire import UnderFire

STREAMS_A_SHOW = 2000
_RIGS = [rig_folder_of(RICH), rig_folder_of(DEMO)]


class _Target:
    """What the fuzzer calls with each stream."""

    def __init__(self) -> None:
        self.streams = self.messages = 0
        self._fire: UnderFire | None = None

    def __call__(self, data: bytes) -> None:
        if self._fire is None:
            self._fire = UnderFire(compiled_rig(_RIGS[self.streams // STREAMS_A_SHOW % 2]))
        before = self._fire.handed
        throw_all(self._fire, from_bytes(data))
        self.messages += self._fire.handed - before
        self.streams += 1
        if self.streams % STREAMS_A_SHOW == 0:
            self._fire.end()
            self._fire = None
        if self.streams % 200 == 0:
            print(f"{self.streams} streams, {self.messages} messages", flush=True)


def _write_corpus(folder: Path) -> None:
    for seed in range(100):
        (folder / f"real-{seed}").write_bytes(to_bytes(stream(Random(seed), 60)))


def main() -> None:
    """See the module's head."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--seconds", type=int, default=600)
    parser.add_argument("--corpus", type=Path)
    given = parser.parse_args()
    corpus = given.corpus or Path(tempfile.mkdtemp(prefix="streams-"))
    _write_corpus(corpus)
    limits = [f"-max_total_time={given.seconds}", "-max_len=2048", "-rss_limit_mb=2048", "-timeout=60"]
    atheris.Setup([sys.argv[0], *limits, str(corpus)], _Target())
    atheris.Fuzz()


if __name__ == "__main__":
    main()
