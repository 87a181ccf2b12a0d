"""Zones of one note a channel (MPE 1.0): moved, squeezed, folded, in literal bytes."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from routerd.core.midi.messages import RPN, Kind
from routerd.core.model.route import NoteZone, Route
from routerd.core.routing.zones import configuration, members_of
from tests.core.routing.test_converters import Line

PLAYED = frozenset(Kind) - {Kind.CLOCK, Kind.TRANSPORT, Kind.SYSEX}


def zone(**options: object) -> Line:
    fields = {"upper": False, "members": 7, "to_upper": False, "to_members": 7, **options}
    return Line(Route("zone", "a", "synth", PLAYED, zone=NoteZone(**fields)))  # type: ignore[arg-type]


def test_members_lie_beside_their_master() -> None:
    """Lower zone: master 1, members upwards; upper zone: master 16, members downwards (MPE 1.0, 2.1)."""
    assert members_of(False, 7) == [1, 2, 3, 4, 5, 6, 7]
    assert members_of(True, 3) == [14, 13, 12]


def test_a_zone_is_configured_by_parameter_6() -> None:
    """MPE 1.0, 2.1.1: registered parameter 6 on channel 1 or 16; the first example makes a zone of 7."""
    assert [data.hex(" ") for data in configuration(False, 7)] == ["b0 65 00", "b0 64 06", "b0 06 07"]
    assert [data.hex(" ") for data in configuration(True, 0)] == ["bf 65 00", "bf 64 06", "bf 06 00"]


def test_a_zone_is_moved_with_its_configuration() -> None:
    line = zone(to_upper=True)
    line.output.selected[15] = (RPN, 0, 2)  # another route has set the coarse tuning
    assert line.play("b0 79 00|b0 64 06|b0 65 00|b0 06 07") == [
        "bf 79 00",
        "bf 65 00",
        "bf 64 06",
        "bf 06 07",
    ]
    assert 15 not in line.output.selected, "whoever sets that again selects it first"
    assert line.play("e1 00 50|d1 10|91 3c 40|e1 00 60") == ["ee 00 50", "de 10", "9e 3c 40", "ee 00 60"]
    assert line.play("b0 07 64|c0 05|92 3e 40|81 3c 00|82 3e 00") == [
        "bf 07 64", "cf 05", "9d 3e 40", "8e 3c 00", "8d 3e 00",
    ]  # fmt: skip
    assert line.play("98 3c 40") == []  # beyond the zone


def test_more_notes_than_channels() -> None:
    """Two channels: the third note shares one, which takes its expression, and gets the old one back."""
    line = zone(to_members=2)
    assert line.play("b0 65 00|b0 64 06|b0 06 07") == ["b0 65 00", "b0 64 06", "b0 06 02"]
    assert line.play("e1 00 50|91 3c 40") == ["e1 00 50", "d1 00", "b1 4a 40", "91 3c 40"]
    assert line.play("92 3e 40") == ["e2 00 40", "d2 00", "b2 4a 40", "92 3e 40"]
    assert line.play("e3 00 20|93 40 40") == ["e1 00 20", "91 40 40"]
    assert line.play("e1 00 55") == []  # no longer the latest on its channel
    assert line.play("e3 00 21") == ["e1 00 21"]
    assert line.play("83 40 00") == ["81 40 00", "e1 00 55"]
    assert line.play("81 3c 00|82 3e 00") == ["81 3c 00", "82 3e 00"]


def test_folded_to_one_channel_with_the_last_note_rule() -> None:
    """±48 semitones of a member in ±12 of the device; the master's ±2 are added (MPE 1.0, 2.4)."""
    line = zone(to_members=0, to_channel=4, to_bend=12)
    assert line.play("e1 00 44|91 3c 40") == [
        "e4 00 50",
        "d4 00",
        "b4 4a 40",
        "94 3c 40",
    ]  # 512 × 48 / 12 = 2048
    assert line.play("d2 33|92 43 50") == ["e4 00 40", "d4 33", "94 43 50"]
    assert line.play("e0 00 70") == ["e4 00 48"]  # master: 6144 × 2 / 12 = 1024
    assert line.play("82 43 00") == ["84 43 00", "e4 00 58", "d4 00"]
    assert line.play("b0 07 50|b1 07 50|81 3c 00") == ["b4 07 50", "84 3c 00"]


steps = st.lists(st.tuples(st.integers(1, 7), st.sampled_from((60, 61, 62)), st.integers(0, 2)), max_size=40)


@given(steps, st.integers(0, 7))
def test_every_note_is_released_once_on_its_own_channel(
    played: list[tuple[int, int, int]], room: int
) -> None:
    line = zone(to_members=room, to_channel=9)
    out: list[str] = []
    down: set[tuple[int, int]] = set()
    for channel, note, what in played:
        if what == 2:
            out += line.play(f"e{channel} 00 {note:02x}")
        elif (channel, note) in down:
            down.discard((channel, note))
            out += line.play(f"8{channel} {note:02x} 40")
        else:
            down.add((channel, note))
            out += line.play(f"9{channel} {note:02x} 40")
    line.use()  # the route goes while keys are down
    for channel, note in sorted(down):
        out += line.play(f"8{channel} {note:02x} 40")
    presses = sorted(data[1:5] for data in out if data[0] == "9")
    assert presses == sorted(data[1:5] for data in out if data[0] == "8")


def test_only_bend_pressure_and_timbre_of_a_member_are_its_notes() -> None:
    """Controller 74 is the third dimension of a note; others of a member mean nothing (MPE 1.0, 2.2)."""
    line = zone(to_members=2)
    line.play("b0 65 00|b0 64 06|b0 06 07|91 3c 40")
    assert line.play("b1 4a 4a") == ["b1 4a 4a"]
    assert line.play("b1 07 4a") == []
    assert line.play("b1 4b 4a") == []
    assert line.play("d1 4a") == ["d1 4a"]
