"""MIDI time code: frames and their numbers, the messages, and what a device gets of them while a song runs.

Rules (MTC: MIDI Time Code, document version 4.2.1): eight quarter frames carry one time, frames first, at
four to the frame (p. 1, p. 4); it is the time at which the first of the eight is sent (p. 3); the rate is in
the hours' byte (p. 2); a full message carries the same at once, when time code starts or jumps (p. 5).

29.97 drop: 30/1.001 frames a second; the numbers :00 and :01 are left out each minute but every tenth, so
that numbers keep up with the clock on the wall (SMPTE 12M, as quoted by others).
"""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING, NamedTuple

from routerd.core.midi.messages import SYSEX, SYSEX_END
from routerd.core.midi.messages import TIME_CODE as QUARTER_FRAME
from routerd.core.model.timing import FrameRate, State
from routerd.core.units import NS_PER_S

if TYPE_CHECKING:
    from routerd.core.clock.clock import Clock, Tick
    from routerd.core.clock.schedule import Schedule
    from routerd.core.model.timing import TimeCode
    from routerd.core.output.wire import Output

_DROPPED = 2
_MINUTE = 60 * 30 - _DROPPED
_TEN_MINUTES = 10 * _MINUTE + _DROPPED

_FRAMES = {FrameRate.FPS_24: 24, FrameRate.FPS_25: 25, FrameRate.DROP: 30, FrameRate.FPS_30: 30}
_CODES = {FrameRate.FPS_24: 0, FrameRate.FPS_25: 1, FrameRate.DROP: 2, FrameRate.FPS_30: 3}
_FRAME_NS = {rate: Fraction(NS_PER_S, frames) for rate, frames in _FRAMES.items()} | {
    FrameRate.DROP: Fraction(NS_PER_S * 1001, 30_000)
}
PIECES = 8
"""Quarter frames that carry one time, two frames long."""


class FrameTime(NamedTuple):
    """A time as it is numbered."""

    hours: int
    minutes: int
    seconds: int
    frames: int


def frame_time(frame: int, rate: FrameRate) -> FrameTime:
    """Return the number of the `frame`-th frame from 00:00:00:00; after 24 hours it starts over."""
    if rate is FrameRate.DROP:
        tens, rest = divmod(frame, _TEN_MINUTES)
        frame += 9 * _DROPPED * tens + (_DROPPED * ((rest - _DROPPED) // _MINUTE) if rest >= _DROPPED else 0)
    seconds, frames = divmod(frame, _FRAMES[rate])
    minutes, seconds = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    return FrameTime(hours % 24, minutes, seconds, frames)


def frame_number(time: FrameTime, rate: FrameRate) -> int:
    """Return which frame from 00:00:00:00 has that number; the reverse of `frame_time`."""
    minutes = 60 * time.hours + time.minutes
    number = (minutes * 60 + time.seconds) * _FRAMES[rate] + time.frames
    return number - _DROPPED * (minutes - minutes // 10) if rate is FrameRate.DROP else number


def frame_ns(rate: FrameRate) -> Fraction:
    """Return how long a frame lasts."""
    return _FRAME_NS[rate]


def rate_of_code(code: int) -> FrameRate:
    """Return the rate of the two bits in the hours (MTC p. 2)."""
    return next(rate for rate, own in _CODES.items() if own == code)


def quarter_frame(piece: int, time: FrameTime, rate: FrameRate) -> bytes:
    """Return piece 0 to 7 of a time (MTC p. 1)."""
    values = (time.frames, time.seconds, time.minutes, time.hours | _CODES[rate] << 5)
    value = values[piece // 2]
    return bytes((QUARTER_FRAME, piece << 4 | (value >> 4 if piece % 2 else value & 0x0F)))


def full_message(time: FrameTime, rate: FrameRate) -> bytes:
    """Return the message that carries a whole time, to all devices (MTC p. 5)."""
    hours, minutes, seconds, frames = time
    return bytes((SYSEX, 0x7F, 0x7F, 1, 1, hours | _CODES[rate] << 5, minutes, seconds, frames, SYSEX_END))


class TimeCoder:
    """Time code for one device: runs with transport, in real time from the song's position.

    `hour` is what it begins with at the song's top: 0, or the song's number where it counts the evening.
    """

    def __init__(self, output: Output, spec: TimeCode, delay_ns: int, schedule: Schedule) -> None:
        self.output = output
        self.rate = spec.rate
        self.of_set = spec.of_set
        self.hour = 0
        self._delay_ns = delay_ns
        self._schedule = schedule
        self._origin_tick: int | None = None
        self._zero_ns = 0
        self._next = 0
        """The quarter frame that comes next, counted from the song's top."""

    def tick(self, tick: Tick, clock: Clock) -> None:
        """Take a tick of the grid: put the quarter frames up to the next one into the schedule."""
        if clock.state is not State.RUNNING:
            self._origin_tick = None
            return
        if self._origin_tick != clock.origin_tick:
            self._begin(tick, clock)
        quarter_ns = _FRAME_NS[self.rate] / 4
        while (at_ns := self._zero_ns + int(self._next * quarter_ns)) < clock.next_due_ns:
            data = quarter_frame(self._next % PIECES, self._time(self._next // PIECES * 2), self.rate)
            self._schedule.put(at_ns + self._delay_ns, self.output, data)
            self._next += 1

    def _begin(self, tick: Tick, clock: Clock) -> None:
        """Begin where the song is, with the next time that starts on a whole frame of two."""
        self._origin_tick = clock.origin_tick
        song_ns = clock.map.time_ns(max(0, tick.number - clock.origin_tick))
        self._zero_ns = tick.due_ns - song_ns
        pair_ns = _FRAME_NS[self.rate] * 2
        pairs = -(-song_ns // pair_ns)
        self._next = int(pairs) * PIECES
        message = full_message(self._time(int(pairs) * 2), self.rate)
        self._schedule.put(tick.due_ns + self._delay_ns, self.output, message)

    def _time(self, frame: int) -> FrameTime:
        time = frame_time(frame, self.rate)
        return time._replace(hours=(time.hours + self.hour) % 24)
