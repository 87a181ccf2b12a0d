"""What a soundcheck finds out by itself: facts of this machine, who answers, what comes back over a loopback.

This machine. The kernel's files are read under a root folder, so that any machine can be described in a test.
A fact that the machine does not show is "unknown", never good.

The roll call's question and its answers are identity request and reply (M1 p. 40). M1 is the MIDI 1.0
Detailed Specification, document version 4.2.1.

Over a loopback cable what goes out of an output comes in at an input. Two things are sent round: the clock's
own ticks, one byte each, and probes, SysEx of the number that is kept for non-commercial use (7D; from
memory), which no instrument acts on. Both ends are stamped in the engine by the same clock: when the port had
taken the bytes, and when the input port reported their arrival (of ticks on ALSA, when the kernel stamped
it). So the interface, the wire and the input are in these figures, and the far instrument is not. A loopback
inside the computer may bring the bytes before the port has said that it took them: that is no time at all.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

from routerd.core.midi.messages import TICK_BYTES
from routerd.core.units import DIN_BYTE_NS, NS_PER_MS, NS_PER_US
from routerd.link.frames import INPUT_BIT, OWN_RATE, Tap, TickRecord
from routerd.link.messages import Realtime, SpareState
from routerd.server.report.series import P50, P99, P99_9
from routerd.server.report.statistics import count_needed, rank
from routerd.server.soundcheck.figures import Identity, LoopbackFigures, LoopbackTimes, MachineFact, Offset

_GOVERNORS = "sys/devices/system/cpu"
_USB = "sys/bus/usb/devices"
_AUDIO_CLASS, _MIDI_SUBCLASS = "01", "03"
"""USB Device Class Definition for MIDI Devices 1.0: the MIDIStreaming interface."""

REQUEST = bytes.fromhex("F0 7E 7F 06 01 F7")
"""To every device on the wire, whatever its own number (7F)."""

ANSWER_S = 1.5
"""How long to wait for an answer."""

OTHERS_S = 0.3
"""How long to wait behind one: two devices of one product may be behind one port, by a thru box, say."""

_REPLY_BYTES, _LONG_REPLY_BYTES = 15, 17

PROBES = 200
PROBE_EVERY_S = 0.05
WINDOW_NS = 500 * NS_PER_MS
"""What has not come round by then is lost."""

EARLY_NS = NS_PER_MS
"""By so much a tick may have come before it is known to have been sent."""

TICK_WINDOW_NS = 15 * NS_PER_MS
"""Shorter than any interval of ticks up to 166 BPM, so that a tick is not taken for the one before."""


_NO_SPARE = SpareState()


def machine_facts(
    realtime: Realtime | None, root: Path = Path("/"), spare: SpareState = _NO_SPARE
) -> list[MachineFact]:
    """Return all facts. `realtime` is what the engine was granted, if known; reading takes milliseconds."""
    granted = _granted(realtime) if realtime else ()
    return [*granted, *_spare(spare), _governor(root), _preemption(root), *_usb(root)]


def _spare(spare: SpareState) -> Iterator[MachineFact]:
    """Yield whether the spare is ready; nothing where none is wanted."""
    tried = f"it has taken over {spare.takeovers} ×" if spare.takeovers else "it has not taken over yet"
    if spare.state == "ready":
        remedy = "" if spare.takeovers else "try it: curl -X POST localhost:8473/v1/takeover, and listen"
        yield MachineFact("spare engine", "pass", f"ready, {spare.behind} behind; {tried}", remedy)
    elif spare.state == "coming":
        yield MachineFact("spare engine", "warn", "it is being made", "wait a second and check again")
    elif spare.state == "none":
        yield MachineFact("spare engine", "fail", f"there is none: {spare.why_none}", "see the log")


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


def probe(number: int) -> bytes:
    """Return the probe of that number, 0 to 16 383."""
    return bytes((0xF0, 0x7D, number >> 7, number & 0x7F, 0xF7))


PROBE_BYTES = len(probe(0))


@dataclass(slots=True)
class Loopback:
    """One loopback, from an output to the input of another device; collects, then sums up."""

    device: str
    hears: str
    din: bool
    _sent: dict[bytes, int] = field(default_factory=dict)
    _came: dict[bytes, int] = field(default_factory=dict)
    _ticks_sent: list[int] = field(default_factory=list)
    _ticks_came: list[int] = field(default_factory=list)
    _cut: int = 0

    def take_taps(self, taps: list[Tap], output: int, input: int) -> None:
        """Take messages; `output` and `input` are the numbers of this loopback's ends."""
        for at_ns, way, data in taps:
            if way == INPUT_BIT | input:
                if data == TICK_BYTES:
                    self._ticks_came.append(at_ns)
                elif data[:2] == b"\xf0\x7d":
                    self._came.setdefault(data, at_ns)
            elif way == output and data[:2] == b"\xf0\x7d":
                if len(data) == PROBE_BYTES:
                    self._sent.setdefault(data, at_ns)
                else:
                    self._cut += 1

    def take_ticks(self, records: list[TickRecord], output: int) -> None:
        """Take tick records."""
        self._ticks_sent += [record.sent_ns for record in records if record.output & ~OWN_RATE == output]

    def figures(self) -> LoopbackFigures:
        """Return the figures."""
        took = [
            max(0, self._came[data] - sent_ns)
            for data, sent_ns in self._sent.items()
            if data in self._came and self._came[data] - sent_ns <= WINDOW_NS
        ]
        ticks = match(self._ticks_sent, self._ticks_came, TICK_WINDOW_NS)
        return LoopbackFigures(
            device=self.device,
            hears=self.hears,
            probes=len(self._sent),
            probes_cut=self._cut,
            lost=len(self._sent) - len(took),
            latency_us=_times(took),
            wire_us=PROBE_BYTES * DIN_BYTE_NS / NS_PER_US if self.din else 0.0,
            ticks=len(ticks),
            tick_latency_us=_times(ticks),
        )


