"""Writes requirements.txt: all that an installation takes, in exact versions, with the hashes of their files.

    /opt/routerd/bin/python systemd/pin.py

Run from a checkout, by a Python that has pip (Debian's own has none, that of a virtual environment has), on a
machine of the service's kind: for each of RELEASES the hashes are of the files that pip takes there. What
builds the package is pinned too. The file is replaced when all has been found, and otherwise left as it is.
"""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
FILE = ROOT / "systemd" / "requirements.txt"

RELEASES: dict[str, tuple[str, ...]] = {"3.11": (), "3.13": ("python-rtmidi",)}
"""The Python of Debian 12 and of Debian 13, and what Debian itself brings there (python3-rtmidi)."""

HEAD = """\
# Made by systemd/pin.py for Python {releases} on {platform}; do not edit.
# pip install --require-hashes --no-deps -r systemd/requirements.txt
"""


def wanted(without: tuple[str, ...]) -> list[str]:
    """Return what pyproject.toml asks for, also for building, as pip takes it."""
    table = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    asked = [*table["project"]["dependencies"], *table["build-system"]["requires"]]
    return [one for one in asked if not one.startswith(without)]


def chosen(release: str, without: tuple[str, ...]) -> list[dict[str, Any]]:
    """Return what pip would install for one release of Python; ends the program when it finds none."""
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder) / "report.json"
        command = [sys.executable, "-m", "pip", "install", "-q", "--dry-run", "--ignore-installed"]
        command += ["--python-version", release, "--only-binary", ":all:", "--target", folder]
        done = subprocess.run(  # noqa: S603
            [*command, "--report", str(report), *wanted(without)], check=False, stdout=sys.stderr
        )
        if done.returncode != 0:
            sys.exit(f"pin.py: pip found no versions for Python {release}; {FILE} is as it was")
        return list(json.loads(report.read_text(encoding="utf-8"))["install"])


def pins() -> list[str]:
    """Return the lines: a version that only some releases take says for which."""
    found: dict[tuple[str, str], dict[str, str]] = {}
    for release, without in RELEASES.items():
        for one in chosen(release, without):
            key = one["metadata"]["name"].lower(), one["metadata"]["version"]
            found.setdefault(key, {})[release] = one["download_info"]["archive_info"]["hashes"]["sha256"]
    lines = []
    for (name, version), hashes in sorted(found.items()):
        marker = "" if set(hashes) == set(RELEASES) else _marker(list(hashes))
        lines.append(f"{name}=={version}{marker}" + "".join(f" --hash=sha256:{one}" for one in _once(hashes)))
    return lines


def _marker(releases: list[str]) -> str:
    return " ; " + " or ".join(f'python_version == "{release}"' for release in releases)


def _once(hashes: dict[str, str]) -> list[str]:
    return list(dict.fromkeys(hashes.values()))


def main() -> None:
    """See the module's head."""
    if importlib.util.find_spec("pip") is None:
        sys.exit(
            f"pin.py: {sys.executable} has no pip; run it by the Python of a virtual environment, such as"
            " /opt/routerd/bin/python systemd/pin.py"
        )
    import platform

    lines = pins()
    head = HEAD.format(releases=" and ".join(RELEASES), platform=f"{sys.platform} {platform.machine()}")
    beside = FILE.with_name(f"{FILE.name}.new")
    beside.write_text(head + "\n".join(lines) + "\n", encoding="utf-8")
    beside.replace(FILE)
    print(f"{FILE}: {len(lines)} pins for Python {' and '.join(RELEASES)}")


if __name__ == "__main__":
    main()
