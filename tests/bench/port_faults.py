"""Breaks connections, servers and programs at random during a played set on JACK, and counts what came of it.

    python -m tests.bench.port_faults [COUNT [SEED]]

100 faults without a count. Needs jackd2; takes some four seconds a fault. `tests/system/jack_faults.py` says
what is broken and how each is judged. It ends with a stop, which must not take longer than a second.
"""

from __future__ import annotations

import random
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "system"))

from jack_faults import FAULTS, Bed, Round, play_round


def main(count: int = 100, seed: int = 0) -> int:
    """See the module's head."""
    seed = seed or time.time_ns() % 1_000_000
    chance = random.Random(seed)
    names = [name for name, (share, _) in FAULTS.items() for _ in range(share)]
    chance.shuffle(names)
    rounds: list[Round] = []
    print(f"seed {seed}")
    with tempfile.TemporaryDirectory() as place, Bed(Path(place)) as bed:
        for number in range(count):
            name = names[number % len(names)]
            one = play_round(bed, name, chance, 30 + number % 30)
            rounds.append(one)
            figures = f"named {one.named_s:5.3f} s, back {one.back_s:6.3f} s, {one.late_clients:3} late"
            print(f"{number + 1:3} {one.fault:20} {figures}: {'; '.join(one.wrong) or 'well'}", flush=True)
        answer_s, lost = bed.longest_answer_s, bed.lost
        status, stop_s = bed.service.stop()
    print(f"JACK reported {sum(one.late_clients for one in rounds)} late clients; {lost} notes played again")
    return _summary(rounds, answer_s, status, stop_s)


def _summary(rounds: list[Round], answer_s: float, status: int, stop_s: float) -> int:
    by_kind = Counter(one.fault for one in rounds)
    for kind, count in by_kind.items():
        of_kind = [one for one in rounds if one.fault == kind]
        named, back = max(one.named_s for one in of_kind), max(one.back_s for one in of_kind)
        print(f"{kind:20} {count:3} times; named after {named:.3f} s, back after {back:.3f} s at most")
    wrong = [one for one in rounds if one.wrong]
    print(
        f"{len(rounds)} faults, {len(rounds) - len(wrong)} without anything wrong; longest answer"
        f" {answer_s:.3f} s; stopped in {stop_s:.3f} s with status {status}"
    )
    return 1 if wrong or status else 0


if __name__ == "__main__":
    sys.exit(main(*(int(argument) for argument in sys.argv[1:])))
