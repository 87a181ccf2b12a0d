"""The server process from start to end: greeting, rig, API, and out when the engine has gone.

The engine starts it (`python -m routerd.server.main`), with one end of their link as an open socket.
The rig goes to the engine before the API's libraries are imported, because the first tick of the first
song waits for it. Whatever blocks is done on threads, so that pings are answered from the beginning.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import importlib
import os
import select
import signal
import socket
import struct
import sys
import threading
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from time import monotonic_ns
from typing import Any

from routerd import __version__
from routerd.core.errors import LinkError, RigFolderError
from routerd.core.model import events
from routerd.errand import Disk, StuckError
from routerd.link.working_rig import Origin
from routerd.server.app import App
from routerd.server.http.guard import AccessOptions, Credentials
from routerd.server.http.listening import Listen, open_listener
from routerd.server.http.tokens import ListenError
from routerd.server.link_client import EngineLink
from routerd.server.log import LOG, log_realtime, set_up_log
from routerd.server.rig_loader import RigFiles
from routerd.server.state import StateFolder
from routerd.server.view import Trouble

NICE = -15
"""Among processes that are not real-time: an answer takes little, and someone on stage waits for it."""

RETRY_S = 1.0
CREDENTIALS_S = 2.0
"""How often the files of tokens and certificate are looked at."""
UCRED = struct.Struct("=iII")
"""Process, user and group at the other end, see unix(7)."""

Meet = Callable[[], Awaitable[socket.socket | None]]

ORPHAN_S = 5.0
"""How long a server without an engine may take to end."""


@dataclass(frozen=True, slots=True)
class Options:
    """What the engine's command line asks of the app."""

    folder: Path
    set_name: str | None
    state_dir: Path
    access: AccessOptions
    record: bool = False


def main(arguments: list[str] | None = None) -> int:
    """Run the server; return the exit status."""
    parser = argparse.ArgumentParser(prog="routerd.server", description="Started by routerd's engine.")
    parser.add_argument("--fd", type=int, required=True)
    parser.add_argument("--meet", type=bytes.fromhex)
    parser.add_argument("--folder", type=Path, required=True)
    parser.add_argument("--set", dest="set_name")
    parser.add_argument("--state-dir", type=Path, required=True)
    parser.add_argument("--record", action="store_true")
    parser.add_argument("--listen", required=True)
    for name in ("--token-file", "--read-token-file", "--tls-cert", "--tls-key"):
        parser.add_argument(name, type=Path)
    parser.add_argument("--host-name", action="append", default=[])
    parser.add_argument("--allow-origin", action="append", default=[])
    given = parser.parse_args(arguments)
    access = AccessOptions(
        listen=given.listen,
        token_file=given.token_file,
        read_token_file=given.read_token_file,
        tls_cert=given.tls_cert,
        tls_key=given.tls_key,
        host_names=tuple(given.host_name),
        origins=tuple(given.allow_origin),
    )
    options = Options(given.folder, given.set_name, given.state_dir, access, given.record)
    for number in (signal.SIGINT, signal.SIGHUP, signal.SIGQUIT):
        signal.signal(number, signal.SIG_IGN)  # what reaches both processes is for the engine to decide
    orphan = Orphan(os.getppid())
    writer = set_up_log()
    try:
        meet = None if given.meet is None else partial(_meet, given.meet)
        return asyncio.run(run(options, socket.socket(fileno=given.fd), orphan, meet))
    finally:
        writer.close()


def leave_real_time() -> None:
    """Give back the scheduling that the engine's children inherit, for all threads of this process.

    The kernel takes the processor from real-time threads that keep it for a second, a clock's among them
    (sched(7)): whoever makes reports must not be one. Where that is permitted it still goes before others.
    """
    for thread in map(int, os.listdir("/proc/self/task")):  # noqa: PTH208 - names are all that is wanted
        with contextlib.suppress(OSError):  # one that has just ended; or it is not permitted
            if os.sched_getscheduler(thread) != os.SCHED_OTHER:
                os.sched_setscheduler(thread, os.SCHED_OTHER, os.sched_param(0))
                os.setpriority(os.PRIO_PROCESS, thread, NICE)


class Orphan:
    """Ends this process with its engine, also if the event loop should hang; an orderly end has some seconds.

    `current` returns the process of the engine that it talks to, 0 for none: another one may have taken over.
    """

    def __init__(self, engine: int) -> None:
        self.current: Callable[[], int] = lambda: 0
        self._engine = engine
        threading.Thread(target=self._watch, name="engine", daemon=True).start()

    def _watch(self) -> None:
        while True:
            with contextlib.suppress(OSError):  # it has gone already, or the kernel is too old to say when
                select.select([os.pidfd_open(self._engine)], [], [])
            time.sleep(ORPHAN_S)
            engine = self.current()
            if engine in (0, self._engine):
                os._exit(1)
            self._engine = engine


async def _meet(address: bytes) -> socket.socket | None:
    """Return a connection to the engine that has taken over; None when there is none, or it is not ours."""
    end = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    end.setblocking(False)
    try:
        await asyncio.get_running_loop().sock_connect(end, address)
        _, user, _ = UCRED.unpack(end.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, UCRED.size))
    except OSError:
        end.close()
        return None
    if user != os.geteuid():
        end.close()
        return None
    return end


