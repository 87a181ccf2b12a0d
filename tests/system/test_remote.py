"""What is reported when the virtual machine, not a test, fails.

The real conftest of the guest tests and the modules that it imports, with a stand-in for the machine that
fails as told and otherwise runs the tests right here.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from routerd.ports import missing_library

pytestmark = pytest.mark.skipif(
    missing_library() != "", reason=f"tests in the virtual machine skip as a whole: {missing_library()}"
)

GUEST = Path(__file__).resolve().parent / "guest"

MACHINE = """
import os, subprocess, sys
from itertools import takewhile
from pathlib import Path

if "--check" in sys.argv:
    sys.exit(0)
here = Path(__file__).parent
starts = here / "starts"
count = len(starts.read_text().split()) if starts.exists() else 0
share = sys.argv[sys.argv.index("--share") + 1]
words = sys.argv[sys.argv.index("env") + 1 :]
settings = dict(word.split("=", 1) for word in takewhile(lambda word: "=" in word, words))
command = words[len(settings) :]
with starts.open("a") as file:
    print(sum("::" in word for word in command), file=file)
plan = (here / "plan").read_text().split()[count]
print("console of start", count + 1, flush=True)
if plan.startswith("die"):
    sys.exit(int(plan[3:]))
environ = os.environ | settings | {"ROUTERD_GUEST": "1", "ROUTERD_GUEST_REPORTS": share + "/reports"}
status = subprocess.run(command, env=environ | {"DIE_IN": plan}).returncode
sys.exit(125 if status == 77 else status)
"""

TESTS = """
import os, pytest

def test_first():
    print("printed there")

def test_second():
    if os.environ["DIE_IN"] in ("second", "crash"):
        os._exit(77 if os.environ["DIE_IN"] == "second" else 1)

def test_third():
    assert [1] == [2], "a real failure"

@pytest.mark.skip(reason="told there")
def test_fourth():
    pass
"""

LOCAL = """
def test_local():
    pass
"""


def outcome(folder: Path, plan: str) -> tuple[str, list[str]]:
    """Run the four tests by a machine that behaves as planned; return what pytest says and the starts."""
    guest, other, machine = folder / "guest", folder / "other", folder / "vm"
    for made in (guest, other, machine):
        made.mkdir()
    for module in (*GUEST.glob("[!t]*.py"), GUEST.parent / "far_program.py"):
        shutil.copy(module, guest)
    (guest / "test_there.py").write_text(TESTS)
    (other / "test_local.py").write_text(LOCAL)
    (machine / "run.py").write_text(MACHINE)
    (machine / "plan").write_text(plan)
    (folder / "pytest.ini").write_text(
        "[pytest]\ntimeout = 20\nasyncio_default_fixture_loop_scope = function\n"
    )
    environ = {
        name: value for name, value in os.environ.items() if not name.startswith(("ROUTERD_", "PYTEST_"))
    }
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-v", "-ra", "-p", "no:cacheprovider", "guest", "other"],
        cwd=folder,
        env=environ | {"ROUTERD_VM": "1"},
        capture_output=True,
        text=True,
        check=False,
        timeout=100,
    )
    return done.stdout + done.stderr, (machine / "starts").read_text().split()


def test_each_test_has_its_own_report(tmp_path: Path) -> None:
    text, starts = outcome(tmp_path, "work")
    assert starts == ["4"]
    assert "1 failed, 3 passed, 1 skipped" in text
    assert "a real failure" in text
    assert "told there" in text
    assert "virtual machine:" not in text


@pytest.mark.parametrize("status", [124, 125])
def test_a_machine_that_did_not_start_is_started_once_more(tmp_path: Path, status: int) -> None:
    text, starts = outcome(tmp_path, f"die{status} work")
    assert starts == ["4", "4"]
    assert "1 failed, 3 passed, 1 skipped" in text
    assert f"virtual machine: start 1 of at most 2: ended with status {status}" in text


def test_one_that_died_is_started_for_the_rest_alone(tmp_path: Path) -> None:
    text, starts = outcome(tmp_path, "second work")
    assert starts == ["4", "3"]
    assert "1 failed, 3 passed, 1 skipped" in text


def test_one_that_fails_twice_makes_errors_that_name_it(tmp_path: Path) -> None:
    text, starts = outcome(tmp_path, "die125 die124")
    assert starts == ["4", "4"]
    assert "1 passed, 4 errors" in text
    assert "The virtual machine or its pytest failed, not the test" in text
    assert "console of start 2" in text


def test_a_pytest_that_crashes_is_started_once_more_even_with_the_status_of_failed_tests(
    tmp_path: Path,
) -> None:
    text, starts = outcome(tmp_path, "die1 work")
    assert starts == ["4", "4"]
    assert "1 failed, 3 passed, 1 skipped" in text
    assert "start 1 of at most 2: its pytest crashed: it ended with status 1" in text


def test_only_the_test_that_crashes_pytest_each_time_has_no_result(tmp_path: Path) -> None:
    text, starts = outcome(tmp_path, "crash crash")
    assert starts == ["4", "3"]
    assert "1 failed, 2 passed, 1 skipped, 1 error" in text
    assert re.search(r"ERROR \S*::test_second", text)


def test_a_time_limit_that_ends_a_test_where_there_is_no_line_is_one_failure(tmp_path: Path) -> None:
    (tmp_path / "conftest.py").write_text(f"""
import sys
sys.path.insert(0, {str(GUEST)!r})
import pytest
from numbered import number_lines

@pytest.hookimpl(tryfirst=True)
def pytest_runtest_makereport(call):
    number_lines(call)
""")
    # the jump back from an `if` that does not hold has no line
    (tmp_path / "test_slow.py").write_text("""
def test_slow():
    pairs = [(number, 0) for number in range(100)]
    while True:
        for one, other in pairs:
            if one and other:
                pairs.clear()

def test_afterwards():
    pass
""")
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "--timeout", "1"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert "1 failed, 1 passed" in done.stdout
    assert "Timeout" in done.stdout
