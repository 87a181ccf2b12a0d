"""Songs and sections: which one is on, in tonight's set list, and what entering another leads to.

Owns the place in the set list, the set list itself and the checklists' steps that are done.

Entering a song happens in one order, and each step counts on those before it:

1. transport stops, unless the song wants its change under a running clock; what is armed is forgotten; 2.
devices get the clocks, and controls the meanings, that the song wants; its tempo map begins; 3. the
routes of its section come into force: what they no longer reach is released or put to rest; 4. clock
source and tempo; 5. patches, the song's before the section's, and behind them positions of controls and
held notes; 6. click, time code, what starts by itself.

Invariants: the song that is on is one of the compiled rig in force; it has a place, in the order or between
two songs of it; a section's number is 0 only in a song without sections.
"""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

from routerd.core.clock.clock import TransportCommand
from routerd.core.errors import CommandError, NotFoundError
from routerd.core.model import events
from routerd.core.model.actions import Action, SongWord, StepDone
from routerd.core.model.set_list import SetList
from routerd.core.model.snapshot import ResumePoint
from routerd.core.model.song import StartPolicy
from routerd.core.model.timing import ChangePolicy, State
from routerd.core.routing.mutes import muting
from routerd.core.show.compiler import EMPTY_RIG
from routerd.core.show.place import DoneSteps, Place, Standing
from routerd.core.show.tick_sender import NO_SONG
from routerd.core.show.transport import DEFAULT_BPM
from routerd.core.units import BPM_MAX, BPM_MIN

if TYPE_CHECKING:
    from routerd.core.output.wire import Wire
    from routerd.core.show.armed import ArmedChange
    from routerd.core.show.compiler import CompiledRig, CompiledSong, PatchSends
    from routerd.core.show.effects import Effects
    from routerd.core.show.routes_in_force import RoutesInForce
    from routerd.core.show.tempo import Tempo
    from routerd.core.show.tick_sender import TickSender
    from routerd.core.show.transport import Transport


