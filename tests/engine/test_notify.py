"""What is said to systemd, read from a socket of our own.

Sources: sd_notify(3) for the datagram and its fields, sd_watchdog_enabled(3) for WATCHDOG_USEC (in
microseconds) and WATCHDOG_PID.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from routerd.core.units import NS_PER_MS
from routerd.engine.supervision import Notifier


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[socket.socket]:
    """The manager's end: a bound datagram socket that never waits."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as end:
        end.bind(str(tmp_path / "notify"))
        end.setblocking(False)
        yield end


@pytest.fixture
def notifier(manager: socket.socket) -> Iterator[Notifier]:
    made = Notifier(manager.getsockname(), watchdog_ns=4000 * NS_PER_MS)
    yield made
    made.close()


def test_ready_carries_a_status_line(notifier: Notifier, manager: socket.socket) -> None:
    assert notifier.ready("song 1 of 3")
    assert manager.recv(1000) == b"READY=1\nSTATUS=song 1 of 3"


def test_a_status_can_never_add_a_field(notifier: Notifier, manager: socket.socket) -> None:
    assert notifier.status("one\nMAINPID=1\r\n  two")
    assert manager.recv(1000) == b"STATUS=one MAINPID=1 two"


def test_the_manager_hears_that_the_service_stops(notifier: Notifier, manager: socket.socket) -> None:
    assert notifier.stopping()
    assert manager.recv(1000) == b"STOPPING=1"


def test_the_watchdog_is_fed_only_while_ticks_are_fresh(notifier: Notifier, manager: socket.socket) -> None:
    tick_ns = 10_000 * NS_PER_MS
    assert notifier.feed(tick_ns, tick_ns)
    assert notifier.feed(tick_ns, tick_ns + 2000 * NS_PER_MS - 1)
    assert manager.recv(1000) == b"WATCHDOG=1"
    assert manager.recv(1000) == b"WATCHDOG=1"
    assert not notifier.feed(tick_ns, tick_ns + 2000 * NS_PER_MS)
    with pytest.raises(BlockingIOError):
        manager.recv(1000)


def test_without_a_watchdog_nothing_is_fed(manager: socket.socket) -> None:
    notifier = Notifier(manager.getsockname())
    assert notifier.feed_every_s is None
    assert not notifier.feed(0, 0)
    notifier.close()


def test_an_abstract_address_is_reached(tmp_path: Path) -> None:
    name = f"routerd-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as end:
        end.bind("\0" + name)
        end.settimeout(5)
        notifier = Notifier("@" + name)
        assert notifier.status("here")
        assert end.recv(1000) == b"STATUS=here"
        notifier.close()


def test_the_environment_is_read_and_taken_out(manager: socket.socket) -> None:
    environ = {
        "NOTIFY_SOCKET": manager.getsockname(),
        "WATCHDOG_USEC": "3000000",
        "WATCHDOG_PID": "42",
        "HOME": "/",
    }
    notifier = Notifier.from_environment(environ, pid=42)
    assert environ == {"HOME": "/"}
    assert notifier.watchdog_ns == 3000 * NS_PER_MS
    assert notifier.feed_every_s == 0.75
    assert notifier.ready("up")
    notifier.close()


@pytest.mark.parametrize(
    ("period_us", "owner"),
    [("3000000", "43"), ("", "42"), ("soon", "42"), ("-1", "42"), ("³", "42"), ("3000000", "x")],
)
def test_a_watchdog_that_is_not_ours_is_left_alone(
    manager: socket.socket, period_us: str, owner: str
) -> None:
    environ = {
        "NOTIFY_SOCKET": manager.getsockname(),
        "WATCHDOG_USEC": period_us,
        "WATCHDOG_PID": owner,
    }
    notifier = Notifier.from_environment(environ, pid=42)
    assert notifier.watchdog_ns == 0
    assert notifier.ready("up")
    notifier.close()


@pytest.mark.parametrize("address", ["", "@", "/", "vsock:2:1234", "relative"])
def test_without_a_manager_nothing_is_sent(address: str) -> None:
    notifier = Notifier.from_environment({"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "3000000"})
    assert notifier.watchdog_ns == 0
    assert not notifier.ready("up")
    assert not notifier.feed(0, 0)
    notifier.close()
    notifier.close()


def test_a_manager_that_went_away_raises_nothing(tmp_path: Path) -> None:
    notifier = Notifier(str(tmp_path / "gone"), watchdog_ns=NS_PER_MS)
    assert not notifier.ready("up")
    notifier.close()


def test_a_manager_that_does_not_read_never_blocks(notifier: Notifier, manager: socket.socket) -> None:
    sent = [notifier.status("again") for _ in range(5000)]
    assert sent[0]
    assert not sent[-1]
    assert manager.recv(1000) == b"STATUS=again"
