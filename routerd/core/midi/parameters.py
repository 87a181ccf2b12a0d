"""Registered and non-registered parameters (RPN, NRPN): which one a channel stands on (M1 pp. 17–18).

A parameter is selected by one pair of controllers and set by another, so what comes from two devices for
one channel must not be mixed: whoever sends data makes sure first that the receiver stands on its parameter.
"""

from __future__ import annotations

from routerd.core.midi.messages import CONTROLLER, DATA_LSB, DATA_MSB

Parameter = tuple[int, int, int]
"""Controller of the upper half of the number (99: NRPN, 101: RPN), then the halves, -1 where not known."""

Selected = dict[int, Parameter]
"""By channel."""

NRPN = 99
RPN = 101


def select(selected: Selected, channel: int, number: int, value: int) -> None:
    """Take note of one of the controllers 98 to 101."""
    kind = number | 1
    before = selected.get(channel)
    upper, lower = before[1:] if before is not None and before[0] == kind else (-1, -1)
    selected[channel] = (kind, value, lower) if number & 1 else (kind, upper, value)


def selection(channel: int, parameter: Parameter) -> tuple[bytes, bytes]:
    """Return the two messages that select a parameter, upper half first."""
    kind, upper, lower = parameter
    status = CONTROLLER | channel
    return bytes((status, kind, upper)), bytes((status, kind - 1, lower))


def is_whole(parameter: Parameter | None) -> bool:
    """Return whether both halves are known."""
    return parameter is not None and parameter[1] >= 0 and parameter[2] >= 0


def messages_of(channel: int, parameter: Parameter, value: int) -> tuple[bytes, ...]:
    """Return select and data for a 14-bit value, as one run."""
    status = CONTROLLER | channel
    data = bytes((status, DATA_MSB, value >> 7)), bytes((status, DATA_LSB, value & 0x7F))
    return selection(channel, parameter) + data


def value_after(before: int, number: int, value: int) -> int:
    """Return the parameter's value after one of the data controllers; a new upper half clears the lower."""
    if number == DATA_MSB:
        return value << 7
    if number == DATA_LSB:
        return (before & 0x3F80) | value
    return min(before + 1, 16_383) if number == 96 else max(before - 1, 0)
