"""Keeps the rig's ports open: opens what is there, notices what goes, tries again what is missing.

Runs on a thread of its own under SCHED_FIFO, one step below the clock, because RtMidi's input
threads inherit the scheduling of the thread that opens a port. Listing and opening ports can hold
the interpreter for a while, so it is done in the gap right after a tick.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from time import monotonic_ns, sleep
from typing import Any

from routerd.core.compiler import EMPTY_BOOK, CompiledBook
from routerd.core.errors import PortError
from routerd.core.model import ANY_USB, Usb
from routerd.core.notes import Inlet
from routerd.core.units import NS_PER_S
from routerd.core.wire import Wire
from routerd.engine.realtime import PORT_PRIORITY, make_thread_realtime
from routerd.engine.worker import Worker
from routerd.ports.base import SETTLE_S, InputPort, OutputPort, PortInfo, PortSystem, match_port

RETRY_S = 2.0
"""How often ports that could not be opened or listed are tried again. Otherwise nothing is looked at
until the port system announces a change."""

_AFTER_TICK_NS = 300_000


class PortKeeper:
    """Opens and closes ports as the rig asks and the system offers; see the module's head."""

    def __init__(self, system: PortSystem, worker: Worker, changed: Callable[[], None]) -> None:
        self._system = system
        self._worker = worker
        self._changed = changed
        self._book: CompiledBook = EMPTY_BOOK
        self._wanted: CompiledBook | None = None
        self._inputs: dict[Inlet, InputPort] = {}
        self._outputs: dict[Wire, OutputPort] = {}
        self._errors: dict[Inlet | Wire, str] = {}
        self._system_error = ""
        self._seen: list[dict[str, Any]] = []
        self._stir = threading.Event()
        self._stopping = threading.Event()
        self.scanned = threading.Event()
        """Set once the ports of a rig have been looked for."""
        self.thread = threading.Thread(target=self._run, name="ports", daemon=True)

    # From other threads

    def keep(self, book: CompiledBook) -> None:
        """Keep the ports of this book open from now on."""
        self._wanted = book
        self._stir.set()

    def look(self) -> None:
        """Look at the ports soon: some may have come or gone."""
        self._stir.set()

    def lose(self, wire: Wire, error: str) -> None:
        """An output has refused a message: close it and try again."""
        self._errors[wire] = error
        self._stir.set()

    def stop(self) -> None:
        """Close every port and end the thread."""
        self._stopping.set()
        self._stir.set()
        self.thread.join(0.5)

    def states(self) -> list[dict[str, Any]]:
        """Return the state of each port of the rig when it was last looked at, as the link's `ports` has it.

        Not as it is now: what is so between a refused message and the next look would be told for ever.
        """
        return self._seen

    def _look_over(self) -> list[dict[str, Any]]:
        out: list[dict[str, Any]] = []
        for inlet in self._book.inlets:
            wanted = _wanted_text(inlet.device.input_pattern, inlet.device.input_usb)
            out.append(self._state(inlet.name, inlet, "input", wanted, self._inputs.get(inlet)))
        for outlet in self._book.outlets:
            wanted = _wanted_text(outlet.device.output_pattern, outlet.device.output_usb)
            out.append(
                self._state(outlet.name, outlet.wire, "output", wanted, self._outputs.get(outlet.wire))
            )
        return out

    def _state(
        self,
        device: str,
        way: Inlet | Wire,
        direction: str,
        pattern: str,
        port: InputPort | OutputPort | None,
    ) -> dict[str, Any]:
        error = self._errors.get(way) or self._system_error or None
        return {
            "device": device,
            "direction": direction,
            "pattern": pattern,
            "port": None if port is None else port.info.name,
            "state": "open" if port is not None else "failed" if error else "missing",
            "error": None if port is not None else error,
        }

    # The port thread

    def _run(self) -> None:
        make_thread_realtime(PORT_PRIORITY)
        try:
            self._system.watch(self.look)
        except PortError as error:
            self._system_error = str(error)
        while True:
            self._stir.wait(RETRY_S if self._errors or self._system_error else None)
            self._stir.clear()
            if self._stopping.is_set():
                break
            if self._wanted is None:
                continue
            self._wait_for_gap()
            self._scan_safely(self._wanted)
            if self._seen != (seen := self._look_over()):
                self._seen = seen
                self._changed()
            self.scanned.set()
        self._close_all()

    def _scan_safely(self, book: CompiledBook) -> None:
        try:
            self._scan(book)
        except Exception as error:  # noqa: BLE001 - no descriptor to be had, say: tried again, for devices may return
            self._system_error = f"looking for ports failed ({error}); tried every {RETRY_S:g} s"

    def _wait_for_gap(self) -> None:
        wait_ns = self._worker.show.clock.next_due_ns + _AFTER_TICK_NS - monotonic_ns()
        if 0 < wait_ns < NS_PER_S:
            sleep(wait_ns / NS_PER_S)

    def _scan(self, book: CompiledBook) -> None:
        if book is not self._book:
            self._drop_removed(book)
            self._book = book
            provide = getattr(self._system, "provide", None)
            if provide is not None:  # the simulation makes the ports that the rig asks for
                provide(book.rig.devices)
        try:
            inputs, outputs = self._system.inputs(), self._system.outputs()
            self._system_error = ""
        except PortError as error:
            inputs, outputs = [], []
            self._system_error = str(error)
        # Who wants one certain USB device comes first, so that it is not taken by who wants any of that name.
        for inlet in sorted(book.inlets, key=lambda inlet: inlet.device.input_usb == ANY_USB):
            self._tend_input(inlet, inputs)
        for wire in sorted(book.wires, key=lambda wire: wire.devices[0].output_usb == ANY_USB):
            self._tend_output(wire, outputs)

    def _tend_input(self, inlet: Inlet, listed: list[PortInfo]) -> None:
        port = self._inputs.get(inlet)
        if port is not None:
            if port.info in listed:
                return
            del self._inputs[inlet]
            port.close()
            self._worker.call(lambda now_ns: self._worker.show.input_lost(inlet, now_ns))
        taken = {other.info for other in self._inputs.values()}
        free = [port for port in listed if port not in taken]
        info = match_port(inlet.device.input_pattern, free, inlet.device.input_usb)
        if info is None:
            self._errors.pop(inlet, None)
            return
        try:
            self._inputs[inlet] = self._system.open_input(info, self._worker.receiver(inlet))
        except PortError as error:
            self._errors[inlet] = str(error)
            return
        self._errors.pop(inlet, None)
        self._worker.call(lambda now_ns: self._worker.show.input_opened(inlet, now_ns))

    def _tend_output(self, wire: Wire, listed: list[PortInfo]) -> None:
        port = self._outputs.get(wire)
        if port is not None:
            if port.info in listed and wire not in self._errors:
                return
            del self._outputs[wire]
            self._detach(wire)
            port.close()
        taken = {other.info for other in self._outputs.values()}
        free = [port for port in listed if port not in taken]
        info = match_port(wire.devices[0].output_pattern, free, wire.devices[0].output_usb)
        self._errors.pop(wire, None)
        if info is None:
            return
        try:
            opened = self._system.open_output(info)
        except PortError as error:
            self._errors[wire] = str(error)
            return
        self._outputs[wire] = opened
        self._worker.call(lambda now_ns: self._attach(wire, opened, now_ns))

    def _drop_removed(self, book: CompiledBook) -> None:
        for inlet in [inlet for inlet in self._inputs if inlet not in book.inlets]:
            self._inputs.pop(inlet).close()
        gone = [wire for wire in self._outputs if wire not in book.wires]
        for wire in gone:
            self._detach(wire)
        if gone:
            sleep(SETTLE_S)  # what the show has sent on them at last, releases above all, is still under way
        for wire in gone:
            self._outputs.pop(wire).close()

    def _close_all(self) -> None:
        for inlet in list(self._inputs):
            self._inputs.pop(inlet).close()
        # Outputs are parted by the system itself, once Stop and note-offs have left them.
        self._outputs.clear()
        self._system.close()

    def _detach(self, wire: Wire) -> None:
        """Take the port away from the worker; when this returns all has been sent on it that will be."""
        done = threading.Event()

        def detach(now_ns: int) -> None:
            if self._worker.ports.pop(wire, None) is not None:
                self._worker.show.output_lost(wire, now_ns)
            done.set()

        self._worker.call(detach)
        done.wait(0.5)

    # With the show at rest

    def _attach(self, wire: Wire, port: OutputPort, now_ns: int) -> None:
        self._worker.ports[wire] = port
        self._worker.show.output_opened(wire, port.takes_pieces, now_ns)


def _wanted_text(pattern: str, usb: Usb) -> str:
    """Return what the rig asks for, as one line for people."""
    words = [pattern]
    if usb.serial:
        words.append(f"serial {usb.serial}")
    if usb.path:
        words.append(f"usb-path {usb.path}")
    return ", ".join(words)
