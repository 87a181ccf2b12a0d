"""Several devices on one port: one wire and one feed, with everything else of each device its own."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from routerd.core.midi.messages import Kind
from routerd.core.model.actions import Action
from routerd.core.model.controls import Led, Shows
from routerd.core.model.rig import Device, Rig, WireKind
from routerd.core.model.route import Route
from routerd.core.model.song import Patch, Song
from routerd.core.model.timing import Pulse, Timing
from routerd.core.units import DIN_BYTE_NS
from tests.stage import KEYS, MS, START, STOP, TICK, Stage, compiled

PLAYED = frozenset({Kind.NOTES, Kind.CC})


def device(name: str, channel: int, port: str = "Box", **more: object) -> Device:
    return Device(name, output_pattern=port, channels=(channel,), wire=WireKind.DIN, **more)  # type: ignore[arg-type]


LEAD = device("lead", 0)
PAD = device("pad", 1, clock=True, transport=True)
BASS = device("bass", 2, port="bOX")
ALONE = device("alone", 0, port="Other", clock=True)


def route(target: str, channel: int, source: str = "keys") -> Route:
    return Route(f"{source} to {target}", source, target, PLAYED, to_channel=channel)


SONG = Song(
    "one",
    "One",
    Fraction(125),
    routes=(route("lead", 0), route("pad", 1)),
    patches=(Patch("lead", 0, program=4), Patch("pad", 1, program=5), Patch("bass", 2, program=6)),
)


BARE = replace(SONG, patches=())


def stage(*devices: Device, song: Song = SONG, rig: Rig | None = None) -> Stage:
    rig = rig or Rig("stage", (KEYS, *devices))
    names = {device.name for device in rig.devices}
    song = replace(song, patches=tuple(patch for patch in song.patches if patch.device in names))
    return Stage(compiled(rig, (song,), ("one",)))


def test_one_port_is_one_wire_named_after_the_device_with_the_clock() -> None:
    book = compiled(Rig("stage", (KEYS, LEAD, ALONE, PAD, BASS)), (SONG,), ("one",))
    assert [(wire.name, [output.name for output in wire.outputs]) for wire in book.wires] == [
        ("pad", ["lead", "pad", "bass"]),
        ("alone", ["alone"]),
    ]
    assert [output.name for output in book.outputs] == ["lead", "alone", "pad", "bass"]
    assert book.output_names == ("pad", "alone")


def test_where_a_device_stands_is_told_for_each_of_a_port_that_has_clock_or_transport() -> None:
    clocked = device("clocked", 3, clock=True)
    one = stage(LEAD, PAD, BASS, clocked, ALONE, song=BARE)
    assert [entry.device for entry in one.show.snapshot().devices] == ["pad", "clocked", "alone"]


def test_a_tick_and_a_start_reach_a_shared_port_once() -> None:
    one = stage(replace(LEAD, clock=True, transport=True), PAD, BASS)
    one.do(Action.START)
    one.run(100 * MS)
    one.do(Action.STOP)
    one.run(200 * MS)
    ticks = [at_ns for at_ns, _, data in one.log if data == TICK]
    assert len(ticks) == len(set(ticks)) == 11  # every 20 ms at 125 BPM, from 0 to 200
    assert one.sent().count(START.hex()) == one.sent().count(STOP.hex()) == 1


def test_the_messages_of_all_devices_wait_for_the_one_wire() -> None:
    one = stage(LEAD, PAD, song=BARE)
    one.run(1 * MS)
    one.play("keys", "90 3C 40")
    (wire,) = one.show.compiled.wires
    assert wire.busy_until_ns == one.now_ns + 6 * DIN_BYTE_NS
    assert one.sent() == ["90 3c 40", "91 3c 40"]


def test_patches_are_sent_together_when_the_port_comes_and_each_device_is_on_its_own() -> None:
    one = stage(LEAD, PAD, BASS)
    one.run(50 * MS)
    assert one.sent("pad") == ["c0 04", "c1 05", "c2 06"]
    opened = [event["device"] for event in one.events if event["kind"] == "port-opened"]
    assert opened == ["lead", "pad", "bass"]
    one.log.clear()
    one.lose("bass")
    closed = [event["device"] for event in one.events if event["kind"] == "port-closed"]
    assert closed == ["lead", "pad", "bass"]
    one.open("lead")
    one.run(100 * MS)
    assert one.sent("pad") == ["c0 04", "c1 05", "c2 06"]


def test_what_is_held_on_a_port_that_goes_is_ended_once_when_it_returns() -> None:
    one = stage(LEAD, PAD)
    one.run(50 * MS)
    one.play("keys", "90 3C 40")
    one.run(60 * MS)
    one.lose("lead")
    one.log.clear()
    one.open("lead")
    one.run(100 * MS)
    assert sorted(text for text in one.sent() if text[0] == "8") == ["80 3c 40", "81 3c 40"]
    one.play("keys", "80 3C 40")
    one.run(200 * MS)
    assert len([text for text in one.sent() if text[0] == "8"]) == 2


def test_a_mute_ends_and_keeps_back_one_device_of_the_port() -> None:
    one = stage(LEAD, PAD)
    one.run(50 * MS)
    one.play("keys", "90 3C 40")
    one.run(60 * MS)
    one.log.clear()
    one.do(Action.MUTE, "device pad")
    one.run(70 * MS)
    assert one.sent() == ["81 3c 40"]
    one.play("keys", "80 3C 40", "90 40 40")
    one.run(100 * MS)
    assert one.sent() == ["81 3c 40", "80 3c 40", "90 40 40"]


def test_lamps_and_pulses_of_each_device() -> None:
    lamps = (Led("lead", 0x90, 1, Shows.RUNNING), Led("pad", 0x91, 1, Shows.STOPPED))
    pulsed = replace(BASS, timing=Timing(pulse=Pulse(Fraction(4), channel=2, note=36)))
    rig = Rig("stage", (KEYS, LEAD, PAD, pulsed), leds=lamps)
    one = stage(rig=rig, song=BARE)
    one.run(50 * MS)
    assert one.sent() == ["90 01 00", "91 01 7f"]
    one.do(Action.START)
    one.run(300 * MS)
    assert one.sent("pad").count("92 24 64") == 3  # sixteenths at 125 BPM: every 120 ms


def test_panic_tells_every_channel_of_a_port_once() -> None:
    one = stage(LEAD, PAD, BASS, song=BARE)
    one.run(50 * MS)
    one.do(Action.PANIC)
    one.run(500 * MS)
    assert sorted(one.sent()) == sorted(
        f"b{channel:x} {number:02x} 00" for channel in range(16) for number in (0x40, 120, 121, 123)
    )


def test_a_rig_that_changes_another_device_keeps_the_wire() -> None:
    one = stage(LEAD, PAD)
    (wire,) = one.show.compiled.wires
    one.load(compiled(Rig("stage", (KEYS, LEAD, PAD, ALONE)), (BARE,), ("one",), one.show.compiled))
    assert one.show.compiled.wires[0] is wire


def test_a_device_that_joins_a_port_makes_it_another_wire_and_nothing_stays_held() -> None:
    one = stage(LEAD, PAD)
    one.run(50 * MS)
    one.play("keys", "90 3C 40")
    one.run(60 * MS)
    one.load(compiled(Rig("stage", (KEYS, LEAD, PAD, BASS)), (SONG,), ("one",), one.show.compiled))
    assert [wire.name for wire in one.show.compiled.wires] == ["pad"]
    assert not one.sounding()


def test_channels_keep_a_route_to_its_device_apart_from_the_others() -> None:
    loose = replace(SONG, routes=(Route("all", "keys", "pad", PLAYED),), patches=())
    one = stage(LEAD, PAD, song=loose)
    one.run(50 * MS)
    one.play("keys", "90 3C 40", "91 3E 40", "92 40 40")
    one.run(100 * MS)
    assert one.sent() == ["91 3e 40"]


def test_keys_are_put_apart_from_their_sounds_before_anything_else_on_every_return() -> None:
    keyboard = Device(
        "stage", input_pattern="Stage", output_pattern="Stage", channels=(0, 3), local_control=False
    )
    song = replace(SONG, routes=(route("stage", 3, "stage"),), patches=(Patch("stage", 3, program=9),))
    one = stage(keyboard, song=song)
    # controller 122 with value 0: local control off (M1 p. 20, Table IV p. 25)
    assert one.sent() == ["b0 7a 00", "b3 7a 00", "c3 09"]
    one.lose("stage")
    one.log.clear()
    one.open("stage")
    assert one.sent() == ["b0 7a 00", "b3 7a 00", "c3 09"]
    one.log.clear()
    one.play("stage", "90 3C 40", "80 3C 40")
    assert one.sent() == ["93 3c 40", "83 3c 40"]


def test_keys_joined_with_their_sounds_on_request_and_all_channels_where_none_are_named() -> None:
    told = stage(
        Device("stage", output_pattern="Stage", local_control=True), song=replace(SONG, routes=(), patches=())
    )
    assert told.sent() == [f"b{channel:x} 7a 7f" for channel in range(16)]
    untold = stage(Device("stage", output_pattern="Stage"), song=replace(SONG, routes=(), patches=()))
    assert untold.sent() == []


def test_one_feed_for_each_input_port_and_who_hears_what() -> None:
    low = Device("low", input_pattern="Board", channels=(0,))
    high = Device("high", input_pattern="board", channels=(1, 2))
    whole = Device("whole", input_pattern="Board")
    book = compiled(Rig("stage", (KEYS, low, high, whole)), (), ())
    assert [[input.name for input in feed.inputs] for feed in book.feeds] == [
        ["keys"],
        ["low", "high", "whole"],
    ]
    keys, board = book.feeds

    def heard(status: int) -> list[str]:
        return [input.name for input in board.heard_by(status)]

    assert heard(0x90) == ["low", "whole"]
    assert heard(0xB2) == ["high", "whole"]
    assert heard(0xE9) == ["whole"]
    assert heard(0x89) == ["whole"]
    for system in (0xF0, 0xF8, 0xFA, 0xFE):
        assert heard(system) == ["low", "high", "whole"]
    again = compiled(Rig("stage", (KEYS, low, high, whole)), (), (), book)
    assert again.feeds == book.feeds
    fewer = compiled(Rig("stage", (KEYS, low, high)), (), (), book)
    assert [input.name for input in fewer.feeds[1].heard_by(0x8F)] == ["low"]  # a release, for the loop guard
    assert fewer.feeds[1].heard_by(0x9F) == ()
    assert fewer.feeds[0] is keys
    assert fewer.feeds[1] is not board


def keyboard(name: str, **more: object) -> Device:
    return Device(name, "", name, name, wire=WireKind.USB, local_control=False, **more)  # type: ignore[arg-type]


LEFT, RIGHT = keyboard("left", channels=(0,)), keyboard("right", channels=(0,))
BOTH = replace(
    BARE,
    routes=tuple(
        Route(f"{source} to {target}", source, target, PLAYED)
        for source in ("left", "right")
        for target in ("left", "right")
    ),
)


def test_two_keyboards_whose_keys_are_apart_from_their_sounds_lose_nothing() -> None:
    """Each plays both, the same notes in turn, ten milliseconds apart, for ten seconds: nothing is a loop."""
    one = stage(LEFT, RIGHT, song=BOTH)
    one.log.clear()
    for number in range(1000):
        key = 60 + number // 4 % 3
        text = f"90 {key:02x} 40" if number // 2 % 2 == 0 else f"80 {key:02x} 40"
        one.play(("left", "right")[number % 2], text)
        one.run(one.now_ns + 10 * MS)
    for name in ("left", "right"):
        notes = [text for text in one.sent(name) if text[3:5] in ("3c", "3d", "3e")]
        assert sum(text[0] == "9" for text in notes) == 500
        assert not one.sounding()
    assert [event for event in one.events if event["kind"] == "loop"] == []
    assert [input.withheld for input in one.show.compiled.inputs] == [0, 0, 0]


def test_a_keyboard_that_echoes_in_spite_of_local_control_is_cut_as_the_loop_that_it_is() -> None:
    """Its sounds and keys are two devices on one port, with channels: the proof counts for both."""
    keys = Device("keys", input_pattern="Stage", channels=(0,))
    pads = Device("pads", input_pattern="Stage", channels=(9,))
    sound = Device("sound", output_pattern="Stage")
    song = replace(BARE, routes=(Route("back", "pads", "sound", PLAYED),))
    one = Stage(compiled(Rig("stage", (keys, pads, sound)), (song,), ("one",)))
    (feed,) = one.show.compiled.feeds
    waiting: list[tuple[int, bytes]] = []
    seen = 0
    one.play("pads", "99 24 40")
    for step in range(2000):
        waiting += [(at_ns + 5 * MS, data) for at_ns, _, data in one.log[seen:] if data[0] < 0xF0]
        seen = len(one.log)
        while waiting and waiting[0][0] <= one.now_ns:
            data = waiting.pop(0)[1]
            for input in feed.heard_by(data[0]):
                one.show.receive(input, data, one.now_ns)
            one.collect()
        one.run((step + 1) * MS)
    assert [event["device"] for event in one.events if event["kind"] == "loop"] == ["pads"]
    assert one.show.snapshot().loops == ("pads",)
