"""Runs tests in the virtual machine and hands their reports over one test at a time.

A machine that does not start, dies or falls silent says nothing about a test, nor does a pytest in there that
ends before every test has a result, whatever its status: tests that fail do not end it. The machine is
started once more for the tests without a result, the one that was on when it ended last of all; if it
fails again these are errors that name it.
"""

from __future__ import annotations

import compileall
import functools
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, TextIO

import pytest

RUN = Path(__file__).resolve().parents[1] / "vm" / "run.py"
MACHINE_FAILED = (124, 125)
STARTS = 2
WHOLE_LIMIT_S = 1200.0
START_ALLOWANCE_S = 90.0
"""How long the start may take, and how long a test may overrun its own time limit, before nothing new
from the guest means that the machine hangs."""

ONLY_WHAT_IS_NEEDED = {
    "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1",
    "PYTEST_PLUGINS": "pytest_timeout,pytest_asyncio.plugin",
}
"""Every import takes its time on an emulated processor: no other plugins, and nothing for other tests."""


@functools.cache
def what_is_missing() -> str:
    """Return why there can be no virtual machine here, "" if there can."""
    done = subprocess.run([sys.executable, str(RUN), "--check"], capture_output=True, text=True, check=False)
    return "" if done.returncode == 0 else done.stdout.strip() or done.stderr.strip()


class Remote:
    """One run of tests in the guest, started at once; reports are kept until their test is due."""

    def __init__(self, config: pytest.Config, items: list[pytest.Item]) -> None:
        self._config = config
        self._waiting = {item.nodeid: item for item in items}
        self._got: dict[str, list[pytest.TestReport]] = {}
        self._finished: set[str] = set()
        self._suspect = ""
        """The test that was on when a machine ended."""
        self._folder = tempfile.TemporaryDirectory(prefix="routerd-guest-")
        self._machine: subprocess.Popen[bytes] | None = None
        self._lines: TextIO | None = None
        self._rest = ""
        self._starts = 0
        self._news_at = 0.0
        self.history: list[str] = []
        """One line for each start that went wrong."""
        self._start()

    def reports(self, item: pytest.Item) -> Iterator[pytest.TestReport]:
        """Wait for the reports of one test."""
        while item.nodeid not in self._finished:
            if self._machine is None:
                if self._starts == STARTS:
                    yield self._no_result(item)
                    break
                self._start()
            self._read()
            if item.nodeid not in self._finished:
                self._look_after_machine(item)
        yield from self._got.pop(item.nodeid, [])
        del self._waiting[item.nodeid]

    def close(self) -> None:
        """End the machine if it still runs and remove what it wrote."""
        self._end_machine()
        self._folder.cleanup()

    @property
    def _share(self) -> Path:
        return Path(self._folder.name)

    def _start(self) -> None:
        # The guest sees what is compiled here, as pip would have done it for the installed service.
        compileall.compile_dir(self._config.rootpath / "routerd", quiet=2)
        self._starts += 1
        self._got = {nodeid: reports for nodeid, reports in self._got.items() if nodeid in self._finished}
        self._rest = ""
        overrides = [word for one in self._config.getoption("override_ini") or () for word in ("-o", one)]
        nearby = f"--confcutdir={Path(__file__).resolve().parents[1]}"
        tests = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", nearby, *overrides]
        chosen = [nodeid for nodeid in self._waiting if nodeid not in self._finished]
        chosen.sort(key=lambda nodeid: nodeid == self._suspect)
        limit = ["--aside", "--time-limit", str(WHOLE_LIMIT_S), "--share", str(self._share)]
        reports = self._share / "reports"
        settings = ONLY_WHAT_IS_NEEDED | {"ROUTERD_GUEST_REPORTS": "/run/job/out/reports"}
        environment = [f"{name}={value}" for name, value in settings.items()]
        reports.write_text("")
        with (self._share / "console").open("wb") as console:
            self._machine = subprocess.Popen(
                [sys.executable, str(RUN), *limit, "--", "env", *environment, *tests, *chosen],
                cwd=self._config.rootpath,
                stdin=subprocess.DEVNULL,
                stdout=console,
                stderr=subprocess.STDOUT,
            )
        self._lines = reports.open(encoding="utf-8")
        self._news_at = time.monotonic()

    def _read(self) -> None:
        assert self._lines is not None
        text = self._lines.read()
        if not text:
            return
        self._news_at = time.monotonic()
        *lines, self._rest = (self._rest + text).split("\n")
        for line in lines:
            self._take(json.loads(line))

    def _take(self, line: dict[str, Any]) -> None:
        if "finished" in line:
            self._finished.add(line["finished"])
            return
        report = self._config.hook.pytest_report_from_serializable(config=self._config, data=line["report"])
        if isinstance(report.longrepr, list):  # where and why of a skip: a tuple, which JSON does not know
            report.longrepr = tuple(report.longrepr)
        self._got.setdefault(report.nodeid, []).append(report)

    def _look_after_machine(self, item: pytest.Item) -> None:
        assert self._machine is not None
        status = self._machine.poll()
        if status is not None:
            self._read()
            if item.nodeid not in self._finished:
                what = "" if status in MACHINE_FAILED else "its pytest crashed: it "
                self._give_up(item, f"{what}ended with status {status}")
        elif time.monotonic() - self._news_at > self._patience_s(item):
            self._give_up(item, f"said nothing for {self._patience_s(item):.0f} s")
        else:
            time.sleep(0.1)

    def _patience_s(self, item: pytest.Item) -> float:
        marker = item.get_closest_marker("timeout")
        limit = marker.args[0] if marker and marker.args else self._config.getini("timeout")
        return START_ALLOWANCE_S + float(limit or 0)

    def _give_up(self, item: pytest.Item, why: str) -> None:
        self._end_machine()
        self._suspect = item.nodeid
        self.history.append(
            f"start {self._starts} of at most {STARTS}: {why}, before {item.nodeid} had a result"
        )

    def _end_machine(self) -> None:
        if self._lines is not None:
            self._lines.close()
            self._lines = None
        if self._machine is not None:
            self._machine.terminate()
            self._machine.wait()
            self._machine = None

    def _no_result(self, item: pytest.Item) -> pytest.TestReport:
        console = (self._share / "console").read_text(errors="replace").splitlines()
        text = "\n".join(
            [
                "The virtual machine or its pytest failed, not the test:",
                *self.history,
                "Its last words:",
                *console[-40:],
            ]
        )
        return pytest.TestReport(
            item.nodeid, item.location, dict.fromkeys(item.keywords, 1), "failed", text, "setup"
        )
