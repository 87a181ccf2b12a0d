#!/usr/bin/env python3
"""Run one program of this checkout in a virtual machine without a disk: what it needs is in the initramfs.

    in_memory.py [--time-limit S] PROGRAM [FILE...]

With the interpreter that runs this, and routerd, its packages and the FILEs beside it. What is said comes
out here, and the program's status becomes this one's; 124 and 125 as in run.py. For a suspend: the
guest of run.py has its files over virtio 9p, whose driver has no callbacks for it (from memory of Linux 6.1's
source, not tried).
"""

from __future__ import annotations

import argparse
import importlib.metadata
import re
import signal
import subprocess
import sys
import sysconfig
import tempfile
from collections.abc import Iterator
from pathlib import Path

from run import (
    CACHE,
    GUEST,
    NO_MACHINE,
    TIMED_OUT,
    die_with_parent,
    machine_arguments,
    missing,
    read_if_there,
)

ROOT = Path(__file__).resolve().parents[3]
NOT_RUN = {"matplotlib"}
"""What only a report's page is made with."""

SITES = [Path(place) for place in sys.path if place.endswith("-packages")]
"""Where packages are installed: this environment, and those of the system that it sees."""

LEFT_OUT = {
    "site-packages",
    "test",
    "idlelib",
    "lib2to3",
    "tkinter",
    "ensurepip",
    "turtledemo",
    "pydoc_data",
    "dist-packages",
}
MEMORY_MB = 2048
END = "in_memory: the program's status is "

INIT = """\
#!/bin/busybox sh
/bin/busybox --install -s /bin
export PATH=/bin HOME=/run PYTHONPATH={path} PYTHONUNBUFFERED=1
mount -t devtmpfs dev /dev
exec </dev/null >/dev/ttyS0 2>&1
mount -t proc proc /proc
mount -t sysfs sys /sys
ifconfig lo 127.0.0.1 up
cd {root}
{python} {program}
echo "{end}$?"
poweroff -f
"""


def run_in_memory(program: Path, others: list[Path], limit_s: float) -> int:
    """Run it, show what it said and return its status."""
    with tempfile.TemporaryDirectory(dir=CACHE) as place:
        image, serial = Path(place) / "initramfs", Path(place) / "serial"
        _make(image, Path(place) / "root", program, others)
        arguments = machine_arguments(image, serial, MEMORY_MB)
        with subprocess.Popen(
            arguments,
            stdin=subprocess.DEVNULL,
            preexec_fn=lambda: die_with_parent(signal.SIGKILL),  # noqa: PLW1509 - there are no threads here
        ) as machine:
            try:
                machine.wait(limit_s)
                failure = NO_MACHINE
            except subprocess.TimeoutExpired:
                failure = TIMED_OUT
            finally:
                machine.kill()
        text = read_if_there(serial)
    print(text)
    status = re.search(re.escape(END) + r"(\d+)", text)
    return int(status[1]) if status else failure


def _make(image: Path, own: Path, program: Path, others: list[Path]) -> None:
    """Write the initramfs: our own few files, then everything else by its path on this machine."""
    for folder in ("bin", "dev", "proc", "sys", "run", "tmp"):
        (own / folder).mkdir(parents=True)
    with (GUEST / "initramfs").open("rb") as guests:
        command = ["cpio", "--extract", "--make-directories", "--quiet", "bin/busybox"]
        subprocess.run(command, cwd=own, stdin=guests, check=True)
    (own / "init").write_text(
        INIT.format(
            path=":".join(map(str, [*SITES, ROOT])),
            root=ROOT,
            python=Path(sys.executable).resolve(),
            program=program,
            end=END,
        )
    )
    (own / "init").chmod(0o755)
    files = sorted(
        {program, *others, *_python(), *_packages(), *_folder(ROOT / "routerd"), *_folder(ROOT / "configs")}
    )
    files += _libraries(files)
    with image.open("wb") as out:
        for base, paths in ((own, own.rglob("*")), (Path("/"), iter(files))):
            names = _with_folders(path.relative_to(base) for path in paths)
            command = ["cpio", "--create", "--format=newc", "--dereference", "--quiet"]
            subprocess.run(command, cwd=base, input="\n".join(names).encode(), stdout=out, check=True)


def _with_folders(paths: Iterator[Path]) -> list[str]:
    """Return the paths with their folders before them, as an initramfs wants them."""
    seen: dict[str, None] = {}
    for path in paths:
        for part in (*reversed(path.parents), path):
            seen[str(part)] = None
    seen.pop(".", None)
    return list(seen)


def _folder(folder: Path) -> Iterator[Path]:
    return (path for path in folder.rglob("*") if path.is_file())


def _python() -> Iterator[Path]:
    yield Path(sys.executable).resolve()
    stdlib = Path(sysconfig.get_path("stdlib"))
    for path in _folder(stdlib):
        top = path.relative_to(stdlib).parts[0]
        if top not in LEFT_OUT and not top.startswith("config-"):
            yield path


def _packages() -> Iterator[Path]:
    """Return the files of everything that routerd depends on."""
    waiting, seen = ["routerd"], set(NOT_RUN)
    while waiting:
        name = waiting.pop()
        if name in seen:
            continue
        seen.add(name)
        try:
            package = importlib.metadata.distribution(name)
        except importlib.metadata.PackageNotFoundError:
            continue  # for another system, or an extra that nobody asked for
        waiting += [
            re.split(r"[^A-Za-z0-9._-]", requirement, maxsplit=1)[0].lower()
            for requirement in package.requires or ()
            if "extra ==" not in requirement
        ]
        for file in package.files or ():
            path = Path(str(file.locate()))
            if not set(SITES).isdisjoint(path.parents) and path.is_file():
                yield path


def _libraries(files: list[Path]) -> list[Path]:
    """Return the shared libraries that these files need."""
    wanting = [str(path) for path in files if ".so" in path.suffixes or path.name.startswith("python3")]
    told = subprocess.run(["ldd", *wanting], capture_output=True, text=True, check=False).stdout
    return sorted({Path(path) for path in re.findall(r"(/[^\s:]+) \(0x", told)} - set(files))


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "--time-limit", type=float, default=300, metavar="S", help="for the whole machine (300)"
    )
    parser.add_argument("program", type=Path)
    parser.add_argument("files", nargs="*", type=Path)
    arguments = parser.parse_args()
    if reason := missing():
        print(reason, file=sys.stderr)
        return NO_MACHINE
    program, *files = (path.resolve() for path in (arguments.program, *arguments.files))
    return run_in_memory(program, files, arguments.time_limit)


if __name__ == "__main__":
    sys.exit(main())
