"""What one operation of the API is: a method of a path, what it takes and what it answers."""

from __future__ import annotations

from dataclasses import dataclass

from routerd.server.http.bodies import Body
from routerd.server.http.handlers import Handler

JSON, TEXT, HTML, STREAM = "application/json", "text/plain", "text/html", "text/event-stream"
METRICS = "application/openmetrics-text"


@dataclass(frozen=True, slots=True)
class Operation:
    """One method of one path.

    `answer` is the class of the JSON answer, or the name of a schema of the document; `media` are the
    types it may come in, `statuses` those it may come with. `example` is a body for the help. Without
    `needs_book` it answers at all times.
    """

    method: str
    path: str
    handler: Handler
    summary: str
    answer: type | str | None = None
    media: tuple[str, ...] = (JSON,)
    body: type[Body] | None = None
    example: str = ""
    query: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()
    needs_book: bool = True
    statuses: tuple[int, ...] = (200,)
