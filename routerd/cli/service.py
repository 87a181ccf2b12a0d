"""Commands that ask a running service: status, do, stage, monitor, soundcheck; report, also of old shows."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from routerd.cli.do import add_actions, do
from routerd.cli.run import DEFAULT_LISTEN, Commands, state_folders
from routerd.core.errors import RouterdError
from routerd.printing import complain, counted, say, say_document

if TYPE_CHECKING:
    from collections.abc import Iterable

    from routerd.server.shows.record import RecordFolder


def add_commands(commands: Commands) -> None:
    """Define status, do, stage, monitor, report and soundcheck."""
    _add_status(commands)
    _add_do(commands)
    _add_stage(commands)
    _add_monitor(commands)
    _add_report(commands)
    _add_soundcheck(commands)


def _add_api(command: argparse.ArgumentParser) -> None:
    """Add how the service is reached."""
    command.add_argument("--listen", metavar="HOST:PORT", default=DEFAULT_LISTEN, help="where its API is")
    command.add_argument("--token-file", type=Path, metavar="FILE", help="file with the API's token")
    command.add_argument(
        "--tls-cert", type=Path, metavar="FILE", help="the certificate under which it serves, if over TLS"
    )


def _add_status(commands: Commands) -> None:
    status = commands.add_parser(
        "status",
        help="show where the running show stands, problems first",
        description="Show song, section, what comes next, bar, tempo and who leads it, what is armed, steps "
        "by hand and ports, problems first. Exit status 0: all is well; 1: it names problems; 2: no service "
        "answers.",
    )
    _add_api(status)
    form = status.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="as JSON, just as the API has it")
    form.add_argument("--watch", action="store_true", help="keep it live until Ctrl-C (on a terminal)")


def _add_do(commands: Commands) -> None:
    do = commands.add_parser(
        "do",
        help="have the running show do something: next, song, section, start, mute, panic ...",
        description="Have the running show do something, and print where it stands then. With --when it is "
        "armed for its moment, as over the API; with --wait the command returns when it has happened. Exit "
        "status 0: done; 1: the show refuses it, it was forgotten before its moment, or did not come within "
        "its time; 2: wrong arguments, or no service answers.",
    )
    common = argparse.ArgumentParser(add_help=False)
    _add_api(common)
    add_actions(do, common)


def _add_stage(commands: Commands) -> None:
    stage = commands.add_parser(
        "stage",
        help="show where a tablet finds the stage page: addresses, and a code to scan",
        description="Print the addresses of the stage page on this machine, and a QR code that lets a tablet "
        "in: the token is in it. Exit status 2: no service answers, or it wants another token.",
    )
    _add_api(stage)
    stage.add_argument(
        "--read-token-file",
        type=Path,
        metavar="FILE",
        help="file with the read-only token that the service was started with",
    )
    stage.add_argument("--read-only", action="store_true", help="a code that lets read only, for the band")
    stage.add_argument("--technician", action="store_true", help="the technician's view")


def _add_monitor(commands: Commands) -> None:
    monitor = commands.add_parser(
        "monitor",
        help="show messages as they come in and go out, and why one went nowhere",
        description="Show every message in and out, in words, and with each that came in what every route "
        "made of it, or which condition kept it out; until Ctrl-C. Exit status 2: no service answers.",
    )
    monitor.add_argument("devices", nargs="*", metavar="DEVICE", help="only of these devices")
    monitor.add_argument(
        "--kind", default="", metavar="KIND,...", help="only these kinds, such as notes,clock"
    )
    monitor.add_argument("--channel", default="", metavar="N", help="only on this channel, 1 to 16")
    monitor.add_argument("--json", action="store_true", help="a JSON object a line")
    _add_api(monitor)


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
    _add_api(report)
    form = report.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="as JSON instead of text")
    form.add_argument("--html", action="store_true", help="as one HTML page with plots")
    report.add_argument("--minute", action="store_true", help="of the last minute only")


def _add_soundcheck(commands: Commands) -> None:
    soundcheck = commands.add_parser(
        "soundcheck",
        help="prove the running rig: pass or fail for every device, why, and what to do",
        description="A timed run over the rig that is up: ports and permissions, roll call, clock, "
        "loopbacks, traffic, every song change. TURN LEVELS DOWN FIRST: it plays notes and sends patches. "
        "Ctrl-C stops it and keeps what was measured. Exit status 0: all passed; 1: a device failed; "
        "2: no soundcheck.",
    )
    _add_api(soundcheck)
    soundcheck.add_argument("--yes", action="store_true", help="levels are down: do not ask")
    soundcheck.add_argument(
        "--seconds",
        type=int,
        default=30,
        metavar="N",
        help="length of the clock and traffic runs, and at most of each loopback's",
    )
    soundcheck.add_argument(
        "--stage", action="append", metavar="NAME", help="only this; may be given more than once"
    )
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
        help="mark devices that did not answer the roll call in rig.yaml (identity-reply: false), so that "
        "their silence no longer counts as a fault: they are not asked again",
    )
    soundcheck.add_argument("--json", action="store_true", help="as JSON, just as the API has it")
    soundcheck.add_argument("--html", type=Path, metavar="FILE", help="also write the page with plots")


def _status(options: argparse.Namespace) -> int:
    from routerd.cli.client import Client
    from routerd.cli.watch import print_status

    return print_status(Client.of(options), as_json=options.json, watch=options.watch)


def _stage(options: argparse.Namespace) -> int:
    from routerd.cli.client import Client
    from routerd.cli.stage import StageWish, print_stage

    wish = StageWish(options.read_token_file, read_only=options.read_only, technician=options.technician)
    return print_stage(Client.of(options), wish)


def _monitor(options: argparse.Namespace) -> int:
    from routerd.cli.client import Client
    from routerd.cli.watch import Choice, print_messages

    choice = Choice(tuple(options.devices), options.kind, options.channel)
    return print_messages(Client.of(options), choice, as_json=options.json)


def _report(options: argparse.Namespace) -> int:
    from routerd.cli.client import Client, print_report

    form = "json" if options.json else "html" if options.html else "text"
    if options.show is not None:
        folders = [options.state_dir] if options.state_dir is not None else state_folders()
        return print_show(options.show, folders, form, options.midi)
    if options.midi is not None or options.state_dir is not None:
        complain("routerd: --midi and --state-dir need the name of a SHOW")
        return 2
    return print_report(Client.of(options), form, "minute" if options.minute else "show")


def print_show(words: str, folders: Iterable[Path], form: str, midi: Path | None) -> int:
    """Print the report ("text", "json", "html") of a show, or write its MIDI file; return the status."""
    from routerd.server.shows.record import RecordError, find_show

    try:
        folder = find_show(words, folders)
        if midi is not None:
            from routerd.server.shows.midi_file import write_midi_file

            tracks = write_midi_file(folder, midi)
            say(f"{midi}: {counted(tracks, 'track')} of messages, and one of tempo and songs")
        else:
            try:
                document = _rendered(folder, form)
            except (LookupError, TypeError, ValueError, AttributeError) as error:
                words = f"{folder.path}: its report makes no sense ({type(error).__name__}: {error})"
                raise RecordError(words) from error
            say_document(document, form)
    except RouterdError as error:
        complain(f"routerd: {error}")
        return 2
    return 0


def _rendered(folder: RecordFolder, form: str) -> str:
    """Return the report on the whole show, in the shape that the service's own has; raises RecordError."""
    from routerd.server.report import render_text
    from routerd.server.report.document import to_json

    passed_over: list[str] = []
    try:
        report = folder.whole_report(passed_over)
    finally:
        for line in passed_over:
            complain(f"routerd: {line}")
    if form == "json":
        return to_json(report).decode()
    if form == "html":
        from routerd.server.report.page import render_page

        return render_page(report)
    return render_text(report)


def _soundcheck(options: argparse.Namespace) -> int:
    from routerd.cli.client import Client, SoundcheckWish, run_soundcheck

    wish = SoundcheckWish(
        seconds=options.seconds,
        stages=tuple(options.stage or ()),
        unplug=options.unplug,
        playing=options.playing,
        html=options.html,
        as_json=options.json,
        agreed=options.yes,
        offsets=options.write_offsets,
        silent=options.write_silent,
    )
    return run_soundcheck(Client.of(options), wish)


COMMANDS = {
    "status": _status,
    "do": do,
    "stage": _stage,
    "monitor": _monitor,
    "report": _report,
    "soundcheck": _soundcheck,
}
