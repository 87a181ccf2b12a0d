"""A tempo set by hand, and the song's own: which of the two holds, on simulated time with literal times.

The song is at 125 BPM (a tick every 20 ms, a bar of 1 920 ms) and moves to 250 over bars 3 to 6.
"""

from __future__ import annotations

import itertools
from dataclasses import replace
from fractions import Fraction

import pytest

from routerd.core.errors import CommandError
from routerd.core.model.actions import Action
from routerd.core.model.codec import to_json
from routerd.core.model.rig import AfterRestart
from routerd.core.model.snapshot import resume_point_of
from routerd.core.model.song import Section, Song
from routerd.core.model.timing import ChangePolicy, Click, SongTiming, TempoPoint
from routerd.core.show.crash_state import crash_state_of, kept_from
from tests.stage import MS, RIG, SAMPLER, TICK, Stage, compiled, route

RAMP = SongTiming(tempo=(TempoPoint(Fraction(192), Fraction(125), Fraction(250), Fraction(384)),))
RISES = Song("rises", "Rises", Fraction(125), routes=(route("synth"),), timing=RAMP)
STEADY = Song("steady", "Steady", Fraction(100), routes=(route("synth"),))
PARTS = Song(
    "parts",
    "Parts",
    Fraction(125),
    sections=(
        Section("verse", ()),
        Section("chorus", ()),
        Section("bridge", (), (), Fraction(100)),
    ),
)


def stage(*songs: Song) -> Stage:
    songs = songs or (RISES, STEADY)
    return Stage(compiled(RIG, songs, [song.identifier for song in songs]))


def in_the_ramp() -> Stage:
    one = stage()
    one.do(Action.START)
    one.run(6_000 * MS)
    assert 125 < Fraction(one.show.snapshot().bpm) < 250
    return one


def tempo(one: Stage) -> tuple[str, str]:
    snapshot = one.show.snapshot()
    return str(snapshot.bpm), snapshot.tempo_by


def intervals_ms(one: Stage, from_ns: int) -> set[float]:
    ticks = [
        at_ns for at_ns, name, data in one.log if name == "modular" and data == TICK and at_ns >= from_ns
    ]
    return {(b - a) / MS for a, b in itertools.pairwise(ticks)}


@pytest.mark.parametrize(
    ("action", "argument"),
    [(Action.TEMPO, "100"), (Action.NUDGE, "-0.5"), (Action.HALF, None), (Action.DOUBLE, None)],
)
def test_a_tempo_by_hand_holds_inside_a_ramp_and_behind_it(action: Action, argument: str | None) -> None:
    """It was gone two beats later, with the next step of the ramp."""
    one = in_the_ramp()
    one.do(action, argument)
    set_ns, (bpm, by) = one.now_ns, tempo(one)
    assert by == "hand"
    one.run(one.now_ns + 60_000 * MS)
    assert tempo(one) == (bpm, "hand")
    period_ns = 2_500_000_000 / Fraction(bpm)
    assert all(abs(ms * MS - period_ns) <= 1 for ms in intervals_ms(one, set_ns + 30 * MS))
    assert [e["by"] for e in one.events if e["kind"] == "tempo" and e["at_ns"] > set_ns] == []


def test_a_tapped_tempo_holds_too() -> None:
    one = in_the_ramp()
    for _ in range(4):
        one.do(Action.TAP)
        one.run(one.now_ns + 600 * MS)
    one.run(one.now_ns + 30_000 * MS)
    assert tempo(one) == ("100", "hand")


def test_it_holds_over_a_stop_a_start_and_a_count_in() -> None:
    click = replace(RAMP, click=Click(SAMPLER.name, count_in_bars=1))
    one = stage(replace(RISES, timing=click))
    one.do(Action.TEMPO, "250")
    one.run(100 * MS)
    for _ in range(2):
        one.do(Action.START)
        began_ns = one.now_ns
        one.run(began_ns + 20_000 * MS)
        assert one.show.snapshot().transport == "running"
        assert intervals_ms(one, began_ns) == {10.0}
        assert tempo(one) == ("250", "hand")
        one.do(Action.STOP)


@pytest.mark.parametrize("change", [ChangePolicy.STOP, ChangePolicy.TICK, ChangePolicy.BAR])
def test_it_ends_with_the_song(change: ChangePolicy) -> None:
    one = stage(RISES, replace(STEADY, timing=SongTiming(change=change)), RISES)
    one.do(Action.START)
    one.run(6_000 * MS)
    one.do(Action.TEMPO, "77")
    one.do(Action.NEXT)
    one.run(one.now_ns + 10_000 * MS)
    assert tempo(one) == ("100", "song")
    one.do(Action.NEXT)
    one.do(Action.START)
    one.run(one.now_ns + 30_000 * MS)
    assert tempo(one) == ("250", "song")


