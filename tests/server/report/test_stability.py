"""MTIE and TDEV against published sets, and against allantools where no table was printed."""

from __future__ import annotations

import os
import random
from itertools import accumulate
from math import sqrt
from pathlib import Path

import allantools
import numpy as np
import pytest

from routerd.server.report.curves import Stability

NBS = (892, 809, 823, 798, 671, 644, 883, 903, 677)
"""Nine frequencies of W. J. Riley, NIST SP 1065, section 12.4 (pp. 107-109)."""

MODULUS = 2_147_483_647
"""The 1000-point set of the same section: n becomes 16807 n modulo this, and y is n over this (Eq. 73)."""


def thousand_points() -> list[int]:
    numbers = [1_234_567_890]
    while len(numbers) < 1000:
        numbers.append(16807 * numbers[-1] % MODULUS)
    return numbers


def collected(phases: list[int], **options: object) -> Stability:
    stability = Stability(**options)  # type: ignore[arg-type]
    for phase in phases:
        stability.add(phase)
    return stability


def test_the_recurrence_gives_the_numbers_that_are_printed() -> None:
    assert thousand_points()[:4] == [1234567890, 395529916, 1209410747, 633705974]


def test_tdev_of_the_nine_points() -> None:
    """Printed: TDEV 52.67135 and 86.35831 at averaging factors 1 and 2 (NIST SP 1065, section 12.4)."""
    phases = [0, *accumulate(NBS)]
    one, two = collected(phases, spans=(1, 2)).tdev()
    assert (one.ticks, two.ticks) == (1, 2)
    assert one.ns == pytest.approx(52.67135, abs=5e-6)
    assert two.ns == pytest.approx(86.35831, abs=5e-6)
    assert one.ns * sqrt(3) == pytest.approx(91.22945, abs=5e-6)  # MDEV of the same table


def test_tdev_of_the_thousand_points() -> None:
    """Printed: 1.687202e-1, 3.563623e-1 and 1.253382 at 1, 10 and 100 (NIST SP 1065, section 12.4)."""
    found = collected([0, *accumulate(thousand_points())], spans=(1, 10, 100)).tdev()
    figures = [point.ns / MODULUS for point in found]
    assert figures == pytest.approx([1.687202e-1, 3.563623e-1, 1.253382], rel=5e-7)


def test_mtie_and_tdev_agree_with_allantools_at_every_observation_time() -> None:
    generator = random.Random(11)
    phases = list(accumulate(generator.randrange(-40_000, 40_000) for _ in range(3000)))
    raw = np.array(phases, dtype=float)
    stability = collected(phases)
    mtie = stability.mtie()
    assert [point.ticks for point in mtie] == [1, 3, 7, 15, 31, 63, 127, 255, 511, 1023, 2047]
    _, expected, _, _ = allantools.mtie(raw, 1, "phase", [point.ticks for point in mtie])
    assert [point.ns for point in mtie] == list(expected)
    tdev = stability.tdev()
    assert [point.ticks for point in tdev] == [1, 2, 4, 8, 16, 32, 64, 128, 256, 512]
    _, expected, _, _ = allantools.tdev(raw, 1, "phase", [point.ticks for point in tdev])
    np.testing.assert_allclose([point.ns for point in tdev], expected, rtol=1e-9)


@pytest.mark.skipif(
    "ROUTERD_PHASE_DAT" not in os.environ,
    reason="PHASE.DAT is in allantools' source archive, not in its wheel: pip download --no-deps "
    "--no-binary allantools allantools, unpack, and name tests/phasedat/PHASE.DAT in ROUTERD_PHASE_DAT",
)
def test_mtie_of_the_published_phases() -> None:
    """1001 phases and their MTIE as printed beside them in allantools' source archive (from Stable32)."""
    lines = Path(os.environ["ROUTERD_PHASE_DAT"]).read_text(encoding="ascii").splitlines()
    phases = [float(line) for line in lines if line.strip() and not line.startswith("#")]
    assert len(phases) == 1001
    found = collected([round(phase * 1e12) for phase in phases]).mtie()
    expected = [0.50597, 1.2984, 2.2922, 2.9949, 4.4550, 6.5989, 6.8061, 7.8205, 7.8205]
    assert [point.ticks for point in found] == [1, 3, 7, 15, 31, 63, 127, 255, 511]
    assert [point.ns / 1e12 for point in found] == pytest.approx(expected, rel=1e-4)


def test_a_pure_rate_offset_gives_rate_times_observation_time() -> None:
    found = collected([1042 * tick for tick in range(2000)])  # 50 ppm of a tick at 120 BPM, in ns
    assert all(point.ns == 1042 * point.ticks for point in found.mtie())
    assert all(point.ns == 0 for point in found.tdev())  # a straight line does not wander


def test_a_tick_without_an_error_of_its_own_holds_the_last_one() -> None:
    held = Stability()
    held.add(500)
    held.hold(3)
    held.add(700)
    assert held.mtie() == collected([500, 500, 500, 500, 700]).mtie()


def test_nothing_reaches_across_a_restart() -> None:
    stability = collected([0, 10, 0, 10])
    before = stability.mtie(), stability.tdev()
    stability.restart()
    stability.add(1_000_000)
    stability.add(1_000_000)
    assert (stability.mtie(), stability.tdev()) == before
    again = collected([0, 10, 0, 10])
    again.restart()
    for phase in (0, 30, 0, 30):
        again.add(phase)
    assert [point.ns for point in again.mtie()] == [30, 30]
    assert again.tdev()[0].ns == pytest.approx(sqrt((2 * 20**2 + 2 * 60**2) / 6 / 4))


def test_too_few_ticks_give_no_figure() -> None:
    assert Stability().mtie() == []
    one = collected([5])
    assert (one.mtie(), one.tdev()) == ([], [])
