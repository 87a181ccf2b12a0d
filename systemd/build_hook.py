"""Makes the man page and the shells' completions from the command line's own definition.

hatchling calls it whenever the package is built (see pyproject.toml); they are installed under `share` of the
environment, where man and the shells look for those of a program on the PATH. By hand, into a folder:

    python3 systemd/build_hook.py FOLDER
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

import shtab
from argparse_manpage.manpage import Manpage
from hatchling.builders.hooks.plugin.interface import BuildHookInterface

ROOT = Path(__file__).resolve().parents[1]

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
    page = Manpage(parser, format="single-commands-section")
    page.description = SUMMARY
    page.manual = "routerd"
    escaped = examples.replace("\\", "\\\\").replace("-", "\\-")
    return f"{page}\n.SH EXAMPLES\n.nf\n{escaped}.fi\n"


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


class CommandLineHook(BuildHookInterface):  # type: ignore[type-arg]
    """What hatchling calls."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:  # noqa: ARG002 - as hatchling calls
        """Add the files to a wheel."""
        if self.target_name == "wheel":
            folder = Path(self.directory) / "command-line"
            build_data["shared_data"] |= {str(folder / path): path for path in write_all(folder)}


if __name__ == "__main__":
    write_all(Path(sys.argv[1]))
