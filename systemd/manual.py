"""Writes the man page and the shells' completions from the command line's own definition.

    .venv/bin/python systemd/manual.py

Once after each change of the command line (a test says so); the package brings them, so that nobody needs the
libraries that make them. They are installed under `share` of the environment.
"""

from __future__ import annotations

import argparse
import sys
from copy import copy
from pathlib import Path

import shtab
from argparse_manpage.manpage import Manpage

ROOT = Path(__file__).resolve().parents[1]
FOLDER = ROOT / "systemd"

COMPLETIONS = {
    "bash": "share/bash-completion/completions/routerd",
    "zsh": "share/zsh/site-functions/_routerd",
    "fish": "share/fish/vendor_completions.d/routerd.fish",
}
MAN_PAGE = "share/man/man1/routerd.1"

SUMMARY = "real-time MIDI router and clock daemon for a touring live rig"
WHAT_IT_TAKES = {"DIR": shtab.DIRECTORY, "OLD": shtab.DIRECTORY, "NEW": shtab.DIRECTORY, "FILE": shtab.FILE}
"""What completes a value, by the word that stands for it in the help."""


def command_line() -> argparse.ArgumentParser:
    """Return the definition of the command line of this checkout."""
    sys.path.insert(0, str(ROOT))
    from routerd.cli import build_parser

    return build_parser()


def man_page(parser: argparse.ArgumentParser) -> str:
    """Return the man page, in troff."""
    examples, parser.epilog = parser.epilog or "", None  # their lines must stay as they are
    _say_once(parser)
    page = Manpage(parser, format="single-commands-section")
    page.description = SUMMARY
    page.manual, page.date = "routerd", ""  # a date would differ each time
    escaped = examples.replace("\\", "\\\\").replace("-", "\\-")
    return f"{page}\n.SH EXAMPLES\n.nf\n{escaped}.fi\n"


def _say_once(parser: argparse.ArgumentParser) -> None:
    """Describe options that most of a command's actions share at the command, and no more at each of them."""
    for command in _commands(parser):
        actions = _commands(command)
        for holder in (one for one in command._actions if isinstance(one, argparse._SubParsersAction)):
            for summary in holder._choices_actions:
                if (action := holder.choices[summary.dest]).description == summary.help:
                    action.description = None  # once is enough
        having: dict[tuple[str, ...], list[argparse.Action]] = {}
        for one in (option for action in actions for option in action._actions):
            if one.help and one.option_strings and "--help" not in one.option_strings:
                having.setdefault((*one.option_strings, one.help), []).append(one)
        shared = [same for same in having.values() if len(same) > len(actions) / 2]
        if not shared:
            continue
        words = [" ".join((same[0].option_strings[0], same[0].metavar or "")).strip() for same in shared]
        command.usage = " ".join([command.prog, "[-h] ACTION ...", *(f"[{one}]" for one in words)])
        group = command.add_argument_group("options of the actions, behind their names:")
        command._action_groups.insert(0, command._action_groups.pop())  # the actions themselves are the last
        for same in shared:
            group._add_action(copy(same[0]))
            for one in same:
                one.help = argparse.SUPPRESS if len(same) == len(actions) else f"as with {command.prog}"


def _commands(parser: argparse.ArgumentParser) -> list[argparse.ArgumentParser]:
    """Return the parsers of a parser's commands."""
    found = [one for one in parser._actions if isinstance(one, argparse._SubParsersAction)]
    return [command for one in found for command in dict.fromkeys(one.choices.values())]


def completion(parser: argparse.ArgumentParser, shell: str) -> str:
    """Return the completion of one shell; files and folders are completed where they are meant."""
    for action in _actions(parser):
        if takes := WHAT_IT_TAKES.get(str(action.metavar)):
            action.complete = takes  # type: ignore[attr-defined]
    return str(shtab.complete(parser, shell))


def _actions(parser: argparse.ArgumentParser) -> list[argparse.Action]:
    found = list(parser._actions)
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for command in action.choices.values():
                found += _actions(command)
    return found


def write_all(folder: Path) -> list[str]:
    """Write man page and completions below a folder; return their paths in it."""
    texts = {MAN_PAGE: man_page(command_line())}
    texts |= {path: completion(command_line(), shell) for shell, path in COMPLETIONS.items()}
    for path, text in texts.items():
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).write_text(text, encoding="utf-8")
    return list(texts)


if __name__ == "__main__":
    for written in write_all(FOLDER):
        print(FOLDER / written)
