"""Where the tests of this folder run: here, if this machine has ALSA, else in a virtual machine.

In the second case each test is collected here and run there, and its own report is shown here. The machine
starts at once and runs beside all other tests, on what they leave of the processors; its own tests come last
but for those that drive a browser, which leaves nothing.
ROUTERD_VM=1 asks for the virtual machine on a machine that has ALSA.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from daemon import Daemon
from far_program import FarProgram
from listener import Aseqdump
from numbered import number_lines
from remote import Remote, what_is_missing
from usb import Gadget, load_bus, wait_for

from routerd.ports import missing_library

HERE = Path(__file__).resolve().parent
IN_GUEST = os.environ.get("ROUTERD_GUEST") == "1"
HAS_ALSA = Path("/dev/snd/seq").exists()
REMOTE = not IN_GUEST and (not HAS_ALSA or os.environ.get("ROUTERD_VM") == "1")

_remote = pytest.StashKey[Remote]()


class GuestReporter:
    """In the guest: writes each report as one line of JSON for the machine outside."""

    def __init__(self, config: pytest.Config, path: Path) -> None:
        self._config = config
        self._file = path.open("w", encoding="utf-8")

    def _write(self, line: dict[str, Any]) -> None:
        print(json.dumps(line), file=self._file, flush=True)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        data = self._config.hook.pytest_report_to_serializable(config=self._config, report=report)
        self._write({"report": data})

    def pytest_runtest_logfinish(self, nodeid: str) -> None:
        self._write({"finished": nodeid})


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_makereport(call: pytest.CallInfo[Any]) -> None:
    number_lines(call)


def pytest_configure(config: pytest.Config) -> None:
    if path := os.environ.get("ROUTERD_GUEST_REPORTS"):
        config.pluginmanager.register(GuestReporter(config, Path(path)))


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    if reason := missing_library():
        for item in items:
            if HERE in item.path.parents:
                item.add_marker(pytest.mark.skip(reason=reason))
        return
    if not REMOTE:
        return
    if reason := what_is_missing():
        for item in items:
            if HERE in item.path.parents:
                item.add_marker(
                    pytest.mark.skip(reason=f"this machine has no ALSA (/dev/snd/seq), and {reason}")
                )
    else:
        items.sort(
            key=lambda item: 2 * bool(item.get_closest_marker("browser")) + (HERE in item.path.parents)
        )


def pytest_collection_finish(session: pytest.Session) -> None:
    chosen = [item for item in session.items if _is_remote(item)]
    if chosen and not session.config.option.collectonly:
        session.config.stash[_remote] = Remote(session.config, chosen)


def _is_remote(item: pytest.Item) -> bool:
    return REMOTE and HERE in item.path.parents and not what_is_missing() and not missing_library()


@pytest.hookimpl(tryfirst=True)
def pytest_timeout_set_timer(item: pytest.Item) -> bool | None:
    """Tests are timed where they run: out here the first would be charged for the machine's start."""
    return True if _is_remote(item) else None


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_protocol(item: pytest.Item, nextitem: pytest.Item | None) -> bool | None:
    if not _is_remote(item):
        return None
    session = item.session
    item.ihook.pytest_runtest_logstart(nodeid=item.nodeid, location=item.location)
    for report in session.config.stash[_remote].reports(item):
        item.ihook.pytest_runtest_logreport(report=report)
    item.ihook.pytest_runtest_logfinish(nodeid=item.nodeid, location=item.location)
    # pytest has no public word for it: let go of what earlier tests out here share only with this one.
    session._setupstate.teardown_exact(nextitem)
    return True


def pytest_terminal_summary(terminalreporter: Any, config: pytest.Config) -> None:
    remote = config.stash.get(_remote, None)
    for line in remote.history if remote else ():
        terminalreporter.write_line(f"virtual machine: {line}")


def pytest_unconfigure(config: pytest.Config) -> None:
    remote = config.stash.get(_remote, None)
    if remote is not None:
        remote.close()


@pytest.fixture(scope="session")
def guest_only() -> None:
    """For tests that plug devices or install services: not on a machine that someone uses."""
    if not IN_GUEST:
        pytest.skip("plugs USB devices or installs a service: only in the virtual machine (ROUTERD_VM=1)")


@pytest.fixture(scope="session")
def daemon(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Daemon]:
    """The daemon on the tests' rig, started once for all of them."""
    running = Daemon(tmp_path_factory.mktemp("daemon"))
    yield running
    running.end()


@pytest.fixture(autouse=True)
def daemon_log(request: pytest.FixtureRequest) -> Iterator[None]:
    """Show with a test what the daemon has logged meanwhile."""
    if "daemon" not in request.fixturenames:
        yield
        return
    running: Daemon = request.getfixturevalue("daemon")
    before = len(running.log())
    yield
    print(running.log()[before:])


@pytest.fixture(scope="session")
def watcher(daemon: Daemon) -> Iterator[Aseqdump]:
    """Another program that gets the daemon's clock all the time."""
    with Aseqdump() as dump:
        daemon.wait_for_port("watcher")
        wait_for("the first clock", dump.clocks)
        yield dump


@pytest.fixture
def keys(daemon: Daemon) -> Iterator[FarProgram]:
    with FarProgram("alsa", "Far Keys") as program:
        daemon.wait_for_port("keys", "input")
        yield program
    daemon.wait_for_port("keys", "input", "missing")


@pytest.fixture
def box(daemon: Daemon) -> Iterator[FarProgram]:
    with FarProgram("alsa", "Far Box") as program:
        daemon.wait_for_port("box")
        program.settle()  # it is told again of what may have been lost with the port
        yield program
    daemon.wait_for_port("box", "output", "missing")


@pytest.fixture(scope="session")
def twins(guest_only: None, daemon: Daemon) -> Iterator[tuple[Gadget, Gadget]]:
    load_bus(2)
    left, right = Gadget(0, "Twin Synth", "LEFT1"), Gadget(1, "Twin Synth", "RIGHT2")
    left.plug()
    right.plug()
    daemon.song("Remap")
    for device in ("left", "right"):
        daemon.wait_for_port(device)
        daemon.wait_for_port(device, "input")
    yield left, right
    left.remove()
    right.remove()
