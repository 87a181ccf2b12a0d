"""Active Sensing both ways."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

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
