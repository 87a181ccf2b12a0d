"""The command line: run, demo, check, ports, report, soundcheck. Each command imports only what it needs."""

from __future__ import annotations

import argparse
import os
import sys
from functools import partial
from pathlib import Path
from typing import TypeAlias

from routerd import __version__
from routerd.printing import complain, open_standard_streams, say, say_lines
from routerd.state_folders import default_state_dir, is_folder, state_folders

Commands: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"

DEFAULT_LISTEN = "127.0.0.1:8473"

_DESCRIPTION = """\
routerd owns the MIDI ports of a live rig: it keeps one clock at each song's tempo, routes and remaps
messages per song and section, goes to the next song at a press, and shows in numbers that it keeps time.
"""

_EXAMPLES = """\
a first evening:
  routerd demo                          hear and see a small invented rig for half a minute, no hardware
  routerd demo --copy my-rig            take its rig folder as the start of your own
  routerd ports                         the ports of this machine, with the patterns for rig.yaml
  routerd check my-rig                  every mistake in every file, with line and remedy
  routerd run my-rig                    the service; stop it with Ctrl-C

while it runs:
  curl localhost:8473/v1/status         where it is
  curl -X POST localhost:8473/v1/next   the next song
  routerd report                        the jitter report so far
  routerd soundcheck --html page.html   prove the rig before doors; turn levels down first
"""


def build_parser() -> argparse.ArgumentParser:
    """Return the definition of the command line; the man page and the completions are made from it."""
    parser = argparse.ArgumentParser(
        prog="routerd",
        description=_DESCRIPTION,
        epilog=_EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"routerd {__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")

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
        "--state-dir",
        type=Path,
        metavar="DIR",
        help="where song, section, tempo and running order are remembered (default: $STATE_DIRECTORY, else "
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
    run.add_argument("--lifeline", type=int, metavar="FD", help=argparse.SUPPRESS)

    demo = commands.add_parser(
        "demo",
        help="half a minute with an invented rig, no hardware needed",
        description="Runs the service on simulated devices at true speed: an invented band's rig and "
        "three-song set, someone at the keyboard, a foot switch, a section change, a patch dump. It says "
        "what happens and ends with the jitter report.",
    )
    demo.add_argument(
        "--copy", type=Path, metavar="DIR", help="do not play; copy the demo's rig folder to DIR"
    )

    check = commands.add_parser(
        "check",
        help="check a rig folder",
        description="Check every file of a rig folder and print every mistake as file:line: what is wrong; "
        "what would be right. Exit status 0: all good; 1: mistakes.",
    )
    check.add_argument("folder", type=Path, metavar="DIR", help="the rig folder")
    check.add_argument("--set", dest="set_name", metavar="NAME", help="also require that this set exists")
    check.add_argument(
        "--rehearse",
        action="store_true",
        help="list every message that each device gets at each change of the set, and how long it takes",
    )
    check.add_argument(
        "--schemas", type=Path, metavar="DIR", help="also write the JSON Schema of each kind of file to DIR"
    )
    check.add_argument(
        "--ports",
        choices=("alsa", "jack"),
        help="in whose ports the rig's are looked for (default: those of this machine, if it has any)",
    )

    _add_paper(commands)

    ports = commands.add_parser(
        "ports",
        help="list the ports of this machine",
        description="List ports and the patterns for rig.yaml.",
    )
    ports.add_argument("--ports", choices=("alsa", "jack"), help="what offers the ports")

    _add_report(commands)
    _add_soundcheck(commands)
    return parser


def _add_report(commands: Commands) -> None:
    report = commands.add_parser(
        "report",
        help="print the jitter report of the running service, or of a show that is over",
        description="Print the jitter report of the service that runs on this machine; with SHOW, of a show "
        "that is over, from the record that it has left.",
    )
    report.add_argument(
        "show", nargs="?", metavar="SHOW", help="a record: its folder, or its name such as 20261127-200000"
    )
    report.add_argument(
        "--state-dir",
        type=Path,
        metavar="DIR",
        help="with SHOW: the state folder it is in (default: all)",
    )
    report.add_argument(
        "--midi",
        type=Path,
        metavar="FILE",
        help="with SHOW: write its recorded messages to a Standard MIDI File instead, a track for each way "
        "in and out; tempo and markers stand for clock, transport and songs, whose bytes have no place in it",
    )
    report.add_argument("--listen", metavar="HOST:PORT", default=DEFAULT_LISTEN, help="where its API is")
    report.add_argument("--token-file", type=Path, metavar="FILE", help="file with the API's token")
    form = report.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="as JSON instead of text")
    form.add_argument("--html", action="store_true", help="as one HTML page with plots")
    report.add_argument("--minute", action="store_true", help="of the last minute only")


