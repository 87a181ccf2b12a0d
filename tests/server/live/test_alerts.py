"""Alert rules and metrics, as the trade's own tool sees them: promtool, of Debian's package `prometheus`."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families
from server_service import Service

ROOT = Path(__file__).parents[3]
RULES = ROOT / "configs" / "alerts.yml"
TESTS = ROOT / "tests" / "server" / "alerts_test.yml"

needs_promtool = pytest.mark.skipif(
    shutil.which("promtool") is None,
    reason="promtool is not there; it comes with Debian's package `prometheus`, 19 MB",
)


def promtool(*words: str, stdin: str = "") -> subprocess.CompletedProcess[str]:
    command = ["promtool", *words]
    return subprocess.run(command, input=stdin, capture_output=True, text=True, timeout=60, check=False)


@needs_promtool
def test_the_rules_are_valid_and_do_what_they_say() -> None:
    checked = promtool("check", "rules", str(RULES))
    assert (checked.returncode, checked.stderr) == (0, "")
    tested = promtool("test", "rules", str(TESTS))
    assert tested.returncode == 0, tested.stdout + tested.stderr


@needs_promtool
async def test_promtool_has_no_remark_on_the_metrics(service: Service) -> None:
    """The classic text, which is all that promtool reads; the client library's parser reads OpenMetrics."""
    text = (await service.ask("GET", "/metrics", Accept="text/plain")).text
    checked = promtool("check", "metrics", stdin=text)
    assert (checked.returncode, checked.stdout, checked.stderr) == (0, "", "")


async def test_every_metric_in_the_rules_is_there(service: Service) -> None:
    text = (await service.ask("GET", "/metrics", Accept="text/plain")).text
    there = {family.name for family in text_string_to_metric_families(text)}
    there |= {f"{name}_total" for name in there}
    asked = set(re.findall(r"routerd_[a-z_]+", RULES.read_text(encoding="utf-8")))
    assert asked <= there
    assert len(asked) == 5
