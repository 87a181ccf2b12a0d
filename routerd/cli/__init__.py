"""The command line: which commands there are, and how any of them ends.

A module for each group of commands: `run` starts the service (run, demo), `folder` works on a rig folder
without one (new, check, explain, sheet, diff, import, ports), `service` asks one that runs (status, do,
stage, monitor, report, soundcheck). Each defines its commands and imports only what the wanted one needs: a
show may be waiting for `routerd run`.
"""

from __future__ import annotations

import argparse
import os
import sys
from typing import Any

from routerd import __version__
from routerd.cli import run
from routerd.printing import complain, open_standard_streams

_DESCRIPTION = """\
routerd owns the MIDI ports of a live rig: it keeps one clock at each song's tempo, routes and remaps
messages per song and section, goes to the next song at a press, and shows in numbers that it keeps time.
"""

_EXAMPLES = """\
a first evening:
  routerd demo                          watch a small invented rig for half a minute, no hardware
  routerd new my-rig --learn            a rig folder from the ports that are there; or demo --copy my-rig
  routerd ports                         the ports of this machine, with the patterns for rig.yaml
  routerd check my-rig                  every mistake in every file, with line and remedy
  routerd run my-rig                    the service; stop it with Ctrl-C

while it runs:
  routerd status --watch                where it is, problems first
  routerd monitor                       what comes in and goes out, and why something went nowhere
  routerd do next --when bar            the next song, on the bar line; with --wait it returns then
  routerd report                        the jitter report so far
  routerd soundcheck --html page.html   prove the rig before doors; turn levels down first
"""


class _Parser(argparse.ArgumentParser):
    """Suggests the nearest word for one that is not known; so do the parsers of its commands."""

    def _check_value(self, action: argparse.Action, value: Any) -> None:
        if action.choices is not None and value not in action.choices:
            from routerd.server.rigfiles.problems import suggest

            words = suggest(str(value), [str(one) for one in action.choices])
            raise argparse.ArgumentError(action, f"{value!r} is not known here; {words}")


def build_parser(*, only_run: bool = False) -> argparse.ArgumentParser:
    """Return the definition of the command line; the man page and the completions are made from it.

    `only_run`: only of the commands that start a service.
    """
    parser: argparse.ArgumentParser = _Parser(
        prog="routerd",
        description=_DESCRIPTION,
        epilog=_EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"routerd {__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    run.add_commands(commands)
    if only_run:
        return parser
    from routerd.cli import folder, service

    folder.add_commands(commands)
    service.add_commands(commands)
    return parser


def main(arguments: list[str] | None = None) -> int:
    """Run one command; return the exit status, which means the same in all of them.

    0: done, and all is well; 1: done, and something is not (mistakes in files, problems, a failed device,
    differences); 2: it could not be done (wrong arguments, no service, no ports, a file that is not there).
    """
    open_standard_streams()
    arguments = sys.argv[1:] if arguments is None else arguments
    starts = bool(arguments) and arguments[0] in run.COMMANDS  # a show may be waiting
    options = build_parser(only_run=starts).parse_args(arguments)
    try:
        return _run(options)
    except BrokenPipeError:  # `routerd report | head`
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        return 130
    except OSError as error:  # a name that is too long, a folder that may not be looked into
        complain(f"routerd: {error.filename or options.command}: {error.strerror}")
        return 2


def _run(options: argparse.Namespace) -> int:
    if options.command in run.COMMANDS:
        return run.COMMANDS[options.command](options)
    from routerd.cli import folder, service

    return (folder.COMMANDS | service.COMMANDS)[options.command](options)
