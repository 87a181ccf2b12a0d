"""The stage page as it is served: its files, read once at start, and the headers that keep it to itself.

`/stage` is the player's view (index.html), `/stage/technician` the technician's (technician.html), and
everything that they load lies at `/stage/NAME`. What may be asked for are the files of this folder when the
server started, by name: no path of a request ever reaches a disk. They hold nothing of any rig, so they are
served without a token; what they show they ask the API for.

A browser asks each time whether a file has changed (`no-cache`) and is answered 304 as long as it has not.
"""

from __future__ import annotations

import gzip
import hashlib
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from aiohttp import web

from routerd.server.http.bodies import Nothing
from routerd.server.http.negotiation import IF_NONE_MATCH, SMALLEST_GZIP_BYTES, Parameter, takes_gzip
from routerd.server.http.operation import HTML, Call, Operations
from routerd.server.http.problems import ProblemError
from routerd.server.rigfiles.problems import quote, suggest

OPERATIONS = Operations("access")

TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".webmanifest": "application/manifest+json",
    ".svg": "image/svg+xml",
    ".png": "image/png",
}
"""What a file of the page may be, by the end of its name (RFC 9239 for JavaScript)."""

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "manifest-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
"""Content Security Policy Level 3: nothing from elsewhere, nothing inline, no frame around it."""

_HEADERS = {
    "Cache-Control": "no-cache",
    "Content-Security-Policy": POLICY,
    "Referrer-Policy": "no-referrer",
    "Vary": "Accept-Encoding",
    "X-Content-Type-Options": "nosniff",
}

_FOLDER = Path(__file__).parent


@dataclass(frozen=True, slots=True)
class Asset:
    """A file of the page as it is sent: plain, and compressed where that is smaller (else None)."""

    media: str
    plain: bytes
    compressed: bytes | None
    etag: str
    """Of the plain form, without quotes; the compressed form has its own (RFC 9110, 8.8.3.3)."""

    @classmethod
    def of(cls, name: str, plain: bytes) -> Asset:
        """Return the file `name` with this content."""
        compressed = gzip.compress(plain, mtime=0) if len(plain) >= SMALLEST_GZIP_BYTES else None
        if compressed is not None and len(compressed) >= len(plain):
            compressed = None
        return cls(TYPES[Path(name).suffix], plain, compressed, hashlib.sha256(plain).hexdigest()[:20])


def read_assets(folder: Path = _FOLDER) -> dict[str, Asset]:
    """Return the files of the page by name; blocks for as long as the disk does."""
    found = sorted(path for path in folder.iterdir() if path.suffix in TYPES)
    return {path.name: Asset.of(path.name, path.read_bytes()) for path in found}


_serve = partial(
    OPERATIONS.add,
    "GET",
    media=(HTML,),
    parameters=(IF_NONE_MATCH,),
    sends=("ETag",),
    needs_rig=False,
    public=True,
    statuses=(200, 304),
)


class StageHandlers:
    """Answers with `assets`."""

    def __init__(self, assets: dict[str, Asset]) -> None:
        self._assets = assets

    @_serve("/stage", "The stage page for a tablet, the player's view")
    async def player(self, call: Call[Nothing]) -> web.Response:
        """What a player wants to see from where they stand, and press: an HTML page for a tablet."""
        return self._answer(call.request, "index.html")

    @_serve("/stage/technician", "The stage page, the technician's view")
    async def technician(self, call: Call[Nothing]) -> web.Response:
        """What a technician wants to see and do at the side of the stage: an HTML page for a tablet."""
        return self._answer(call.request, "technician.html")

    @_serve(
        "/stage/{name}",
        "A file that the stage page loads",
        media=tuple(media.partition(";")[0] for media in TYPES.values()),
        parameters=(IF_NONE_MATCH, Parameter("name", "The file's name", "stage.css", place="path")),
        problems=("not-found",),
    )
    async def file(self, call: Call[Nothing]) -> web.Response:
        """A style sheet, a script, an icon, the manifest."""
        return self._answer(call.request, call.request.match_info["name"])

    def _answer(self, request: web.Request, name: str) -> web.Response:
        asset = self._assets.get(name)
        if asset is None:
            raise ProblemError(
                "not-found", f"the stage page has no file {quote(name)}; {suggest(name, self._assets)}"
            )
        headers = dict(_HEADERS)
        body, etag = asset.plain, f'"{asset.etag}"'
        if asset.compressed is not None and takes_gzip(request.headers.get("Accept-Encoding", "")):
            body, etag = asset.compressed, f'"{asset.etag}-gzip"'
            headers["Content-Encoding"] = "gzip"
        headers["ETag"] = etag
        if _names(request.headers.getall("If-None-Match", []), etag):
            headers.pop("Content-Encoding", None)
            return web.Response(status=304, headers=headers)
        return web.Response(body=body, headers={**headers, "Content-Type": asset.media})


def _names(given: list[str], etag: str) -> bool:
    """Return whether If-None-Match names this tag or any, by weak comparison (RFC 9110, 13.1.2)."""
    tags = [tag.strip().removeprefix("W/") for one in given for tag in one.split(",")]
    return "*" in tags or etag in tags
