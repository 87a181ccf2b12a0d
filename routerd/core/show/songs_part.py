"""Songs, sections, books and ports of the show: what is on, and what reaches whom.

A few lines more than most modules: songs and sections are entered in one way.
"""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING, Any

from routerd.core.clock.tap import bpm_of
from routerd.core.clock.transport import Command as TransportCommand
from routerd.core.clock.transport import State, TempoBy
from routerd.core.errors import CommandError, NotFoundError
from routerd.core.midi.messages import CONTINUE_BYTES, START_BYTES, STOP_BYTES, is_release
from routerd.core.model.arming import Action
from routerd.core.model.set_list import SetList
from routerd.core.model.song import StartPolicy
from routerd.core.model.timing import ChangePolicy
from routerd.core.output.wire import DOUBTFUL_NS, Wire
from routerd.core.routing.input import Input
from routerd.core.routing.mutes import DEVICE
from routerd.core.routing.tables import EMPTY
from routerd.core.show.compiler import CompiledBook, CompiledSection, CompiledSong
from routerd.core.show.contacts import described
from routerd.core.show.place import Place, Standing
from routerd.core.show.resting_part import ShowResting
from routerd.core.show.tick_sender import NO_SONG
from routerd.core.show.transport import DEFAULT_BPM

if TYPE_CHECKING:
    from collections.abc import Iterable


