"""Mutation testing by hand: does a test notice when one place of the program is changed?

    python -m tests.bench.mutants map                # once: which test runs which line (some minutes)
    python -m tests.bench.mutants map tests/core/output/test_wire.py    # again for tests that have changed
    python -m tests.bench.mutants run --count 300    # 300 places by chance, the seed is printed
    python -m tests.bench.mutants run --again LOG      # those that an earlier run has printed
    python -m tests.bench.mutants run --only routerd/core/output/lanes.py:88 --count 50

Each changes one comparison, operator, constant, condition or call, inside a function of the core, of what
the files mean, or of the engine's worker. It lives in memory only: a process of its own is forked, gets the
changed module when it imports it, and runs the tests that run the changed line, the quickest first, up to the
first that fails. Needs `coverage` (extra `mutation`). What survives is a hole in the tests or has no effect;
the latter are listed in `mutants_known`, each with the reason.
"""

from __future__ import annotations

import argparse
import ast
import copy
import importlib.abc
import importlib.machinery
import json
import os
import random
import resource
import signal
import sys
import time
import traceback
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from tests.bench.mutants_known import WITHOUT_EFFECT

ROOT = Path(__file__).parents[2]
TARGETS = ("routerd/core", "routerd/server/rigfiles", "routerd/engine/worker.py")
TESTS = (
    *("tests/core", "tests/properties", "tests/scenarios", "tests/server/rigfiles/test_general_midi.py"),
    *("tests/server/offline/test_paper.py", "tests/server/rigfiles/test_set_file.py"),
    *(str(path.relative_to(ROOT)) for path in sorted((ROOT / "tests/server").glob("test_config_*.py"))),
    *("tests/engine/test_flood.py", "tests/engine/test_yielding.py", "tests/engine/test_recorder.py"),
    *(
        "tests/engine/test_worker.py",
        "tests/engine/test_port_keeper.py",
        "tests/engine/test_real_performance.py",
    ),
)
QUIET = [
    "-q",
    "-W",
    "ignore::pytest.PytestAssertRewriteWarning",
    "-p",
    "no:cacheprovider",
    "-p",
    "no:xdist",
    "-p",
    "no:random_order",
    "-p",
    "no:benchmark",
]
LIMIT_S = 240
"""A mutant that runs so long hangs, which counts as noticed."""
MOST_S = 30.0
"""So long a mutant's tests may take together; the slowest of many are left out."""
CONTROL_S = 2.0
"""Tests that take longer are left out when it is made sure that they pass with nothing changed."""

OTHER: dict[type[ast.AST], type[ast.AST]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In, ast.And: ast.Or,
    ast.Or: ast.And, ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.FloorDiv, ast.FloorDiv: ast.Mult,
    ast.Div: ast.Mult, ast.Mod: ast.Mult, ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
    ast.LShift: ast.RShift, ast.RShift: ast.LShift,
}  # fmt: skip


@dataclass(frozen=True)
class Mutant:
    """One change: the place-th node of a file in the order of ast.walk, and what becomes of it."""

    file: str
    line: int
    statement: int
    place: int
    kind: str
    words: str
    text: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}: {self.words}"


# What can be changed


def mutants_of(file: str) -> Iterator[Mutant]:
    """Yield every change of a file that is tried."""
    source = (ROOT / file).read_text(encoding="utf-8")
    lines = source.splitlines()
    tree = ast.parse(source)
    inside = _inside_functions(tree)
    for place, node in enumerate(ast.walk(tree)):
        if id(node) not in inside:
            continue
        for kind in _kinds(node):
            changed = _changed(copy.deepcopy(node), kind)
            line = node.lineno  # type: ignore[attr-defined]
            words = f"{_short(node)}  ->  {_short(changed)}"
            yield Mutant(file, line, inside[id(node)], place, kind, words, lines[line - 1].strip())


def _short(node: ast.AST) -> str:
    return " ".join(ast.unparse(node).split())[:70]


