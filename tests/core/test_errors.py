"""The tree of errors is as it is drawn."""

from __future__ import annotations

import ast
import re
from pathlib import Path

from routerd.core import errors

PACKAGE = Path(__file__).parents[2] / "routerd"
SYSTEMS_OWN = {"OSError", "PermissionError", "TimeoutError", "ValueError"}
DRAWN = re.compile(r"^([│├└─ ]*)(\w+Error)", re.MULTILINE)


def classes() -> dict[str, str]:
    """Return the base of every class of errors of the package, by its name; not of those of one module."""
    found: dict[str, str] = {}
    for path in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ClassDef) and node.name.endswith("Error") and node.name[0] != "_":
                assert node.name not in found, f"two classes are called {node.name}"
                found[node.name] = ast.unparse(node.bases[0])
    return found


def drawn() -> dict[str, str]:
    """Return the same as the drawing has it: four columns further in is one level down."""
    way: list[str] = []
    found = {}
    for indent, name in DRAWN.findall(str(errors.__doc__)):
        level = len(indent) // 4
        way[level:] = [name]
        found[name] = way[level - 1] if level else "Exception"
    return found


def test_the_tree_is_as_it_is_drawn() -> None:
    ours = {name: base for name, base in classes().items() if base not in SYSTEMS_OWN}
    assert drawn() == ours


def test_errors_that_callers_take_for_the_systems_are_named_beside_the_tree() -> None:
    for name in {name for name, base in classes().items() if base in SYSTEMS_OWN}:
        assert f"`{name}`" in str(errors.__doc__)
