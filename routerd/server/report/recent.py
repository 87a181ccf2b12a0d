"""The last minute, kept as it came in bounded memory, and worked out when somebody asks."""

from __future__ import annotations

import struct
from collections import deque
from collections.abc import Mapping
from typing import Any

from routerd.core.model.plain import Plain
from routerd.core.model.rig import WireKind
from routerd.core.units import NS_PER_S
from routerd.link.messages import TickRecord
from routerd.server.report.collect import TickLog
from routerd.server.report.traffic import TrafficLog

SPAN_NS = 60 * NS_PER_S

MOST_RECORDS = 250_000
"""A minute of 16 ports at 480 BPM is 184 320 records, 5 MB."""

_RECORD = struct.Struct("<qqqHH")
_Item = tuple[int, str, Any]
"""When, what ("ticks", "event", "names", "traffic"), and that."""


class Recent:
    """Holds what was told in the last minute."""

    def __init__(self, started_ns: int) -> None:
        self._started_ns = started_ns
        self._items: deque[_Item] = deque()
        self._records = 0
        self._names: tuple[list[str], list[str]] = ([], [])
        self._newest_ns = started_ns

    def add(self, records: list[TickRecord]) -> None:
        """Take tick records."""
        if not records:
            return
        self._records += len(records)
        packed = b"".join(_RECORD.pack(*record) for record in records)
        self._put(records[-1].sent_ns, "ticks", packed)

    def event(self, event: Plain) -> None:
        """Take an event."""
        self._put(event["at_ns"], "event", event)

    def name(self, outputs: list[str], songs: list[str]) -> None:
        """Take the names of the numbers in records from now on."""
        self._put(self._newest_ns, "names", (list(outputs), list(songs)))

    def traffic(self, body: Plain, song: str | None, server_cpu_ns: int) -> None:
        """Take the totals of a second."""
        self._put(body["at_ns"], "traffic", (body, song, server_cpu_ns))

    def report(self, now_ns: int, facts: Plain, wires: Mapping[str, WireKind]) -> Plain:
        """Return the report on the last minute; may be called from another thread with a `copy`."""
        from_ns = max(self._started_ns, now_ns - SPAN_NS)
        ticks, traffic = TickLog(from_ns), TrafficLog(from_ns, wires)
        ticks.name(*self._names)
        for at_ns, kind, value in self._items:
            if kind == "names":
                ticks.name(*value)
            elif at_ns < from_ns:
                continue
            elif kind == "ticks":
                ticks.add([TickRecord(*fields) for fields in _RECORD.iter_unpack(value)])
            elif kind == "event":
                ticks.event(value)
            else:
                traffic.take(*value)
        return {**ticks.report(now_ns, facts), **traffic.report()}

    def traffic_report(self, now_ns: int, wires: Mapping[str, WireKind]) -> Plain:
        """Return only what the totals of each second say; takes milliseconds."""
        from_ns = max(self._started_ns, now_ns - SPAN_NS)
        log = TrafficLog(from_ns, wires)
        for at_ns, kind, value in self._items:
            if kind == "traffic" and at_ns >= from_ns:
                log.take(*value)
        return log.report()

    def copy(self) -> Recent:
        """Return what is known now, to be worked out elsewhere."""
        twin = Recent(self._started_ns)
        twin._items = self._items.copy()
        twin._names = self._names
        return twin

    def _put(self, at_ns: int, kind: str, value: Any) -> None:
        items = self._items
        self._newest_ns = max(self._newest_ns, at_ns)
        items.append((at_ns, kind, value))
        while items and (items[0][0] < self._newest_ns - SPAN_NS or self._records > MOST_RECORDS):
            _, kind, value = items.popleft()
            if kind == "ticks":
                self._records -= len(value) // _RECORD.size
            elif kind == "names":
                self._names = value
