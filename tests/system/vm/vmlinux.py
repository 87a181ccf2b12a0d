"""vmlinux.py BZIMAGE VMLINUX: unpack a Linux kernel, so that the machine need not unpack it at every boot.

Offsets: "The Linux/x86 Boot Protocol" (Documentation/arch/x86/boot.rst in the kernel's sources):
setup_sects at 0x1F1, payload_offset at 0x248, payload_length at 0x24C.
"""

from __future__ import annotations

import struct
import subprocess
import sys
from pathlib import Path

UNPACKERS = {
    b"\xfd7zXZ\0": "xz",
    b"\x28\xb5\x2f\xfd": "zstd",
    b"\x1f\x8b": "gzip",
    b"\x02\x21\x4c\x18": "lz4",
}


def payload(image: bytes) -> bytes:
    """Return the compressed kernel inside a bzImage."""
    setup_sectors = image[0x1F1] or 4
    offset, length = struct.unpack_from("<II", image, 0x248)
    start = (setup_sectors + 1) * 512 + offset
    return image[start : start + length]


def unpack(packed: bytes) -> bytes:
    """Unpack by whichever tool the first bytes call for."""
    for magic, tool in UNPACKERS.items():
        if packed.startswith(magic):
            # The tool's status says nothing: it complains about the length that follows the packed data.
            done = subprocess.run([tool, "-dcq"], input=packed, capture_output=True, check=False)
            return done.stdout
    sys.exit(f"vmlinux.py: unknown compression {packed[:6].hex()}")


def main() -> None:
    kernel = unpack(payload(Path(sys.argv[1]).read_bytes()))
    if not kernel.startswith(b"\x7fELF"):
        sys.exit("vmlinux.py: what came out is not an ELF file")
    Path(sys.argv[2]).write_bytes(kernel)


if __name__ == "__main__":
    main()
