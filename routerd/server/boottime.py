"""Seconds since the epoch that pass evenly: setting the machine's clock does not move the evening."""

from __future__ import annotations

from time import CLOCK_BOOTTIME, clock_gettime, time

_EPOCH_S = time() - clock_gettime(CLOCK_BOOTTIME)


def steady_s() -> float:
    """Return what the wall clock would show if nobody had set it since this process was started."""
    return _EPOCH_S + clock_gettime(CLOCK_BOOTTIME)