def _add_soundcheck(commands: Commands) -> None:
    soundcheck = commands.add_parser(
        "soundcheck",
        help="prove the running rig: pass or fail for every device, why, and what to do",
        description="A timed run over the rig that is up: ports and permissions, roll call, clock, loops, "
        "traffic, every song change. TURN LEVELS DOWN FIRST: it plays notes and sends patches. Ctrl-C stops "
        "it and keeps what was measured. Exit status 0: all passed; 2: a device failed; 1: no soundcheck.",
    )
    soundcheck.add_argument("--listen", metavar="HOST:PORT", default=DEFAULT_LISTEN, help="where the API is")
    soundcheck.add_argument("--token-file", type=Path, metavar="FILE", help="file with the API's token")
    soundcheck.add_argument("--yes", action="store_true", help="levels are down: do not ask")
    soundcheck.add_argument(
        "--seconds",
        type=int,
        default=30,
        metavar="N",
        help="length of clock and traffic run, and at most of each loop's",
    )
    soundcheck.add_argument("--stage", action="append", metavar="NAME", help="only this; may come again")
    soundcheck.add_argument("--unplug", metavar="DEVICE", help="also pull and put back this device's cable")
    soundcheck.add_argument(
        "--playing",
        metavar="SHOW|FILE",
        help="play what was recorded (a show that ran with --record, or a Standard MIDI File inside the rig "
        "folder) in the traffic run, instead of synthetic playing; just as softly",
    )
    soundcheck.add_argument(
        "--write-offsets", action="store_true", help="write the suggested time offsets into rig.yaml"
    )
    soundcheck.add_argument(
        "--write-silent",
        action="store_true",
        help="mark devices that did not answer the roll call in rig.yaml (answers: false), so that their "
        "silence is no fault any more: they are not asked again",
    )
    soundcheck.add_argument("--html", type=Path, metavar="FILE", help="also write the page with plots")


def _add_paper(commands: Commands) -> None:
    """Add the commands that need no running service but a rig folder."""
    sheet = commands.add_parser(
        "sheet",
        help="print the set for the music stand or for the technician",
        description="Print the whole set: order, keys, tempos, sections and their presses, checklists. As "
        "text, or as a page to print from a browser.",
    )
    sheet.add_argument("folder", type=Path, metavar="DIR", help="the rig folder")
    sheet.add_argument("--set", dest="set_name", metavar="NAME", help="this set instead of the newest")
    sheet.add_argument("--technical", action="store_true", help="also tuning and patches")
    sheet.add_argument("--html", action="store_true", help="as a self-contained page")

    diff = commands.add_parser(
        "diff",
        help="tell what differs between two versions of a set",
        description="Tell what differs between two rig folders, or two sets of them. Exit status 0: nothing; "
        "1: something; 2: mistakes in the files.",
    )
    diff.add_argument("old", type=Path, metavar="OLD", help="a rig folder")
    diff.add_argument("new", type=Path, metavar="NEW", help="a rig folder, or the same one")
    diff.add_argument("--old-set", metavar="NAME", help="this set of OLD instead of the newest")
    diff.add_argument("--new-set", metavar="NAME", help="this set of NEW instead of the newest")

    bring = commands.add_parser(
        "import",
        help="make a set from a list of titles, CSV or plain text",
        description="Make a set of the rig folder from a file of titles: CSV with a column title or song, or "
        "a title a line; a line 'encore' begins the encore. Nothing is written when a title is not known.",
    )
    bring.add_argument("folder", type=Path, metavar="DIR", help="the rig folder")
    bring.add_argument("file", type=Path, metavar="FILE", help="the list: .csv, .tsv, or plain text")
    bring.add_argument("--name", required=True, metavar="NAME", help="what the set is called")
    bring.add_argument("--date", default="", metavar="YYYY-MM-DD", help="the evening it is for")
    bring.add_argument("--replace", action="store_true", help="give a set of that name this order")


