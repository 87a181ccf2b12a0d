"""The status of this moment, worked out from what the engine last said and the clock both read.

A request never touches the engine: its grid says where in time every tick lies, so bar and beat
follow from CLOCK_MONOTONIC.
"""

from __future__ import annotations

import os
import resource
from fractions import Fraction
from math import lcm
from pathlib import Path
from time import monotonic_ns

from routerd import __version__
from routerd.core.midi.messages import CONTROLLER, NOTE_ON, PROGRAM
from routerd.core.model.actions import Learns, ToSong, brief
from routerd.core.model.snapshot import (
    ArmedCommand,
    DeviceClockState,
    LearningState,
    Snapshot,
)
from routerd.core.model.snapshot import TuningNote as SoundingNote
from routerd.core.model.timing import State
from routerd.core.units import NS_PER_S, TICKS_PER_SPP_UNIT, shown_bpm, ticks_per_bar, ticks_per_beat
from routerd.link.messages import SpareState
from routerd.server.feed import EventHub
from routerd.server.health import lines_of
from routerd.server.http.shapes import (
    Armed,
    Click,
    DeviceClock,
    EngineHealth,
    Learning,
    Position,
    Section,
    ServerHealth,
    SetListDocument,
    SetListPosition,
    SongInOrder,
    SpareHealth,
    Status,
    Tempo,
    TuningNote,
)
from routerd.server.view import View, boottime_s, durations_of


def device_clock(one: DeviceClockState, snapshot: Snapshot, now_ns: int) -> DeviceClock:
    """Return where the device `one` of a snapshot stands at `now_ns`."""
    cycle_ticks, running = one.cycle_ticks, one.running
    step = cycle = bars = None
    if running and cycle_ticks:
        ticks = max(0, tick_at(snapshot, now_ns) - one.started_tick)
        cycle, within = divmod(ticks, cycle_ticks)
        step = within // TICKS_PER_SPP_UNIT + 1
        bars = bars_to_meet(ticks, cycle_ticks, ticks_per_bar(*snapshot.meter))
    steps = cycle_ticks // TICKS_PER_SPP_UNIT or None
    rate = None if one.rate is None else float(one.rate)
    return DeviceClock(
        one.device,
        rate,
        running,
        step,
        steps,
        cycle,
        bars,
        waits_for=None if one.waits_for is None else one.waits_for.value,
    )


def tempo_of(snapshot: Snapshot) -> Tempo:
    """Return the tempo that sounds."""
    grid = snapshot.grid
    by = snapshot.tempo_by.value
    return Tempo(shown_bpm(grid.bpm), grid.anchor_ns, grid.anchor_tick, float(grid.bpm), by)


def bars_to_meet(ticks: int, cycle_ticks: int, bar_ticks: int) -> int:
    """Return in how many bar lines from here a sequence that began on one begins on one again."""
    both = lcm(cycle_ticks, bar_ticks)
    return both // bar_ticks - ticks % both // bar_ticks


def tick_at(snapshot: Snapshot, now_ns: int) -> int:
    """Return the number of the grid's last tick at `now_ns`."""
    grid = snapshot.grid
    # a new tempo's grid begins at a tick that may be still to come: before it the old one held
    return max(grid.tick_at(now_ns), grid.anchor_tick - 1)


def position_at(snapshot: Snapshot, now_ns: int) -> Position:
    """Return bar, beat and tick of the song at `now_ns`."""
    ticks = snapshot.position_tick
    if snapshot.transport is State.RUNNING:
        ticks = max(0, tick_at(snapshot, now_ns) - snapshot.origin_tick)
    beats, unit = snapshot.meter
    from_tick, from_bar = snapshot.meter_from
    bar_ticks = ticks_per_bar(beats, unit)
    bar, within_bar = divmod(ticks - from_tick, bar_ticks)
    bar += from_bar
    beat, tick = divmod(within_bar, ticks_per_beat(unit))
    next_bar_s = None
    if snapshot.transport is State.RUNNING:
        begun = tick_at(snapshot, now_ns) >= snapshot.origin_tick
        line_tick = snapshot.origin_tick + (ticks + bar_ticks - within_bar if begun else 0)
        next_bar_s = round(max(0, snapshot.grid.due_ns(line_tick) - now_ns) / NS_PER_S, 3)
    return Position(bar + 1, beat + 1, tick, next_bar_s)


def set_list_document(view: View) -> SetListDocument:
    """Return tonight's set list with titles; the view must be ready."""
    set_list = view.set_list
    return SetListDocument(
        name=set_list.name,
        date=set_list.date,
        encore=set_list.encore,
        slot_s=set_list.slot_s,
        changeover_s=set_list.changeover_s,
        order=tuple(_in_order(view, index) for index in range(len(set_list.order))),
        set_lists=tuple(one.name for one in view.set_lists),
    )


def status_document(view: View, server: ServerHealth, event: str, now_ns: int) -> Status:
    """Return the status as of the event with that id; the view must be ready."""
    snapshot = view.snapshot
    song = view.song
    section = None
    if song is not None and 0 < snapshot.section <= len(song.sections):
        section = Section(snapshot.section, song.sections[snapshot.section - 1].name)
    return Status(
        event=event,
        set_list=SetListPosition(
            view.set_list.name, view.set_list.date, _position(view), len(view.set_list.order)
        ),
        durations=durations_of(view.set_list, view.songs, _position(view), view.pace, boottime_s()),
        song=None if song is None else view.with_done(song),
        next_song=None if snapshot.next_index is None else _in_order(view, snapshot.next_index),
        section=section,
        armed=None if snapshot.armed is None else _armed(snapshot.armed, view),
        muted=snapshot.muted,
        soloed=snapshot.soloed,
        learning=learning_of(snapshot.learning),
        tuning_note=None if snapshot.tuning is None else _tuning_note(snapshot.tuning, now_ns),
        transport=snapshot.transport.value,
        tempo=tempo_of(snapshot),
        position=position_at(snapshot, now_ns),
        meter=str(snapshot.meter),
        clock_source=snapshot.clock_source,
        device_clocks=tuple(device_clock(one, snapshot, now_ns) for one in snapshot.devices),
        click=Click(snapshot.click.alone, snapshot.click.counting_to > 0),
        following=snapshot.following,
        ports=view.ports,
        engine=_engine(view, now_ns),
        server=server,
        problems=tuple(str(line) for line in lines_of(view, now_ns)),
    )


