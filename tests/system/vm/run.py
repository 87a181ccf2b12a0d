#!/usr/bin/env python3
"""Run one command in a virtual machine that has ALSA, USB and systemd as its first process.

    run.py [--time-limit S] [--share DIR] [--env NAME]... [--aside] -- COMMAND...
    run.py --check          say what is missing, if anything

The guest's root is this machine's own below a layer that is thrown away; the command runs as root in the
current directory, its output comes out here, and its exit status becomes this program's. 124: the time limit
was reached. 125: the machine did not start, or died before the command ended. DIR is /run/job/out in
the guest, and writable. The processor is emulated unless ROUTERD_VM_ACCEL says otherwise (kvm).
"""

from __future__ import annotations

import argparse
import ctypes
import os
import shlex
import shutil
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent
CACHE = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "routerd-vm"
GUEST = CACHE / "guest"
MODULES = "snd-seq snd-seq-midi snd-timer snd-hrtimer snd-seq-dummy"
MODULE_OPTIONS = "options snd-seq-dummy ports=2"
"""Not as words of a modprobe: the kernel itself loads this module when somebody asks for its client."""

KERNEL_LINE = (
    "console=ttyS0 quiet panic=-1 mitigations=off nokaslr tsc=reliable audit=0 apparmor=0 "
    "rdinit=/init net.ifnames=0"
)
EMULATED = "Nehalem"
"""An old processor. What newer ones have (SMAP, five levels of pages, long string moves) an emulator must
imitate: with "max" opening a file or starting a process takes two to three times as long."""

TIMED_OUT, NO_MACHINE = 124, 125
_PR_SET_PDEATHSIG = 1


def missing() -> str:
    """Return what keeps the machine from starting, "" when nothing does."""
    if shutil.which("qemu-system-x86_64") is None:
        return "qemu-system-x86_64 is not installed (Debian: qemu-system-x86 and qemu-system-data)"
    if not (GUEST / "initramfs").exists():
        return f"no guest yet: run {HERE / 'make-guest'}"
    if not Path("/lib/systemd/systemd").exists():
        return "no /lib/systemd/systemd: the guest starts this machine's own systemd"
    return ""


def job_script(command: list[str], names: list[str], share: bool) -> str:
    """Return the script that the guest runs."""
    lines = [f"cd {shlex.quote(str(Path.cwd()))}"]
    if share:
        lines.append("mkdir -p /run/job/out")
        lines.append("mount -t 9p -o trans=virtio,version=9p2000.L,cache=none out /run/job/out")
    lines += [
        f"export {name}={shlex.quote(os.environ[name])}"
        for name in ["PATH", "HOME", "LANG", *names]
        if name in os.environ
    ]
    lines.append("export ROUTERD_GUEST=1")
    lines.append(f"echo {MODULE_OPTIONS} >/etc/modprobe.d/routerd-tests.conf")
    lines.append(f"for module in {MODULES}; do modprobe $module; done")
    # What udev's rules would do.
    lines.append("chgrp -R audio /dev/snd && chmod -R g+rwX /dev/snd")
    lines.append("exec " + shlex.join(command))
    return "\n".join(lines) + "\n"


def machine_arguments(initramfs: Path, serial: Path, memory_mb: int) -> list[str]:
    """Return qemu's command line for a machine without devices; `serial` gets what the kernel says."""
    accel = os.environ.get("ROUTERD_VM_ACCEL", "tcg,thread=multi")
    return [
        "qemu-system-x86_64", "-accel", accel, "-cpu", "host" if accel.startswith("kvm") else EMULATED,
        "-M", "q35", "-m", str(memory_mb), "-smp", "2",
        "-nodefaults", "-no-user-config", "-display", "none", "-no-reboot",
        "-kernel", str(GUEST / "vmlinux"), "-initrd", str(initramfs), "-append", KERNEL_LINE,
        "-serial", f"file:{serial}",
    ]  # fmt: skip


