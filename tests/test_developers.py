"""DEVELOPERS.md speaks of what is there: its modules, classes, functions, files and commands exist."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
TEXT = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
ROOMS = ("core", "ports", "link", "engine", "server", "cli")

DOTTED = re.compile(rf"`((?:{'|'.join(ROOMS)}|storage|errand|printing)(?:\.\w+)+)(?:\([^`]*\))?`")
PATHS = re.compile(r"`((?:routerd|tests|configs|systemd|core|ports|link|engine|server|cli)/[\w/.-]+)`")
BENCHES = re.compile(r"\btests\.(?:bench|system)\.(\w+)")


@cache
def names_in(module: Path) -> dict[str, set[str]]:
    """Return the names that a module defines, and of each class what it and its instances have."""
    found: dict[str, set[str]] = {}
    for node in ast.parse(module.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.ClassDef):
            members = {ast.unparse(one.target) for one in ast.walk(node) if isinstance(one, ast.AnnAssign)}
            members |= {
                ast.unparse(target)
                for one in ast.walk(node)
                if isinstance(one, ast.Assign)
                for target in one.targets
            }
            members |= {
                one.name for one in node.body if isinstance(one, ast.FunctionDef | ast.AsyncFunctionDef)
            }
            found[node.name] = {name.removeprefix("self.") for name in members}
        elif isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            found[node.name] = set()
        elif isinstance(node, ast.Assign):
            found |= {ast.unparse(target): set() for target in node.targets}
        elif isinstance(node, ast.AnnAssign):
            found[ast.unparse(node.target)] = set()
    return found


def exists(name: str) -> bool:
    """Return whether `room.module.Class.member`, or the beginning of such a name, is there."""
    place, rest = ROOT / "routerd", name.split(".")
    while rest and (place / rest[0]).is_dir():
        place, rest = place / rest[0], rest[1:]
    if not rest:
        return True
    if (place / f"{rest[0]}.py").is_file():
        module, rest = place / f"{rest[0]}.py", rest[1:]
    else:
        module = place / "__init__.py"
    names = names_in(module)
    if not rest:
        return True
    owner, *member = rest
    return owner in names and (not member or (len(member) == 1 and member[0] in names[owner]))


def section(title: str) -> str:
    """Return the text below a heading, up to the next one of any level."""
    _, _, after = TEXT.partition(f"# {title}\n")
    assert after, f"DEVELOPERS.md has no section {title!r}"
    return re.split(r"\n#+ ", after)[0]


@pytest.mark.parametrize(
    ("name", "there"),
    [
        ("engine.worker.Worker.run", True),
        ("engine.worker.Worker.ports", True),
        ("core.units", True),
        ("core.units.NS_PER_S", True),
        ("engine.worker.Worker.sleep_well", False),
        ("engine.worker.Porter", False),
        ("engine.mender", False),
        ("core.model", True),
    ],
)
def test_names_are_found_where_they_are(name: str, there: bool) -> None:
    assert exists(name) is there


def test_every_name_in_it_is_there() -> None:
    assert [name for name in DOTTED.findall(TEXT) if not exists(name)] == []


def test_every_path_in_it_is_there() -> None:
    places = (ROOT, ROOT / "routerd")
    gone = [
        path
        for path in PATHS.findall(TEXT)
        if not any((place / path).exists() or (place / f"{path}.py").exists() for place in places)
    ]
    assert gone == []


def test_every_bench_in_it_is_there() -> None:
    folders = (ROOT / "tests" / "bench", ROOT / "tests" / "system")
    gone = [
        one for one in BENCHES.findall(TEXT) if not any((folder / f"{one}.py").exists() for folder in folders)
    ]
    assert gone == []


@pytest.mark.parametrize("title", ["The way of a message", "The way of a tick"])
def test_a_message_and_a_tick_can_be_followed_through_the_code(title: str) -> None:
    """Each on one page, and by so many names that nobody has to search."""
    text = section(title)
    assert len(text.split("\n")) <= 60
    assert len(set(DOTTED.findall(text))) >= 10


def test_it_has_every_room() -> None:
    drawn = section("The house")
    assert [room for room in ROOMS if f"{room}/" not in drawn] == []
    folders = {
        str(path.relative_to(ROOT / "routerd"))
        for path in (ROOT / "routerd").rglob("*")
        if path.is_dir() and (path / "__init__.py").exists() and path.parent.name != "routerd"
    }
    assert [folder for folder in folders if f"{folder.split('/')[-1]}/" not in drawn] == []
