"""A whole evening against a simple reference model: where the show stands, whatever anybody does.

Next, previous, jump, sections, arm, cancel, reorder, reload, crash and restart in any sequence. The
reference keeps a list of names and a few numbers; it shares no code with the show.
"""

from __future__ import annotations

from dataclasses import replace

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from routerd.core.errors import CommandError
from routerd.core.model.actions import Action
from routerd.core.model.set_list import SetList
from routerd.core.model.snapshot import ResumePoint, resume_point_of
from routerd.core.model.song import SectionsEnd, Song
from tests.stage import CLOSER, MIDDLE, MS, OPENER, Stage, compiled

FOUR = replace(MIDDLE, identifier="four", sections_end=SectionsEnd.WRAP)
FIVE = replace(MIDDLE, identifier="five", sections_end=SectionsEnd.SONG)
LIBRARY = {song.identifier: song for song in (OPENER, MIDDLE, CLOSER, FOUR, FIVE)}
NAMES = tuple(LIBRARY)

names = st.sampled_from(NAMES)
orders = st.lists(names, min_size=1, unique=True)
STEPS = {Action.NEXT: 1, Action.PREVIOUS: -1, Action.NEXT_SECTION: 1, Action.PREVIOUS_SECTION: -1}


class Reference:
    """Where the show should stand. `before` and `after` are what surrounds the song in the order."""

    def __init__(self, order: list[str], library: set[str]) -> None:
        self.library = library
        self.before: list[str] = []
        self.after = order[1:]
        self.in_order = True
        self.armed: tuple[str, str] | None = None
        self.enter(order[0])

    @property
    def order(self) -> list[str]:
        return self.before + ([self.song] if self.in_order else []) + self.after

    def enter(self, song: str) -> None:
        self.song = song
        self.section = 1 if LIBRARY[song].sections else 0
        self.armed = None

    def at(self, order: list[str], song: str) -> None:
        here = order.index(song)
        self.before, self.after, self.in_order = order[:here], order[here + 1 :], True

    def step(self, by: int) -> bool:
        side = self.after if by > 0 else self.before
        if not side:
            return False
        target = side[0] if by > 0 else side[-1]
        self.at(self.order, target)
        self.enter(target)
        return True

    def step_section(self, by: int) -> bool:
        count = len(LIBRARY[self.song].sections)
        if not count:
            return False
        if 1 <= self.section + by <= count:
            self.section += by
            return True
        end = LIBRARY[self.song].sections_end
        if end is SectionsEnd.WRAP:
            self.section = 1 if by > 0 else count
            return True
        return end is SectionsEnd.SONG and self.step(by)

    def call(self, song: str) -> bool:
        if song not in self.library:
            return False
        order = self.order
        if song in order:
            self.at(order, song)
        elif self.in_order:
            self.before, self.after, self.in_order = [*self.before, self.song], self.after, False
        self.enter(song)
        return True

    def reorder(self, order: list[str]) -> None:
        if self.song in order:
            self.at(order, self.song)
            return
        following = [name for name in self.after if name in order]
        leading = [name for name in self.before if name in order]
        cut = order.index(following[0]) if following else order.index(leading[-1]) + 1 if leading else 0
        self.before, self.after, self.in_order = order[:cut], order[cut:], False

    def reload(self, order: list[str], library: set[str]) -> None:
        self.library = library
        self.reorder(order)
        if self.song not in library:  # it has been taken away while it was on: the next one, or the last
            target = self.after[0] if self.after else order[-1]
            self.at(order, target)
            self.enter(target)