def _inside_functions(tree: ast.Module) -> dict[int, int]:
    """Return the nodes that run when a function is called, each with the line of its statement.

    Left out are defaults, annotations, and the messages of errors.
    """
    found: dict[int, int] = {}

    def visit(node: ast.AST, line: int = 0) -> None:
        if isinstance(node, ast.Raise | ast.JoinedStr | ast.Assert):
            return
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            for statement in node.body:
                visit(statement)
            return
        line = node.lineno if isinstance(node, ast.stmt) else line
        found[id(node)] = line
        for name, value in ast.iter_fields(node):
            if name != "annotation":
                for child in value if isinstance(value, list) else [value]:
                    if isinstance(child, ast.AST):
                        visit(child, line)

    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and node.name != "__repr__":
            for statement in node.body:
                visit(statement)
    return found


def _kinds(node: ast.AST) -> list[str]:
    match node:
        case ast.Compare():
            return [f"compare {number}" for number in range(len(node.ops))]
        case ast.BoolOp():
            return ["operator"]
        case ast.BinOp() | ast.AugAssign():
            texts = [one for one in ast.walk(node) if isinstance(one, ast.JoinedStr)]
            texts += [o for o in ast.walk(node) if isinstance(o, ast.Constant) and isinstance(o.value, str)]
            return ["operator"] if type(node.op) in OTHER and not texts else []
        case ast.UnaryOp(op=ast.Not() | ast.USub()):
            return ["bare"]
        case ast.Expr(value=ast.Call()):
            return ["drop"]
        case ast.Constant(value=bool()):
            return ["constant"]
        case ast.Constant(value=int()):
            return ["constant"]
        case ast.If() | ast.While() | ast.IfExp():
            return (
                ["condition"] if not isinstance(node.test, ast.Compare | ast.UnaryOp | ast.Constant) else []
            )
    return []


def _changed(node: Any, kind: str) -> ast.AST:
    if kind.startswith("compare"):
        number = int(kind.split()[1])
        node.ops[number] = OTHER[type(node.ops[number])]()
    elif kind == "operator":
        node.op = OTHER[type(node.op)]()
    elif kind == "bare":
        return ast.copy_location(node.operand, node)
    elif kind == "drop":
        return ast.copy_location(ast.Pass(), node)
    elif kind == "constant":
        node.value = not node.value if isinstance(node.value, bool) else node.value + 1
    elif kind == "condition":
        node.test = ast.copy_location(ast.UnaryOp(ast.Not(), node.test), node.test)
    return ast.fix_missing_locations(node)


def mutated(mutant: Mutant) -> ast.Module:
    """Return the module with the change."""
    tree = ast.parse((ROOT / mutant.file).read_text(encoding="utf-8"))
    if mutant.place < 0:
        return tree  # the control: nothing is changed
    old = next(node for place, node in enumerate(ast.walk(tree)) if place == mutant.place)

    class Change(ast.NodeTransformer):
        def visit(self, node: ast.AST) -> Any:
            return _changed(node, mutant.kind) if node is old else self.generic_visit(node)

    return ast.fix_missing_locations(Change().visit(tree))


