"""The evening's clock goes on evenly when somebody sets the machine's."""

from __future__ import annotations

import time

import pytest

from routerd.server import view


@pytest.mark.parametrize("hours", [-7, 5])
def test_setting_the_wall_clock_moves_nothing(monkeypatch: pytest.MonkeyPatch, hours: int) -> None:
    before_s = view.boottime_s()
    monkeypatch.setattr(time, "time", lambda: before_s + hours * 3600)
    monkeypatch.setattr(view, "time", lambda: before_s + hours * 3600)
    assert 0 <= view.boottime_s() - before_s < 60


def test_it_is_the_time_of_day_while_nobody_sets_it() -> None:
    assert abs(view.boottime_s() - time.time()) < 5
