"""Commands that need no running service: check, explain, sheet, diff and import; new and ports."""

from __future__ import annotations

import argparse
from functools import partial
from pathlib import Path

from routerd.cli.run import Commands
from routerd.printing import complain, say, say_document, say_lines


def add_commands(commands: Commands) -> None:
    """Define new, check, explain, sheet, diff, import and ports."""
    new = commands.add_parser(
        "new",
        help="make a rig folder from the ports that are there",
        description="Make a rig folder as a start: a device for each port that is there, one song, one set. "
        "Nothing that exists is overwritten. Exit status 0: made; 2: not made.",
    )
    new.add_argument("folder", type=Path, metavar="DIR", help="a folder that is new, or empty")
    new.add_argument("--learn", action="store_true", help="ask for the switches for next, previous and panic")
    new.add_argument(
        "--ports", choices=("alsa", "jack"), help="what offers the ports (default: those of this machine)"
    )

    check = commands.add_parser(
        "check",
        help="check a rig folder",
        description="Check every file of a rig folder and print every mistake as file:line: what is wrong; "
        "what would be right. Exit status 0: all good; 1: mistakes.",
    )
    check.add_argument("folder", type=Path, metavar="DIR", help="the rig folder")
    check.add_argument("--json", action="store_true", help="problems and warnings as JSON, and nothing else")
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
        help="in whose ports to look for the rig's (default: those of this machine, if it has any)",
    )

    explain = commands.add_parser(
        "explain",
        help="show what becomes of a message in a song, route by route, and why not where it does not pass",
        description="Show what becomes of one message from a device in a section of a song: which routes "
        "let it through and what they make of it, which condition of the others keeps it out, and what "
        "leaves each port. Exit status 0: shown; 1: mistakes in the files; 2: no such song, section, device "
        "or message.",
    )
    explain.add_argument("folder", type=Path, metavar="DIR", help="the rig folder")
    explain.add_argument("--song", required=True, metavar="SONG", help="its title, or its file's name")
    explain.add_argument("--section", default="", metavar="NAME", help="its name or number (default: 1)")
    explain.add_argument("--device", required=True, metavar="DEVICE", help="the device that is played")
    explain.add_argument("--message", required=True, metavar="HEX", help='the message, such as "90 3C 64"')
    explain.add_argument("--json", action="store_true", help="as JSON, just as the API has it")

    sheet = commands.add_parser(
        "sheet",
        help="print the set for the music stand or for the technician",
        description="Print the whole set: order, keys, tempos, sections and their presses, checklists. As "
        "text, or as a page to print from a browser.",
    )
    sheet.add_argument("folder", type=Path, metavar="DIR", help="the rig folder")
    sheet.add_argument("--set", dest="set_name", metavar="NAME", help="this set instead of the newest")
    sheet.add_argument("--technical", action="store_true", help="also tuning and patches")
    form = sheet.add_mutually_exclusive_group()
    form.add_argument("--html", action="store_true", help="as a self-contained page")
    form.add_argument("--json", action="store_true", help="as JSON")

    diff = commands.add_parser(
        "diff",
        help="show what differs between two versions of a set",
        description="Show what differs between two rig folders, or two sets of them. Exit status 0: nothing; "
        "1: something; 2: mistakes in the files.",
    )
    diff.add_argument("old", type=Path, metavar="OLD", help="a rig folder")
    diff.add_argument("new", type=Path, metavar="NEW", help="a rig folder, or the same one")
    diff.add_argument("--old-set", metavar="NAME", help="this set of OLD instead of the newest")
    diff.add_argument("--new-set", metavar="NAME", help="this set of NEW instead of the newest")
    diff.add_argument("--json", action="store_true", help="as JSON: what was removed, added and changed")

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
    bring.add_argument("--json", action="store_true", help="what was written, or is wrong, as JSON")
    bring.add_argument("--replace", action="store_true", help="give an existing set of that name this order")

    ports = commands.add_parser(
        "ports",
        help="list the ports of this machine",
        description="List ports and the patterns for rig.yaml.",
    )
    ports.add_argument("--ports", choices=("alsa", "jack"), help="what offers the ports")
    ports.add_argument("--json", action="store_true", help="as JSON")


def _new(options: argparse.Namespace) -> int:
    from routerd.cli.new import make_folder

    return make_folder(options.folder, options.ports, learn=options.learn)


def _check(options: argparse.Namespace) -> int:
    from routerd.ports import find_ports, missing_library
    from routerd.server.offline.check import check, print_findings

    if options.json:
        return print_findings(options.folder, options.set_name)
    words = missing_library()
    look = None if words else partial(find_ports, options.ports)
    status = check(options.folder, options.set_name, options.schemas, look, rehearsed=options.rehearse)
    if words:
        say(f"warning: {words}")
    return status


def _explain(options: argparse.Namespace) -> int:
    from routerd.server.offline.explain import Question, print_explanation

    question = Question(options.song, options.section, options.device, options.message)
    return print_explanation(options.folder, question, as_json=options.json)


def _sheet(options: argparse.Namespace) -> int:
    from routerd.server.offline.sheet import print_sheet

    form = "html" if options.html else "json" if options.json else "text"
    return print_sheet(options.folder, options.set_name, form, technical=options.technical)


def _diff(options: argparse.Namespace) -> int:
    from routerd.server.offline.set_lists import print_diff

    sets = (options.old_set, options.new_set)
    return print_diff(options.old, options.new, *sets, as_json=options.json)


def _import(options: argparse.Namespace) -> int:
    from routerd.server.offline.set_lists import ImportRequest, import_order

    return import_order(
        ImportRequest(options.folder, options.file, options.name, options.date, replace=options.replace),
        as_json=options.json,
    )


def _ports(options: argparse.Namespace) -> int:
    from routerd.core.errors import PortError
    from routerd.ports import describe_ports, ports_json

    try:
        if options.json:
            say_document(ports_json(options.ports), "json")
        else:
            say_lines(describe_ports(options.ports))
    except PortError as error:
        complain(f"routerd: {error}")
        return 2
    return 0


COMMANDS = {
    "new": _new,
    "check": _check,
    "explain": _explain,
    "sheet": _sheet,
    "diff": _diff,
    "import": _import,
    "ports": _ports,
}
