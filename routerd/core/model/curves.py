"""Shapes of response: what a velocity or a controller value becomes, in whole numbers.

A curve is a tuple of points (in, out), both 0 to 127, joined by straight lines; before the first and
behind the last point it goes on level. No standard gives a formula (a loudness curve is the receiver's
choice, M1 p. 10), so the named shapes are a house choice.
"""

from __future__ import annotations

from functools import cache

Points = tuple[tuple[int, int], ...]

FULL = 16_383
"""Largest 14-bit value. It is 129 × 127, so that 7 bits become 14 and come back unchanged."""

SHAPES: dict[str, Points] = {
    "linear": (),
    "soft": ((0, 0), (16, 37), (32, 55), (64, 84), (96, 107), (127, 127)),
    "hard": ((0, 0), (20, 3), (43, 16), (72, 48), (100, 84), (127, 127)),
}
"""soft: light playing already sounds loud; hard: only heavy playing does."""


def bend_by(points: Points, value: int) -> int:
    """Return what `value` (0 to FULL) becomes by a curve, 0 to FULL."""
    if not points:
        return value
    before, level = 0, points[0][1]
    for point, height in points:
        start, end = 129 * before, 129 * point
        if value <= end:
            if value == end:
                return 129 * height
            return 129 * level + 129 * (2 * (value - start) * (height - level) + point - before) // (
                2 * (end - start)
            )
        before, level = point, height
    return 129 * points[-1][1]


@cache
def velocity_map(fixed: int = 0, most: int = 0, low: int = 1, high: int = 127, points: Points = ()) -> bytes:
    """Return the map of velocities: range, then a fixed value or curve and cap; 0 in `fixed`, `most` is none.

    A press stays a press: 1 to 127 never becomes 0, and 0 stays 0, a release (M1 p. 10). 255 stands for a
    velocity that is not let through.
    """
    out = [0]
    for velocity in range(1, 128):
        shaped = fixed or min(max(1, (bend_by(points, 129 * velocity) + 64) // 129), most or 127)
        out.append(shaped if low <= velocity <= high else 255)
    return bytes(out)


def scale(value: int, source: tuple[int, int], target: tuple[int, int], points: Points = ()) -> int:
    """Return where `value` lies in `target` as it lies in `source` (low, high), bent by a curve.

    Outside `source` it counts as the nearer end; `target` may run downwards.
    """
    low, high = source
    place = (2 * FULL * (min(max(value, low), high) - low) + high - low) // (2 * (high - low))
    start, end = target
    return start + (2 * (end - start) * bend_by(points, place) + FULL) // (2 * FULL)