def qemu_arguments(job: Path, share: Path | None, memory_mb: int) -> list[str]:
    """Return qemu's command line: shares of files instead of disks, one console for output."""

    def folder(tag: str, path: Path, extra: str = "") -> list[str]:
        return [
            "-fsdev", f"local,id={tag},path={path},security_model=none{extra}",
            "-device", f"virtio-9p-pci,fsdev={tag},mount_tag={tag}",
        ]  # fmt: skip

    return [
        *machine_arguments(GUEST / "initramfs", job / "serial", memory_mb),
        *folder("host", Path("/"), ",readonly=on,multidevs=remap"),
        *folder("job", job),
        *(folder("out", share) if share else []),
        "-device", "virtio-serial-pci", "-chardev", "stdio,id=console,signal=off",
        "-device", "virtconsole,chardev=console",
    ]  # fmt: skip


def die_with_parent(number: int) -> None:
    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, number, 0, 0, 0)


def stand_aside() -> None:
    """Run only on what other programs leave of the processors."""
    os.sched_setscheduler(0, os.SCHED_IDLE, os.sched_param(0))


def read_if_there(path: Path) -> str:
    return path.read_text(errors="replace") if path.exists() else ""


def run(command: list[str], time_limit_s: float, share: Path | None, names: list[str], memory_mb: int) -> int:
    """Start the machine, wait for its end, return the command's status, or 124 or 125."""
    job = Path(tempfile.mkdtemp(prefix="job.", dir=CACHE))
    try:
        version = (GUEST / "version").read_text().strip()
        (job / "guest.conf").write_text(f"KERNEL_VERSION={version}\nGUEST_DIR={shlex.quote(str(GUEST))}\n")
        (job / "job.sh").write_text(job_script(command, names, share is not None))
        for name in ("job.service", "job.target"):
            shutil.copy(HERE / name, job / name)
        qemu = subprocess.Popen(
            qemu_arguments(job, share, memory_mb),
            stdin=subprocess.DEVNULL,
            preexec_fn=lambda: die_with_parent(signal.SIGKILL),  # noqa: PLW1509 - there are no threads here
        )
        timed_out = False
        try:
            qemu.wait(time_limit_s)
        except subprocess.TimeoutExpired:
            timed_out = True
        finally:
            qemu.kill()
            qemu.wait()
        if status := read_if_there(job / "status").strip():
            return int(status)
        print(f"no status from the guest (qemu ended with {qemu.returncode}); its console:", file=sys.stderr)
        print("\n".join(read_if_there(job / "serial").splitlines()[-20:]), file=sys.stderr)
        return TIMED_OUT if timed_out else NO_MACHINE
    finally:
        shutil.rmtree(job)


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    add = parser.add_argument
    add("--check", action="store_true", help="say what is missing; status 1 if anything is")
    add("--time-limit", type=float, default=300, metavar="S", help="for the whole machine (300)")
    add("--share", type=Path, metavar="DIR", help="writable folder, /run/job/out in the guest")
    add("--env", action="append", default=[], metavar="NAME", help="hand this variable on")
    add("--aside", action="store_true", help="run only on what other programs leave of the processors")
    add("--memory", type=int, default=2048, metavar="MB", help="of the guest (2048)")
    parser.add_argument("command", nargs="*")
    arguments = parser.parse_args()
    if reason := missing():
        print(reason, file=sys.stdout if arguments.check else sys.stderr)
        return 1 if arguments.check else NO_MACHINE
    if arguments.check:
        return 0
    if not arguments.command:
        parser.error("no command")
    # An end from outside is an exception here, so that the machine is ended too.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    die_with_parent(signal.SIGTERM)
    if arguments.aside:
        stand_aside()
    share = arguments.share.resolve() if arguments.share else None
    return run(arguments.command, arguments.time_limit, share, arguments.env, arguments.memory)


if __name__ == "__main__":
    sys.exit(main())