class Changed(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Gives the changed module whenever it is imported."""

    def __init__(self, mutant: Mutant) -> None:
        parts = Path(mutant.file).with_suffix("").parts
        self._name = ".".join(parts).removesuffix(".__init__")
        self._path = str(ROOT / mutant.file)
        self._code = compile(mutated(mutant), self._path, "exec")

    def find_spec(self, name: str, *_: Any) -> importlib.machinery.ModuleSpec | None:
        if name != self._name:
            return None
        package = self._path.endswith("__init__.py")
        spec = importlib.machinery.ModuleSpec(name, self, origin=self._path, is_package=package)
        spec.has_location = True
        if package:
            spec.submodule_search_locations = [str(Path(self._path).parent)]
        return spec

    def exec_module(self, module: ModuleType) -> None:
        exec(self._code, module.__dict__)


# Which test runs which line


EMPTY_MAP: dict[str, Any] = {"tests": [], "lines": {}}


class Mapping:
    """A plugin: each test is a context of its own for coverage, and is timed."""

    def __init__(self, coverage: Any) -> None:
        self._coverage = coverage
        self.took_s: dict[str, float] = {}

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtest_logstart(self, nodeid: str) -> None:
        self._coverage.switch_context(nodeid)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self.took_s[report.nodeid] = self.took_s.get(report.nodeid, 0.0) + report.duration


def make_map(path: Path, tests: Sequence[str], *, everything: bool) -> int:
    """Run the tests once and write (or add) which lines each runs; return pytest's status."""
    import coverage

    measure = coverage.Coverage(
        data_file=None,
        include=[f"{ROOT}/{one}" if one.endswith(".py") else f"{ROOT}/{one}/*" for one in TARGETS],
    )
    mapping = Mapping(measure)
    measure.start()
    status = pytest.main([*QUIET, *tests], plugins=[mapping])
    measure.stop()
    data = measure.get_data()
    lines: dict[str, dict[str, list[int]]] = {}
    numbers = {nodeid: number for number, nodeid in enumerate(mapping.took_s)}
    for file in data.measured_files():
        by_line = data.contexts_by_lineno(file)
        lines[str(Path(file).relative_to(ROOT))] = {
            str(line): [numbers[one] for one in contexts if one in numbers]
            for line, contexts in by_line.items()
        }
    kept = json.loads(path.read_text(encoding="utf-8")) if path.exists() and not everything else EMPTY_MAP
    first = len(kept["tests"])
    kept["tests"] += [[nodeid, round(took_s, 4)] for nodeid, took_s in mapping.took_s.items()]
    for file, by_line in lines.items():
        known = kept["lines"].setdefault(file, {})
        for line, found in by_line.items():
            known[line] = known.get(line, []) + [first + number for number in found]
    path.write_text(json.dumps(kept), encoding="utf-8")
    return int(status)


# Running one


class Chosen:
    """A plugin: only these tests, the quickest first."""

    def __init__(self, took_s: dict[str, float]) -> None:
        self._took_s = took_s

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        chosen = [item for item in items if item.nodeid in self._took_s]
        items[:] = sorted(chosen, key=lambda item: self._took_s[item.nodeid])


def noticed(mutant: Mutant, took_s: dict[str, float]) -> str:
    """Return how a mutant was noticed ("failed", "hangs"), or "" when every test passed."""
    child = os.fork()
    if child == 0:
        _be_mutant(mutant, took_s)
    end_s = time.monotonic() + LIMIT_S
    while time.monotonic() < end_s:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return "" if status == 0 else "failed"
        time.sleep(0.02)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return "hangs"


def _be_mutant(mutant: Mutant, took_s: dict[str, float]) -> None:
    status = 1
    try:
        os.setsid()
        os.nice(3)
        resource.setrlimit(resource.RLIMIT_AS, (6_000_000_000, 6_000_000_000))
        silence = os.open(
            os.environ.get("ROUTERD_MUTANT_LOG", os.devnull), os.O_WRONLY | os.O_CREAT | os.O_APPEND
        )
        os.dup2(silence, 1)
        os.dup2(silence, 2)
        sys.meta_path.insert(0, Changed(mutant))
        files = sorted({nodeid.partition("::")[0] for nodeid in took_s})
        status = int(pytest.main([*QUIET, "-x", "--timeout=100", *files], plugins=[Chosen(took_s)]))
    except BaseException:  # noqa: BLE001 - shown, and the process ends
        traceback.print_exc()
    finally:
        sys.stderr.flush()
        os._exit(status)


def chosen_mutants(options: argparse.Namespace) -> list[Mutant]:
    """Return the mutants to be tried, by chance and seed."""
    files = [path for one in TARGETS for path in sorted((ROOT / one).rglob("*.py")) or [ROOT / one]]
    found = [one for path in files for one in mutants_of(str(path.relative_to(ROOT)))]
    if options.again:
        log = options.again.read_text(encoding="utf-8")
        return [one for one in found if f": {one.words}\n    {one.text}\n" in log and f"{one.file}:" in log]
    if options.only:
        found = [one for one in found if f"{one.file}:{one.line}".startswith(options.only)]
    print(f"{len(found)} changes are possible; seed {options.seed}, {min(options.count, len(found))} of them")
    return random.Random(options.seed).sample(found, min(options.count, len(found)))


def run(options: argparse.Namespace) -> int:
    """Try mutants and print those that nothing noticed; return 1 when too many were not."""
    kept = json.loads(options.map.read_text(encoding="utf-8"))
    tests = dict(kept["tests"])
    names = [name for name, _ in kept["tests"]]  # a test that was mapped again is there twice
    _load_what_tests_need()

    def try_one(mutant: Mutant) -> tuple[Mutant, str, int]:
        lines = kept["lines"].get(mutant.file, {})
        covering = lines.get(str(mutant.line)) or lines.get(str(mutant.statement))
        if not covering:  # it runs when its module is loaded: all that runs what imports it
            users = [file for file in kept["lines"] if _imports(file, mutant.file)]
            covering = [one for file in users for found in kept["lines"][file].values() for one in found]
        took_s = _affordable(
            {names[number]: tests[names[number]] for number in covering}, mutant.file, options.most_seconds
        )
        return mutant, noticed(mutant, took_s) if took_s else "", len(took_s)

    control = Mutant("routerd/core/units.py", 0, 0, -1, "nothing", "nothing", "")
    quick = {name: took_s for name, took_s in tests.items() if took_s < CONTROL_S}
    if how := noticed(control, quick):
        print(f"with nothing changed its tests already fail ({how}): run them by themselves first")
        return 2
    counts = {"noticed": 0, "without effect": 0, "not noticed": 0}
    with ThreadPoolExecutor(options.workers) as pool:
        for number, (mutant, how, covered) in enumerate(pool.map(try_one, chosen_mutants(options)), 1):
            if number % 25 == 0:
                print(f"... {number}: {counts}", flush=True)
            reason = WITHOUT_EFFECT.get((mutant.file, mutant.text, mutant.words))
            if how:
                counts["noticed"] += 1
            elif reason:
                counts["without effect"] += 1
            else:
                counts["not noticed"] += 1
                print(f"{mutant}\n    {mutant.text}\n    {covered} tests run this line", flush=True)
    with_effect = counts["noticed"] + counts["not noticed"]
    share = counts["noticed"] / with_effect if with_effect else 1.0
    print(f"{counts}: {100 * share:.1f} % of those with an effect were noticed")
    return 0 if share >= 0.97 else 1


def _affordable(took_s: dict[str, float], file: str, most_s: float) -> dict[str, float]:
    """Return the tests named after the module and the quickest others, as many as take so long together."""
    chosen: dict[str, float] = {}
    left_s = most_s
    own = f"test_{Path(file).stem}"
    for name, one_s in sorted(took_s.items(), key=lambda pair: (own not in pair[0], pair[1])):
        left_s -= one_s
        if left_s < 0 and chosen:
            break
        chosen[name] = one_s
    return chosen


def _imports(file: str, other: str) -> bool:
    module = ".".join(Path(other).with_suffix("").parts)
    return f"from {module} import" in (ROOT / file).read_text(encoding="utf-8")


def _load_what_tests_need() -> None:
    """Import what takes long and is not ours, once for all mutants."""
    import aiohttp  # noqa: F401
    import hypothesis  # noqa: F401
    import numpy as np  # noqa: F401
    import pydantic  # noqa: F401
    import structlog  # noqa: F401
    import yaml  # noqa: F401


def main() -> int:
    """See the module's head."""
    os.environ["HYPOTHESIS_PROFILE"] = "mutants"
    parser = argparse.ArgumentParser(description=str(__doc__).partition("\n")[0])
    parser.add_argument("what", choices=("map", "run"))
    parser.add_argument("--map", type=Path, default=ROOT / ".cache" / "mutants.json")
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", help="only places that begin like this: a file, or file:line")
    parser.add_argument("--again", type=Path, metavar="LOG", help="those that an earlier run has printed")
    parser.add_argument("--most-seconds", type=float, default=MOST_S, help="for the tests of one mutant")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("tests", nargs="*", help="map: these tests instead of the usual ones")
    options = parser.parse_intermixed_args()
    options.map.parent.mkdir(exist_ok=True)
    if options.what == "map":
        tests = options.tests or [one for one in TESTS if (ROOT / one).exists()]
        return make_map(options.map, tests, everything=not options.tests)
    return run(options)


if __name__ == "__main__":
    sys.exit(main())
