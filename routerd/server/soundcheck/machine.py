"""What this machine is like for keeping time, by its own facts, and how to fix what is not right.

Reads the kernel's files under a root folder, so that any machine can be described in a test. A fact that
the machine does not show is "unknown", never good.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from routerd.server.report.figures import Realtime
from routerd.server.soundcheck.figures import MachineFact

_GOVERNORS = "sys/devices/system/cpu"
_USB = "sys/bus/usb/devices"
_AUDIO_CLASS, _MIDI_SUBCLASS = "01", "03"
"""USB Device Class Definition for MIDI Devices 1.0: the MIDIStreaming interface."""


def machine_facts(realtime: Realtime | None, root: Path = Path("/")) -> list[MachineFact]:
    """Return all facts. `realtime` is what the engine was granted, if known; reading takes milliseconds."""
    return [*(_granted(realtime) if realtime else ()), _governor(root), _preemption(root), *_usb(root)]


def _granted(realtime: Realtime) -> Iterator[MachineFact]:
    remedies = [part for part in (realtime.remedy or "").split("; allow ") if part]
    remedies = [part if part.startswith("allow ") else f"allow {part}" for part in remedies]
    for fact, good, yes, no, word in (
        (
            "real-time scheduling",
            realtime.scheduling == "fifo",
            f"the clock runs under SCHED_FIFO, priority {realtime.priority}",
            "the clock waits behind other work",
            "scheduling",
        ),
        (
            "memory lock",
            realtime.memory_locked,
            "memory is locked",
            "a page may have to come from disk in a tick",
            "memory",
        ),
        (
            "wake-up",
            realtime.idle_held,
            "processors are kept out of deep sleep",
            "a processor may sleep deeply and wake late",
            "wake-ups",
        ),
    ):
        remedy = next((part for part in remedies if word in part.split(":")[0]), "")
        yield MachineFact(fact, "pass", yes) if good else MachineFact(fact, "warn", no, remedy)


def _governor(root: Path) -> MachineFact:
    fact = "CPU frequency governor"
    files = sorted((root / _GOVERNORS).glob("cpu[0-9]*/cpufreq/scaling_governor"))
    found = sorted({text for file in files if (text := _read(file))})
    if not found:
        return MachineFact(
            fact, "unknown", "this machine shows no frequency scaling (a virtual machine shows none)"
        )
    if found == ["performance"]:
        return MachineFact(fact, "pass", "performance on every processor")
    return MachineFact(
        fact,
        "warn",
        f"{' and '.join(found)}: a processor that idles between ticks runs slowly when one is due",
        "for i in /sys/devices/system/cpu/cpu*/cpufreq/scaling_governor; do echo performance > $i; done "
        "(as root; lasts until the next boot)",
    )


def _preemption(root: Path) -> MachineFact:
    fact = "kernel preemption"
    version = _read(root / "proc/version")
    chosen = _read(root / "sys/kernel/debug/sched/preempt")
    if _read(root / "sys/kernel/realtime") == "1" or "PREEMPT_RT" in version:
        return MachineFact(fact, "pass", "a real-time kernel (PREEMPT_RT)")
    if "(full)" in chosen or "(lazy)" in chosen or "preempt=full" in _read(root / "proc/cmdline"):
        return MachineFact(fact, "pass", "full preemption")
    if "(" in chosen or "PREEMPT_DYNAMIC" in version:
        return MachineFact(
            fact,
            "warn" if "(" in chosen else "unknown",
            f"chosen at boot: {chosen}"
            if chosen
            else "chosen at boot (PREEMPT_DYNAMIC); only root sees which",
            "add preempt=full to the kernel's command line (GRUB_CMDLINE_LINUX in /etc/default/grub, "
            "update-grub, reboot)",
        )
    if "PREEMPT" in version:
        return MachineFact(fact, "pass", "full preemption")
    if not version:
        return MachineFact(fact, "unknown", "this machine does not show it (no /proc/version)")
    return MachineFact(
        fact,
        "warn",
        "the kernel finishes its own work first",
        "install a kernel with preemption (on Debian linux-image-rt-amd64) and boot it",
    )


def _usb(root: Path) -> Iterator[MachineFact]:
    fact = "USB topology"
    interfaces = sorted((root / _USB).glob("*:*"))
    devices = sorted({file.name.split(":")[0] for file in interfaces if _is_midi(file)}, key=_path_key)
    if not devices:
        yield MachineFact(fact, "unknown", "no USB MIDI interface is connected")
    for path in devices:
        folder = root / _USB / path
        name = _read(folder / "product") or "USB MIDI device"
        words = f"{name} at USB path {path}, {_read(folder / 'speed') or '?'} Mbit/s"
        others = [other for other in devices if other != path and _hub(other) and _hub(other) == _hub(path)]
        if others:
            yield MachineFact(
                fact,
                "warn",
                f"{words}, shares a hub with {', '.join(others)}: they wait for each other",
                "put them on sockets of the computer itself",
            )
        elif _hub(path):
            yield MachineFact(
                fact, "warn", f"{words}, behind a hub", "put it on a socket of the computer itself"
            )
        elif _read(folder / "power/control") == "auto":
            yield MachineFact(
                fact,
                "warn",
                f"{words}, may be put to sleep",
                f"echo on > /sys/bus/usb/devices/{path}/power/control (as root)",
            )
        else:
            yield MachineFact(fact, "pass", f"{words}, on a socket of the computer")


def _is_midi(interface: Path) -> bool:
    kind = _read(interface / "bInterfaceClass"), _read(interface / "bInterfaceSubClass")
    return kind == (_AUDIO_CLASS, _MIDI_SUBCLASS)


def _hub(path: str) -> str:
    """Return the USB path of the hub that a device hangs on, "" for the computer's own sockets."""
    return path.rpartition(".")[0]


def _path_key(path: str) -> tuple[int, ...]:
    return tuple(int(part) if part.isdecimal() else 0 for part in path.replace("-", ".").split("."))


def _read(file: Path) -> str:
    try:
        return file.read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return ""