class ShowSongs(ShowResting):
    """The layer above rest."""

    __slots__ = ()

    def _step_song(self, action: Action, now_ns: int) -> None:
        self._go_to(self._on.place.at(self._on.neighbour(action)), now_ns)

    def _song(self, argument: int | str | None, now_ns: int) -> None:
        self._go_to(self._on.find_song(argument), now_ns, argument)

    def _section(self, argument: int | str | None, now_ns: int) -> None:
        self._go_to_section(self._on.find_section(argument), now_ns)

    def _step_section(self, action: Action, now_ns: int) -> None:
        number = self._on.neighbour_section(action)
        if number is not None:
            self._go_to_section(number, now_ns)
        else:
            self._step_song(Action.NEXT if action is Action.NEXT_SECTION else Action.PREVIOUS, now_ns)

    def _mute(self, action: Action, argument: int | str | None, now_ns: int) -> None:
        """Mute, solo or neither. What sounds on a device that is not heard any more ends now."""
        self._check_subject(argument)
        self.mutes.change(action, str(argument))
        if self._on.song is not None:
            self._install(self._on.section)
        for output in self.book.outputs:
            if not self.mutes.hears(DEVICE + output.name):
                output.end_latched((), now_ns, self.effects.sink)
                for input in self.book.inputs:
                    for data in input.forget(output):
                        output.offer(data, now_ns, self.effects.sink)
        self._rest()
        self._bring_along()
        self.effects.revision += 1
        self.effects.event(action.value, subject=argument)

    def _check_subject(self, argument: int | str | None) -> None:
        if argument not in self.book.subjects:
            raise NotFoundError(f"there is no {argument}")

    def _go_to(self, place: Place, now_ns: int, argument: int | str | None = None) -> None:
        identifier = place.order[place.index] if place.index is not None else str(argument)
        if identifier not in self.book.songs:
            raise CommandError(f"song {identifier!r} is not loaded yet; in a second it is")
        self._on.place = place
        self._enter_song(self.book.songs[identifier], now_ns)

    def _enter_song(
        self, song: CompiledSong, now_ns: int, *, may_start: bool = True, section: int = 1
    ) -> None:
        on = self._on
        if song.song.timing.change is ChangePolicy.STOP or not may_start:
            self.transport.stop()
        self.armed.disarm("song")
        on.song = song
        self.ticks.use_timings(song)
        self._use_controls(song)
        on.section_number = min(section, len(song.sections))
        self.ticks.song_number = song.number
        self.transport.begin_song(song.map)
        self._enter_section(on.section, now_ns)
        self.tempo.follow(song.song.timing.follow)
        first = song.map.steps[0]
        runs = self.transport.clock.state is not State.STOPPED  # a start would take the map's own rate anyway
        if on.section.bpm is not None:
            self.tempo.set(on.section.bpm)
        else:
            self.tempo.set(first.bpm, rate_bpm=first.rate_bpm if runs else None)
        self._send(song.patches, now_ns)
        self._send(on.section.patches, now_ns)
        self._bring_along()
        self.effects.event("song", song=song.song.identifier, title=song.song.title, index=on.place.index)
        if on.section_number:
            self.effects.event("section", section=on.section.name, number=on.section_number)
        self.effects.revision += 1
        self.transport.use_click_and_code(song, self._on.place.index)
        if may_start:
            self.transport.devices.song_entered(now_ns, self.transport.clock)
        if may_start and song.song.start is StartPolicy.ENTRY:
            self.transport.start_from_top()

    def _go_to_section(self, number: int, now_ns: int) -> None:
        """Enter a section.

        A tempo set by hand stays, unless the two sections ask for different ones: who enters the other
        asks for the song's tempo.
        """
        on = self._on
        left = on.section
        on.section_number = number
        self._enter_section(on.section, now_ns)
        song_bpm = on.song.song.bpm if on.song is not None else DEFAULT_BPM
        if (left.bpm or song_bpm) != (on.section.bpm or song_bpm):
            self.tempo.set(on.section.bpm or song_bpm)
        self._send(on.section.patches, now_ns)
        self._bring_along()
        self.effects.event("section", section=on.section.name, number=number)
        self.effects.revision += 1

    def _use_controls(self, song: CompiledSong | None) -> None:
        every = self.book.controls if song is None else song.controls
        for input, controls in zip(self.book.inputs, every, strict=True):
            input.use_controls(controls, self.effects.now_ns, self.effects.sink)

    def _enter_section(self, section: CompiledSection, now_ns: int) -> None:
        if section.cuts:
            for input in self.book.inputs:
                input.let_go(now_ns, self.effects.sink)
        self._install(section)

    def _install(self, section: CompiledSection) -> None:
        tables = self.mutes.tables(section.routes)
        for input, table in zip(self.book.inputs, tables, strict=True):
            input.table = table
        self._loops_rerouted()
        for output in self.book.outputs:
            if output.latched:
                output.end_latched(section.routes.converters, self.effects.now_ns, self.effects.sink)
        self._abandon()
        self._plan_chase(section.routes.chases)
        self._holding.keep(self._wanted_holds(), self.effects.now_ns, self.effects.sink)

    def output_opened(self, wire: Wire, takes_pieces: bool, now_ns: int) -> None:
        """A port is there (again): end what its devices missed, then put them on their sounds."""
        now_ns = self.effects.enter(now_ns)
        wire.connected, wire.takes_pieces = True, takes_pieces
        wire.busy_until_ns = now_ns
        self.transport.set_gates()
        owed, wire.owed = wire.owed, []
        for data in owed:
            wire.offer(data, now_ns, self.effects.sink)
        for output in wire.outputs:
            for data in output.local_control():
                wire.offer(data, now_ns, self.effects.sink)
        if self._on.song is not None:
            self._send(self._on.song.patches, now_ns, wire)
            self._send(self._on.section.patches, now_ns, wire)
            self._bring_along(wire)
        self.book.board.forget(wire)
        self._loops_rerouted()
        self._lit_revision = -1
        self._light()
        for output in wire.outputs:
            self.effects.event("port-opened", device=output.name, direction="output", output=wire.number)

    def output_lost(
        self,
        wire: Wire,
        now_ns: int,
        unsent: Iterable[bytes] = (),
        *,
        why: str = "",
        since_ns: int | None = None,
    ) -> None:
        """A port has gone: what its devices were holding is ended when it comes back.

        `unsent` are messages of `sink` that its port did not take any more; `why` is a line for people; since
        `since_ns`, or now, nothing may have got through.
        """
        now_ns = self.effects.enter(now_ns)
        wire.ran = wire.ran or self._may_run(wire)
        missed = [data for data in unsent if is_release(data)]
        missed += self._forget(wire, self._every_input)
        self._holding.forget(wire)
        wire.lose(now_ns, missed)
        self.loops.drop((wire,))
        self._tell_loops()
        for output in wire.outputs:
            facts = {"output": wire.number, "why": why, "since_ns": since_ns or now_ns}
            self.effects.event("port-closed", device=output.name, direction="output", **facts)

    def _may_run(self, wire: Wire) -> bool:
        """Return whether what is on a wire may run: transport that was sent last may not have arrived."""
        one = self.transport.devices.by_output.get(wire.timed)
        since_ns = self.effects.now_ns - DOUBTFUL_NS
        transport = (START_BYTES, CONTINUE_BYTES, STOP_BYTES)
        doubtful = any(data in wire.sent and wire.sent[data] > since_ns for data in transport)
        return doubtful or (one is not None and one.running)

    def _forget(self, wire: Wire, inputs: Iterable[Input]) -> list[bytes]:
        """Take what is held on a wire out of what these inputs hold, and return the releases."""
        return [data for input in inputs for output in wire.outputs for data in input.forget(output)]

    def input_opened(self, input: Input, now_ns: int) -> None:
        """A device can be heard (again)."""
        now_ns = self.effects.enter(now_ns)
        self._loops_rerouted()
        self.effects.event("port-opened", device=input.name, direction="input")

    def input_lost(self, input: Input, now_ns: int, *, why: str = "") -> None:
        """A device cannot be heard any more, so its releases will not come: what it holds ends now."""
        now_ns = self.effects.enter(now_ns)
        input.let_go(now_ns, self.effects.sink)
        input.forget_switches()
        input.positions.clear()
        self._abandon(input)
        self.loops.drop((input,))
        self._tell_loops()
        self._presses.forget(input.name)
        self._report_switches()
        self.effects.event("port-closed", device=input.name, direction="input", why=why)

    def _report_switches(self) -> None:
        """Report the switches that have begun to chatter, or are heard again."""
        for (device, what), chatters in self._presses.news:
            self.effects.event(
                "chattering" if chatters else "quiet-again", device=device, switch=described(what)
            )
            self.effects.revision += 1
        self._presses.news.clear()

    def load(
        self, book: CompiledBook, generation: int, now_ns: int, begin: dict[str, Any] | None = None
    ) -> None:
        """Swap in a compiled book. The song that is on stays on where the new book has it.

        `begin` (a place, see routerd.link.messages) says where to begin when no song is on yet; what makes
        no sense in it is passed over. Transport goes on as it was, or stays stopped.
        """
        now_ns = self.effects.enter(now_ns)
        before = self._on
        self._part_with_removed(before.book, book, now_ns)
        for input in book.inputs:
            input.use_chase(input.name in book.chased)
        place = before.place.reordered(book.set_list.order, before.identifier)
        self._on = Standing(book, place)
        self._set_list = book.set_list
        self._order_revision += 1
        self.mutes.keep(book.subjects)
        self.generation = generation
        self.loops.use(book.inputs, book.wires)
        for feed in book.feeds:
            for input in feed.inputs:
                input.note_sysex, input.shares = self.loops.note_sysex, feed.inputs
        self._install_clocks(book, book.songs.get(str(before.identifier)))
        for input, pedals in zip(book.inputs, book.pedals, strict=True):
            input.use_pedals(pedals)
        if before.identifier in book.songs:
            self._renew(before, book.songs[str(before.identifier)], now_ns)
        else:
            self._begin(begin or {}, now_ns)
        self._bring_along()
        self.effects.revision += 1
        self._light()

    def _install_clocks(self, book: CompiledBook, song: CompiledSong | None) -> None:
        """Give every device its clock, in the song that stays on if one does."""
        self.transport.use(book, song)
        self.ticks.use(book)
        self.ticks.use_timings(song)
        self.tempo.use(book)
        self._sensed = tuple(wire for wire in book.wires if wire.senses)
        self.transport.set_gates()

    def _part_with_removed(self, before: CompiledBook, book: CompiledBook, now_ns: int) -> None:
        """Release what leaves. What an absent port is owed passes to the one that takes over its device."""
        successors = {output.name: output.wire for output in book.outputs if output not in before.outputs}
        for wire in before.wires:
            if wire not in book.wires:
                self._holding.forget(wire)
                wire.retire(self._forget(wire, (*before.inputs, self._tuner)), now_ns, self.effects.sink)
                heirs = (successors[output.name] for output in wire.outputs if output.name in successors)
                if (heir := next(heirs, None)) is not None:
                    heir.owed += wire.owed
        for input in before.inputs:
            if input not in book.inputs:
                input.let_go(now_ns, self.effects.sink)

    def _renew(self, before: Standing, song: CompiledSong, now_ns: int) -> None:
        """Put the new version of the song that is on into force, without leaving it."""
        on = self._on
        old, old_section = before.song, before.section
        on.song = song
        self.ticks.use_timings(song)
        self._use_controls(song)
        self.ticks.song_number = song.number
        same_name = [n for n, section in enumerate(song.sections, 1) if section.name == old_section.name]
        on.section_number = same_name[0] if same_name else min(1, len(song.sections))
        self._install(on.section)
        self.transport.use_click_and_code(song, self._on.place.index)
        self.transport.use_map(song.map)
        if old is None:
            return
        if song.song.timing.follow != old.song.timing.follow:
            self.tempo.follow(song.song.timing.follow)
        bpm = on.section.bpm or song.song.bpm
        if bpm != (old_section.bpm or old.song.bpm):
            self.tempo.set(bpm)
        if (song.patches, on.section.patches) != (old.patches, old_section.patches):
            self._send(song.patches, now_ns)
            self._send(on.section.patches, now_ns)

    def _begin(self, begin: dict[str, Any], now_ns: int) -> None:
        """Enter the song of `begin`, else the next of the order, else none; without starting it.

        With "play" transport goes on by Continue: followers that were not told to stop stand where they
        stood (M1 p. 31).
        """
        self._ticks.restore(begin.get("checked"), {n: s.song.checklist for n, s in self.book.songs.items()})
        for action, subject in self.mutes.restore(
            begin.get("muted"), begin.get("soloed"), self.book.subjects
        ):
            self.effects.event(action.value, subject=subject)
        on = self._on
        identifier, section, bpm = begin.get("song"), begin.get("section"), begin.get("bpm")
        order = on.place.order
        if isinstance(identifier, str) and identifier in self.book.songs:
            on.place = on.place.kept(identifier, begin.get("index"), begin.get("gap"))
        elif order:  # the first song, or where a song that is no longer in the book was
            next_index = on.place.next_index
            on.place = on.place.at(len(order) - 1 if next_index is None else next_index)
            identifier, section, bpm = order[on.place.index or 0], None, None
        else:
            self.ticks.song_number = NO_SONG
            self._use_controls(None)
            for input in self.book.inputs:
                input.table = EMPTY
            self._abandon()
            self._holding.keep((), now_ns, self.effects.sink)
            self._loops_rerouted()
            return
        number = section if isinstance(section, int) and section > 0 else 1
        self._enter_song(self.book.songs[identifier], now_ns, may_start=False, section=number)
        if bpm is not None:
            with contextlib.suppress(
                CommandError, ValueError
            ):  # a place that was kept by hand or by another version
                self.tempo.set(bpm_of(bpm), TempoBy(begin.get("tempo_by", TempoBy.HAND)))
        if begin.get("play") is True and identifier == begin.get("song"):
            self.transport.request(TransportCommand.CONTINUE)

    def set_order(self, set_list: SetList, now_ns: int) -> None:
        """Take a new running order; the song that is on stays on. Raises NotFoundError."""
        now_ns = self.effects.enter(now_ns)
        unknown = [identifier for identifier in set_list.order if identifier not in self.book.songs]
        if unknown:
            raise NotFoundError(f"no song {unknown[0]!r}")
        self._set_list = set_list
        self._order_revision += 1
        self._on.place = self._on.place.reordered(set_list.order, self._on.identifier)
        self.effects.revision += 1
        self._light()
