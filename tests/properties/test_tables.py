"""Compiled routing equals a naive interpreter, written here from the words of core.model.Route alone."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from routerd.core.messages import Kind
from routerd.core.model import Device, Route
from routerd.core.notes import Inlet
from routerd.core.routing import compile_tables
from routerd.core.wire import Outlet

SOURCES = ("keys", "pads")
TARGETS = ("synth", "sampler")

seven = st.integers(0, 127)
channel = st.integers(-1, 15)
routes = st.builds(
    Route,
    st.just("route"),
    st.sampled_from(SOURCES),
    st.sampled_from(TARGETS),
    st.frozensets(st.sampled_from(Kind)),
    channel,
    channel,
    seven,
    seven,
    st.integers(-127, 127),
    st.integers(0, 127),
    st.integers(0, 127),
)
wide_routes = st.builds(
    Route, st.just("wide"), st.sampled_from(SOURCES), st.sampled_from(TARGETS), st.just(frozenset(Kind))
)
messages = st.one_of(
    st.builds(
        lambda s, a, b: bytes((s, a, b)), st.integers(0x80, 0xBF) | st.integers(0xE0, 0xEF), seven, seven
    ),
    st.builds(lambda s, a: bytes((s, a)), st.integers(0xC0, 0xDF), seven),
    st.builds(lambda body: b"\xf0" + body + b"\xf7", st.lists(seven, max_size=4).map(bytes)),
    st.integers(0xF8, 0xFF).map(lambda s: bytes((s,))),
)
KIND_NAMES = {
    8: "notes",
    9: "notes",
    10: "poly-pressure",
    11: "controllers",
    12: "program",
    13: "channel-pressure",
    14: "bend",
}


def interpret(route: Route, message: bytes) -> bytes | None:
    """Return what a route makes of a message, step by step."""
    allowed = {kind.value for kind in route.kinds}
    high, low = divmod(message[0], 16)
    if high == 15:
        return message if low == 0 and "sysex" in allowed else None
    if KIND_NAMES[high] not in allowed:
        return None
    if route.from_channel != -1 and low != route.from_channel:
        return None
    out = list(message)
    if route.to_channel != -1:
        out[0] = high * 16 + route.to_channel
    if high in (8, 9, 10):
        if message[1] < route.note_low or message[1] > route.note_high:
            return None
        out[1] = message[1] + route.transpose
        if out[1] < 0 or out[1] > 127:
            return None
    if high == 9 and message[2] != 0:
        if route.velocity_fixed:
            out[2] = route.velocity_fixed
        elif route.velocity_most and message[2] > route.velocity_most:
            out[2] = route.velocity_most
    if high == 9 and message[2] == 0:  # a release is a Note Off on the way out (M1 p. 10: the same thing)
        out[0] -= 16
        out[2] = 64
    return bytes(out)


@given(
    st.lists(routes | wide_routes, max_size=6),
    st.sampled_from(SOURCES),
    st.lists(messages, min_size=1, max_size=8),
)
def test_any_routes_and_any_message(route_list: list[Route], source: str, played: list[bytes]) -> None:
    outlets = {name: Outlet(Device(name, output_pattern=name), n) for n, name in enumerate(TARGETS)}
    for outlet in outlets.values():
        outlet.connected = True
    tables = compile_tables(route_list, {name: n for n, name in enumerate(SOURCES)}, outlets)
    for message in played:
        inlet = Inlet(Device(source, input_pattern=source))  # nothing is held: only the table speaks
        inlet.table = tables[SOURCES.index(source)]
        sink: list[tuple[Outlet, bytes]] = []
        inlet.receive(message, 0, sink)
        for outlet in outlets.values():
            got = [data for out, data in sink if out is outlet]
            for _ in range(outlet.queued):  # SysEx on a bounded pace
                outlet.pump(outlet.next_deadline_ns(), more := [])
                got += [data for _, data in more]
            expected = [
                out
                for route in route_list
                if (route.source, route.target) == (source, outlet.name)
                and (out := interpret(route, message)) is not None
            ]
            assert sorted(got) == sorted(expected)
