"""The room that the kernel keeps for what arrives, as /proc/asound/seq/clients tells it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from far_program import FarProgram

from routerd.ports import open_system
from routerd.ports.base import CLIENT_NAME, PortSystem
from routerd.ports.patterns import match_port
from routerd.ports.sequencer import INPUT_CELLS

pytestmark = pytest.mark.system


@pytest.fixture
def ports() -> Iterator[PortSystem]:
    system = open_system("alsa")
    yield system
    system.close()


def pools() -> dict[str, int]:
    """Return the size of the input pool by client name."""
    clients = re.split(r"^Client ", Path("/proc/asound/seq/clients").read_text(), flags=re.MULTILINE)
    found = {}
    for client in clients:
        name, pool = re.search(r'"(.*?)"', client), re.search(r"Input pool :\n\s+Pool size\s+: (\d+)", client)
        if name and pool:
            found[name[1]] = max(found.get(name[1], 0), int(pool[1]))  # there may be several of one name
    return found


def test_an_input_has_all_the_room_there_is(ports: PortSystem) -> None:
    with FarProgram("alsa", "Far") as far:
        source = match_port(far.output_name, ports.inputs())
        assert source is not None
        ports.open_input(source, lambda *_: None, "keys")
        sizes = pools()
    assert sizes["Far in"] < INPUT_CELLS
    assert sizes == {**sizes, CLIENT_NAME: INPUT_CELLS, f"{CLIENT_NAME} connections": INPUT_CELLS}
