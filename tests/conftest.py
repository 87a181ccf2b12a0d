"""What all tests share: how many examples property tests try, tracebacks that pytest can always show,
and what happens without a system library.

Few by default; `HYPOTHESIS_PROFILE=thorough pytest tests/properties` tries many more.
"""

from __future__ import annotations

import os
from collections.abc import Generator
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

from routerd.ports import missing_library
from tests.system.guest.numbered import number_lines

settings.register_profile(
    "default", max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile("thorough", parent=settings.get_profile("default"), max_examples=2000)
settings.register_profile("mutants", parent=settings.get_profile("default"), derandomize=True, database=None)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "default"))


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_makereport(call: pytest.CallInfo[Any]) -> None:
    number_lines(call)


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(
    collector: pytest.Collector,
) -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """Skip a file that cannot be imported for want of a system library, with the line that names it."""
    report = yield
    if report.failed and "cannot open shared object file" in str(report.longrepr):
        reason = missing_library()
        if reason:
            report.outcome = "skipped"
            report.longrepr = (str(collector.path), 0, f"Skipped: {reason}")
    return report
