"""A server that runs in this process against a fake engine, and a client that asks it over HTTP."""

from __future__ import annotations

import asyncio
import json
import os
import socket
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar
from unittest import mock

import aiohttp
from fake_engine import FakeEngine

from routerd.server.http.guard import AccessOptions
from routerd.server.log import LOG
from routerd.server.main import Options, run

T = TypeVar("T")

FILES = ("token_file", "read_token_file", "tls_cert", "tls_key")


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def log_lines() -> Iterator[list[dict[str, Any]]]:
    """What the server logs meanwhile, instead of writing it."""
    lines: list[dict[str, Any]] = []

    def say(text: str, level: str = "warning", error: BaseException | None = None, **fields: Any) -> None:
        lines.append({"event": text, "log_level": level, "error": error, **fields})

    with mock.patch.object(LOG, "say", say):
        yield lines


@dataclass
class Answer:
    """An HTTP answer, read to its end."""

    status: int
    headers: Any
    text: str
    json: Any


@dataclass
class Service:
    """A fake engine, a server, and a client."""

    engine: FakeEngine
    options: Options
    client: aiohttp.ClientSession
    base: str
    task: asyncio.Task[int] | None = None
    headers: dict[str, str] = field(default_factory=dict)

    async def start(self) -> None:
        """Start a (new) app."""
        self.task = asyncio.create_task(run(self.options, await self.engine.connect()))

    async def stop(self) -> int:
        """Let the engine go; return the server's exit status."""
        assert self.task is not None
        await self.engine.disconnect()
        return await asyncio.wait_for(self.task, 30)

    async def until_ready(self) -> Any:
        """Wait until the API answers; return the first status."""
        async with asyncio.timeout(60):
            while True:
                try:
                    answer = await self.ask("GET", "/v1/status")
                    if answer.status != 503:
                        return answer.json
                except aiohttp.ClientConnectionError:
                    pass
                await asyncio.sleep(0.02)

    async def status_when(self, fits: Callable[[Any], bool]) -> Any:
        """Ask for the status until it fits; return it."""
        async with asyncio.timeout(30):
            while True:
                status = (await self.ask("GET", "/v1/status")).json
                if fits(status):
                    return status
                await asyncio.sleep(0.01)

    async def ask(self, method: str, path: str, data: Any = None, **headers: str) -> Answer:
        """Ask as curl would, with a body of bytes, text or JSON values."""
        as_json = data is not None and not isinstance(data, (bytes, str))
        kind = {"json" if as_json else "data": data}
        sent = {**self.headers, **{name.replace("_", "-"): value for name, value in headers.items()}}
        async with self.client.request(method, self.base + path, headers=sent, **kind) as answer:
            text = await answer.text()
            is_json = "json" in answer.headers.get("Content-Type", "")
            return Answer(answer.status, answer.headers, text, json.loads(text) if is_json and text else None)


@asynccontextmanager
async def a_service(rig_folder: Path, state_dir: Path, **options: Any) -> AsyncIterator[Service]:
    """A service that is not started yet."""
    listen = options.pop("listen", f"127.0.0.1:{free_port()}")
    set_name = options.pop("set_name", None)
    files = {key: options.pop(key) for key in FILES if key in options}
    names, origins = tuple(options.pop("host_names", ())), tuple(options.pop("origins", ()))
    access = AccessOptions(listen, host_names=names, origins=origins, **files)
    chosen = Options(rig_folder, set_name, state_dir, access)
    async with FakeEngine(os.getpid(), **options) as engine, aiohttp.ClientSession() as client:
        service = Service(engine, chosen, client, f"http://{listen}")
        try:
            yield service
        finally:
            if service.task is not None and not service.task.done():
                await service.stop()


async def until(ask: Callable[[], Awaitable[T]], fits: Callable[[T], bool]) -> None:
    """Ask until the answer fits."""
    async with asyncio.timeout(20):
        while True:
            if fits(await ask()):
                return
            await asyncio.sleep(0.02)