def main(arguments: list[str] | None = None) -> int:
    """Run one command; return the exit status."""
    open_standard_streams()
    options = build_parser().parse_args(arguments)
    try:
        return _COMMANDS[options.command](options)
    except BrokenPipeError:  # `routerd report | head`
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        return 130
    except OSError as error:  # a name that is too long, a folder that may not be looked into
        complain(f"routerd: {error.filename or options.command}: {error.strerror}")
        return 1


def _run(options: argparse.Namespace) -> int:
    folder: Path = options.folder.absolute()  # where links lead is not looked up: that may never end
    if not is_folder(folder):
        complain(f"routerd: {folder} is not a folder; give a rig folder (rig.yaml, songs/, sets/)")
        return 1
    from routerd.engine.signals import SignalKeeper

    signals = SignalKeeper()
    from routerd.engine.realtime import LOOP_PRIORITY, make_thread_realtime

    make_thread_realtime(LOOP_PRIORITY)  # a show may be waiting: loading must not wait for a busy machine
    from routerd.engine.main import Options, run

    state_dir = options.state_dir or default_state_dir(folder)
    return run(
        Options(
            folder=folder,
            state_dir=state_dir.absolute(),
            set_name=options.set_name,
            ports=options.ports,
            listen=options.listen,
            token_file=options.token_file,
            far_end_port=options.far_end,
            record=options.record,
            lifeline=options.lifeline,
        ),
        signals,
    )


def _demo(options: argparse.Namespace) -> int:
    from routerd.demo import copy_rig, play

    return play() if options.copy is None else copy_rig(options.copy)


def _check(options: argparse.Namespace) -> int:
    from routerd.ports import missing_library
    from routerd.ports.describe import look_for
    from routerd.server.offline.check import check

    words = missing_library()
    look = None if words else partial(look_for, options.ports)
    status = check(options.folder, options.set_name, options.schemas, look, rehearsed=options.rehearse)
    if words:
        say(f"warning: {words}")
    return status


def _sheet(options: argparse.Namespace) -> int:
    from routerd.server.offline.paper import print_sheet

    return print_sheet(options.folder, options.set_name, technical=options.technical, html=options.html)


def _diff(options: argparse.Namespace) -> int:
    from routerd.server.offline.paper import print_diff

    return print_diff(options.old, options.new, options.old_set, options.new_set)


def _import(options: argparse.Namespace) -> int:
    from routerd.server.offline.paper import Wanted, import_order

    return import_order(
        Wanted(options.folder, options.file, options.name, options.date, replace=options.replace)
    )


def _ports(options: argparse.Namespace) -> int:
    from routerd.core.errors import PortError
    from routerd.ports.describe import describe_ports

    try:
        say_lines(describe_ports(options.ports))
    except PortError as error:
        complain(f"routerd: {error}")
        return 1
    return 0


def _report(options: argparse.Namespace) -> int:
    from routerd.server.client import Client, print_report

    form = "json" if options.json else "html" if options.html else "text"
    if options.show is not None:
        from routerd.server.shows.afterwards import print_show

        folders = [options.state_dir] if options.state_dir is not None else state_folders()
        return print_show(options.show, folders, form, options.midi)
    if options.midi is not None or options.state_dir is not None:
        complain("routerd: --midi and --state-dir need the name of a SHOW")
        return 1
    client = Client(options.listen, options.token_file)
    return print_report(client, form, "minute" if options.minute else "show")


def _soundcheck(options: argparse.Namespace) -> int:
    from routerd.server.client import Client, SoundcheckWish, run_soundcheck

    wish = SoundcheckWish(
        seconds=options.seconds,
        stages=tuple(options.stage or ()),
        unplug=options.unplug,
        playing=options.playing,
        html=options.html,
        agreed=options.yes,
        offsets=options.write_offsets,
        silent=options.write_silent,
    )
    return run_soundcheck(Client(options.listen, options.token_file), wish)


_COMMANDS = {
    "run": _run,
    "demo": _demo,
    "check": _check,
    "sheet": _sheet,
    "diff": _diff,
    "import": _import,
    "ports": _ports,
    "report": _report,
    "soundcheck": _soundcheck,
}

if __name__ == "__main__":
    sys.exit(main())