def test_the_songs_tempo_again_in_a_ramp_is_the_ramps_of_this_moment() -> None:
    one, other = in_the_ramp(), in_the_ramp()
    one.do(Action.NUDGE, "0.01")
    one.do(Action.SONG_TEMPO)
    assert tempo(one) == tempo(other)
    for each in (one, other):
        each.run(each.now_ns + 30_000 * MS)
    assert tempo(one) == ("250", "song")
    assert (
        one.show.transport.clock.segment == other.show.transport.clock.segment
    )  # every joint lies where the map has it


def test_the_songs_tempo_again_while_stopped() -> None:
    one = stage()
    one.do(Action.TEMPO, "77")
    one.do(Action.SONG_TEMPO)
    assert tempo(one) == ("125", "song")
    one.do(Action.SONG_TEMPO)
    assert [(e["bpm"], e["by"]) for e in one.events if e["kind"] == "tempo"][-2:] == [
        (77, "hand"),
        (125, "song"),
    ]


def test_the_songs_tempo_can_wait_for_a_bar_and_a_foot_can_ask_for_it() -> None:
    one = stage(STEADY)
    one.do(Action.START)
    one.run(1_000 * MS)
    one.do(Action.TEMPO, "125")
    one.do(Action.SONG_TEMPO, None, "bar")
    assert tempo(one) == ("125", "hand")
    one.run(one.now_ns + 3_000 * MS)
    assert tempo(one) == ("100", "song")
    assert one.show.transport.clock.segment.anchor_tick % 96 == one.show.transport.clock.origin_tick % 96


def test_by_hand_to_the_very_tempo_of_the_song_is_by_hand() -> None:
    one = stage()
    one.do(Action.TEMPO, "125")
    assert tempo(one) == ("125", "hand")
    one.do(Action.START)
    one.run(30_000 * MS)
    assert tempo(one) == ("125", "hand")


def test_a_section_that_asks_for_another_tempo_asks_for_the_songs() -> None:
    one = stage(PARTS)
    one.do(Action.TEMPO, "121")
    one.do(Action.NEXT_SECTION)  # the chorus has the verse's tempo
    assert tempo(one) == ("121", "hand")
    one.do(Action.NEXT_SECTION)
    assert tempo(one) == ("100", "song")
    one.do(Action.TEMPO, "99")
    one.do(Action.SONG_TEMPO)
    assert tempo(one) == ("100", "song")
    one.do(Action.PREVIOUS_SECTION)
    assert tempo(one) == ("125", "song")


def test_without_a_song_there_is_no_tempo_of_its_own() -> None:
    one = Stage(compiled(RIG, (), ()))
    with pytest.raises(CommandError, match="no song is on"):
        one.do(Action.SONG_TEMPO)


def test_a_restart_of_the_service_keeps_whose_tempo_it_is() -> None:
    one = in_the_ramp()
    one.do(Action.TEMPO, "99")
    book = compiled(RIG, (RISES, STEADY), ("rises", "steady"))
    again = Stage(book, replace(resume_point_of(one.show.snapshot()), play=True))
    again.run(30_000 * MS)
    assert tempo(again) == ("99", "hand")
    for nonsense in ({"tempo_by": "nobody"}, {"tempo_by": 7}, {"bpm": "x"}):
        odd = Stage(book, {**to_json(resume_point_of(one.show.snapshot())), **nonsense})
        assert tempo(odd) == ("125", "song")


def test_an_engine_that_goes_on_keeps_whose_tempo_it_is() -> None:
    for action in (Action.TEMPO, Action.SONG_TEMPO):
        one = in_the_ramp()
        one.do(action, "99" if action is Action.TEMPO else None)
        snapshot = one.show.snapshot()
        kept = kept_from(crash_state_of(snapshot), one.show.ticks.number)
        rig = replace(RIG, after_restart=AfterRestart.PLAY)
        book = compiled(rig, (RISES, STEADY), ("rises", "steady"))
        again = Stage(book, resume_point_of(snapshot), one.now_ns + 300 * MS, kept)
        again.run(one.now_ns + 30_000 * MS)
        assert tempo(again) == (("99", "hand") if action is Action.TEMPO else ("250", "song"))


def test_a_new_version_of_the_file_with_another_tempo_is_the_songs() -> None:
    one = stage(STEADY)
    one.do(Action.TEMPO, "77")
    one.load(compiled(RIG, (replace(STEADY, notes="as before"),), ("steady",), one.show.compiled))
    assert tempo(one) == ("77", "hand")
    one.load(compiled(RIG, (replace(STEADY, bpm=Fraction(101)),), ("steady",), one.show.compiled))
    assert tempo(one) == ("101", "song")
