"""A rig folder of an invented band, and a service on it that is up."""

from __future__ import annotations

import shutil
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from server_service import Service, a_service

DEMO = Path(__file__).parents[3] / "configs" / "demo"


@pytest.fixture
def demo_rig(tmp_path: Path) -> Path:
    """A copy of the demo's rig folder, to be changed at will."""
    return Path(shutil.copytree(DEMO, tmp_path / "rig"))


@pytest.fixture
async def service(demo_rig: Path, tmp_path: Path) -> AsyncIterator[Service]:
    """A service that is up."""
    async with a_service(demo_rig, tmp_path / "state") as service:
        await service.start()
        await service.until_ready()
        yield service
