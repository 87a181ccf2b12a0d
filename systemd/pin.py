"""Prints requirements.txt: all that an installation takes, in exact versions, with the hashes of its files.

    python3 systemd/pin.py >systemd/requirements.txt

Run from a checkout, by the Python that the service will have, on a machine of its kind: the hashes are of the
files that pip takes there. What builds the package is pinned too.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path

BUILDS = ("hatchling",)


def main() -> None:
    """See the module's head."""
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder) / "report.json"
        command = [sys.executable, "-m", "pip", "install", "-q", "--dry-run", "--ignore-installed"]
        subprocess.run([*command, "--report", str(report), ".", *BUILDS], check=True, stdout=sys.stderr)  # noqa: S603
        chosen = json.loads(report.read_text())["install"]
    pins = []
    for one in chosen:
        archive = one["download_info"].get("archive_info")
        if archive is not None:  # a folder is this checkout itself
            name = one["metadata"]["name"].lower()
            pins.append(f"{name}=={one['metadata']['version']} --hash=sha256:{archive['hashes']['sha256']}")
    print("\n".join(sorted(pins)))


if __name__ == "__main__":
    main()
