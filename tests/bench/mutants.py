"""Mutation testing by hand: does a test notice when one place of the program is changed?

    python -m tests.bench.mutants map                # once: which test runs which line (some minutes)
    python -m tests.bench.mutants map tests/core/output/test_wire.py    # again for tests that have changed
    python -m tests.bench.mutants run --count 300    # 300 places by chance, the seed is printed
    python -m tests.bench.mutants run --skip 100 --take 50    # a part of those 300
    python -m tests.bench.mutants run --again LOG      # those that an earlier run has printed
    python -m tests.bench.mutants run --only routerd/core/output/lanes.py:88 --count 50

Each changes one comparison, operator, constant, condition or call, inside a function of the core, of what
the files mean, or of the engine's worker. It lives in memory only. All tests are collected once; for each
mutant a process is forked in which the functions of the module get the changed code, and the tests that run
the changed line are run, the quickest first and the slow ones last, up to the first that fails. Where a line
has run while modules were loaded, the process loads everything anew with the change. A test that needs
far more processor time than it should hangs, which counts as noticed; what a test in real time notices has to
be noticed twice. At the end all tests that have noticed something are run with nothing changed.

Needs `coverage` (extra `mutation`). Lines may move after a map was made; new tests have to be mapped. What
survives is a hole in the tests or has no effect; `mutants_known` lists the latter, each with the reason.
"""

from __future__ import annotations

import argparse
import ast
import copy
import gc
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
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from difflib import SequenceMatcher
from functools import partial
from pathlib import Path
from types import CodeType, FunctionType, ModuleType
from typing import Any, NamedTuple

import pytest
from _pytest.main import pytest_runtestloop

from tests.bench.mutants_known import WITHOUT_EFFECT

ROOT = Path(__file__).parents[2]
TARGETS = ("routerd/core", "routerd/server/rigfiles", "routerd/engine/worker.py")
TESTS = (
    *("tests/core", "tests/properties", "tests/scenarios", "tests/server/rigfiles", "tests/server/offline"),
    *(f"tests/engine/test_{name}.py" for name in (
        *("crash_memory", "devices_of_a_port", "flood", "machine_faults", "port_keeper", "real_performance"),
        *("recorder", "recovery", "worker", "yielding"),
    )),
)  # fmt: skip
QUIET = [
    "-q",
    "-W",
    "ignore::pytest.PytestAssertRewriteWarning",
    "-p",
    "no:cacheprovider",
    "-p",
    "no:xdist",
    "-p",
    "no:benchmark",
]
LIMIT_S = 400
"""A mutant that runs so long by the clock hangs, which counts as noticed."""
HANGS_S, HANGS_TIMES = 5.0, 10.0
"""A test hangs that needs so much processor time, and so many times what it usually needs, more."""
REAL_TIME = "tests/engine"
"""What these notice may be the machine's doing, so that they have to notice it twice."""
RECORDED = "tests/properties/test_recorded.py"
NOT_LIVE, CANNOT = "not live", 77
MOST_S = 20.0
"""So long a mutant's tests may take together, beside what is recorded; the slowest of many are left out."""
RECORDED_TIMES = 5
"""What is recorded may take so many times as long."""

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
    last: int
    """The last line of its statement, or of the head of a statement with a body."""
    place: int
    kind: str
    words: str
    text: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}: {self.words}"


# What can be changed


NOTHING = Mutant("routerd/core/units.py", 0, 0, 0, -1, "nothing", "nothing", "")
"""The control."""


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
            yield Mutant(file, line, *inside[id(node)], place, kind, words, lines[line - 1].strip())


def _short(node: ast.AST) -> str:
    return " ".join(ast.unparse(node).split())[:70]


