"""Fixtures for everything that needs real ports."""

from __future__ import annotations

import shutil
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from dummy_server import PERIOD_FRAMES, DummyServer
from stage_page import a_stage, chromium, show_begins

from routerd.ports import missing_library
from tests.service import Service, free_port


@pytest.fixture
def jack_server(
    request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[DummyServer]:
    """Return a running JACK server, to which programs of this environment connect."""
    if shutil.which("jackd") is None or shutil.which("jack_wait") is None:
        pytest.skip("jackd is not installed: apt-get install jackd2")
    if reason := missing_library():
        pytest.skip(reason)
    server = DummyServer(tmp_path, getattr(request.module, "PERIOD_FRAMES", PERIOD_FRAMES))
    for name, value in server.environment.items():
        monkeypatch.setenv(name, value)
    server.start()
    yield server
    server.end()


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Return Chromium, started for one file of tests."""
    with chromium() as one:
        yield one


@pytest.fixture(scope="module")
def far_end_port() -> int:
    """Return where the far end of the stage's simulated ports listens."""
    return free_port(socket.SOCK_DGRAM)


@pytest.fixture(scope="module")
def running(browser: Any, far_end_port: int, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """Return the service that a file's tests of the stage page share."""
    with a_stage(tmp_path_factory.mktemp("stage"), "--far-end", str(far_end_port)) as service:
        yield service


@pytest.fixture
def service(running: Service) -> Service:
    """Return the same with its show at the beginning."""
    show_begins(running)
    return running
