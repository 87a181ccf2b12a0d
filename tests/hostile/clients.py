"""Clients of the API that mean harm: slow, half open, never reading, endless, or not HTTP at all."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections import Counter
from collections.abc import AsyncIterator, Callable, Coroutine
from random import Random
from typing import Any

HEAD = b"Host: localhost\r\n"
GIGABYTE = 1 << 30


class Crowd:
    """Clients that stay until `leave`. `statuses` counts those that came back, "" for none; `connections`
    those that were opened."""

    def __init__(self, port: int) -> None:
        self.port = port
        self.statuses: Counter[str] = Counter()
        self.sent_bytes = 0
        self.connections = 0
        self._writers: list[asyncio.StreamWriter] = []
        self._tasks: list[asyncio.Task[None]] = []

    async def connect(self) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        """Open a connection that is closed by `leave`."""
        reader, writer = await asyncio.open_connection("127.0.0.1", self.port)
        self._writers.append(writer)
        self.connections += 1
        return reader, writer

    def send_in(self, count: int, kind: Callable[[Crowd], Coroutine[Any, Any, None]]) -> None:
        """Have so many clients of a kind come."""
        self._tasks += [asyncio.create_task(self._one(kind)) for _ in range(count)]

    async def _one(self, kind: Callable[[Crowd], Coroutine[Any, Any, None]]) -> None:
        with contextlib.suppress(OSError, EOFError):
            await kind(self)

    async def read_status(self, reader: asyncio.StreamReader) -> None:
        """Count the status of the answer."""
        line = b""
        with contextlib.suppress(OSError, EOFError):
            line = await reader.readline()
        self.statuses[line.split(b" ")[1].decode() if line.startswith(b"HTTP/1.") else ""] += 1

    async def leave(self) -> None:
        """Everybody goes."""
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        for writer in self._writers:
            writer.transport.abort()


@contextlib.asynccontextmanager
async def crowd(port: int) -> AsyncIterator[Crowd]:
    """A crowd that has left at the end."""
    one = Crowd(port)
    try:
        yield one
    finally:
        await one.leave()


async def half_open(crowd: Crowd) -> None:
    """Connect, and say nothing."""
    reader, _ = await crowd.connect()
    await reader.read()


async def slow_headers(crowd: Crowd) -> None:
    """A header line every second, for ever."""
    _, writer = await crowd.connect()
    writer.write(b"GET /v1/status HTTP/1.1\r\n" + HEAD)
    while not writer.is_closing():
        writer.write(b"X-A: b\r\n")
        await writer.drain()
        await asyncio.sleep(1)


async def slow_body(crowd: Crowd) -> None:
    """A body of one byte a second."""
    reader, writer = await crowd.connect()
    writer.write(b"POST /v1/tempo HTTP/1.1\r\n" + HEAD + b"Content-Length: 5000\r\n\r\n{")
    answer = asyncio.create_task(crowd.read_status(reader))
    while not answer.done() and not writer.is_closing():
        writer.write(b" ")
        await writer.drain()
        await asyncio.wait([answer], timeout=1)


async def never_reading(crowd: Crowd) -> None:
    """Ask for everything, over and over, and read nothing of it."""
    _, writer = await crowd.connect()
    opened: socket.socket = writer.get_extra_info("socket")
    opened.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    writer.transport.pause_reading()  # type: ignore[attr-defined]
    while not writer.is_closing():
        writer.write(b"GET /openapi.json HTTP/1.1\r\n" + HEAD + b"\r\n")
        await writer.drain()
        await asyncio.sleep(0.05)


async def never_reading_events(crowd: Crowd) -> None:
    """Ask for the events, and read none."""
    _, writer = await crowd.connect()
    writer.transport.pause_reading()  # type: ignore[attr-defined]
    writer.write(b"GET /v1/events HTTP/1.1\r\n" + HEAD + b"Upgrade: websocket\r\nConnection: upgrade\r\n\r\n")
    while not writer.is_closing():
        writer.write(b"\x81" * 65_536)
        await writer.drain()
        await asyncio.sleep(0.05)


async def huge_body(crowd: Crowd) -> None:
    """A body of one gigabyte, as fast as it is taken."""
    reader, writer = await crowd.connect()
    head = f"POST /v1/tempo HTTP/1.1\r\nContent-Length: {GIGABYTE}\r\n"
    writer.write(head.encode() + HEAD + b"\r\n")
    await _pour(crowd, reader, writer, b" " * 65_536)


async def endless_chunks(crowd: Crowd) -> None:
    """A chunked body without an end."""
    reader, writer = await crowd.connect()
    writer.write(b"PUT /v1/set-list HTTP/1.1\r\n" + HEAD + b"Transfer-Encoding: chunked\r\n\r\n")
    await _pour(crowd, reader, writer, b"8000\r\n" + b"1" * 0x8000 + b"\r\n")


async def header_bomb(crowd: Crowd) -> None:
    """Headers without an end."""
    reader, writer = await crowd.connect()
    writer.write(b"GET /v1/status HTTP/1.1\r\n" + HEAD)
    await _pour(crowd, reader, writer, b"X-" + b"a" * 100 + b": " + b"b" * 4000 + b"\r\n")


async def long_line(crowd: Crowd) -> None:
    """A first line without an end."""
    reader, writer = await crowd.connect()
    writer.write(b"GET /")
    await _pour(crowd, reader, writer, b"a" * 4096)


async def junk(crowd: Crowd) -> None:
    """Bytes of no meaning, TLS, and what other protocols begin with."""
    random = Random(crowd.statuses.total())
    beginnings = (
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + random.randbytes(400),  # a TLS client hello
        b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: a\r\nHost: b\r\n\r\n",
        b"GET / HTTP/9.9\r\n\r\n",
        b"POST /v1/next HTTP/1.1\r\nContent-Length: -1\r\n\r\n",
        b"POST /v1/next HTTP/1.1\r\nContent-Length: 1\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
        random.randbytes(2000),
        b"\x00" * 100,
        b"\r\n" * 1000,
    )
    for beginning in beginnings:
        reader, writer = await crowd.connect()
        writer.write(beginning)
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(crowd.read_status(reader), 2)


async def pipelining(crowd: Crowd) -> None:
    """Hundreds of requests in one go, junk behind them."""
    reader, writer = await crowd.connect()
    writer.write((b"GET /v1/status HTTP/1.1\r\n" + HEAD + b"\r\n") * 300 + b"\xff" * 5000)
    await crowd.read_status(reader)
    await reader.read()


async def _pour(
    crowd: Crowd, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, piece: bytes
) -> None:
    """Write without an end until it is refused."""
    answer = asyncio.create_task(crowd.read_status(reader))
    with contextlib.suppress(OSError):
        while not writer.is_closing() and crowd.sent_bytes < 2 * GIGABYTE:
            writer.write(piece)
            crowd.sent_bytes += len(piece)
            await writer.drain()
            await asyncio.sleep(0)
    with contextlib.suppress(TimeoutError):
        await asyncio.wait_for(answer, 20)


WAITING = (half_open, slow_headers, slow_body, never_reading, never_reading_events)
POURING = (huge_body, endless_chunks, header_bomb, long_line, junk, pipelining)
