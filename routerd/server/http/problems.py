"""What can go wrong with a request, as RFC 9457 problem documents.

One table: the name is the last part of the problem's type (/problems/NAME), which can be fetched and
explains itself in words.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from routerd.core.errors import UsageError

MEDIA_TYPE = "application/problem+json"


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of problem: the HTTP status, a title, and what it means and how to get out of it."""

    status: int
    title: str
    words: str


KINDS: dict[str, Kind] = {
    "malformed-json": Kind(
        400,
        "The body is not JSON",
        "The body of the request is not a JSON object in UTF-8. The detail names line and column. "
        'Write, for instance, {"number": 3}. Nothing was changed.',
    ),
    "malformed-request": Kind(
        400, "The request is not HTTP as it should be", "Header or body break the rules of HTTP."
    ),
    "wrong-key": Kind(
        400,
        "The Idempotency-Key is not one",
        'It is a string in quotes, another for each wish, such as "8e03978e-40d5-43dd-bc93-6894a57f9324". '
        "Nothing was changed.",
    ),
    "no-token": Kind(
        401,
        "A token is needed",
        "This service was started with a token. Send it as a header: Authorization: Bearer TOKEN. A page is "
        "let in by the address that `routerd stage` shows, for a week; when that is over, or the token is "
        "another, scan it again.",
    ),
    "read-only": Kind(
        403,
        "This token may read only",
        "The service has one token for those who read, another for those who change things. Nothing was "
        "changed.",
    ),
    "foreign-host": Kind(
        403,
        "Host name not allowed",
        "Without a token, and with the cookie of a page, only requests to a loopback name, to the address of "
        "this machine that they came to, to its own name (also NAME.local), to a name of its certificate or "
        "to a --host-name are answered, so that a page elsewhere cannot reach it through a name of its own.",
    ),
    "foreign-origin": Kind(
        403,
        "Origin not allowed",
        "The request comes from a web page of another origin. Only pages of this service may ask.",
    ),
    "not-found": Kind(404, "There is nothing here", "No such path. GET / lists what there is."),
    "unknown-song": Kind(
        404,
        "No such song",
        "Songs are called by their number in the set list, their title, or their file's name. "
        "GET /v1/songs lists them all.",
    ),
    "unknown-section": Kind(
        404,
        "No such section",
        "Sections belong to the song that is on; GET /v1/status lists them under song.",
    ),
    "unknown-device": Kind(
        404,
        "No such device",
        "Devices go by their names in rig.yaml, and not every one can do everything: some have no input, "
        "some no output or no transport. GET /v1/status lists their ports.",
    ),
    "unknown-step": Kind(
        404, "No such step", "Steps count from 1; GET /v1/status lists the checklist of the song that is on."
    ),
    "unknown-subject": Kind(
        404,
        "No such device or route",
        "Devices are those of rig.yaml that have an output; routes are called by their names in the files.",
    ),
    "no-soundcheck": Kind(
        404,
        "No such soundcheck",
        "None has been kept yet, or none of that name; GET /v1/soundchecks lists those that are.",
    ),
    "no-show": Kind(
        404,
        "No report of such a show",
        "No show of that name is kept, or it ended before its first report was written; GET /v1/shows lists "
        "those that are.",
    ),
    "method-not-allowed": Kind(
        405, "Not with this method", "The path exists, but not with this method; Allow names those it has."
    ),
    "not-acceptable": Kind(
        406,
        "Not in a form that you accept",
        "This path has none of the media types that the header Accept asks for; the detail says what it has. "
        "Nothing was changed.",
    ),
    "too-slow": Kind(408, "The body did not come", "The body of the request did not arrive in time."),
    "refused": Kind(
        409,
        "Not possible now",
        "The request is well formed, but the show cannot do it now, such as next after the last song. "
        "Nothing was changed.",
    ),
    "under-way": Kind(
        409,
        "The first request is not answered yet",
        "A request with the same Idempotency-Key is being answered. Wait a moment, and send it again.",
    ),
    "changed-meanwhile": Kind(
        412,
        "Changed by someone else",
        "The set list has changed since it was read (If-Match, RFC 9110). Read it again, look, and ask "
        "again with its new ETag. Nothing was changed.",
    ),
    "file-at-fault": Kind(
        409,
        "A file is not as it has to be",
        "A file of the rig folder is written, or lies, so that it cannot be changed from here. The detail "
        "names file, line and what to do. Nothing was changed.",
    ),
    "too-large": Kind(413, "The body is too large", "A body may have up to 1 000 000 bytes."),
    "unknown-coding": Kind(
        415, "Compressed bodies are not accepted", "Send the body as plain JSON, without Content-Encoding."
    ),
    "wrong-body": Kind(
        422,
        "The body does not say what it should",
        "The body is JSON, but keys or values are not what this path takes; errors lists every one. "
        "Nothing was changed.",
    ),
    "key-used": Kind(
        422,
        "This Idempotency-Key belongs to another request",
        "A key stands for one request, with its path and its body: make a new one. Nothing was changed.",
    ),
    "wrong-query": Kind(
        422, "The query does not say what it should", "What follows the ? in the address is not known here."
    ),
    "unknown-in-order": Kind(
        422,
        "The set list names songs that do not exist",
        "errors lists every one, with the nearest that exists. Nothing was changed.",
    ),
    "too-many-tries": Kind(
        429,
        "Too many wrong tokens",
        "So many wrong tokens have come from this address that none is looked at for a while, not even the "
        "right one. Pages that are in already go on.",
    ),
    "unknown-place": Kind(422, "No such place in the set list", "Places count from 1. Nothing was changed."),
    "unknown-set-list": Kind(
        422, "No such set list", "GET /v1/set-list lists the sets of the rig folder. Nothing was changed."
    ),
    "broken-files": Kind(
        422,
        "The rig folder has mistakes",
        "problems lists every one as file:line: what is wrong; what would be right. What was "
        "loaded before goes on unchanged.",
    ),
    "not-saved": Kind(
        500,
        "The file could not be written",
        "The disk or the system refuses; the detail says why. The set list stays in force, and remembered; "
        "its file is as it was.",
    ),
    "internal": Kind(
        500,
        "A mistake in routerd",
        "Something went wrong in the server; its log says more. The clock is not affected.",
    ),
    "levels-up": Kind(
        422,
        "Turn levels down first",
        "A soundcheck plays notes and sends patches. Turn amplifiers, monitors and in-ear levels down, then "
        'confirm it: {"levels_down": true}. Nothing was started.',
    ),
    "no-page": Kind(
        500,
        "The page cannot be made",
        "A report's HTML page is made by a process of its own, and that has failed; the detail says how. "
        "The same figures come as text or JSON. The clock is not affected.",
    ),
    "engine-refused": Kind(500, "The engine refuses the rig", "What was loaded before goes on unchanged."),
    "not-ready": Kind(503, "Not ready yet", "The rig folder is still being loaded; ask again in a second."),
    "too-many-readers": Kind(
        503,
        "Too many read the events",
        "The stream of events has as many readers as are let in. Close some, or ask GET /v1/status.",
    ),
    "engine-silent": Kind(
        504,
        "The engine has not answered",
        "What was asked may or may not have been done; GET /v1/status shows which. If this happens again, "
        "look into the log.",
    ),
    "disk-silent": Kind(
        504,
        "A folder does not answer",
        "The disk or network folder that this needs does not answer. The show goes on without it; look at "
        "the disk or the network, and ask again.",
    ),
}


