"""What all tests share: how many examples property tests try, and tracebacks that pytest can always show.

Few by default; `HYPOTHESIS_PROFILE=thorough pytest tests/properties` tries many more.
"""

from __future__ import annotations

import os
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

from tests.system.guest.numbered import number_lines

settings.register_profile(
    "default", max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile("thorough", parent=settings.get_profile("default"), max_examples=2000)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "default"))


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_makereport(call: pytest.CallInfo[Any]) -> None:
    number_lines(call)
