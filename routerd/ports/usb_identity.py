"""Which USB device a sound card is: its serial number and its path, as the kernel's sysfs tells them.

/sys/class/sound/cardN/device leads to an interface of a USB device; the folder above is the device, named
after its bus and ports ("1-1.2"), with the serial number in a file. Not every device has a serial number.
"""

from __future__ import annotations

from pathlib import Path

from routerd.core.model.rig import ANY_USB, Usb

_CARDS = Path("/sys/class/sound")
_USB = "usb"


def usb_of_card(number: int, cards: Path = _CARDS) -> Usb:
    """Return which USB device sound card `number` is; ANY_USB for a card that is none, or has just gone."""
    try:
        interface = (cards / f"card{number}" / "device").resolve(strict=True)
        if (interface / "subsystem").resolve(strict=True).name != _USB:
            return ANY_USB
    except OSError:
        return ANY_USB
    device = interface.parent
    try:
        serial = (device / "serial").read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        serial = ""
    return Usb(serial, device.name)
