"""What all tests share: how many examples property tests try.

Few by default; `HYPOTHESIS_PROFILE=thorough pytest tests/properties` tries many more.
"""

from __future__ import annotations

import os

from hypothesis import HealthCheck, settings

settings.register_profile(
    "default", max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile("thorough", parent=settings.get_profile("default"), max_examples=2000)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "default"))
