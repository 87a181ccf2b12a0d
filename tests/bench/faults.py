"""Breaks things on purpose, one after the other, and prints one table: fault, what was seen, figures.

    python -m tests.bench.faults [NAME ...]

Without names all of them. A fault is a function that returns a row (see `fault_rows`); one that fails says so
in its row and in the exit status, and the others go on. Needs a machine that does nothing else.
"""

from __future__ import annotations

import sys
import time

from tests.bench import machine_faults, process_faults
from tests.bench.fault_rows import Fault, Row, table

FAULTS: list[tuple[str, Fault]] = [
    ("server-killed", process_faults.killed),
    ("server-hangs", process_faults.stopped),
    ("server-out-of-memory", process_faults.without_memory),
    ("server-dies-at-start", process_faults.dying_at_every_start),
    ("engine-killed", process_faults.engine_killed),
    ("engine-stands-still", machine_faults.engine_stands_still),
    ("processors-busy", machine_faults.processors_busy),
    ("disk-full", machine_faults.disk_full),
    ("disk-read-only", machine_faults.disk_read_only),
    ("log-blocked", machine_faults.log_blocked),
    ("no-descriptors", machine_faults.no_descriptors),
    ("port-floods", machine_faults.port_floods),
]
"""By the names that the command line takes."""


def main() -> int:
    """See the module's head."""
    names = sys.argv[1:]
    unknown = sorted(set(names) - {name for name, _ in FAULTS})
    if unknown:
        print(f"no fault {unknown[0]!r}; there are: {', '.join(name for name, _ in FAULTS)}", file=sys.stderr)
        return 2
    rows: list[Row] = []
    failed = 0
    for name, fault in FAULTS:
        if names and name not in names:
            continue
        began_s = time.monotonic()
        try:
            rows.append(fault())
        except Exception as error:  # noqa: BLE001 - the other faults are still worth seeing
            failed += 1
            rows.append(Row(name, f"FAILED: {type(error).__name__}", str(error).splitlines()[0][:200]))
        print(f"{name}: {time.monotonic() - began_s:.0f} s", file=sys.stderr, flush=True)
    print(table(rows))
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(main())
