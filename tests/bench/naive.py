"""The way one would begin: one process, asyncio.sleep for the clock, mido for messages, aiohttp for people.

    python -m tests.bench.naive HTTP_PORT UDP_PORT BPM FOLDER

Serves the paths that the load asks for, loads the folder's YAML on reload, routes notes by mido and
sends ticks to whoever listens at its UDP port, in the datagrams of routerd's simulation. It is there
for scale only: it stands beside routerd in the tick bench, under the same load.
"""

from __future__ import annotations

import asyncio
import json
import struct
import sys
import time
from pathlib import Path
from typing import cast

import mido
import yaml
from aiohttp import web

Address = tuple[str, int]


class Naive(asyncio.DatagramProtocol):
    """Everything on one event loop."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.listeners: set[Address] = set()
        self.files = self.load()

    def load(self) -> dict[str, object]:
        """Read every file of the folder."""
        return {str(path): yaml.safe_load(path.read_text()) for path in sorted(self.folder.rglob("*.yaml"))}

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Keep the transport."""
        self.transport = cast("asyncio.DatagramTransport", transport)

    def datagram_received(self, data: bytes, addr: Address) -> None:
        """Take a listener, or route one message."""
        if data[:1] == b"L":
            self.listeners.add(addr)
            self.transport.sendto(b"L", addr)
        elif data[:1] == b"I":
            message = mido.Message.from_bytes(data.partition(b"\0")[2])
            if message.type in ("note_on", "note_off"):
                self.send("instrument-host", bytes(message.copy(channel=2, note=message.note - 12).bytes()))

    def send(self, device: str, data: bytes) -> None:
        """Tell every listener."""
        head = b"O" + device.encode() + b"\0" + struct.pack(">q", time.monotonic_ns())
        for listener in self.listeners:
            self.transport.sendto(head + data, listener)

    async def tick(self, bpm: float) -> None:
        """Sleep an interval, send a tick."""
        while True:
            await asyncio.sleep(60 / bpm / 24)
            self.send("instrument-host", bytes(mido.Message("clock").bytes()))


async def main() -> None:
    """See the module's head."""
    http_port, udp_port, bpm = int(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3])
    loop = asyncio.get_running_loop()
    _, naive = await loop.create_datagram_endpoint(
        lambda: Naive(Path(sys.argv[4])), local_addr=("127.0.0.1", udp_port)
    )

    async def answer(_request: web.Request) -> web.Response:
        return web.Response(text=json.dumps(naive.files, default=str), content_type="application/json")

    async def reload(_request: web.Request) -> web.Response:
        naive.files = naive.load()
        return web.Response(text="{}")

    app = web.Application()
    app.router.add_get("/{path:.*}", answer)
    app.router.add_post("/v1/reload", reload)
    runner = web.AppRunner(app, access_log=None)
    await runner.setup()
    await web.TCPSite(runner, "127.0.0.1", http_port).start()
    print("up", flush=True)
    await naive.tick(bpm)


if __name__ == "__main__":
    asyncio.run(main())