def _inside_functions(tree: ast.Module) -> dict[int, tuple[int, int]]:
    """Return the nodes that run when a function is called, each with the lines of its statement.

    Left out are defaults, annotations, the messages of errors, and what only asserts (also zip's `strict`).
    """
    found: dict[int, tuple[int, int]] = {}

    def visit(node: ast.AST, lines: tuple[int, int] = (0, 0)) -> None:
        if isinstance(node, ast.Raise | ast.JoinedStr | ast.Assert):
            return
        if isinstance(node, ast.keyword) and node.arg == "strict":
            return
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            for statement in node.body:
                visit(statement)
            return
        if isinstance(node, ast.stmt):
            body = getattr(node, "body", None)
            lines = node.lineno, body[0].lineno - 1 if body else node.end_lineno or node.lineno
        found[id(node)] = lines
        for name, value in ast.iter_fields(node):
            if name != "annotation":
                for child in value if isinstance(value, list) else [value]:
                    if isinstance(child, ast.AST):
                        visit(child, lines)

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


LOADING = ""
"""The context of what runs when modules are loaded and tests are collected."""
EMPTY_MAP: dict[str, Any] = {"tests": [], "lines": {}, "loading": {}, "sources": {}}


class Mapping:
    """A plugin: each test is a context of its own for coverage, and its processor time is taken."""

    def __init__(self, coverage: Any) -> None:
        self._coverage = coverage
        self.took_s: dict[str, float] = {}

    @pytest.hookimpl(wrapper=True, tryfirst=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        self._coverage.switch_context(item.nodeid)
        start_s = time.process_time()
        result = yield
        self.took_s[item.nodeid] = time.process_time() - start_s
        self._coverage.switch_context(LOADING)
        return result


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
    kept = json.loads(path.read_text(encoding="utf-8")) if path.exists() and not everything else EMPTY_MAP
    move_lines(kept)
    loading: dict[str, list[int]] = {}
    for file in data.measured_files():
        name = str(Path(file).relative_to(ROOT))
        by_line = data.contexts_by_lineno(file)
        kept["sources"][name] = Path(file).read_text(encoding="utf-8")
        loading[name] = sorted(line for line, contexts in by_line.items() if LOADING in contexts)
        lines[name] = {
            str(line): [numbers[one] for one in contexts if one in numbers]
            for line, contexts in by_line.items()
        }
    kept["loading"].update(loading)
    first = len(kept["tests"])
    kept["tests"] += [[nodeid, round(took_s, 4)] for nodeid, took_s in mapping.took_s.items()]
    for file, by_line in lines.items():
        known = kept["lines"].setdefault(file, {})
        for line, found in by_line.items():
            known[line] = known.get(line, []) + [first + number for number in found]
    path.write_text(json.dumps(kept), encoding="utf-8")
    return int(status)


# Running one


class Outcome(NamedTuple):
    """What the tests made of a mutant."""

    how: str
    """"failed", "hangs", "" when every test passed, NOT_LIVE when it cannot be put into loaded modules."""
    by: str = ""
    """The test that failed."""
    tests: int = 0
    """How many tests were to be run."""


class Trials:
    """A plugin: collects all tests once, then forks a process for each mutant, which runs its tests.

    What becomes of each goes through the pipe, a line of JSON each, in order; the last is the control:
    the tests that have noticed something, with nothing changed.
    """

    def __init__(self, chosen: Sequence[tuple[Mutant, dict[str, float]]], workers: int, pipe: int) -> None:
        self._chosen = chosen
        self._workers = workers
        self._pipe = pipe

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        gc.collect()
        for one in gc.get_objects():
            if isinstance(one, FunctionType):
                FUNCTIONS.setdefault(one.__code__.co_filename, []).append(one)
        gc.freeze()
        noticing: dict[str, float] = {}
        with ThreadPoolExecutor(self._workers) as pool:
            tried = pool.map(lambda pair: self._tried(session, *pair), self._chosen)
            for (_, took_s), outcome in zip(self._chosen, tried, strict=True):
                if outcome.by in took_s:
                    noticing[outcome.by] = took_s[outcome.by]
                self._write(outcome)
        self._write(self._tried(session, NOTHING, noticing))
        return True

    def _write(self, outcome: Outcome) -> None:
        os.write(self._pipe, json.dumps(outcome).encode() + b"\n")

    def _tried(self, session: pytest.Session, mutant: Mutant, took_s: dict[str, float]) -> Outcome:
        def live(pipe: int) -> int:
            try:
                _put_in(mutant)
            except CannotBeLiveError:
                return CANNOT
            return _run_here(session, took_s, pipe)

        return twice(live, len(took_s)) if took_s else Outcome("")


def forked_for_results(work: Callable[[int], int]) -> Iterator[Outcome]:
    """Run `work` in a process of its own, which leaves this one as it is; yield what it writes."""
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        _be_mutant(work, write)
    os.close(write)
    with os.fdopen(read) as pipe:
        for line in pipe:
            yield Outcome(*json.loads(line))
    os.waitpid(child, 0)


def twice(work: Callable[[int], int], tests: int) -> Outcome:
    """Run a mutant's tests in a process; what tests of real time notice has to be noticed again."""
    outcome = forked(work, tests)
    if outcome.by.startswith(REAL_TIME):
        outcome = forked(work, tests)
    return outcome


def forked(work: Callable[[int], int], tests: int) -> Outcome:
    """Run a mutant's tests by `work` in a process of its own; it returns its status and names what failed."""
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        _be_mutant(work, write)
    os.close(write)
    end_s = time.monotonic() + LIMIT_S
    done, status = 0, 0
    while not done and time.monotonic() < end_s:
        done, status = os.waitpid(child, os.WNOHANG)
        time.sleep(0.01)
    if not done:
        os.killpg(child, signal.SIGKILL)
        _, status = os.waitpid(child, 0)
    with os.fdopen(read, "rb") as pipe:
        by = pipe.read(500).decode()
    if os.WIFSIGNALED(status):
        return Outcome("hangs", by, tests)
    how = {0: "", CANNOT: NOT_LIVE}.get(os.WEXITSTATUS(status), "failed")
    return Outcome(how, by, tests)


def _be_mutant(work: Callable[[int], int], pipe: int) -> None:
    status = 1
    try:
        os.setsid()
        resource.setrlimit(resource.RLIMIT_AS, (6_000_000_000, 6_000_000_000))
        silence = os.open(
            os.environ.get("ROUTERD_MUTANT_LOG", os.devnull), os.O_WRONLY | os.O_CREAT | os.O_APPEND
        )
        os.dup2(silence, 1)
        os.dup2(silence, 2)
        status = work(pipe)
    except BaseException:  # noqa: BLE001 - shown, and the process ends
        traceback.print_exc()
    finally:
        sys.stderr.flush()
        os._exit(status)


FUNCTIONS: dict[str, list[FunctionType]] = {}
"""All that have been made when tests are collected, by their file."""


class CannotBeLiveError(Exception):
    """The changed code is not that of any function that has been made."""


def _put_in(mutant: Mutant) -> None:
    """Give the functions of a module that is loaded the changed code."""
    path = str(ROOT / mutant.file)
    codes = [*_codes(compile(mutated(mutant), path, "exec"))]
    by_name = {(code.co_qualname, code.co_firstlineno): code for code in codes}
    put = 0
    for function in FUNCTIONS.get(path, ()):
        code = by_name.get((function.__code__.co_qualname, function.__code__.co_firstlineno))
        if code is not None and code != function.__code__:
            try:
                function.__code__ = code
            except ValueError as error:
                raise CannotBeLiveError from error
            put += 1
    if not put and mutant.place >= 0:
        raise CannotBeLiveError


def _codes(code: CodeType) -> Iterator[CodeType]:
    for one in code.co_consts:
        if isinstance(one, CodeType):
            yield one
            yield from _codes(one)


def _run_here(session: pytest.Session, took_s: dict[str, float], pipe: int) -> int:
    """Run the chosen of the tests that are collected, up to the first that fails; return pytest's status."""
    session.items = sorted(
        (item for item in session.items if item.nodeid in took_s), key=lambda item: took_s[item.nodeid]
    )
    session.config.option.maxfail = 1
    session.config.pluginmanager.register(Limits(took_s, pipe))
    try:
        pytest_runtestloop(session)
    except pytest.Session.Failed:
        return 1
    return 1 if session.testsfailed else 0


def _run_anew(mutant: Mutant, took_s: dict[str, float], pipe: int) -> int:
    """Load everything with the changed module, and run the chosen tests."""
    sys.meta_path.insert(0, Changed(mutant))
    files = sorted({nodeid.partition("::")[0] for nodeid in took_s})
    return int(pytest.main([*QUIET, "-x", *files], plugins=[Chosen(took_s), Limits(took_s, pipe)]))


class Chosen:
    """A plugin: only these tests, the quickest first."""

    def __init__(self, took_s: dict[str, float]) -> None:
        self._took_s = took_s

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        chosen = [item for item in items if item.nodeid in self._took_s]
        items[:] = sorted(chosen, key=lambda item: self._took_s[item.nodeid])


class Limits:
    """A plugin: names the test that fails; one that needs far too much processor time ends the process."""

    def __init__(self, took_s: dict[str, float], pipe: int) -> None:
        self._took_s = took_s
        self._pipe = pipe

    @pytest.hookimpl(wrapper=True, tryfirst=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        signal.setitimer(signal.ITIMER_PROF, HANGS_S + HANGS_TIMES * self._took_s[item.nodeid])
        result = yield
        signal.setitimer(signal.ITIMER_PROF, 0)
        return result

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            os.write(self._pipe, report.nodeid.encode()[:400])


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
    drawn = random.Random(options.seed).sample(found, min(options.count, len(found)))[options.skip :]
    return drawn[: options.take]


class Report:
    """Counts what became of mutants and prints those that nothing noticed."""

    def __init__(self) -> None:
        self.counts = {"noticed": 0, "without effect": 0, "not noticed": 0}
        self.only_recorded = 0

    def __call__(self, mutant: Mutant, outcome: Outcome) -> None:
        """Count one."""
        if outcome.how:
            self.counts["noticed"] += 1
            self.only_recorded += outcome.by.startswith(RECORDED)
        elif (mutant.file, mutant.text, mutant.words) in WITHOUT_EFFECT:
            self.counts["without effect"] += 1
        else:
            self.counts["not noticed"] += 1
            print(f"{mutant}\n    {mutant.text}\n    {outcome.tests} tests run this line", flush=True)
        if (number := sum(self.counts.values())) % 10 == 0:
            print(f"... {number}: {self.counts}", flush=True)

    def share(self) -> float:
        """Print the sums; return how many of those with an effect were noticed."""
        with_effect = self.counts["noticed"] + self.counts["not noticed"]
        share = self.counts["noticed"] / with_effect if with_effect else 1.0
        print(f"{self.counts}: {100 * share:.1f} % of those with an effect were noticed")
        print(f"{self.only_recorded} by nothing but what is recorded")
        return share


def run(options: argparse.Namespace) -> int:
    """Try mutants and print those that nothing noticed; return 1 when too many were not."""
    kept = json.loads(options.map.read_text(encoding="utf-8"))
    move_lines(kept)
    chosen = [(one, tests_for(one, kept, options.most_seconds)) for one in chosen_mutants(options)]
    later = [pair for pair in chosen if pair[0].statement in kept["loading"].get(pair[0].file, ())]
    live = [pair for pair in chosen if pair not in later]
    report = Report()
    _load_what_tests_need()

    def all_live(pipe: int) -> int:
        trials = Trials(live, options.workers, pipe)
        files = sorted({name.partition("::")[0] for name, _ in kept["tests"]})
        return int(pytest.main([*QUIET, "-s", *files], plugins=[trials]))

    outcomes = forked_for_results(all_live)
    for mutant, took_s in live:
        outcome = next(outcomes)
        if outcome.how == NOT_LIVE:
            later.append((mutant, took_s))
        else:
            report(mutant, outcome)
    control = next(outcomes)
    if control.how:
        print(f"with nothing changed {control.by} fails as well ({control.how}): count again without it")
    for mutant, took_s in later:
        report(mutant, twice(partial(_run_anew, mutant, took_s), len(took_s)) if took_s else Outcome(""))
    share = report.share()
    return 2 if control.how else 0 if share >= 0.97 else 1


def move_lines(kept: dict[str, Any]) -> None:
    """Move a map's lines to where they are now; a line that is new gets all tests of its file."""
    for file, source in kept["sources"].items():
        path = ROOT / file
        old, new = source.splitlines(), path.read_text(encoding="utf-8").splitlines() if path.exists() else []
        lines, loading = kept["lines"][file], set(kept["loading"][file])
        of_file = sorted({number for numbers in lines.values() for number in numbers})
        moved: dict[str, list[int]] = {}
        kept["loading"][file] = now_loading = []
        for what, a, _, c, d in SequenceMatcher(None, old, new, autojunk=False).get_opcodes():
            for place in range(c, d):
                at = a + place - c + 1
                moved[str(place + 1)] = lines.get(str(at), []) if what == "equal" else of_file
                if at in loading and what == "equal":
                    now_loading.append(place + 1)
        kept["lines"][file], kept["sources"][file] = moved, "\n".join(new)


def tests_for(mutant: Mutant, kept: dict[str, Any], most_s: float) -> dict[str, float]:
    """Return the tests that a mutant is given to, each with the time that it takes."""
    lines = kept["lines"].get(mutant.file, {})
    places = (mutant.line, *range(mutant.statement, mutant.last + 1))
    covering = next((lines[str(line)] for line in places if lines.get(str(line))), [])
    if not covering:  # it runs when its module is loaded: all that runs what imports it
        users = [file for file in kept["lines"] if _imports(file, mutant.file)]
        covering = [one for file in users for found in kept["lines"][file].values() for one in found]
    if not covering:  # a file that is new: the tests of its room
        room = str(Path(mutant.file).parent).replace("routerd/", "tests/", 1)
        covering = [number for number, (name, _) in enumerate(kept["tests"]) if name.startswith(room)]
    tests = dict(kept["tests"])  # one that was mapped again is there twice
    names = [name for name, _ in kept["tests"]]
    return _affordable({names[number]: tests[names[number]] for number in covering}, mutant.file, most_s)


def _affordable(took_s: dict[str, float], file: str, most_s: float) -> dict[str, float]:
    """Return what is recorded, up to RECORDED_TIMES `most_s`, and the tests named after the module and
    other quick ones, up to `most_s`."""
    own = f"test_{Path(file).stem}"
    chosen: dict[str, float] = {}
    for name in sorted((name for name in took_s if name.startswith(RECORDED)), key=took_s.__getitem__):
        if sum(chosen.values()) < RECORDED_TIMES * most_s:
            chosen[name] = took_s[name]
    for name, one_s in sorted(took_s.items(), key=lambda pair: (own not in pair[0], pair[1])):
        if name not in chosen:
            most_s -= one_s
            if most_s < 0 and chosen:
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
    import yaml  # noqa: F401


def main() -> int:
    """See the module's head."""
    os.environ["HYPOTHESIS_PROFILE"] = "mutants"
    parser = argparse.ArgumentParser(description=str(__doc__).partition("\n")[0])
    parser.add_argument("what", choices=("map", "run"))
    parser.add_argument("--map", type=Path, default=ROOT / ".cache" / "mutants.json")
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--skip", type=int, default=0, help="so many of them have been tried before")
    parser.add_argument("--take", type=int, help="only so many, of those that are left")
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
