"""Fixtures for everything that needs real ports."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from dummy_server import PERIOD_FRAMES, DummyServer

from routerd.ports import missing_library


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
