"""The commands that start the service, run and demo, and where a service keeps its state."""

from __future__ import annotations

import argparse
import os
import sys
import zlib
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

from routerd import __version__
from routerd.errand import StuckError, in_time
from routerd.printing import Log

if TYPE_CHECKING:
    from routerd.engine.guard import Guard
    from routerd.engine.process import SignalKeeper

Commands: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"

DEFAULT_LISTEN = "127.0.0.1:8473"

PATIENCE_S = 3.0
"""How long to wait for a folder that does not answer."""

LONGEST_NAME = 100
"""Of a state folder, without the checksum behind it."""


def add_commands(commands: Commands) -> None:
    """Define run and demo."""
    run = commands.add_parser(
        "run",
        help="run the service on a rig folder",
        description="Run the service on a rig folder (rig.yaml, songs/, sets/). Ctrl-C or SIGTERM silences "
        "the rig, sends Stop, closes the ports and ends.",
    )
    run.add_argument("folder", type=Path, metavar="DIR", help="the rig folder")
    run.add_argument(
        "--set", dest="set_name", metavar="NAME", help="which set of sets/ (default: the latest)"
    )
    run.add_argument(
        "--ports",
        choices=("alsa", "jack", "simulated"),
        help="what offers the ports (default: ALSA where there is one, else JACK). simulated: devices inside "
        "the service, with the timing of real wires; any rig folder runs on them",
    )
    run.add_argument(
        "--listen",
        metavar="HOST:PORT",
        default=DEFAULT_LISTEN,
        help=f"where the API is served (default: {DEFAULT_LISTEN}); other than loopback only with a token",
    )
    run.add_argument(
        "--token-file",
        type=Path,
        metavar="FILE",
        help="file with the token that API requests must carry; readable by its owner only",
    )
    run.add_argument(
        "--read-token-file",
        type=Path,
        metavar="FILE",
        help="file with another token that may read but change nothing, for the band's tablets",
    )
    run.add_argument(
        "--tls-cert",
        type=Path,
        metavar="FILE",
        help="serve over TLS (https) under this certificate (PEM; those that lead to its root behind it)",
    )
    run.add_argument(
        "--tls-key", type=Path, metavar="FILE", help="its private key (PEM, without a passphrase)"
    )
    run.add_argument(
        "--host-name",
        action="append",
        default=[],
        metavar="NAME",
        help="a name under which tablets reach this machine, besides its own, its addresses and those of the "
        "certificate; may be given more than once",
    )
    run.add_argument(
        "--allow-origin",
        action="append",
        default=[],
        metavar="ORIGIN",
        help="a page of your own that is served elsewhere and may use the API from a browser, such as "
        "http://lights.local:3000; may be given more than once",
    )
    run.add_argument(
        "--state-dir",
        type=Path,
        metavar="DIR",
        help="where song, section, tempo and set list are remembered (default: $STATE_DIRECTORY, else "
        "a folder per rig folder under ~/.local/state/routerd)",
    )
    run.add_argument(
        "--record",
        action="store_true",
        help="keep every message in and out in the show log, for `routerd report SHOW --midi FILE`",
    )
    run.add_argument(
        "--far-end",
        type=int,
        default=0,
        metavar="PORT",
        help="with --ports simulated: UDP port on 127.0.0.1 where other programs play the devices",
    )
    run.add_argument(
        "--spare",
        action=argparse.BooleanOptionalAction,
        help="keep a second engine ready, which goes on with the next tick when the first one dies or hangs, "
        "whatever the rig says; or keep none (default: unless rig.yaml says spare: false)",
    )
    run.add_argument("--lifeline", type=int, metavar="FD", help=argparse.SUPPRESS)

    demo = commands.add_parser(
        "demo",
        help="half a minute with an invented rig, no hardware needed",
        description="Runs the service on simulated devices at true speed: an invented band's rig and "
        "three-song set, someone at the keyboard, a foot switch, a section change, a patch dump. It "
        "reports what happens and ends with the jitter report.",
    )
    demo.add_argument(
        "--copy", type=Path, metavar="DIR", help="do not play; copy the demo's rig folder to DIR"
    )


