"""The machine is suspended and resumed under the daemon: `vm/suspended.py` in a virtual machine."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(
        os.environ.get("ROUTERD_SUSPEND") != "1",
        reason="starts a virtual machine of its own, which takes a minute: set ROUTERD_SUSPEND=1",
    ),
]

VM = Path(__file__).resolve().parent / "vm"
TESTS = VM.parents[1]
LIMIT_S = 400


@pytest.mark.timeout(LIMIT_S + 60)
def test_the_grid_goes_on_where_it_stood_and_the_suspension_is_told() -> None:
    command = [sys.executable, str(VM / "in_memory.py"), "--time-limit", str(LIMIT_S)]
    command += [str(VM / "suspended.py"), str(TESTS / "__init__.py"), str(TESTS / "service.py")]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    print(done.stdout, done.stderr)
    assert done.returncode == 0
