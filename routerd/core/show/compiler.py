"""From a rig folder to what the show runs on: every song compiled, one by one, off the real-time worker.

A compiled rig is swapped in as one value. Outputs and inputs of devices that have not changed are
the same objects as before, so that what is held and what waits survives a reload; song and output
numbers in tick records never change their meaning while the engine runs.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from routerd.core.clock.tempo_map import TempoMap
from routerd.core.model.actions import Subject
from routerd.core.model.controls import Control, Controls, compile_controls, compile_pedals
from routerd.core.model.rig import Device, Rig, port_in, port_out, sharing
from routerd.core.model.route import Route
from routerd.core.model.set_list import SetList
from routerd.core.model.song import HeldNotes, Hold, Patch, Song
from routerd.core.output.patches import Held, PatchSend, compile_patch
from routerd.core.output.wire import Output, Wire
from routerd.core.routing.input import Feed, Input
from routerd.core.routing.tables import Compiled, Converters, compile_tables

if TYPE_CHECKING:
    from fractions import Fraction

PatchSends = tuple[PatchSend, ...]


@dataclass(frozen=True, slots=True)
class CompiledSection:
    """What entering a section (or a song without sections) puts into force."""

    name: str
    routes: Compiled
    patches: PatchSends
    bpm: Fraction | None
    cuts: bool = False
    """Whether what is held is released on entering."""
    holds: tuple[Held, ...] = ()


@dataclass(frozen=True, slots=True)
class CompiledSong:
    """A song with its sections; `whole` stands for a song that has none."""

    song: Song
    number: int
    map: TempoMap
    patches: PatchSends
    whole: CompiledSection
    sections: tuple[CompiledSection, ...]
    controls: tuple[Controls, ...] = ()


@dataclass(frozen=True, slots=True)
class CompiledRig:
    """All that the show needs: ways in and out, songs by identifier, tonight's order."""

    rig: Rig
    inputs: tuple[Input, ...]
    feeds: tuple[Feed, ...]
    """Where the inputs hear: one for each port, as several devices may share one."""
    outputs: tuple[Output, ...]
    wires: tuple[Wire, ...]
    """What the outputs lie on: one for each port, as several devices may share one."""
    controls: tuple[Controls, ...]
    pedals: tuple[dict[int, bytes], ...]
    songs: dict[str, CompiledSong]
    set_list: SetList
    output_names: tuple[str, ...] = ()
    song_names: tuple[str, ...] = ()
    converters: Converters = field(default_factory=dict)
    subjects: frozenset[Subject] = frozenset()
    """What can be muted, see core.routing.mutes."""
    chased: frozenset[str] = frozenset()
    """Devices of which some route wants to know where their controls stand."""


EMPTY_RIG = CompiledRig(Rig("", ()), (), (), (), (), (), (), {}, SetList("", ()))


