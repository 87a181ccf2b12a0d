"""Start, stop, tempo and armed changes in any order, judged by an observer who only hears the ports.

The observer counts as a receiver does (M1 pp. 27-32): Start plays from the tick that follows, Stop holds the
place, a Song Position Pointer counts sixteenths. It is told what people do and when a song begins; what
transport, sequences and tempo must then be it works out by itself.
"""

from __future__ import annotations

import bisect
import itertools
from fractions import Fraction

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from routerd.core.errors import CommandError
from routerd.core.model.actions import Action
from routerd.core.model.rig import Device, Rig, WireKind
from routerd.core.model.song import Section, Song, StartPolicy
from routerd.core.model.timing import ChangePolicy, Pulse, SongTiming, StartMode, TempoPoint, Timing
from tests.stage import CONTINUE, MS, START, STOP, TICK, Stage, compiled

F = Fraction
VIRTUAL = WireKind.VIRTUAL
ALWAYS = Pulse(F(4), note=36, always=True)


def device(name: str, timing: Timing | None = None, *, transport: bool = True) -> Device:
    return Device(
        name, output_pattern=name, wire=VIRTUAL, clock=True, transport=transport, timing=timing or Timing()
    )


GRID = device("grid")
BAR = device("bar", Timing(start=StartMode.BAR))
LATE_BAR = device("late bar", Timing(start=StartMode.BAR, offset_ns=7 * MS))
ENTRY = device("entry", Timing(start=StartMode.ENTRY))
FOOT = device("foot", Timing(start=StartMode.RETRIGGER, sequence_steps=7))
FAST = device("fast", Timing(rate=F(2)))
GATE = Device("gate", output_pattern="gate", wire=VIRTUAL, timing=Timing(pulse=ALWAYS))
DRUMS = Device("drums", input_pattern="drums", timing=Timing(restarts=True))
RIG = Rig("rig", (GRID, BAR, LATE_BAR, ENTRY, FOOT, FAST, GATE, DRUMS))

RAMP = (TempoPoint(F(96), F(120), F(240), F(384)),)
SONGS = (
    Song("stops", "Stops", F(125)),
    Song("rises", "Rises", F(120), timing=SongTiming(tempo=RAMP, change=ChangePolicy.BAR)),
    Song("begins", "Begins", F(100), start=StartPolicy.ENTRY),
    Song("goes on", "Goes on", F(150), timing=SongTiming(change=ChangePolicy.TICK)),
    Song(
        "parts",
        "Parts",
        F(125),
        sections=(Section("verse", ()), Section("chorus", ()), Section("bridge", (), (), F(90))),
        timing=SongTiming(change=ChangePolicy.BEAT),
    ),
    Song(
        "otherwise",
        "Otherwise",
        F(125),
        start=StartPolicy.ENTRY,
        timing=SongTiming(
            change=ChangePolicy.BAR,
            devices=(
                ("fast", Timing(rate=F(1, 2))),
                ("foot", Timing(start=StartMode.BAR, sequence_steps=16)),
                ("entry", Timing(start=StartMode.NEVER)),
            ),
        ),
    ),
)
SONGS = (
    *SONGS,
    Song("follows", "Follows", F(110), timing=SongTiming(clock_source="drums", change=ChangePolicy.BAR)),
)
ORDER = tuple(song.identifier for song in SONGS)
ALWAYS_ONE_RATE = ("grid", "bar", "late bar", "entry", "foot")
MOMENTS = ("beat", "bar", "2 bars", "bar 3", "release", "next-press")
STARTED = (Action.START, Action.CONTINUE)


