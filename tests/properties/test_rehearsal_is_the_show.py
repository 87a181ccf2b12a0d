"""What `check --rehearse` lists is what goes out: every pair of songs of a rich rig, message by message.

The walk is compared with a show that is driven as on stage: by the foot switch's action, with every song
started, and listened to for far longer than the walk listens.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

from routerd.core.model.actions import Action
from routerd.core.model.rig import Device, RigFolder, WireKind
from routerd.core.model.song import Patch, Song, StartPolicy
from routerd.core.model.timing import ChangePolicy, Click, FrameRate, Pulse, State, TimeCode, Timing
from routerd.server.offline.rehearse import Change, rehearse
from tests.hostile.rich_rig import RICH, compiled_rig, rig_folder_of
from tests.stage import MS, Stage

RICHEST = rig_folder_of(RICH)
PULSE = Pulse(Fraction(4), channel=8, note=1)
MORE = (
    Device("part-1", output_pattern="Parts", wire=WireKind.DIN, channels=(0,), clock=True, transport=True),
    Device("part-2", output_pattern="Parts", wire=WireKind.DIN, channels=(8,), timing=Timing(pulse=PULSE)),
    Device(
        "early", output_pattern="Early", wire=WireKind.DIN, clock=True, transport=True, local_control=False,
        timing=Timing(offset_ns=-40 * MS, mtc=TimeCode(FrameRate.FPS_25)),
    ),
)  # fmt: skip
CLICK = Click("part-2", channel=8, note=3, accent=4, count_in_bars=1)


def variant(song: Song, name: str, change: ChangePolicy, start: StartPolicy, click: Click | None) -> Song:
    own = (Patch("part-1", 0, program=len(name)),)
    return replace(
        song,
        identifier=name,
        title=name,
        start=start,
        patches=(*song.patches, *own),
        timing=replace(song.timing, change=change, click=click),
    )


FIRST, SECOND, THIRD = (RICHEST.song(name) for name in ("first", "second", "third"))
SONGS = (
    FIRST,  # on a bar, and starts by itself
    SECOND,  # on the next tick
    replace(THIRD, bpm=Fraction(90), beats=3, beat_unit=4),  # on a beat; its own bars last three minutes
    variant(FIRST, "stopped", ChangePolicy.STOP, StartPolicy.MANUAL, None),
    variant(SECOND, "counted", ChangePolicy.STOP, StartPolicy.ENTRY, CLICK),
)


def book(order: Iterable[str]) -> RigFolder:
    rig = replace(RICHEST.rig, devices=(*RICHEST.rig.devices, *MORE))
    return RigFolder(rig, SONGS, replace(RICHEST.set_list, order=tuple(order), changeover_s=0))


Heard = dict[str, list[bytes]]


def goes_on(device: str, data: bytes) -> bool:
    """Return whether a message is a tick, a pulse, a click or time code, which go on whatever is changed."""
    if data[0] in (0xF1, 0xF8, 0xFE):
        return True
    pulses = {"left": ({0x80, 0x90}, {36, 38}), "part-1": ({0x88, 0x98}, {1, 3, 4})}
    statuses, notes = pulses.get(device, (set(), set()))
    if data[0] in statuses and data[1] in notes:
        return True
    if device == "left" and data[:2] == b"\xb0\x14":
        return True
    return device == "rack" and data[0] in (0x89, 0x99)


class Evening:
    """The set as it is played: each change with all that went out because of it."""

    def __init__(self, book: RigFolder) -> None:
        self.stage = Stage(compiled_rig(book))
        self.wait(lambda: False, 3_000)
        for wire in self.stage.show.compiled.wires:
            wire.receivers.patched.clear()  # the walk begins with nothing on its sound
        self.changes: list[Heard] = []

    def wait(self, until: object, limit_ms: int) -> None:
        stage, end_ns = self.stage, self.stage.now_ns + limit_ms * MS
        while stage.now_ns < end_ns and not (callable(until) and until()):
            stage.run(max(stage.now_ns + 5 * MS, stage.show.next_deadline_ns()))

    def change(self, action: Action, argument: int | None = None) -> None:
        stage, show = self.stage, self.stage.show
        stage.log.clear()
        stage.events.clear()
        stage.do(action, argument)
        self.wait(lambda: any(event["kind"] in ("song", "section") for event in stage.events), 600_000)
        bars = show.transport.clock.next_bar(
            show.transport.clock.next_bar(show.transport.clock.next_tick + 1) + 1
        )
        self.wait(lambda: show.transport.clock.next_tick > bars, 600_000)
        self.wait(lambda: not show.snapshot().click.counting_to, 600_000)
        self.wait(lambda: show.drained(stage.now_ns), 600_000)
        self.wait(lambda: False, 2_500)
        heard: Heard = {}
        for _, device, data in stage.log:
            if not goes_on(device, data):
                heard.setdefault(device, []).append(data)
        self.changes.append(heard)

    def start(self) -> None:
        show = self.stage.show
        if show.transport.clock.state is State.STOPPED:
            self.stage.do(Action.START)
        self.wait(lambda: show.transport.clock.state is State.RUNNING, 600_000)
        bar = show.transport.clock.next_bar(show.transport.clock.next_tick + 1)
        self.wait(lambda: show.transport.clock.next_tick > bar, 600_000)
        self.wait(lambda: False, 2_500)


def played(book: RigFolder) -> list[Heard]:
    evening = Evening(book)
    for number, identifier in enumerate(book.set_list.order, 1):
        if number == 1:
            evening.change(Action.SONG, 1)
        else:
            evening.change(Action.NEXT)
        evening.start()
        for section in range(2, len(book.song(identifier).sections) + 1):
            evening.change(Action.SECTION, section)
    return evening.changes


def on_paper(change: Change) -> Heard:
    return {share.device.replace(", part-2", ""): share.sent for share in change.shares}


def whole(heard: Heard) -> dict[str, tuple[bytes, bytes]]:
    """Put pieces of SysEx together, and transport apart, which may fall into one (M1 p. 30): where a dump is
    cut depends on where in a beat it is sent."""
    return {
        device: (
            b"".join(one for one in sent if one[0] < 0xF8),
            b"".join(one for one in sent if one[0] >= 0xF8),
        )
        for device, sent in heard.items()
    }


def every_pair(names: list[str]) -> list[str]:
    """Return a set list in which each song follows each, itself too, once (by Hierholzer's way)."""
    left = {name: list(names) for name in names}
    trip, order = [names[0]], []
    while trip:
        if left[trip[-1]]:
            trip.append(left[trip[-1]].pop())
        else:
            order.append(trip.pop())
    return order[::-1]


def test_the_walk_lists_what_goes_out_at_every_pair_of_songs() -> None:
    order = every_pair([song.identifier for song in SONGS])
    assert len(set(pairwise(order))) == len(SONGS) ** 2
    evening = book(order)
    walked = rehearse(evening)
    for change, heard in zip(walked, played(evening), strict=True):
        assert whole(on_paper(change)) == whole(heard), change.name
        assert change.shares


def test_what_waits_for_a_bar_is_in_the_walk_and_no_pulse_is_what_a_change_waits_for() -> None:
    walked = rehearse(book(("stopped", "first")))
    entry = next(change for change in walked if change.identifier == "first")
    shares = {share.device: share for share in entry.shares}
    assert "ch 1 program 3" in shares["lead"].messages
    assert shares["lead"].done_ms < 50
    assert "left" not in shares  # which gets a pulse every sixteenth
    assert max(share.done_ms for share in entry.shares) < 1000
