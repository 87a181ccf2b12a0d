"""What breaks on JACK in the middle of a set is named within a second and put right."""

from __future__ import annotations

import random
import shutil
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from jack_faults import Bed, drained, play_round

from routerd.core.midi.messages import TICK_BYTES
from tests.service import until

# the last one stops the service
pytestmark = [pytest.mark.system, pytest.mark.random_order(disabled=True)]


@pytest.fixture(scope="module")
def bed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bed]:
    if shutil.which("jackd") is None or shutil.which("jack_lsp") is None:
        pytest.skip("jackd is not installed: apt-get install jackd2")
    place: Path = tmp_path_factory.mktemp("bed")
    with Bed(place) as made:
        yield made


@pytest.mark.parametrize(
    "name", ["connection removed", "program stopped", "program killed", "server stopped", "bridge killed"]
)
def test_what_breaks_is_named_and_put_right(bed: Bed, name: str) -> None:
    """Once: 391 stale ticks after a server's standstill; a connection taken away, and never noticed."""
    one = play_round(bed, name, random.Random(name), 60)
    print(one)
    assert one.wrong == []


def test_a_server_that_stood_still_sends_nothing_from_before(bed: Bed) -> None:
    """A tick every 20.8 ms would be 48 of them; up to a quarter note, 24, may be caught up."""
    away = ticks_away(bed)
    bed.server.signal(signal.SIGSTOP)
    time.sleep(1.0)
    drained(bed.programs["box"])
    assert set(bed.states().values()) == {"stalled"}
    bed.server.signal(signal.SIGCONT)
    time.sleep(0.05)
    late = drained(bed.programs["box"]).count(TICK_BYTES)
    assert late <= 2, f"{late} stale ticks"
    until(lambda: set(bed.states().values()) == {"open"}, 10)
    # noticed after some 0.4 s, but nothing got through from the first moment on: 48 ticks a second
    assert ticks_away(bed) - away >= 42


def ticks_away(bed: Bed) -> int:
    rows = {row["port"]: row for row in bed.service.ask("GET", "/v1/report")["ports"]}
    return int(rows["box"]["port_closed"])


def test_a_stop_ends_while_the_server_stands_still(bed: Bed) -> None:
    """Last of all. It never ended before."""
    bed.server.signal(signal.SIGSTOP)
    try:
        time.sleep(0.1)
        status, took_s = bed.service.stop()
    finally:
        bed.server.signal(signal.SIGCONT)
    print(f"stopped in {took_s:.3f} s")
    assert status == 0
    assert took_s < 5, "well under a second on a quiet machine; this one may be busy"