async def run(
    options: Options, end: socket.socket, orphan: Orphan | None = None, meet: Meet | None = None
) -> int:
    """Be the server at this end of the link until the engine has gone or SIGTERM comes.

    `meet` returns a connection to the engine that goes on in its place.
    """
    end.setblocking(False)
    link = await EngineLink.over(end)
    origin = Origin(str(options.folder), options.set_name)
    state_folder = StateFolder(options.state_dir, LOG.say, origin)
    app = App(link, state_folder, RigFiles(options.folder, options.set_name))
    if orphan is not None:
        orphan.current = lambda: app.view.hello.pid if link.open else 0
    reading = asyncio.create_task(link.run(app, meet))
    watching = asyncio.create_task(app.health.run())
    foretelling = asyncio.create_task(app.beats.run())
    working = asyncio.create_task(_work(app, options))
    ended = asyncio.Event()
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, ended.set)
    ending = asyncio.create_task(_until(ended))
    await asyncio.wait([reading, working, ending], return_when=asyncio.FIRST_COMPLETED)
    status = 0
    for task in (working, reading):
        if task.done() and (error := task.exception()) is not None:
            known = isinstance(error, LinkError)
            LOG.say("the server cannot go on", "error", None if known else error, why=str(error))
            status = 1
    await app.close()
    others = (working, reading, ending, watching, foretelling)
    for task in others:
        task.cancel()
    await asyncio.gather(*others, return_exceptions=True)
    return status


async def _until(event: asyncio.Event) -> None:
    await event.wait()


async def _work(app: App, options: Options) -> None:
    """Bring the rig, listen, serve; what prevents the first start goes to the engine, which ends both."""
    await app.greeted.wait()
    first = app.view.hello.generation == 0
    if not first:
        leave_real_time()
    try:
        if first:
            await asyncio.to_thread(
                Credentials, options.access
            )  # a mistake in the options is no reason to wait
        await _bring_rig(app)
        leave_real_time()  # until then a show has waited
        log_realtime(app.view.hello.realtime)
        await _serve(app, options)
    except RigFolderError as error:
        await app.link.refuse([f"{options.folder}/{problem}" for problem in error.problems])
    except (ListenError, LinkError) as error:
        if not first:
            raise
        await app.link.refuse([str(error)])
    await asyncio.Event().wait()


async def _serve(app: App, options: Options) -> None:
    app.record.begin()
    app.record.record(on=options.record)
    app.health.refresh()
    renewing = asyncio.create_task(_renew_rig(app))
    reloading = asyncio.create_task(_reload_when_asked(app))
    credentials, listener = await _listen(app, options)
    with contextlib.closing(listener):
        # The API's libraries take seconds to load: on a thread, or pings would wait, and only now.
        http = await asyncio.to_thread(_load_api)
        serving = http.serving(http.make_app(app, credentials.guard), listener, credentials.context)
        async with serving:
            app.link.say_serving()
            where = str(Listen(*listener.getsockname()[:2]))
            app.feed.emit(events.ServerStarted(monotonic_ns(), where, __version__))
            await asyncio.gather(renewing, reloading, _look_at_credentials(app, credentials))


def _load_api() -> Any:
    """Load the API's libraries.

    aiohttp makes a client's TLS contexts when it is loaded, with all authorities that the system trusts: 2 MB
    and 40 ms, and nobody here is a client.
    """
    given = os.environ.get("SSL_CERT_FILE")
    os.environ["SSL_CERT_FILE"] = os.devnull
    try:
        return importlib.import_module("routerd.server.http.application")
    finally:
        if given is None:
            del os.environ["SSL_CERT_FILE"]
        else:
            os.environ["SSL_CERT_FILE"] = given


async def _look_at_credentials(app: App, credentials: Credentials) -> None:
    """Take tokens and a certificate that have been changed, at once as people see it."""
    disk = Disk()
    while True:
        await asyncio.sleep(CREDENTIALS_S)
        try:
            wrong = await disk.do(partial(credentials.refresh, time.time()))
        except StuckError:  # what was read before stays in force
            continue
        for about in (Trouble.TOKENS, Trouble.CERTIFICATE):
            app.view.problems.report(about, *wrong.get(about, ()))


async def _reload_when_asked(app: App) -> None:
    """Read the rig folder again at each SIGHUP; what prevents that is reported by the loader."""
    while True:
        await app.reload_asked.wait()
        app.reload_asked.clear()
        with contextlib.suppress(RigFolderError, LinkError):
            await app.rig.reload()


async def _renew_rig(app: App) -> None:
    """Where the engine went on with the rig of one that had died: read the folder, as at every start."""
    if app.view.hello.brings_old_rig:
        with contextlib.suppress(RigFolderError, LinkError):
            await app.rig.reload()


async def _listen(app: App, options: Options) -> tuple[Credentials, socket.socket]:
    """Return who may ask, and the listening socket, once it can be had: a show needs no API to go on."""
    while True:
        try:
            credentials = await asyncio.to_thread(Credentials, options.access)
            await asyncio.to_thread(credentials.prepare)
            listener = await asyncio.to_thread(open_listener, credentials.guard.listen)
        except ListenError as error:
            app.view.problems.report(Trouble.API, f"the API cannot be served: {error}")
            await asyncio.sleep(RETRY_S)
        else:
            app.view.problems.report(Trouble.API)
            return credentials, listener


async def _bring_rig(app: App) -> None:
    """Give the engine its first rig, or learn the names of the one it has."""
    working = await app.state.read_working_rig()
    if not app.view.hello.generation:
        await app.rig.begin(working)
        return
    try:
        await app.rig.resume(working)
    except RigFolderError as error:
        app.view.problems.report(Trouble.FILES, *error.problems)


if __name__ == "__main__":
    sys.exit(main())