class ProblemError(UsageError):
    """A request cannot be answered as asked. `more` are further members of the document."""

    def __init__(self, name: str, detail: str, **more: Any) -> None:
        super().__init__(name, detail)
        self.name = name
        self.detail = detail
        self.more = more


@dataclass(frozen=True, slots=True)
class ValueProblem:
    """One wrong value of a body: where (a JSON pointer, RFC 6901), what is wrong, what would be right."""

    pointer: str
    detail: str


@dataclass(frozen=True, slots=True)
class ProblemDocument:
    """A problem document (RFC 9457). `errors` and `problems` are there where there are several mistakes."""

    type: str
    title: str
    status: int
    detail: str
    instance: str
    errors: tuple[ValueProblem, ...] = field(default=())
    problems: tuple[str, ...] = field(default=())


def document_of(error: ProblemError, path: str) -> ProblemDocument:
    """Return the document that explains `error` to whoever asked for `path`."""
    kind = KINDS[error.name]
    return ProblemDocument(
        f"/problems/{error.name}", kind.title, kind.status, error.detail, path, **error.more
    )


def words_of(name: str) -> str:
    """Return the page of a kind of problem; raises KeyError."""
    kind = KINDS[name]
    return f"{kind.title} (HTTP status {kind.status})\n\n{kind.words}\n"
