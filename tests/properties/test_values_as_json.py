"""Whatever a rig, a song or a set list holds survives the way over the link as JSON."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from routerd.core.midi.messages import Kind
from routerd.core.model.actions import ACTIONS, Action, Nudge, TapRounding, ToTempo
from routerd.core.model.codec import decode, encode, from_json
from routerd.core.model.commands import Command, parse_when
from routerd.core.model.controls import Control, Led, Pedal, Press, PressTimes, Shows
from routerd.core.model.rig import Device, Rig, Usb, WireKind
from routerd.core.model.route import NoteZone, Quantity, QuantityKind, Remap, Route, Switching
from routerd.core.model.set_list import SetList
from routerd.core.model.song import (
    HeldNotes,
    Patch,
    Section,
    SectionsEnd,
    Song,
    StartPolicy,
    Step,
)
from routerd.core.model.timing import (
    ChangePolicy,
    Click,
    ClickPlays,
    ClockFrom,
    Curve,
    FrameRate,
    MeterPoint,
    Pulse,
    SongTiming,
    StartMode,
    TempoPoint,
    TimeCode,
    Timing,
)
from routerd.core.output.patches import DEFAULT_ORDER

text = st.text(max_size=8)
seven = st.integers(0, 127)
channel = st.integers(-1, 15)
bpm = st.fractions(10, 480, max_denominator=10**6)

usbs = st.builds(Usb, text, text)
timings = st.builds(
    Timing,
    st.integers(-(10**8), 10**8),
    st.fractions(0, 24),
    st.sampled_from(StartMode),
    st.integers(0, 999),
    st.none()
    | st.builds(Pulse, st.fractions(1, 24), st.integers(0, 15), channel, seven, seven, seven, seven),
    st.none() | st.builds(TimeCode, st.sampled_from(FrameRate), st.booleans()),
    st.booleans(),
    st.sampled_from(ClockFrom),
)
song_timings = st.builds(
    SongTiming,
    text,
    st.lists(
        st.builds(TempoPoint, st.fractions(0, 999), bpm, bpm, st.fractions(0, 99), st.sampled_from(Curve)),
        max_size=3,
    ).map(tuple),
    st.lists(st.builds(MeterPoint, seven, seven, seven), max_size=2).map(tuple),
    st.none()
    | st.builds(Click, text, seven, seven, seven, seven, seven, seven, seven, st.sampled_from(ClickPlays)),
    st.sampled_from(ChangePolicy),
)
devices = st.builds(
    Device,
    text,
    text,
    text,
    text,
    st.sampled_from(WireKind),
    st.booleans(),
    st.booleans(),
    usbs,
    usbs,
    st.booleans(),
    timings,
)
whens = st.sampled_from(["now", "beat", "bar", "4 bars", "bar 17", "release", "next-press"]).map(parse_when)


def commands_of(action: Action) -> st.SearchStrategy[Command]:
    kind = ACTIONS[action].argument
    arguments: st.SearchStrategy[Any] = st.none() if kind is None else st.from_type(kind)
    if kind is ToTempo:
        arguments = st.builds(ToTempo, bpm)
    elif kind is Nudge:
        arguments = st.builds(Nudge, st.fractions(-50, 50))
    elif kind is TapRounding:
        arguments = st.builds(TapRounding, st.none() | st.fractions(Fraction(1, 100), 10))
    return st.builds(Command, st.just(action), arguments, whens)


commands = st.sampled_from(Action).flatmap(commands_of)
controls = st.builds(
    Control,
    text,
    st.sampled_from((0x90, 0xB0, 0xC0)),
    seven,
    commands,
    channel,
    st.sampled_from(Press),
    st.integers(-1, 2000),
    st.binary(max_size=6),
)
times = st.builds(PressTimes, st.integers(0, 2000), st.integers(100, 5000), st.integers(100, 5000))
pedals = st.builds(Pedal, text, seven, seven, seven, channel)
lamps = st.builds(Led, text, seven, seven, st.sampled_from(Shows), seven | text, seven, seven)
rigs = st.builds(
    Rig,
    text,
    st.lists(devices, max_size=3).map(tuple),
    st.lists(controls, max_size=3).map(tuple),
    times,
    st.lists(pedals, max_size=2).map(tuple),
    st.lists(lamps, max_size=2).map(tuple),
    holdover_s=st.integers(1, 600),
)
pairs = st.tuples(seven, seven)
quantities = st.builds(Quantity, st.sampled_from(QuantityKind), st.integers(0, 16383))
remaps = st.builds(
    Remap,
    quantities,
    quantities,
    pairs,
    pairs,
    st.lists(pairs, max_size=3).map(tuple),
    seven,
    st.booleans(),
    st.sampled_from(Switching),
    st.lists(st.integers(0, 15), max_size=2).map(tuple),
)
routes = st.builds(
    Route,
    text,
    text,
    text,
    st.frozensets(st.sampled_from(Kind)),
    channel,
    channel,
    seven,
    seven,
    st.integers(-127, 127),
    seven,
    seven,
    velocity_curve=st.lists(pairs, max_size=3).map(tuple),
    blocked_channels=st.frozensets(st.integers(0, 15), max_size=3),
    blocked_cc=st.frozensets(seven, max_size=3),
    programs=st.lists(pairs, max_size=2).map(tuple),
    sysex_prefixes=st.lists(st.binary(max_size=3), max_size=2).map(tuple),
    bend_to=st.integers(0, 48),
    chord=st.lists(st.integers(-24, 24), max_size=3).map(tuple),
    drone=st.lists(seven, max_size=3).map(tuple),
    maps=st.lists(remaps, max_size=2).map(tuple),
    zone=st.none() | st.builds(NoteZone, st.booleans(), seven, st.booleans(), seven),
)
patches = st.builds(
    Patch,
    text,
    st.integers(0, 15),
    st.integers(-1, 16383),
    st.integers(-1, 127),
    st.lists(st.tuples(seven, seven), max_size=3).map(tuple),
    st.lists(st.binary(max_size=4), max_size=2).map(tuple),
    st.lists(st.binary(max_size=4), max_size=2).map(tuple),
    st.lists(pairs, max_size=2).map(tuple),
    st.lists(pairs, max_size=2).map(tuple),
    st.lists(st.sampled_from(DEFAULT_ORDER) | st.integers(0, 10**9), max_size=4).map(tuple),
    st.booleans(),
)
route_lists = st.lists(routes, max_size=2).map(tuple)
patch_lists = st.lists(patches, max_size=2).map(tuple)
sections = st.builds(Section, text, route_lists, patch_lists, st.none() | bpm)
songs = st.builds(
    Song,
    text,
    text,
    bpm,
    st.integers(1, 32),
    st.sampled_from((1, 2, 4, 8, 16, 32)),
    text,
    st.integers(0, 10**4),
    st.sampled_from(StartPolicy),
    route_lists,
    patch_lists,
    st.lists(sections, max_size=2).map(tuple),
    st.lists(st.builds(Step, text, text, text), max_size=2).map(tuple),
    text,
    st.sampled_from(SectionsEnd),
    st.sampled_from(HeldNotes),
    controls=st.lists(controls, max_size=2).map(tuple),
    timing=song_timings,
)
set_lists = st.builds(SetList, text, st.lists(text, max_size=4).map(tuple), text, seven, seven, seven)


@given(rigs)
def test_a_rig_comes_back_as_it_was(rig: Rig) -> None:
    assert decode(Rig, encode(rig)) == rig


@given(songs)
def test_a_song_comes_back_as_it_was(song: Song) -> None:
    back = decode(Song, encode(song))
    assert back == song
    assert isinstance(back.bpm, Fraction)
    assert hash(back) == hash(song)  # equal route lists share one table by their hash


@given(set_lists)
def test_a_set_list_comes_back_as_it_was(set_list: SetList) -> None:
    assert decode(SetList, encode(set_list)) == set_list


def test_what_an_older_state_does_not_say_of_a_set_list_is_as_if_it_had_none() -> None:
    plain = {"name": "Harbour", "order": ["one"], "date": ""}
    assert from_json(SetList, plain) == SetList("Harbour", ("one",), "", encore=0, slot_s=0, changeover_s=0)


@given(commands)
def test_a_command_comes_back_as_it_was(command: Command) -> None:
    assert decode(Command, encode(command)) == command
