"""What the engine counts, as the server hears it once a second."""

from __future__ import annotations

from time import monotonic_ns, process_time_ns

from routerd.engine.worker import Worker


def traffic_of(worker: Worker) -> dict[str, object]:
    """Return the body of the link's `traffic`."""
    recorder, book = worker.recorder, worker.show.book
    return {
        "at_ns": monotonic_ns(),
        "outputs": [[w.name, w.messages_sent, w.bytes_sent, w.queued, w.thinned] for w in book.wires],
        "inputs": [[input.name, input.received] for input in book.inputs],
        "took": recorder.take_times(),
        "cpu_ns": process_time_ns(),
        "taps_dropped": recorder.dropped,
    }


def counters_of(worker: Worker, **more: int) -> dict[str, int]:
    """Return the body of the link's `counters`; `more` is counted elsewhere."""
    book = worker.show.book
    return {
        "messages_in": worker.received,
        "messages_out": worker.sent,
        "malformed_messages": more.pop("malformed") + sum(input.malformed for input in book.inputs),
        "messages_dropped": sum(wire.dropped for wire in book.wires)
        + sum(input.withheld for input in book.inputs),
        "messages_thinned": sum(wire.thinned for wire in book.wires),
        "messages_queued": sum(wire.queued for wire in book.wires),
        "most_queued_on_a_port": max((wire.most_queued for wire in book.wires), default=0),
        "messages_ungated": sum(wire.ungated for wire in book.wires),
        "faults": worker.faults,
        "events_dropped": worker.outbox_dropped,
        **more,
    }
