"""USB MIDI devices made of software, plugged into the guest's own USB bus and pulled out again.

dummy_hcd joins a host and a device side inside one kernel, usb_f_midi is the device ("Linux USB gadget
configured through configfs", Documentation/usb/gadget_configfs.rst in the kernel's sources). The host side
is a sound card like that of any USB MIDI interface; the device side is a raw MIDI port: what is written
there arrives as if a musician had played it.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import struct
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Self, TypeVar

CONFIG = Path("/sys/kernel/config")
GADGETS = CONFIG / "usb_gadget"
VENDOR = "0x1209"
"""The pid.codes vendor number, meant for tests such as these."""

# From the kernel's include/uapi/sound/asound.h: SNDRV_RAWMIDI_IOCTL_PARAMS with struct snd_rawmidi_params.
_PARAMETERS = struct.Struct("@iNN24x")
_SET_PARAMETERS = 0xC0000000 | _PARAMETERS.size << 16 | ord("W") << 8 | 0x10
_INPUT = 1
_BUFFER_BYTES = 512 * 1024
_PIECE_BYTES = 512
_BYTES_A_SECOND = 50_000
SEQUENCER_OPTIONS = Path("/sys/module/snd_seq_midi/parameters")
"""Buffers of 4096 bytes by default: 40 ms at the pace of the daemon. An emulated bus stands still longer."""

T = TypeVar("T")


def wait_for(what: str, look: Callable[[], T], limit_s: float = 60.0, every_s: float = 0.02) -> T:
    """Call `look` until what it returns is true, and return it; fail after `limit_s`."""
    end = time.monotonic() + limit_s
    while not (found := look()):
        if time.monotonic() > end:
            raise AssertionError(f"waited {limit_s:g} s in vain for {what}")
        time.sleep(every_s)
    return found


def load_bus(sockets: int) -> None:
    """Load a USB bus with room for so many devices."""
    for words in (
        ["dummy_hcd", f"num={sockets}", "is_super_speed=0", "is_high_speed=1"],
        ["libcomposite"],
        ["usb_f_midi"],
        ["snd-usb-audio"],
    ):
        subprocess.run(["modprobe", *words], check=True)
    for name in ("input_buffer_size", "output_buffer_size"):
        (SEQUENCER_OPTIONS / name).write_text(str(_BUFFER_BYTES))
    if not os.path.ismount(CONFIG):
        subprocess.run(["mount", "-t", "configfs", "none", str(CONFIG)], check=True)


class Gadget:
    """One USB MIDI device in one socket of the bus."""

    def __init__(self, socket: int, product: str, serial: str, ports: int = 1) -> None:
        self.socket = socket
        self.serial = serial
        self._card_id = f"device{socket}"
        self._home = GADGETS / f"gadget{socket}"
        self._function = self._home / "functions" / "midi.0"
        self._configuration = self._home / "configs" / "c.1"
        strings = self._home / "strings" / "0x409"
        (self._configuration / "strings" / "0x409").mkdir(parents=True)
        for name, value in {
            "idVendor": VENDOR,
            "idProduct": f"0x{socket + 1:04x}",
            "bcdDevice": "0x0100",
            "bcdUSB": "0x0200",
        }.items():
            (self._home / name).write_text(value)
        strings.mkdir()
        (strings / "serialnumber").write_text(serial)
        (strings / "product").write_text(product)
        (strings / "manufacturer").write_text("Workshop")
        self._function.mkdir()
        (self._function / "id").write_text(self._card_id)
        (self._function / "in_ports").write_text(str(ports))
        (self._function / "out_ports").write_text(str(ports))
        (self._configuration / "midi.0").symlink_to(self._function)

    def plug(self, socket: int | None = None) -> None:
        """Put the plug into its socket, or into another one."""
        self.socket = self.socket if socket is None else socket
        (self._home / "UDC").write_text(f"dummy_udc.{self.socket}")

    def unplug(self) -> None:
        """Pull the plug; harmless when it is out."""
        with contextlib.suppress(OSError):
            (self._home / "UDC").write_text("\n")

    def remove(self) -> None:
        """Unplug and take the device away for good."""
        self.unplug()
        (self._configuration / "midi.0").unlink()
        for folder in (
            self._configuration / "strings" / "0x409",
            self._configuration,
            self._function,
            self._home / "strings" / "0x409",
            self._home,
        ):
            folder.rmdir()

    def open(self) -> DeviceEnd:
        """Open the device's own end of the cable."""
        card = Path("/proc/asound") / self._card_id
        number = wait_for(
            f"{card}", lambda: card.resolve().name.removeprefix("card") if card.exists() else ""
        )
        return DeviceEnd(f"/dev/snd/midiC{number}D0")


class DeviceEnd:
    """Raw bytes in and out on the device's side."""

    def __init__(self, path: str) -> None:
        self._fd = os.open(path, os.O_RDWR | os.O_NONBLOCK)
        # The buffer is 4096 bytes by default: a test that waits for the processor would lose some.
        fcntl.ioctl(self._fd, _SET_PARAMETERS, _PARAMETERS.pack(_INPUT, _BUFFER_BYTES, 1))
        self.read()  # the first read arms the input: what came before it would be lost

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def write(self, data: bytes, limit_s: float = 20.0) -> None:
        """Send to the computer, at most 50 KB a second: much faster than a device, but an emulated processor
        that has to wait for a real one may let the kernel's room for a reader run over at full speed."""
        end = time.monotonic() + limit_s
        while data:
            try:
                data = data[os.write(self._fd, data[:_PIECE_BYTES]) :]
            except BlockingIOError:
                if time.monotonic() > end:
                    raise
            if data:
                time.sleep(_PIECE_BYTES / _BYTES_A_SECOND)

    def read(self) -> bytes:
        """Return what has come from the computer by now."""
        try:
            return os.read(self._fd, 65536)
        except BlockingIOError:
            return b""

    def read_exactly(self, length: int, limit_s: float = 20.0) -> bytes:
        """Wait for so many bytes; more than that would be returned too, for the test to see."""
        got = bytearray()

        def enough() -> bool:
            got.extend(self.read())
            return len(got) >= length

        wait_for(f"{length} bytes from the computer", enough, limit_s)
        return bytes(got)

    def close(self) -> None:
        os.close(self._fd)


@contextmanager
def hurry() -> Iterator[None]:
    """Be ahead of the daemon: what it sends before the device's end is open, nobody hears."""
    os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(80))
    try:
        yield
    finally:
        os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))


def plug(gadget: Gadget, socket: int | None = None) -> DeviceEnd:
    """Put the device in and open its own end before the daemon has heard of it."""
    with hurry():
        gadget.plug(socket)
        return gadget.open()


def hear(end: DeviceEnd, wanted: bytes, limit_s: float = 20.0) -> bytes:
    """Read until `wanted` has come, clocks left out; return all that came."""
    got = bytearray()

    def come() -> bool:
        got.extend(end.read().replace(b"\xf8", b""))
        return wanted in got

    try:
        wait_for(f"{wanted.hex()}", come, limit_s)
    except AssertionError as error:
        raise AssertionError(f"{error}; got {got.hex()}") from None
    return bytes(got)
