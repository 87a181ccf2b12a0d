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
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from time import monotonic_ns

import structlog

from routerd import __version__
from routerd.core.errors import LinkError, RigFolderError
from routerd.core.model.codec import JsonObject
from routerd.link.working_rig import Origin
from routerd.server.app import App
from routerd.server.http.guard import Guard, Listen, ListenError, open_listener, parse_listen, read_token
from routerd.server.link_client import EngineLink
from routerd.server.log import log_realtime, set_up_log
from routerd.server.rig_loader import RigFiles
from routerd.server.state import StateFolder

RETRY_S = 1.0
ORPHAN_S = 5.0
"""How long a server without an engine may take to end."""


@dataclass(frozen=True, slots=True)
class Options:
    """What the engine's command line asks of the app."""

    folder: Path
    set_name: str | None
    listen: str
    state_dir: Path
    token_file: Path | None
    record: bool = False


def main(arguments: list[str] | None = None) -> int:
    """Run the server; return the exit status."""
    parser = argparse.ArgumentParser(prog="routerd.server", description="Started by routerd's engine.")
    parser.add_argument("--fd", type=int, required=True)
    parser.add_argument("--folder", type=Path, required=True)
    parser.add_argument("--set", dest="set_name")
    parser.add_argument("--listen", required=True)
    parser.add_argument("--state-dir", type=Path, required=True)
    parser.add_argument("--token-file", type=Path)
    parser.add_argument("--record", action="store_true")
    given = parser.parse_args(arguments)
    options = Options(
        given.folder, given.set_name, given.listen, given.state_dir, given.token_file, given.record
    )
    for number in (signal.SIGINT, signal.SIGHUP, signal.SIGQUIT):
        signal.signal(number, signal.SIG_IGN)  # what reaches both processes is for the engine to decide
    _end_with(os.getppid())
    writer = set_up_log()
    try:
        return asyncio.run(run(options, socket.socket(fileno=given.fd)))
    finally:
        writer.close()


def _end_with(engine: int) -> None:
    """End with the engine, also if the event loop should hang: an orderly end has some seconds."""
    try:
        handle = os.pidfd_open(engine)
    except OSError:  # it has gone already, or the kernel is too old to say when
        return

    def watch() -> None:
        select.select([handle], [], [])
        time.sleep(ORPHAN_S)
        os._exit(1)

    threading.Thread(target=watch, name="engine", daemon=True).start()


async def run(options: Options, end: socket.socket) -> int:
    """Be the server at this end of the link until the engine has gone or SIGTERM comes."""
    end.setblocking(False)
    log = structlog.get_logger()
    link = await EngineLink.over(end)
    origin = Origin(str(options.folder), options.set_name)
    state_folder = StateFolder(options.state_dir, log.warning, origin)
    app = App(link, state_folder, RigFiles(options.folder, options.set_name))
    reading = asyncio.create_task(link.run(app))
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
            log.error("the server cannot go on", why=str(error), exc_info=None if known else error)
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
    try:
        if first:
            await asyncio.to_thread(_guard, options)  # a mistake in the options is no reason to wait
        await _bring_rig(app)
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
    guard, listener = await _listen(app, options)
    with contextlib.closing(listener):
        # The API's libraries take seconds to load: on a thread, or pings would wait, and only now.
        http = await asyncio.to_thread(importlib.import_module, "routerd.server.http.application")
        async with http.serving(http.make_app(app, guard), listener):
            app.link.say_serving()
            where = str(Listen(*listener.getsockname()[:2]))
            began: JsonObject = {"kind": "server-started", "at_ns": monotonic_ns()}
            app.feed.emit({**began, "listen": where, "version": __version__})
            await asyncio.gather(renewing, reloading)


async def _reload_when_asked(app: App) -> None:
    """Read the rig folder again at each SIGHUP, for somebody who reads the log and nothing else."""
    log = structlog.get_logger()
    while True:
        await app.reload_asked.wait()
        app.reload_asked.clear()
        try:
            await app.rig.reload()
        except RigFolderError as error:
            log.error("SIGHUP: the rig folder has mistakes and is not taken", count=len(error.problems))
            for problem in error.problems[:20]:
                log.error(problem)
        except LinkError as error:
            log.error("SIGHUP: the rig folder is not taken", why=str(error))


async def _renew_rig(app: App) -> None:
    """Where the engine went on with the rig of one that had died: read the folder, as at every start."""
    if app.view.hello.brings_old_rig:
        try:
            await app.rig.reload()
        except (RigFolderError, LinkError) as error:
            problems = error.problems if isinstance(error, RigFolderError) else [str(error)]
            log = structlog.get_logger()
            log.error("the rig folder is not taken; the rig from before the crash goes on", why=problems[:20])


def _guard(options: Options) -> Guard:
    """Return who may ask; raises ListenError when the options do not allow to serve anybody."""
    listen = parse_listen(options.listen)
    token = None if options.token_file is None else read_token(options.token_file)
    guard = Guard(listen, token)
    guard.allow_listening()
    return guard


async def _listen(app: App, options: Options) -> tuple[Guard, socket.socket]:
    """Return the guard and the listening socket, once it can be had: a show needs no API to go on."""
    while True:
        try:
            guard = await asyncio.to_thread(_guard, options)
            listener = await asyncio.to_thread(open_listener, guard.listen)
        except ListenError as error:
            app.view.problems["api"] = [f"the API cannot be served: {error}"]
            app.health.refresh()
            await asyncio.sleep(RETRY_S)
        else:
            app.view.problems.pop("api", None)
            app.health.refresh()
            return guard, listener


async def _bring_rig(app: App) -> None:
    """Give the engine its first rig, or learn the names of the one it has."""
    working = await app.state.read_working_rig()
    if not app.view.hello.generation:
        await app.rig.begin(working)
        return
    try:
        await app.rig.resume(working)
    except RigFolderError as error:
        app.view.problems["files"] = error.problems


if __name__ == "__main__":
    sys.exit(main())
