"""Active Sensing both ways, and loops through outside devices."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from routerd.core.watch import LOOP_LIMIT, Watch
from tests.stage import MS, OPENER, RIG, Stage, compiled, route


def stage(*, sensing: bool = False) -> Stage:
    devices = tuple(replace(d, active_sensing=sensing and d.name == "sampler") for d in RIG.devices)
    song = replace(OPENER, routes=(route("sampler"),), patches=())
    return Stage(compiled(replace(RIG, devices=devices), (song,), ("opener",)))


def kinds(made: Stage) -> list[object]:
    return [event["kind"] for event in made.events if event.get("device") == "keys"]


def test_a_cable_that_falls_silent_lets_go_of_its_notes() -> None:
    """Lost at more than 330 ms (M1 p. 32); 125 BPM: the next tick is at most 20 ms later."""
    made = stage()
    made.run(100 * MS)
    made.play("keys", "fe", "90 3c 40")
    made.run(429 * MS)
    assert made.sent("sampler") == ["90 3c 40"]
    made.run(460 * MS)
    assert made.sent("sampler") == ["90 3c 40", "80 3c 40"]
    assert kinds(made) == ["sensing-lost"]
    made.play("keys", "80 3c 40")
    assert made.sent("sampler") == ["90 3c 40", "80 3c 40"]


def test_any_message_keeps_it_alive_and_who_never_sent_it_may_be_silent() -> None:
    made = stage()
    made.play("keys", "fe", "90 3c 40")
    for at_ms in range(300, 3000, 300):
        made.run(at_ms * MS)
        made.play("keys", "b0 01 00" if at_ms % 600 else "fe")
    assert kinds(made) == []
    made = stage()
    made.play("keys", "90 3c 40")
    made.run(5_000 * MS)
    assert kinds(made) == []


def test_a_device_gets_it_at_least_every_270_ms_also_at_the_slowest_tempo() -> None:
    for song in (OPENER, replace(OPENER, bpm=OPENER.bpm * 0 + 10)):
        devices = tuple(replace(d, active_sensing=d.name == "sampler") for d in RIG.devices)
        made = Stage(compiled(replace(RIG, devices=devices), (song,), ("opener",)))
        made.run(1_000 * MS)
        made.log.clear()
        made.run(4_000 * MS)
        times = made.times_ms("sampler", b"\xfe")
        assert len(times) >= 10
        assert max(after - before for before, after in pairwise(times)) <= 270


def test_a_loop_is_cut_told_and_mended() -> None:
    """A device that echoes what it gets, on a wire that takes 2 ms there and back."""
    made = stage()
    made.run(1_000 * MS)
    made.play("keys", "90 3c 40")
    for turn in range(1, 500):
        made.run((1_000 + 2 * turn) * MS)
        made.play("keys", "90 3c 40")
    assert kinds(made) == ["loop"]
    assert made.sent("sampler").count("90 3c 40") <= 2 * 64 + 1
    assert made.sounding() == {}
    made.run(4_000 * MS)
    assert kinds(made) == ["loop", "loop-ended"]
    made.play("keys", "80 3c 40", "90 3e 40")
    assert made.sent("sampler")[-1] == "90 3e 40"


def test_fast_playing_and_floods_are_no_loop() -> None:
    """A roll of equal strokes at 30 a second, a controller at 1000 values a second, clock at 500 BPM."""
    made = stage()
    for at_ms in range(1, 4_000):
        made.run(at_ms * MS)
        if at_ms % 5 == 0:
            made.play("keys", "f8")
        made.play("keys", f"b0 01 {at_ms % 128:02x}")
        if at_ms % 33 == 0:
            made.play("keys", "90 3c 40", "80 3c 40")
    assert kinds(made) == []


@given(st.lists(st.sampled_from([bytes((0x90, 60, n)) for n in range(1, 6)]), max_size=500))
def test_a_loop_is_cut_at_the_same_message_as_by_counting_each(heard: list[bytes]) -> None:
    watch, counts, is_loop = Watch(), Counter[bytes](), False
    for data in heard:
        counts[data] += 1
        is_loop = is_loop or counts[data] > LOOP_LIMIT
        assert watch.hear(data, MS) is not is_loop


def test_what_repeats_is_found_among_much_that_does_not() -> None:
    watch = Watch()
    for count in range(LOOP_LIMIT):
        assert watch.hear(b"\x90\x3c\x40", MS)
        for other in range(40):
            assert watch.hear(bytes((0xB0, other, count)), MS)
    assert not watch.hear(b"\x90\x3c\x40", MS)
