"""The plots of the report's page say what they should where they have little room."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace

from routerd.server.report import Conditions, Report, TickLog
from routerd.server.report.figures import Curves, LatenessStep, SongMark, StabilityPoint
from routerd.server.report.plots import lateness_over_time, stability


def report(changes: list[tuple[float, str]], duration_s: float = 60.0) -> Report:
    steps = tuple(LatenessStep(at, 48, min_us=1.0, mean_us=5.0, max_us=20.0) for at in (0.0, duration_s))
    return replace(
        TickLog(0).report(0, Conditions()),
        duration_s=duration_s,
        curves=(Curves("lead-synth", 1.0, steps, (), (), (), ()),),
        song_changes=tuple(SongMark(at, words) for at, words in changes),
    )


def test_names_of_songs_far_apart_stand_for_themselves() -> None:
    drawn = lateness_over_time(report([(0.0, "Opener"), (30.0, "Closer")]))
    assert ">Opener<" in drawn
    assert ">Closer<" in drawn


def test_names_in_one_place_are_one_and_how_many_more() -> None:
    drawn = lateness_over_time(report([(0.0, "Opener"), (0.4, "Bridge"), (1.0, "Waltz"), (30.0, "Closer")]))
    assert ">Opener +2<" in drawn
    assert "Bridge" not in drawn
    assert ">Closer<" in drawn


def test_too_many_places_have_no_names() -> None:
    drawn = lateness_over_time(report([(4.0 * n, f"Song {n}") for n in range(14)]))
    assert "Song" not in drawn


def test_curves_that_lie_upon_each_other_are_one_line_under_all_their_names() -> None:
    def curve(port: str, us: float) -> Curves:
        points = tuple(StabilityPoint(n, n / 48, us * n) for n in (1, 3, 7))
        return Curves(port, 1.0, (), (), (), points, ())

    ports = (curve("left", 10.0), curve("right", 10.2), curve("far", 30.0))
    drawn = stability(replace(report([]), curves=ports))
    assert ">left, right MTIE<" in drawn
    assert ">far MTIE<" in drawn
    many = tuple(curve(f"port {n}", 10.0) for n in range(5))
    assert ">port 0, port 1, port 2 and 2 more MTIE<" in stability(replace(report([]), curves=many))


def test_a_page_is_made_where_the_service_is_calmer_than_pages_are() -> None:
    """An ordinary user's process may become calmer and not go back: setpriority(2), EACCES."""
    as_others = (
        ["setpriv", "--bounding-set", "-sys_nice", "--inh-caps", "-sys_nice"] if os.geteuid() == 0 else []
    )
    serve = "import sys; from routerd.server.report.page import serve; sys.exit(serve(bytes.decode))"
    calmer = ["nice", "-n", "12", sys.executable, "-c", serve]
    made = subprocess.run([*as_others, *calmer], input=b"a page", capture_output=True, check=False)
    assert (made.returncode, made.stdout) == (0, b"a page"), made.stderr