class Receiver:
    """A device with a sequencer, as M1 describes one."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.running = False
        self.received: list[tuple[int, bytes]] = []
        self.ticks: list[int] = []

    def hear(self, at_ns: int, data: bytes) -> None:
        if data == TICK:
            self.ticks.append(at_ns)
        elif data in (START, CONTINUE):
            assert not self.running, f"{self.name}: Start to one that runs is ignored (M1 pp. 31-32)"
            self.running = True
            self.received.append((at_ns, data))
        elif data == STOP:
            self.running = False
            self.received.append((at_ns, data))


class TimeOfAnEvening(RuleBasedStateMachine):
    @initialize()
    def begin(self) -> None:
        self.stage = Stage(compiled(RIG, SONGS, ORDER))
        self.heard = {one.name: Receiver(one.name) for one in RIG.devices if one.output_pattern}
        self.read = 0
        self.read_events = 0
        self.position = 0
        self.positions: dict[int, int | None] = {}
        """By the instant of each tick of the grid: its place in the song, None while nothing runs."""
        self.hand: Fraction | None = None
        """The tempo that somebody has set, while it holds, and since when."""
        self.hand_ns = 0
        self.quiet_ns: int | None = None
        """Since when nobody has asked for anything that starts, after a stop."""

    def listen(self) -> None:
        """Hear what has come since, and learn which songs were entered."""
        stage = self.stage
        heard = [(at_ns, 0, name, data) for at_ns, name, data in stage.log[self.read :]]
        self.read = len(stage.log)
        for event in stage.events[self.read_events :]:
            if event["kind"] == "song":
                heard.append((int(str(event["at_ns"])), 1, "", b""))
                self.hand = None
            elif event["kind"] in ("clock-source", "following"):
                self.hand = None  # somebody else decides about tempo
            elif event["kind"] == "tempo" and event["by"] == "song":
                self.hand = None  # a section with a tempo of its own, or somebody asked for it
        self.read_events = len(stage.events)
        for at_ns, _, name, data in sorted(heard, key=lambda one: one[:2]):
            if name in self.heard:
                self.heard[name].hear(at_ns, data)
            if name in ("grid", ""):
                self.count(at_ns, data)

    def count(self, at_ns: int, data: bytes) -> None:
        """Keep the song position, as the grid's device does that is also told when a song begins."""
        running = self.heard["grid"].running
        if data == TICK:
            self.positions[at_ns] = self.position if running else None
            self.position += running
        elif data[:1] == b"\xf2":
            self.position = (data[1] | data[2] << 7) * 6
        elif data in (START, b""):
            self.position = 0

    def do(self, action: Action, argument: int | str | None = None, when: str = "now") -> bool:
        try:
            self.stage.do(action, argument, when)
        except CommandError:
            return False
        self.listen()
        if action in STARTED or action in (Action.NEXT, Action.PREVIOUS, Action.RETRIGGER, Action.GO):
            self.quiet_ns = None
        return True

    @rule(ms=st.integers(1, 4000))
    def pass_time(self, ms: int) -> None:
        self.stage.run(self.stage.now_ns + ms * MS)
        self.listen()

    @rule(action=st.sampled_from(STARTED))
    def start(self, action: Action) -> None:
        self.do(action)

    @rule(bar=st.integers(1, 9))
    def go_on_from(self, bar: int) -> None:
        self.do(Action.CONTINUE, bar)

    @rule(action=st.sampled_from((Action.STOP, Action.SILENCE)))
    def stop(self, action: Action) -> None:
        self.do(action)
        self.quiet_ns = self.stage.now_ns
        assert self.stage.show.snapshot().armed is None

    @rule()
    def panic(self) -> None:
        running = {name: one.running for name, one in self.heard.items()}
        self.do(Action.PANIC)
        assert self.stage.show.snapshot().armed is None
        assert running == {name: one.running for name, one in self.heard.items()}

    @rule(action=st.sampled_from((Action.NEXT, Action.PREVIOUS)), when=st.sampled_from(("now", *MOMENTS)))
    def change(self, action: Action, when: str) -> None:
        self.do(action, None, when)

    @rule(number=st.integers(1, 3))
    def section(self, number: int) -> None:
        self.do(Action.SECTION, number)

    @rule(action=st.sampled_from((Action.START, Action.STOP, Action.CONTINUE)), when=st.sampled_from(MOMENTS))
    def arm(self, action: Action, when: str) -> None:
        self.do(action, None, when)

    @rule()
    def go(self) -> None:
        self.do(Action.GO)

    @rule(bpm=st.sampled_from(("90", "121.5", "240")))
    def tempo(self, bpm: str) -> None:
        if self.do(Action.TEMPO, bpm):
            self.hand, self.hand_ns = F(bpm), self.stage.now_ns

    @rule()
    def song_tempo(self) -> None:
        self.do(Action.SONG_TEMPO)
        self.hand = None

    @rule(count=st.integers(1, 40), period_ms=st.sampled_from((21, 25)), jitter_us=st.integers(0, 400))
    def drums_tick(self, count: int, period_ms: int, jitter_us: int) -> None:
        for n in range(count):
            self.stage.run(self.stage.now_ns + period_ms * MS + (-1) ** n * jitter_us * 1000)
            self.stage.play("drums", "F8")
        self.listen()

    @rule(message=st.sampled_from(("FA", "FB", "FC")), ms=st.integers(0, 20))
    def drums_start_or_stop(self, message: str, ms: int) -> None:
        self.stage.run(self.stage.now_ns + ms * MS)
        self.stage.play("drums", message)
        self.listen()
        if message != "FC":
            self.quiet_ns = None

    @rule()
    def lead(self) -> None:
        self.do(Action.CLOCK_SOURCE, "")

    @rule()
    def retrigger(self) -> None:
        self.do(Action.RETRIGGER, "bar foot")

    @invariant()
    def transport_keeps_its_distance_from_ticks(self) -> None:
        """At least 1 ms before the tick that it starts (M1 p. 30), on every device, whatever its rate.

        Behind a tick, too, but for ticks of a rate of its own.
        """
        for name, one in getattr(self, "heard", {}).items():
            for at_ns, data in one.received[-4:]:
                place = bisect.bisect_right(one.ticks, at_ns)
                if data == STOP:
                    continue
                assert place == len(one.ticks) or one.ticks[place] - at_ns >= MS, name
                assert name == "fast" or not place or at_ns - one.ticks[place - 1] >= MS, name

    @invariant()
    def what_is_told_is_what_is_heard(self) -> None:
        """The status may be ahead of a device by what its offset and half a tick make."""
        if not hasattr(self, "heard"):
            return
        for _ in range(2):
            self.stage.run(self.stage.now_ns + 40 * MS)
            self.listen()
            told = self.stage.show.snapshot()
            running = {one.device: one.running for one in told.devices if one.waits_for is None}
            if told.transport != "starting":
                running["grid"] = told.transport == "running"
            wrong = [name for name in running if name != "gate" and running[name] != self.heard[name].running]
            if not wrong:
                return
        assert not wrong

    @invariant()
    def devices_of_one_rate_hear_the_same_ticks(self) -> None:
        if not hasattr(self, "heard"):
            return
        grid = self.heard["grid"].ticks
        for name in ALWAYS_ONE_RATE:
            shift_ns = 7 * MS if name == "late bar" else 0
            own = self.heard[name].ticks
            assert own == [tick_ns + shift_ns for tick_ns in grid][: len(own)]
            assert len(grid) - len(own) <= 1

    @invariant()
    def a_device_started_by_bar_starts_with_transport_on_a_bar(self) -> None:
        if not hasattr(self, "heard"):
            return
        for name in ("bar", "late bar"):
            shift_ns = 7 * MS if name == "late bar" else 0
            told = self.heard[name].received[-3:]
            for (at_ns, data), (until_ns, _) in itertools.pairwise([*told, (self.stage.now_ns, STOP)]):
                place = bisect.bisect_left(self.heard[name].ticks, at_ns)
                if data == START and [t for t in self.heard[name].ticks[place : place + 1] if t < until_ns]:
                    position = self.positions[self.heard[name].ticks[place] - shift_ns]
                    assert position is not None
                    assert position % 96 == 0

    @invariant()
    def a_tempo_by_hand_holds(self) -> None:
        if getattr(self, "hand", None) is None or self.hand is None:
            return
        ticks = [t for t in self.heard["grid"].ticks if t > self.hand_ns]
        period_ns = 2_500_000_000 / self.hand
        assert all(abs(b - a - period_ns) <= 1 for a, b in itertools.pairwise(ticks))
        assert self.stage.show.snapshot().tempo_by == "hand"

    @invariant()
    def after_a_stop_nothing_starts(self) -> None:
        if getattr(self, "quiet_ns", None) is None or self.quiet_ns is None:
            return
        for one in self.heard.values():
            assert not [
                (at_ns, data) for at_ns, data in one.received if at_ns > self.quiet_ns and data != STOP
            ]


TestTimeOfAnEvening = TimeOfAnEvening.TestCase
TestTimeOfAnEvening.settings = settings(stateful_step_count=20)
