"""What goes out at a time of its own leaves in order of time, whatever has been forgotten meanwhile."""

from __future__ import annotations

import itertools

from hypothesis import given
from hypothesis import strategies as st

from routerd.core.clock.schedule import Schedule
from routerd.core.model.rig import Device, WireKind
from routerd.core.output.wire import Output, Wire
from routerd.core.units import NEVER_NS

ONE, OTHER = (
    Wire((Device(name, output_pattern=name, wire=WireKind.VIRTUAL),), number).outputs[0]
    for number, name in enumerate(("one", "other"))
)
ON, OFF, CLOCK = b"\x90\x4c\x60", b"\x80\x4c\x40", b"\xf8"


def put(*what: tuple[int, Output, bytes]) -> Schedule:
    schedule = Schedule()
    for at_ns, output, data in what:
        schedule.put(at_ns, output, data)
    return schedule


def taken(schedule: Schedule) -> list[tuple[int, str, bytes]]:
    out = []
    while schedule.next_ns != NEVER_NS:
        due_ns, data, output = schedule.next_ns, schedule.next_data, schedule.next_output
        timed = schedule.take()
        assert (timed.at_ns, timed.data, timed.output) == (due_ns, data, output)
        out.append((timed.at_ns, timed.output.name, timed.data))
    assert len(schedule) == 0
    return out


def test_what_is_left_after_something_was_forgotten_is_still_in_order() -> None:
    """As a heap the list is 1, 5, 2, 6, 7, 3, 4: without 5 it is none any more."""
    schedule = put(*((at, OTHER if at == 5 else ONE, CLOCK) for at in (1, 5, 2, 6, 7, 3, 4)))
    schedule.drop({OTHER})
    assert [at for at, *_ in taken(schedule)] == [1, 2, 3, 4, 6, 7]


ENTRIES = st.lists(
    st.tuples(st.integers(0, 9), st.sampled_from((ONE, OTHER)), st.sampled_from((ON, OFF, CLOCK))),
    max_size=30,
)


@given(ENTRIES, st.integers(0, 9))
def test_forgetting_leaves_the_others_as_they_were(
    what: list[tuple[int, Output, bytes]], from_ns: int
) -> None:
    def wanted(kept: list[tuple[int, Output, bytes]]) -> list[tuple[int, str, bytes]]:
        # a stable sort: of one time, in the order in which they were put there
        return [(at, output.name, data) for at, output, data in sorted(kept, key=lambda one: one[0])]

    for number in range(3):
        schedule = put(*what)
        if number == 0:
            schedule.drop({ONE})
            kept = [one for one in what if one[1] is not ONE]
        elif number == 1:
            schedule.hush()
            kept = [one for one in what if one[2] != ON]
        else:
            schedule.cancel(ONE, ON, from_ns)
            kept = [one for one in what if one[1] is not ONE or one[2] != ON or one[0] < from_ns]
        assert len(schedule) == len(kept)
        for output in (ONE, OTHER):
            due = min((at for at, to, data in kept if to is output and data == CLOCK), default=NEVER_NS)
            assert schedule.next_realtime_ns(output) == due
        times = taken(schedule)
        assert times == wanted(kept)
        assert all(a <= b for (a, *_), (b, *_) in itertools.pairwise(times))