def _access_arguments(options: argparse.Namespace) -> list[str]:
    """Return what the server has to know of where it serves, and who may ask."""
    files = {
        "--token-file": options.token_file,
        "--read-token-file": options.read_token_file,
        "--tls-cert": options.tls_cert,
        "--tls-key": options.tls_key,
    }
    arguments = ["--listen", options.listen]
    for name, path in files.items():
        arguments += [] if path is None else [name, str(path.absolute())]
    for name in options.host_name:
        arguments += ["--host-name", name]
    for origin in options.allow_origin:
        arguments += ["--allow-origin", origin]
    return arguments


def _run(options: argparse.Namespace) -> int:
    folder: Path = options.folder.absolute()  # where links lead is not looked up: that may never end
    log = Log("engine")
    if not is_folder(folder, log):
        log.say(f"{folder} is not a folder; give a rig folder (rig.yaml, songs/, sets/)", "error")
        return 2
    from routerd.engine.process import SignalKeeper

    signals = SignalKeeper()
    from routerd.engine.realtime import LOOP_PRIORITY, make_thread_realtime

    make_thread_realtime(LOOP_PRIORITY)  # a show may be waiting: loading must not wait for a busy machine
    if options.spare is not False:
        from routerd.engine.parent import guard_service

        return guard_service(lambda guard: _start(options, folder, signals, log, guard))
    return _start(options, folder, signals, log)


def _start(
    options: argparse.Namespace, folder: Path, signals: SignalKeeper, log: Log, guard: Guard | None = None
) -> int:
    from routerd.core.errors import RouterdError
    from routerd.engine.process import Options, begin

    state_dir = options.state_dir or default_state_dir(folder)
    asked = Options(
        folder=folder,
        state_dir=state_dir.absolute(),
        set_name=options.set_name,
        ports=options.ports,
        access=tuple(_access_arguments(options)),
        far_end_port=options.far_end,
        record=options.record,
        spare=options.spare,
        lifeline=options.lifeline,
    )
    log.say("the engine has started", "info", pid=os.getpid(), version=__version__, folder=str(folder))
    try:
        begun = begin(asked, log, meets=guard is not None)
    except RouterdError as error:
        log.say(str(error), "error")
        return 1
    # asyncio does without, and nothing here asks for it: a sixth of the engine's memory.
    sys.modules.setdefault("ssl", None)  # type: ignore[arg-type]
    # Only now, as it takes a while: the server is at work meanwhile.
    from routerd.engine.main import run

    return run(begun, signals, log, guard)


def _demo(options: argparse.Namespace) -> int:
    from routerd.cli.demo import copy_rig, play

    return play() if options.copy is None else copy_rig(options.copy)


COMMANDS = {"run": _run, "demo": _demo}


def is_folder(folder: Path, log: Log) -> bool:
    """Return whether there is a folder, as far as the disk answers: the last working rig is elsewhere."""
    try:
        return in_time(folder.is_dir, PATIENCE_S)
    except StuckError as error:
        log.say(f"{folder}: {error.strerror}")
        return True


def default_state_dir(folder: Path) -> Path:
    """Return where the state of a rig folder is kept unless --state-dir says otherwise."""
    given = os.environ.get("STATE_DIRECTORY", "").split(":")[0]
    if given:
        return Path(given)
    home = os.environ.get("XDG_STATE_HOME")
    base = Path(home) if home else Path.home() / ".local" / "state"
    try:
        path = str(in_time(folder.resolve, PATIENCE_S))
    except StuckError:
        path = str(folder.absolute())
    name = path.strip("/").replace("/", "-")[-LONGEST_NAME:].lstrip("-")
    return base / "routerd" / f"{name}-{zlib.crc32(os.fsencode(path)):08x}"  # n/my-rig is not n-my/rig


def state_folders() -> list[Path]:
    """Return every folder in which `default_state_dir` may have put state."""
    given = os.environ.get("STATE_DIRECTORY", "").split(":")[0]
    base = default_state_dir(Path("/x")).parent
    found = sorted(base.iterdir()) if not given and base.is_dir() else []
    return [Path(given)] if given else found
