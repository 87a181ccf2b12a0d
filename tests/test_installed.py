"""What an installation brings besides the program: man page, completions, types; and its dependencies."""

from __future__ import annotations

import argparse
import importlib.metadata
import importlib.util
import re
import shutil
import subprocess
import tomllib
from pathlib import Path
from types import ModuleType

import pytest

from routerd.cli import build_parser

ROOT = Path(__file__).parents[1]
SHARE = ("share/man/man1/routerd.1", "share/bash-completion/completions/routerd")


@pytest.fixture(scope="module")
def manual() -> ModuleType:
    """The module that writes them."""
    spec = importlib.util.spec_from_file_location("manual", ROOT / "systemd" / "manual.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def commands() -> dict[str, argparse.ArgumentParser]:
    (action,) = (a for a in build_parser()._actions if isinstance(a, argparse._SubParsersAction))
    return dict(action.choices)


def every_parser(parser: argparse.ArgumentParser) -> list[argparse.ArgumentParser]:
    """The parser and those of its commands, and of theirs."""
    inner = [a for a in parser._actions if isinstance(a, argparse._SubParsersAction)]
    return [parser, *(found for a in inner for one in a.choices.values() for found in every_parser(one))]


def options(parser: argparse.ArgumentParser) -> set[str]:
    shown = [action for action in parser._actions if action.help != argparse.SUPPRESS]
    return {word for action in shown for word in action.option_strings if word.startswith("--")}


def test_the_man_page_has_every_command_and_option(manual: ModuleType) -> None:
    text = manual.man_page(build_parser()).replace("\\-", "-")
    for name, parser in commands().items():
        assert f"routerd {name}" in text
        assert {word for word in options(parser) if word not in text} == {"--help"}
    assert text.count("how long to wait at most") == 1, "what all actions take is described once"
    assert re.search(r"^\.SH NAME\nrouterd - \w", text, re.MULTILINE)
    assert "routerd do next --when bar            the next song, on the bar line" in text, (
        "examples keep their lines"
    )


@pytest.mark.parametrize("path", SHARE)
def test_what_the_package_brings_is_up_to_date(path: str) -> None:
    text = (ROOT / "systemd" / path).read_text(encoding="utf-8").replace("\\-", "-")
    has = set(re.findall(r"(?<![\w-])--[a-z][a-z-]*[a-z]", text)) - {"--help"}
    wanted = {word for parser in every_parser(build_parser()) for word in options(parser)}
    remedy = "the command line has changed: .venv/bin/python systemd/manual.py"
    assert has == wanted - {"--help"}, remedy
    for parser in commands().values():
        for action in parser._actions:
            if path == SHARE[0] and action.dest != "help" and action.help not in (None, argparse.SUPPRESS):
                assert " ".join((action.help % vars(action)).split()) in " ".join(text.split()), remedy


@pytest.mark.skipif(
    shutil.which("groff") is None, reason="groff is not installed: apt-get install groff-base"
)
def test_the_man_page_is_troff_without_a_warning(manual: ModuleType) -> None:
    page = manual.man_page(build_parser())
    done = subprocess.run(
        ["groff", "-man", "-Tutf8", "-ww", "-z"], input=page, capture_output=True, text=True, check=True
    )
    assert done.stderr == ""


def completed(script: Path, line: str) -> set[str]:
    """Return what bash offers at the end of a line, asked as it asks itself."""
    words = line.split(" ")
    program = (
        'source "$1"; shift; COMP_WORDS=("$@"); COMP_CWORD=$(($# - 1)); COMP_LINE="$*";'
        " function=$(complete -p routerd | sed -E 's/.*-F ([^ ]+).*/\\1/'); $function routerd"
        ' "${COMP_WORDS[COMP_CWORD]}" "${COMP_WORDS[COMP_CWORD - 1]}"; printf "%s\\n" "${COMPREPLY[@]}"'
    )
    done = subprocess.run(
        ["bash", "-c", program, "bash", str(script), *words], capture_output=True, text=True, check=True
    )
    return {word.strip() for word in done.stdout.splitlines() if word.strip()}


@pytest.mark.skipif(shutil.which("bash") is None, reason="bash is not installed")
def test_bash_completes_commands_options_choices_and_folders(manual: ModuleType, tmp_path: Path) -> None:
    manual.write_all(tmp_path)
    script = tmp_path / SHARE[1]
    assert completed(script, "routerd ") >= set(commands())
    assert completed(script, "routerd so") == {"soundcheck"}
    assert completed(script, "routerd run --ports ") >= {"alsa", "jack", "simulated"}
    assert completed(script, "routerd report --m") == {"--midi", "--minute"}
    (tmp_path / "my-rig").mkdir()
    assert any(
        word.startswith(str(tmp_path / "my-rig")) for word in completed(script, f"routerd run {tmp_path}/m")
    )


def test_what_is_installed_has_types_the_stage_page_man_page_and_completions() -> None:
    files = {str(path) for path in importlib.metadata.files("routerd") or ()}
    if "routerd/cli/run.py" not in files:
        pytest.skip(
            "routerd is installed in editable form here; what a wheel brings is tested where it is not"
        )
    page = [path for path in (ROOT / "routerd" / "server" / "stage").iterdir() if path.is_file()]
    assert {"routerd/py.typed", *(str(path.relative_to(ROOT)) for path in page)} <= files
    for path in SHARE:
        assert any(name.endswith(path) for name in files), path


def test_every_dependency_is_listed_once_with_its_least_version() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    lists = [project["dependencies"], *project["optional-dependencies"].values()]
    names = [re.split(r"[<>=; ]", one)[0].lower() for listed in lists for one in listed]
    assert len(names) == len(set(names))
    assert [one for listed in lists for one in listed if ">=" not in one] == []