class Evening(RuleBasedStateMachine):
    @initialize(order=orders)
    def begin(self, order: list[str]) -> None:
        self.stage = Stage(compiled(songs=LIBRARY.values(), order=order))
        self.reference = Reference(order, set(NAMES))

    def agree(self, action: Action, argument: str | int | None, expected: bool) -> None:
        try:
            self.stage.do(action, argument)
            done = True
        except CommandError:
            done = False
        assert done is expected

    @rule(action=st.sampled_from((Action.NEXT, Action.PREVIOUS)))
    def step(self, action: Action) -> None:
        if action is Action.NEXT and self.reference.armed:
            self.go()
        else:
            self.agree(action, None, self.reference.step(STEPS[action]))

    @rule(action=st.sampled_from((Action.NEXT_SECTION, Action.PREVIOUS_SECTION)))
    def step_section(self, action: Action) -> None:
        self.agree(action, None, self.reference.step_section(STEPS[action]))

    @rule(song=names)
    def call(self, song: str) -> None:
        self.agree(Action.SONG, song, self.reference.call(song))

    @rule(number=st.integers(0, 7))
    def call_by_number(self, number: int) -> None:
        order = self.reference.order
        expected = 1 <= number <= len(order) and self.reference.call(order[number - 1])
        self.agree(Action.SONG, number, expected)

    @rule(number=st.integers(0, 4))
    def section(self, number: int) -> None:
        expected = 1 <= number <= len(LIBRARY[self.reference.song].sections)
        if expected:
            self.reference.section = number
        self.agree(Action.SECTION, number, expected)

    @rule(song=names)
    def arm_a_song(self, song: str) -> None:
        try:
            self.stage.do(Action.SONG, song, "next-press")
            self.reference.armed = ("song", song)
        except CommandError:
            assert song not in self.reference.library

    @rule()
    def arm_next(self) -> None:
        try:
            self.stage.do(Action.NEXT, None, "next-press")
            self.reference.armed = ("next", "")
        except CommandError:
            assert not self.reference.after

    @rule()
    def go(self) -> None:
        armed = self.reference.armed
        expected = False
        if armed is not None:
            expected = self.reference.call(armed[1]) if armed[0] == "song" else self.reference.step(1)
        self.agree(Action.GO, None, expected)

    @rule()
    def cancel(self) -> None:
        self.reference.armed = None
        self.stage.do(Action.CANCEL)

    @rule(order=orders)
    def reorder(self, order: list[str]) -> None:
        known = [name for name in order if name in self.reference.library] or [min(self.reference.library)]
        self.stage.show.set_order(SetList("changed", tuple(known)), self.stage.now_ns)
        self.reference.reorder(known)

    @rule(order=orders, extra=names)
    def reload(self, order: list[str], extra: str) -> None:
        library = {*order, extra}
        songs: list[Song] = [LIBRARY[name] for name in sorted(library)]
        self.stage.load(compiled(songs=songs, order=order, before=self.stage.show.compiled))
        self.reference.reload(order, library)

    @rule()
    def crash_and_restart(self) -> None:
        """Order, song, section and what waits for a press are on the disk; transport does not go on."""
        snapshot = self.stage.show.snapshot()
        songs = [LIBRARY[name] for name in sorted(self.reference.library)]
        point = resume_point_of(snapshot)
        place = ResumePoint(point.song, point.section, gap=point.gap, armed=point.armed)
        self.stage = Stage(compiled(songs=songs, order=self.reference.order), place)
        reference = self.reference
        gone = (reference.armed == ("next", "") and not reference.after) or (
            reference.armed is not None
            and reference.armed[0] == "song"
            and reference.armed[1] not in reference.library
        )
        if gone:
            reference.armed = None

    @rule(
        action=st.sampled_from((Action.START, Action.STOP, Action.PANIC, Action.SILENCE)),
        ms=st.integers(0, 3000),
    )
    def play(self, action: Action, ms: int) -> None:
        self.stage.do(action)
        if action is not Action.START:  # whoever stops or panics wants nothing to happen afterwards
            self.reference.armed = None
        self.stage.run(self.stage.now_ns + ms * MS)

    @invariant()
    def stands_where_it_should(self) -> None:
        if not hasattr(self, "stage"):
            return
        snapshot, reference = self.stage.show.snapshot(), self.reference
        assert (snapshot.song, snapshot.section) == (reference.song, reference.section)
        assert list(snapshot.set_list.order) == reference.order
        assert snapshot.index == (len(reference.before) if reference.in_order else None)
        here = len(reference.before) + reference.in_order
        assert snapshot.next_index == (here if reference.after else None)
        assert (snapshot.armed is None) == (reference.armed is None)


TestEvening = Evening.TestCase
