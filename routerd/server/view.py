"""What the server knows: the engine's last words, the names that belong to its numbers, the evening's time.

Of the songs only what people want to read is kept, not their routes and patch dumps: the engine has those.
The evening's times are seconds since the epoch that pass evenly, so that neither a restart of the machine nor
setting its clock moves them. A song whose file names no duration counts as nothing and is named.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from fractions import Fraction
from time import CLOCK_BOOTTIME, clock_gettime, monotonic_ns, time

from routerd.core.model.set_list import SetList
from routerd.core.model.snapshot import BarLine, Meter, ResumePoint, Snapshot, resume_point_of
from routerd.core.model.song import Song
from routerd.core.model.timing import Segment, State, TempoBy
from routerd.core.units import shown_bpm
from routerd.link.messages import EngineFacts, Hello, PortState, PortStates
from routerd.link.messages import Realtime as Granted
from routerd.server.http.shapes import ChecklistStep, Durations, SectionFacts, SongFacts
from routerd.server.report.figures import Conditions

_EPOCH_S = time() - clock_gettime(CLOCK_BOOTTIME)


def boottime_s() -> float:
    """Return what the wall clock would show if nobody had set it since this process was started."""
    return _EPOCH_S + clock_gettime(CLOCK_BOOTTIME)


@dataclass(slots=True)
class Pace:
    """When the set began and when the song that is on was entered; None while it has not begun."""

    began_s: float | None = None
    song: str | None = None
    song_s: float = 0.0

    def update(self, song: str | None, transport: str, now_s: float) -> None:
        """Note what a snapshot says: the set begins with the first start of transport."""
        if song != self.song:
            self.song, self.song_s = song, now_s
        if self.began_s is None and transport == "running":
            self.began_s = now_s


NO_FACTS = EngineFacts()

NO_HELLO = Hello(0, "", 0, Granted(), 0, 0)
"""Until the engine has sent one."""

NO_SNAPSHOT = Snapshot(
    revision=0,
    generation=0,
    set_list=SetList("", ()),
    order_revision=0,
    index=None,
    gap=0,
    next_index=None,
    song=None,
    section=0,
    transport=State.STOPPED,
    bpm=Fraction(120),
    meter=Meter(4, 4),
    meter_from=BarLine(0, 0),
    tempo_by=TempoBy.SONG,
    tempo_moves=False,
    grid=Segment(0, 0, Fraction(120)),
    position_tick=0,
    origin_tick=0,
    bar_origin_tick=0,
)
"""Until the engine has sent one."""


class Trouble(StrEnum):
    """What of the server's own work may go wrong; words for programs."""

    FILES = "files"
    NAMES = "names"
    STATE = "state"
    RIG = "rig"
    SHOW_LOG = "show-log"
    RECORD = "record"
    REMEMBERED = "remembered"
    TOKENS = "tokens"
    CERTIFICATE = "certificate"
    SOUNDCHECK = "soundcheck"
    API = "api"


class Troubles:
    """What is wrong with what the server does itself, and the only place where that is kept.

    Whoever notices reports it here, with all that is wrong with one thing at once, and reports nothing when
    it is well again. `on_change` is called when that makes a difference.
    """

    def __init__(self) -> None:
        self._texts: dict[Trouble, tuple[str, ...]] = {}
        self.on_change: Callable[[], None] = lambda: None

    def of(self, about: Trouble) -> tuple[str, ...]:
        """Return what is wrong with one thing, in plain lines."""
        return self._texts.get(about, ())

    def report(self, about: Trouble, *texts: str) -> None:
        """Note what is wrong with one thing from now on; without texts it is well."""
        if texts != self.of(about):
            self._texts[about] = texts
            self.on_change()


