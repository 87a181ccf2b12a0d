"""Runs the tests in one order of chance after another, by two workers beside busy processes.

    python -m tests.bench.orders --runs 10
    python -m tests.bench.orders --runs 1 --first-seed 7 tests/engine    # one order again

A test that is red here and green elsewhere is at fault: it rests on another test, a moment or a fast machine.
What else runs on the machine counts as busy: only as many processes are added as are missing to four.
The tests of `tests/system/guest` have an order of their own and one virtual machine; `--guest` runs them too,
alone, after each run of the others. Exit status 0: every run was green.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import re
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[2]
GUEST = "tests/system/guest"
BUSY = 4
WORKERS = 2
LINES = re.compile(r"^(?:FAILED|ERROR) .*|^=*\s*\d+ (?:passed|failed|error|skipped).*", re.MULTILINE)


def others_running() -> int:
    """Return how many processes that are not ours have or want a processor now."""
    parents: dict[int, int] = {}
    running = set()
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            pid, (state, parent) = int(stat.parent.name), stat.read_text().rpartition(") ")[2].split()[:2]
            parents[pid] = int(parent)
            if state == "R":
                running.add(pid)

    def ours(pid: int) -> bool:
        while pid > 1:
            if pid == os.getpid():
                return True
            pid = parents.get(pid, 0)
        return False

    return sum(not ours(pid) for pid in running)


def keep_busy(count: int, ended: threading.Event) -> None:
    """Keep so many processes busy beside the tests, of ordinary priority as the tests are, until `ended`."""
    ours: list[subprocess.Popen[bytes]] = []
    others = 0.0
    try:
        while not ended.wait(0.5):
            others += (others_running() - others) / 10
            missing = max(0, count - round(others)) - len(ours)
            ours += [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(missing)]
            for _ in range(-missing):
                end(ours.pop())
    finally:
        for one in ours:
            end(one)


def end(busy: subprocess.Popen[bytes]) -> None:
    """End a busy process of ours."""
    busy.kill()
    busy.wait()


@contextlib.contextmanager
def busy_processes(count: int) -> Iterator[None]:
    """See `keep_busy`: as long as the body runs."""
    ended = threading.Event()
    thread = threading.Thread(target=keep_busy, args=(count, ended))
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()


def pytest(log: Path, *words: str) -> tuple[int, str]:
    """Run pytest, which prints into the log as it goes; return its status and what it has printed."""
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-p", "no:benchmark", *words]
    with log.open("a+", encoding="utf-8") as file:
        print(f"== {' '.join(words)}", file=file, flush=True)
        begin = file.tell()
        done = subprocess.run(command, cwd=ROOT, stdout=file, stderr=subprocess.STDOUT, check=False)
        file.seek(begin)
        return done.returncode, file.read()


def one_run(seed: int, where: list[str], log: Path, *, guest: bool) -> bool:
    """Run everything once; return whether all was green."""
    order = ["--random-order", f"--random-order-seed={seed}", "-n", str(WORKERS), "--dist", "loadfile"]
    runs = [[*order, f"--ignore={GUEST}", *where]]
    if guest:
        runs.append([GUEST])
    green = True
    for words in runs:
        began_s = time.monotonic()
        with busy_processes(BUSY):
            status, text = pytest(log, *words)
        green = green and status == 0
        print(
            f"seed {seed}: {'green' if status == 0 else 'RED'}, {time.monotonic() - began_s:.0f} s",
            flush=True,
        )
        for line in LINES.findall(text):
            print(f"    {line.strip('= ')}", flush=True)
    return green


def main() -> int:
    """See the module's head."""
    parser = argparse.ArgumentParser(description=str(__doc__).partition("\n")[0])
    parser.add_argument("where", nargs="*", help="only these files or folders")
    parser.add_argument("--runs", type=int, default=10)
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--guest", action="store_true", help="also the tests in the virtual machine")
    parser.add_argument("--log", type=Path, default=Path("orders.log"), help="what pytest printed")
    options = parser.parse_args()
    seeds = range(options.first_seed, options.first_seed + options.runs)
    green = [one_run(seed, options.where, options.log, guest=options.guest) for seed in seeds]
    print(f"{sum(green)} of {len(green)} runs were green")
    return 0 if all(green) else 1


if __name__ == "__main__":
    sys.exit(main())
