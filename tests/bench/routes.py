"""What a message costs on its way through the tables, by the number of routes that do not match it.

    python -m tests.bench.routes

A note through one route that matches, beside 0, 9 and 99 that do not: on other channels, for other notes,
and with every option that this route does not use. The medians of many rounds, taken in turn.
"""

from __future__ import annotations

import statistics
from time import perf_counter_ns

from routerd.core.midi.messages import Kind
from routerd.core.model.rig import Device
from routerd.core.model.route import Quantity, QuantityKind, Remap, Route
from routerd.core.output.wire import Sink, Wire
from routerd.core.routing.input import Input
from routerd.core.routing.tables import compile_tables

COUNTS = (1, 10, 100)
MESSAGES = 2_000
ROUNDS = 41
LATER_NS = 10**12  # with no window begun, so that the bench is not taken for a loop
PLAYED = frozenset({Kind.NOTES, Kind.CC, Kind.PITCH_BEND})
MATCHES = Route("match", "keys", "synth", PLAYED, from_channel=0, to_channel=3, note_low=60, note_high=72)
CURVE = ((0, 0), (64, 90), (127, 127))
REMAP = Remap(Quantity(QuantityKind.NRPN, 300), Quantity(QuantityKind.FINE, 1), (0, 16383), (0, 16383))


def others(kind: str, count: int) -> list[Route]:
    """Return routes that do not match a note 60 on channel 1."""
    if kind == "other channels":
        return [Route(str(n), "keys", "synth", PLAYED, from_channel=1 + n % 15) for n in range(count)]
    if kind == "other notes":
        return [
            Route(str(n), "keys", "synth", PLAYED, note_low=n % 60, note_high=n % 60) for n in range(count)
        ]
    return [
        Route(
            str(n), "keys", "synth", PLAYED, from_channel=1 + n % 15, velocity_curve=CURVE, maps=(REMAP,),
            chord=(0, 7), bend_from=2, bend_to=12,
        )
        for n in range(count)
    ]  # fmt: skip


def input_of(routes: list[Route]) -> Input:
    """Return an input with the table of these routes, to a port without a slow wire."""
    input, output = (
        Input(Device("keys", input_pattern="keys")),
        Wire((Device("synth", output_pattern="x"),), 0).outputs[0],
    )
    output.wire.connected = True
    (input.table,) = compile_tables(routes, {"keys": 0}, {"synth": output}).tables
    return input


def time_ns(input: Input) -> float:
    """Return what a press or release costs, in ns."""
    sink: Sink = []
    receive = input.receive
    press, release = b"\x90\x3c\x40", b"\x80\x3c\x40"
    begin_ns = perf_counter_ns()
    for _ in range(MESSAGES // 2):
        receive(press, LATER_NS, sink)
        receive(release, LATER_NS, sink)
    return (perf_counter_ns() - begin_ns) / MESSAGES


def main() -> None:
    """See the module's head."""
    print(f"ns a message, median of {ROUNDS} rounds; in brackets times the first")
    print(f"{'routes that do not match':28}" + "".join(f"{count - 1:>16}" for count in COUNTS))
    for kind in ("other channels", "other notes", "every option, other channels"):
        inputs = [input_of([MATCHES, *others(kind, count - 1)]) for count in COUNTS]
        times: list[list[float]] = [[] for _ in COUNTS]
        for _ in range(ROUNDS):
            for input, found in zip(inputs, times, strict=True):
                found.append(time_ns(input))
        medians = [statistics.median(found) for found in times]
        print(f"{kind:28}" + "".join(f"{one:8.0f} ({one / medians[0]:.2f}x)" for one in medians))


if __name__ == "__main__":
    main()