@dataclass(slots=True)
class View:
    """The state of the server; every request is answered from here."""

    hello: Hello = NO_HELLO
    snapshot: Snapshot = NO_SNAPSHOT
    ports: tuple[PortState, ...] = ()
    shut: dict[tuple[str, str], PortState] = field(default_factory=dict)
    """Of ports that are being opened again, by device and direction: how they were before."""
    counters: dict[str, int] = field(default_factory=dict)
    songs: dict[str, SongFacts] = field(default_factory=dict)
    set_lists: tuple[SetList, ...] = ()
    pace: Pace = field(default_factory=Pace)
    problems: Troubles = field(default_factory=Troubles)
    facts: EngineFacts = NO_FACTS
    silent_checks: int = 0
    """How often health was looked at since the engine last reported."""
    started_ns: int = field(default_factory=monotonic_ns)

    def take_ports(self, states: PortStates) -> list[PortState]:
        """Take the states of all ports; return those that are in another one, or in the same for another
        reason.

        One that is tried again is not well before it is open: until then it keeps its last state in `shut`.
        """
        before = {(port.device, port.direction): port for port in self.ports}
        shut: dict[tuple[str, str], PortState] = {}
        news = []
        for port in states.ports:
            key = (port.device, port.direction)
            was = self.shut.get(key) or before.get(key)
            if port.state == "opening":
                if was is not None and was.state not in ("open", "opening"):
                    shut[key] = was
            elif (was.state, was.error) != (port.state, port.error) if was else port.state != "open":
                news.append(port)
        self.ports, self.shut = states.ports, shut
        return news

    @property
    def greeted(self) -> bool:
        """Whether the engine has said who it is."""
        return self.hello is not NO_HELLO

    @property
    def conditions(self) -> Conditions:
        """What is measured under: what the engine was granted, and the kind of its ports."""
        return Conditions(self.hello.realtime, self.hello.ports)

    @property
    def ready(self) -> bool:
        """Whether the engine has a rig."""
        return self.snapshot.generation > 0

    @property
    def set_list(self) -> SetList:
        """Tonight's set list as it is now."""
        return self.snapshot.set_list

    @property
    def song(self) -> SongFacts | None:
        """The song that is on; only what the engine says of it when the server does not know it."""
        snapshot = self.snapshot
        identifier = snapshot.song
        if identifier is None or identifier in self.songs:
            return self.songs.get(identifier or "")
        bpm, meter = shown_bpm(snapshot.bpm), str(snapshot.meter)
        return SongFacts(identifier, identifier, bpm, meter, "", 0, (), (), "")

    def with_done(self, facts: SongFacts) -> SongFacts:
        """Return the facts of a song with what of its checklist is done."""
        done = self.snapshot.done.get(facts.song, ())
        return replace(
            facts, checklist=tuple(replace(item, done=item.number in done) for item in facts.checklist)
        )

    def title(self, identifier: str) -> str:
        """Return the title of a song, or its identifier when the server does not know it."""
        facts = self.songs.get(identifier)
        return identifier if facts is None else facts.title

    def find_song(self, words: str) -> str | None:
        """Return the identifier of the song of that identifier or title, upper and lower case alike."""
        if words in self.songs:
            return words
        folded = words.strip().casefold()
        for facts in self.songs.values():
            if facts.title.casefold() == folded:
                return facts.song
        return None

    def words_for_songs(self) -> list[str]:
        """Return every word that `find_song` knows."""
        return [facts.title for facts in self.songs.values()] + list(self.songs)

    def find_set_list(self, words: str) -> SetList | None:
        """Return the set of the rig folder of that name, upper and lower case alike."""
        folded = words.strip().casefold()
        return next((one for one in self.set_lists if one.name.casefold() == folded), None)


def facts_of(song: Song) -> SongFacts:
    """Return what people want to read of a song."""
    return SongFacts(
        song=song.identifier,
        title=song.title,
        bpm=shown_bpm(song.bpm),
        meter=f"{song.beats}/{song.beat_unit}",
        key=song.key,
        duration_s=song.duration_s,
        sections=tuple(
            SectionFacts(number, section.name, None if section.bpm is None else shown_bpm(section.bpm))
            for number, section in enumerate(song.sections, 1)
        ),
        checklist=tuple(
            ChecklistStep(number, item.text, item.who, item.section, False)
            for number, item in enumerate(song.checklist, 1)
        ),
        notes=song.notes,
        concert_pitch_hz=song.concert_pitch_hz,
        tuning_note=song.tuning_note,
    )


def facts_by_identifier(songs: Iterable[Song]) -> dict[str, SongFacts]:
    """Return the facts of many songs."""
    return {song.identifier: facts_of(song) for song in songs}


def resume_point(view: View) -> ResumePoint | None:
    """Return where a later start should begin.

    `bpm` is None while the tempo is the song's own, so that a file that is put right later counts, and while
    a source moves it.
    """
    if view.song is None:
        return None
    snapshot = view.snapshot
    own = snapshot.tempo_by is TempoBy.SONG or snapshot.tempo_moves
    return replace(resume_point_of(snapshot), bpm=None if own else snapshot.bpm)


def durations_of(
    set_list: SetList, songs: Mapping[str, SongFacts], position: int | None, pace: Pace, now_s: float
) -> Durations:
    """Return the durations of a set; `position` counts from 1, None while a song outside it is on."""
    lengths = [songs[name].duration_s if name in songs else 0 for name in set_list.order]
    total = sum(lengths) + set_list.changeover_s * max(0, len(lengths) - 1)
    encore = sum(lengths[len(lengths) - set_list.encore :]) if set_list.encore else 0
    missing = tuple(dict.fromkeys(n for n, s in zip(set_list.order, lengths, strict=True) if not s))
    elapsed = remaining = over = None
    if pace.began_s is not None and position is not None:
        elapsed = max(0, round(now_s - pace.began_s))
        played = max(0.0, now_s - max(pace.song_s, pace.began_s))
        following = lengths[position:]
        remaining = round(
            max(0.0, lengths[position - 1] - played) + sum(following) + set_list.changeover_s * len(following)
        )
        over = None if not set_list.slot_s else elapsed + remaining - set_list.slot_s
    return Durations(
        set_s=total,
        encore_s=encore,
        slot_s=set_list.slot_s or None,
        planned_over_s=total - set_list.slot_s if set_list.slot_s else None,
        elapsed_s=elapsed,
        remaining_s=remaining,
        over_s=over,
        without_duration=missing,
    )
