"""What to do about a finding: one sentence for each, by where it shows and what is known of the computer."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

ALLOW_REALTIME = (
    "give the user the right to it (rtprio and memlock in /etc/security/limits.d, or LimitRTPRIO= and "
    "LimitMEMLOCK= in the service's unit), log in again and restart routerd"
)

_BUSY = "look for a busy process (top -H), set the CPU governor to performance and power saving off"
_OUR_FAULT = "that is a fault of routerd; keep this report and the log"
_OTHER_PORT = "its driver or hub holds sends back; try another USB port without a hub"

_EVERYWHERE = {
    "missed": f"The computer stood still for more than a quarter note, or sends failed: {_BUSY}; no suspend.",
    "stall": f"Something held up the clock: {_BUSY}.",
    "jitter": f"Something keeps the clock from waking in time: {_BUSY}.",
    "wander": f"Something now and then delays the clock: {_BUSY}.",
    "delay": f"Ticks leave late by an even amount: {_BUSY}; if it stays, delay the audio to match.",
    "doubled": f"Ticks went out twice: {_OUR_FAULT}.",
    "drift": f"Ticks drift from the grid: {_OUR_FAULT}.",
}

_ONE_PORT = {
    "missed": "Sends to {port} failed while others went on: try its cable, a USB port without a hub.",
    "stall": "{port} was held up and most others were not: " + _OTHER_PORT + ".",
    "jitter": "{port} is uneven and most others are not: " + _OTHER_PORT + ".",
    "wander": "{port} is now and then late and most others are not: " + _OTHER_PORT + ".",
    "delay": "{port} is late and most others are not: " + _OTHER_PORT + ".",
    "doubled": "{port} got ticks twice: " + _OUR_FAULT + ".",
    "drift": "Sends to {port} take longer and longer: look for what floods it, or try another interface.",
}

_OF_THE_COMPUTER = {"missed", "stall", "jitter", "wander", "delay"}


def advise(kind: str, port: str | None, realtime: Mapping[str, Any] | None) -> str:
    """Return what to do about a finding of `kind` on `port` alone, or on all of them (None)."""
    if port is not None:
        return _ONE_PORT[kind].format(port=port)
    if realtime is not None and realtime.get("scheduling") != "fifo" and kind in _OF_THE_COMPUTER:
        return f"Allow real-time scheduling first: {realtime.get('remedy') or ALLOW_REALTIME}."
    return _EVERYWHERE[kind]