class Songs:
    """Goes to songs and sections; `on` is where it stands."""

    __slots__ = (
        "_armed",
        "_effects",
        "_routes",
        "_tempo",
        "_ticks",
        "_transport",
        "done",
        "on",
        "order_revision",
        "set_list",
    )

    def __init__(
        self,
        *,
        effects: Effects,
        armed: ArmedChange,
        transport: Transport,
        tempo: Tempo,
        ticks: TickSender,
        routes: RoutesInForce,
    ) -> None:
        self._effects = effects
        self._armed = armed
        self._transport = transport
        self._tempo = tempo
        self._ticks = ticks
        self._routes = routes
        self.on = Standing(EMPTY_RIG)
        self.set_list = SetList("", ())
        """As it was given; its order in force is that of `on.place`."""
        self.order_revision = 0
        self.done = DoneSteps()
        """Steps of checklists that are done."""

    # Another song or section of the compiled rig

    def step(self, action: Action) -> None:
        """Go to the next or previous song; raises CommandError."""
        self.go_to(self.on.place.at(self.on.neighbour(action)))

    def step_section(self, action: Action) -> None:
        """Go to the next or previous section, or song where sections end so; raises CommandError."""
        number = self.on.neighbour_section(action)
        if number is not None:
            self.go_to_section(number)
        else:
            self.step(Action.NEXT if action is Action.NEXT_SECTION else Action.PREVIOUS)

    def go_to(self, place: Place, argument: SongWord = "") -> None:
        """Go to a place, or to the song that `argument` names where the place has none; raises
        CommandError."""
        identifier = place.order[place.index] if place.index is not None else str(argument)
        if identifier not in self.on.compiled.songs:
            raise CommandError(f"song {identifier!r} is not loaded yet; in a second it is")
        self.on.place = place
        self._enter(self.on.compiled.songs[identifier])

    def go_to_section(self, number: int) -> None:
        """Enter a section.

        A tempo set by hand stays, unless the two sections ask for different ones: who enters the other
        asks for the song's tempo.
        """
        on = self.on
        left = on.section
        on.section_number = number
        self._routes.enter(on.section)
        song_bpm = on.song.song.bpm if on.song is not None else DEFAULT_BPM
        if (left.bpm or song_bpm) != (on.section.bpm or song_bpm):
            self._tempo.set(on.section.bpm or song_bpm)
        self._send(on.section.patches)
        self._routes.bring_along()
        self._effects.event(events.Section, section=on.section.name, number=number)
        self._effects.revision += 1

    def _enter(self, song: CompiledSong, *, may_start: bool = True, section: int = 1) -> None:
        """Enter a song, in the order that the module's head gives."""
        on, transport = self.on, self._transport
        if song.song.timing.change is ChangePolicy.STOP or not may_start:
            transport.stop()
        self._armed.disarm("song")
        on.song = song
        on.section_number = min(section, len(song.sections))
        self._ticks.use_timings(song)
        self._ticks.song_number = song.number
        self._routes.use_controls(song.controls)
        transport.begin_song(song.map)
        self._routes.enter(on.section)
        self._tempo.follow(song.song.timing.clock_source or None)
        first = song.map.steps[0]
        runs = transport.clock.state is not State.STOPPED  # a start would take the map's own rate anyway
        if on.section.bpm is not None:
            self._tempo.set(on.section.bpm)
        else:
            self._tempo.set(first.bpm, rate_bpm=first.rate_bpm if runs else None)
        self.send_patches()
        self._routes.bring_along()
        self._effects.event(
            events.Song,
            song=song.song.identifier,
            title=song.song.title,
            index=on.place.index,
            meter=f"{first.beats}/{first.unit}",
            begins_ns=transport.clock.next_due_ns,
        )
        if on.section_number:
            self._effects.event(events.Section, section=on.section.name, number=on.section_number)
        self._effects.revision += 1
        transport.use_click_and_code(song, on.place.index)
        if may_start:
            transport.devices.song_entered(self._effects.now_ns, transport.clock)
        if may_start and song.song.start is StartPolicy.ENTRY:
            transport.start_from_top()

    def send_patches(self, only: Wire | None = None) -> None:
        """Put all devices, or those on one wire, on the sounds of the song that is on."""
        if self.on.song is not None:
            self._send(self.on.song.patches, only)
            self._send(self.on.section.patches, only)

    def _send(self, patches: PatchSends, only: Wire | None = None) -> None:
        for patch in patches:
            if only is None or patch.output.wire is only:
                patch.send(self._effects.now_ns, self._effects.sink)

    # Another compiled rig or order

    def use(self, compiled: CompiledRig, begin: ResumePoint) -> None:
        """Take another compiled rig, once all other parts have it. The song that is on
        stays on where it has that.

        `begin` says where to begin when none is; what does not fit is passed over. Transport goes on as it
        was, or stays stopped.
        """
        before = self.on
        self.on = Standing(compiled, before.place.reordered(compiled.set_list.order, before.identifier))
        self.set_list = compiled.set_list
        self.order_revision += 1
        if before.identifier in compiled.songs:
            self._renew(before, compiled.songs[str(before.identifier)])
        else:
            self._begin(begin)

    def _renew(self, before: Standing, song: CompiledSong) -> None:
        """Put the new version of the song that is on into force, without leaving it."""
        on = self.on
        old, old_section = before.song, before.section
        on.song = song
        self._ticks.use_timings(song)
        self._ticks.song_number = song.number
        self._routes.use_controls(song.controls)
        same_name = [n for n, section in enumerate(song.sections, 1) if section.name == old_section.name]
        on.section_number = same_name[0] if same_name else min(1, len(song.sections))
        self._routes.install(on.section)
        self._transport.use_click_and_code(song, on.place.index)
        self._transport.use_map(song.map)
        if old is None:
            return
        if song.song.timing.clock_source != old.song.timing.clock_source:
            self._tempo.follow(song.song.timing.clock_source or None)
        bpm = on.section.bpm or song.song.bpm
        if bpm != (old_section.bpm or old.song.bpm):
            self._tempo.set(bpm)
        if (song.patches, on.section.patches) != (old.patches, old_section.patches):
            self.send_patches()

    def _begin(self, begin: ResumePoint) -> None:
        """Enter the song of `begin`, else the next of the order, else none; without starting it.

        With `play` transport goes on by Continue: followers that were not sent Stop stand where they
        stood (M1 p. 31).
        """
        on = self.on
        compiled, order = on.compiled, on.place.order
        self.restore_done(begin)
        for action, subject in self._routes.mutes.restore(begin.muted, begin.soloed, compiled.subjects):
            self._effects.event(muting(action, subject))
        identifier, section, bpm = begin.song, begin.section, begin.bpm
        if identifier is not None and identifier in compiled.songs:
            on.place = on.place.kept(identifier, begin.index, begin.gap)
        elif order:  # the first song, or where a song that is no longer in the compiled rig was
            next_index = on.place.next_index
            on.place = on.place.at(len(order) - 1 if next_index is None else next_index)
            identifier, section, bpm = order[on.place.index or 0], 0, None
        else:
            self._ticks.song_number = NO_SONG
            self._routes.use_controls(compiled.controls)
            self._routes.leave()
            return
        self._enter(compiled.songs[identifier], may_start=False, section=max(1, section))
        if bpm is not None and BPM_MIN <= bpm <= BPM_MAX:  # else kept by hand or by another version
            with contextlib.suppress(CommandError):
                self._tempo.set(bpm, begin.tempo_by)
        if begin.play and identifier == begin.song:
            self._transport.request(TransportCommand.CONTINUE)

    def use_order(self, set_list: SetList) -> None:
        """Take a set list with another order; the song that is on stays on. Raises NotFoundError."""
        unknown = [identifier for identifier in set_list.order if identifier not in self.on.compiled.songs]
        if unknown:
            raise NotFoundError(f"no song {unknown[0]!r}")
        self.set_list = set_list
        self.order_revision += 1
        self.on.place = self.on.place.reordered(set_list.order, self.on.identifier)
        self._effects.revision += 1

    # Steps of checklists

    def mark_done(self, step: StepDone) -> None:
        """Note a step of a song's checklist as done, or not; see `DoneSteps.mark`."""
        identifier = self.on.identifier if step.song is None else str(step.song)
        if identifier is None:
            raise CommandError("no song is on")
        if identifier not in self.on.compiled.songs:
            raise NotFoundError(f"no song {identifier!r}")
        items = self.on.compiled.songs[identifier].song.checklist
        number = self.done.mark(identifier, items, step.number, done=step.done)
        self._effects.revision += 1
        text = items[number - 1].text
        self._effects.event(events.Checklist, identifier, number, text, done=step.done)

    def restore_done(self, begin: ResumePoint) -> None:
        """Take the steps that were done before a restart."""
        checklists = {name: song.song.checklist for name, song in self.on.compiled.songs.items()}
        self.done.restore(begin.done, checklists)

    @property
    def open_steps(self) -> int:
        """How many steps of the song that is on are still to be done."""
        song = self.on.song
        return 0 if song is None else len(self.done.open(song.song.identifier, song.song.checklist))
