"""Single values about time: how each is written, its range, and its JSON Schema. Otherwise like `scalars`."""

from __future__ import annotations

from routerd.core.timing import ChangePolicy, Curve, FrameRate, SourceKind, StartMode
from routerd.desk.config.scalars import choice, whole

SENDS = choice(SourceKind)
CURVE = choice(Curve)
STARTS = choice(StartMode)
ENTER = choice(ChangePolicy)
FRAME_RATE = choice(FrameRate)
BAR = whole(1, 9999)
BARS = whole(1, 999)
STEPS = whole(1, 1024)