def match(sent: list[int], came: list[int], window_ns: int) -> list[int]:
    """Return how long each of `sent` took, of those that came round within `window_ns`.

    Both in order of time; an arrival belongs to the last that was sent before it, or EARLY_NS after it.
    """
    took: list[int] = []
    place = 0
    for at_ns in came:
        while place + 1 < len(sent) and sent[place + 1] - EARLY_NS <= at_ns:
            place += 1
        if place < len(sent) and -EARLY_NS <= at_ns - sent[place] <= window_ns:
            took.append(max(0, at_ns - sent[place]))
    return took


def suggested_offsets(loopbacks: Iterable[LoopbackFigures]) -> tuple[Offset, ...]:
    """Return how much later (+) each measured device's clock may be sent, in ms, so that all arrive together.

    The slowest keeps its place: everything else waits for it. Empty with fewer than two measured ones.
    """
    usual_us = {
        loop.device: loop.tick_latency_us.p50 for loop in loopbacks if loop.tick_latency_us.p50 is not None
    }
    if len(usual_us) < 2:
        return ()
    slowest_us = max(usual_us.values())
    return tuple(
        Offset(device, round((slowest_us - latency_us) / 1000, 2)) for device, latency_us in usual_us.items()
    )


def _times(values: Sequence[int]) -> LoopbackTimes:
    """Return least, percentiles and largest in µs; None where there are too few values."""
    ordered = sorted(values)

    def percentile(wanted: Fraction) -> float | None:
        if len(ordered) < count_needed(wanted):
            return None
        return ordered[rank(wanted, len(ordered)) - 1] / NS_PER_US

    return LoopbackTimes(
        min=ordered[0] / NS_PER_US if ordered else None,
        p50=percentile(P50),
        p99=percentile(P99),
        p99_9=percentile(P99_9),
        max=ordered[-1] / NS_PER_US if ordered else None,
    )


def all_words(identities: Iterable[Identity]) -> str:
    """Return what all devices that answered one request have said, equal answers counted."""
    counts = Counter(identity.words for identity in identities)
    return "; and ".join(f"{count} times {words}" if count > 1 else words for words, count in counts.items())


def parse_identity(data: bytes) -> Identity | None:
    """Return what an identity reply says, None for any other message.

    Two-byte numbers come least significant byte first; a manufacturer number that begins with 00 has three
    bytes.
    """
    if len(data) < _REPLY_BYTES or data[:2] != b"\xf0\x7e" or data[3:5] != b"\x06\x02" or data[-1] != 0xF7:
        return None
    length = 3 if data[5] == 0 else 1
    if len(data) != (_LONG_REPLY_BYTES if length == 3 else _REPLY_BYTES) or max(data[1:-1]) > 0x7F:
        return None
    rest = data[5 + length :]
    return Identity(
        channel=data[2],
        manufacturer=data[5 : 5 + length].hex(" ").upper(),
        family=rest[0] | rest[1] << 7,
        member=rest[2] | rest[3] << 7,
        version=rest[4:8].hex(" ").upper(),
    )
