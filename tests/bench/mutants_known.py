"""Mutants that change nothing that can be seen, each with the reason; see `mutants`."""

from __future__ import annotations

WITHOUT_EFFECT: dict[tuple[str, str, str], str] = {
    (
        "routerd/desk/config/time_scalars.py",
        "written = str(value) if isinstance(value, int) and not isinstance(value, bool) else value",
        "isinstance(value, int) and (not isinstance(value, bool))  ->  isinstance(value, int) or not"
        " isinstance(value, bool)",
    ): "the text of a list, of nothing, or of true is no frame rate either",
    (
        "routerd/core/follower.py",
        "if left_out > odd_most or not SHORTEST_NS <= line.slope <= LONGEST_NS"
        " or line.sigma > line.slope / 4:",
        "SHORTEST_NS <= line.slope <= LONGEST_NS  ->  SHORTEST_NS <= line.slope < LONGEST_NS",
    ): "a fitted slope is never exactly the longest distance",
    (
        "routerd/core/steps.py",
        "self.apart_ticks = 0",
        "0  ->  1",
    ): "it is set before it is first read",
}
"""By file, text of the line, and change."""