@dataclass(slots=True)
class Compiler:
    """Compiles one rig folder: make it with the rig, `add` every song, then `finish`."""

    rig: Rig
    before: CompiledRig = EMPTY_RIG
    _inputs: dict[str, Input] = field(default_factory=dict)
    _feeds: list[Feed] = field(default_factory=list)
    _outputs: dict[str, Output] = field(default_factory=dict)
    _wires: list[Wire] = field(default_factory=list)
    _output_names: list[str] = field(default_factory=list)
    _song_numbers: dict[str, int] = field(default_factory=dict)
    _songs: dict[str, CompiledSong] = field(default_factory=dict)
    _tables: dict[tuple[Route, ...], Compiled] = field(default_factory=dict)
    _converters: Converters = field(default_factory=dict)
    _input_numbers: dict[str, int] = field(default_factory=dict)
    _shared_controls: tuple[Controls, ...] = ()

    def __post_init__(self) -> None:
        inputs = {input.name: input for input in self.before.inputs}
        self._converters = dict(self.before.converters)
        self._output_names = list(self.before.output_names)
        self._song_numbers = {name: number for number, name in enumerate(self.before.song_names)}
        for device in self.rig.devices:
            if device.input_pattern:
                input = inputs.get(device.name)
                if input is None or not _same_input(input.device, device):
                    input = Input(device)
                self._inputs[device.name] = input
        self._lay_feeds()
        self._lay_wires()
        self._input_numbers = {name: number for number, name in enumerate(self._inputs)}
        self._shared_controls = self._controls(())

    def _lay_feeds(self) -> None:
        """Give every port its feed: the one it had, unless its devices or their channels have changed."""
        before = {(feed.inputs, feed.channels): feed for feed in self.before.feeds}
        for devices in sharing(self.rig.devices, port_in):
            inputs = tuple(self._inputs[device.name] for device in devices)
            channels = tuple(device.channels for device in devices)
            self._feeds.append(before.get((inputs, channels)) or Feed(inputs, channels))

    def _lay_wires(self) -> None:
        """Give every port its wire: the one it had, unless its devices have changed."""
        before = {tuple(device.name for device in wire.devices): wire for wire in self.before.wires}
        for devices in sharing(self.rig.devices, port_out):
            wire = before.get(tuple(device.name for device in devices))
            if wire is None or not all(map(_same_output, wire.devices, devices)):
                wire = Wire(devices, len(self._output_names))
                self._output_names.append(wire.name)
            self._wires.append(wire)
        by_name = {output.name: output for wire in self._wires for output in wire.outputs}
        names = (device.name for device in self.rig.devices)
        self._outputs = {name: by_name[name] for name in names if name in by_name}

    def add(self, song: Song) -> None:
        """Compile one song; raises KeyError when a route names no device of the rig."""
        number = self._song_numbers.setdefault(song.identifier, len(self._song_numbers))
        self._songs[song.identifier] = CompiledSong(
            song=_slim(song),
            number=number,
            map=TempoMap(song.bpm, song.beats, song.beat_unit, song.timing.tempo, song.timing.meters),
            controls=self._controls(song.controls) if song.controls else self._shared_controls,
            patches=self._patches(song.patches),
            whole=CompiledSection(
                "",
                self._compile(song.routes),
                (),
                None,
                song.held_notes is HeldNotes.CUT,
                self._holds(song.holds),
            ),
            sections=tuple(
                CompiledSection(
                    section.name,
                    self._compile(section.routes),
                    self._patches(section.patches),
                    section.bpm,
                    section.held_notes is HeldNotes.CUT,
                    self._holds(section.holds),
                )
                for section in song.sections
            ),
        )

    def finish(self, set_list: SetList, *, whole: bool = True) -> CompiledRig:
        """Return the compiled rig; raises KeyError when the order names a song that was not added.

        A compiled rig that is not `whole` lacks songs that are still to come.
        """
        if whole:
            for identifier in set_list.order:
                self._songs[identifier]
        return CompiledRig(
            rig=self.rig,
            inputs=tuple(self._inputs.values()),
            feeds=tuple(self._feeds),
            outputs=tuple(self._outputs.values()),
            wires=tuple(self._wires),
            controls=self._shared_controls,
            pedals=tuple(
                compile_pedals(pedal for pedal in self.rig.pedals if pedal.device == name)
                for name in self._inputs
            ),
            songs=self._songs,
            set_list=set_list,
            output_names=tuple(self._output_names),
            song_names=tuple(self._song_numbers),
            converters=self._converters,
            subjects=self._subjects(),
            chased=frozenset(route.source for routes in self._tables for route in routes if route.chase),
        )

    def _subjects(self) -> frozenset[Subject]:
        names = {route.name for routes in self._tables for route in routes}
        return frozenset({Subject(name) for name in self._outputs} | {Subject(route=name) for name in names})

    def _controls(self, own: tuple[Control, ...]) -> tuple[Controls, ...]:
        """Return what the messages of every input mean; `own` are a song's."""
        return tuple(
            compile_controls(
                [control for control in self.rig.controls if control.device == name],
                [control for control in own if control.device == name],
                self.rig.press_times,
            )
            for name in self._inputs
        )

    def _compile(self, routes: tuple[Route, ...]) -> Compiled:
        tables = self._tables.get(routes)
        if tables is None:
            heard = {device.name: device.channels for device in self.rig.devices}
            tables = compile_tables(routes, self._input_numbers, self._outputs, self._converters, heard)
            self._tables[routes] = tables
        return tables

    def _holds(self, holds: tuple[Hold, ...]) -> tuple[Held, ...]:
        return tuple(Held(self._outputs[one.device], one.channel, one.note, one.velocity) for one in holds)

    def _patches(self, patches: tuple[Patch, ...]) -> PatchSends:
        return tuple(compile_patch(patch, self._outputs[patch.device]) for patch in patches)


def _same_input(a: Device, b: Device) -> bool:
    return (a.input_pattern, a.input_usb) == (b.input_pattern, b.input_usb)


def _slim(song: Song) -> Song:
    """Return the song without what has been compiled and without what only people read."""
    return replace(song, routes=(), patches=(), sections=(), controls=(), notes="", holds=())


def _same_output(a: Device, b: Device) -> bool:
    return all(getattr(a, name) == getattr(b, name) for name in _OUTPUT_FIELDS)


_OUTPUT_FIELDS = (
    "output_pattern",
    "output_usb",
    "wire",
    "clock",
    "transport",
    "running_status",
    "active_sensing",
    "local_control",
    "channels",
)