def status_now(view: View, hub: EventHub) -> Status:
    """Return the status of this moment; the view must be ready."""
    now_ns = monotonic_ns()
    health = server_health(view, view.started_ns, now_ns, hub.readers, hub.dropped_readers)
    return status_document(view, health, hub.last_id, now_ns)


def server_health(view: View, started_ns: int, now_ns: int, clients: int, dropped: int) -> ServerHealth:
    """Return how this process is."""
    return ServerHealth(
        pid=os.getpid(),
        uptime_s=_seconds(now_ns - started_ns),
        version=__version__,
        restarts=view.hello.server_restarts,
        rss_bytes=rss_bytes(os.getpid()),
        event_clients=clients,
        event_clients_dropped=dropped,
    )


def rss_bytes(pid: int) -> int | None:
    """Return the resident memory of a process, or None where the system does not say."""
    try:
        pages = int(Path(f"/proc/{pid}/statm").read_text(encoding="ascii").split()[1])
    except (OSError, ValueError, IndexError):
        return None
    return pages * resource.getpagesize()


def _engine(view: View, now_ns: int) -> EngineHealth:
    hello = view.hello
    realtime = hello.realtime
    return EngineHealth(
        pid=hello.pid,
        uptime_s=_seconds(now_ns - hello.started_ns),
        resumed_gap_ms=hello.resumed_gap_ms,
        ports=hello.ports,
        generation=view.snapshot.generation,
        scheduling=realtime.scheduling,
        priority=realtime.priority,
        memory_locked=realtime.memory_locked,
        remedy=realtime.remedy,
        rss_bytes=rss_bytes(hello.pid),
        counters=view.counters,
        spare=_spare(view.facts.spare, now_ns),
    )


def _spare(spare: SpareState, now_ns: int) -> SpareHealth:
    return SpareHealth(
        state=spare.state,
        pid=spare.pid,
        behind=spare.behind,
        why_none=spare.why_none or None,
        takeovers=spare.takeovers,
        last_takeover_s=None if spare.took_over_ns is None else _seconds(now_ns - spare.took_over_ns),
        last_takeover_why=spare.took_over_why or None,
        rss_bytes=None if spare.pid is None else rss_bytes(spare.pid),
    )


def _armed(armed: ArmedCommand, view: View) -> Armed:
    command, title = armed.command, None
    argument = brief(command.argument)
    shown = shown_bpm(argument) if isinstance(argument, Fraction) else argument
    if isinstance(command.argument, ToSong):
        identifier = command.argument.song
        if isinstance(identifier, int):
            in_set = 0 < identifier <= len(view.set_list.order)
            identifier = view.set_list.order[identifier - 1] if in_set else ""
        title = view.title(identifier) or None
    return Armed(command.action.value, shown, title, str(command.when), armed.lines_left)


def _tuning_note(tuning: SoundingNote, now_ns: int) -> TuningNote:
    left_s = _seconds(max(0, tuning.until_ns - now_ns))
    return TuningNote(tuning.device, tuning.channel, tuning.note, left_s)


def _position(view: View) -> int | None:
    index = view.snapshot.index
    return None if index is None else index + 1


def _in_order(view: View, index: int) -> SongInOrder:
    identifier = view.set_list.order[index]
    return SongInOrder(index + 1, identifier, view.title(identifier))


def _seconds(span_ns: int) -> float:
    return round(span_ns / NS_PER_S, 1)


def learning_of(state: LearningState | None) -> Learning | None:
    """Return what the snapshot's `learning` says, with its entry when there is one, or None."""
    if state is None:
        return None
    return Learning(
        learns="pedal" if state.learns is Learns.PEDAL else "control",
        over=state.over,
        device=state.device or None,
        message=state.message.hex(" ").upper() or None,
        low=state.low,
        high=state.high,
        entry=_entry_of(state),
    )


def _entry_of(state: LearningState) -> str | None:
    """Return the line for `controls` or `pedals` of rig.yaml; None while nothing fit for one was heard."""
    message = state.message
    if not message:
        return None
    if state.learns is Learns.PEDAL:
        if state.low == state.high:
            return None
        where = f"cc: {message[1]}, channel: {(message[0] & 0x0F) + 1}"
        return f"- {{from: {state.device}, {where}, heel: {state.low}, toe: {state.high}}}"
    return f"- {{from: {state.device}, {message_as_written(message)}, do: next}}"


def message_as_written(message: bytes) -> str:
    """Return a press as a control's entry in rig.yaml says it, such as `note: 36, channel: 10`."""
    channel = (message[0] & 0x0F) + 1
    kind = message[0] & 0xF0
    if kind == NOTE_ON:
        return f"note: {message[1]}, channel: {channel}"
    if kind == CONTROLLER:
        return f"cc: {message[1]}, channel: {channel}"
    if kind == PROGRAM:
        return f"program: {message[1] + 1}, channel: {channel}"
    return f'message: "{message.hex(" ").upper()}"'
