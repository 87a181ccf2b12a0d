"""The running order over HTTP: read, replaced, edited, taken back, written to its file.

Every answer carries the order's revision as a strong entity tag; a request with If-Match is refused when
somebody else has changed the order meanwhile (RFC 9110, 8.8.3 and 13.1.1). Without it the last one wins.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from time import monotonic_ns

from aiohttp import web

from routerd.core.errors import CommandError, NotFoundError
from routerd.core.model import set_list as edits
from routerd.core.model.set_list import SetList
from routerd.server.app import App
from routerd.server.http.answers import json_response
from routerd.server.http.bodies import DropBody, EncoreBody, InsertBody, MoveBody, SetListBody
from routerd.server.http.handlers import Call, known_order, known_song
from routerd.server.http.problems import ProblemError
from routerd.server.http.shapes import Saved
from routerd.server.rigfiles.problems import choose, shown
from routerd.server.rigfiles.set_file import SaveError
from routerd.server.status import set_list_document

Edit = Callable[[SetList], SetList]


def tag_of(app: App) -> str:
    """Return the entity tag of the running order: which engine, and which of its revisions."""
    return f'"{app.view.hello["started_ns"]:x}-{app.view.snapshot["order_revision"]}"'


def tags_in(header: str) -> list[str]:
    """Return the entity tags of an If-Match or If-None-Match header."""
    return [tag.strip() for tag in header.split(",")]


def _answer(app: App) -> web.Response:
    return json_response(set_list_document(app.view), headers={"ETag": tag_of(app)})


async def get_set_list(call: Call) -> web.Response:
    """Tonight's running order, or 304 when If-None-Match names it."""
    given = call.request.headers.get("If-None-Match")
    tag = tag_of(call.app)
    # weak comparison (RFC 9110, 13.1.2)
    if given is not None and ("*" in tags_in(given) or tag in [t.removeprefix("W/") for t in tags_in(given)]):
        return web.Response(status=304, headers={"ETag": tag})
    return _answer(call.app)


async def _edit(call: Call, edit: Edit, base: SetList | None = None) -> web.Response:
    await _change(call, edit, base)
    return _answer(call.app)


async def _edit_songs(call: Call, edit: Edit) -> web.Response:
    """Move songs or take them out; that this has left no encore is reported, for nobody has asked for it."""
    before, after = await _change(call, edit)
    if before.encore and not after.encore:
        title = call.app.view.title(before.order[-1])
        call.app.tell({"kind": "encore-gone", "at_ns": monotonic_ns(), "last_song": title})
    return _answer(call.app)


async def _change(call: Call, edit: Edit, base: SetList | None = None) -> tuple[SetList, SetList]:
    """Change the running order; return it as it was and as it is."""
    app = call.app
    async with app.changing:
        given = call.request.headers.get("If-Match")
        if given is not None and "*" not in tags_in(given) and tag_of(app) not in tags_in(given):
            raise ProblemError(
                "changed-meanwhile", f"the running order is {tag_of(app)} by now, not {shown(given)}"
            )
        before = app.view.set_list
        try:
            changed = edit(before)
        except NotFoundError as error:
            raise ProblemError("unknown-place", str(error)) from error
        await app.set_order(changed, base)
    return before, changed


async def put_set_list(call: Call) -> web.Response:
    """Another running order, or another set of the folder."""
    app = call.app
    body: SetListBody = call.body
    if body.order is None:
        chosen = app.view.find_set_list(str(body.name))
        if chosen is None:
            names = [one.name for one in app.view.set_lists]
            remedy = choose(str(body.name), names)
            raise ProblemError("unknown-set-list", f"there is no set list {shown(body.name)}; {remedy}")
        return await _edit(call, lambda _: chosen, base=chosen)
    wanted = known_order(app, body.order)
    if body.encore and body.encore >= len(wanted):
        raise ProblemError("unknown-place", f"an encore of {body.encore} leaves no song before it")
    return await _edit(
        call, lambda now: replace(now, name=body.name or now.name, order=wanted, encore=body.encore)
    )


async def post_move(call: Call) -> web.Response:
    """Move a song."""
    body: MoveBody = call.body
    return await _edit_songs(call, lambda now: edits.move(now, body.number, body.to))


async def post_insert(call: Call) -> web.Response:
    """Put a song in: at a place, or right behind the one that is on."""
    body: InsertBody = call.body
    song = known_song(call.app, body.song)
    snapshot = call.app.view.snapshot
    behind = snapshot["gap"] if snapshot["index"] is None else snapshot["index"] + 1
    return await _edit(call, lambda now: edits.insert(now, song, body.to or behind + 1))


async def post_drop(call: Call) -> web.Response:
    """Take a song out."""
    body: DropBody = call.body
    return await _edit_songs(call, lambda now: edits.drop(now, body.number))


async def post_encore(call: Call) -> web.Response:
    """Say where the encore begins."""
    body: EncoreBody = call.body
    return await _edit(call, lambda now: edits.begin_encore(now, body.number))


async def post_undo(call: Call) -> web.Response:
    """Take the last change of the order back."""
    app = call.app
    async with app.changing:
        earlier = app.keeper.undo[-1] if app.keeper.undo else None
        if earlier is None:
            raise CommandError("there is no change of the running order to take back")
        gone = [name for name in earlier.order if name not in app.view.songs]
        if gone:
            raise CommandError(f"song {gone[0]!r} of the order before is no longer there")
        await app.set_order(earlier, undoing=True)
    return _answer(app)


async def post_save(call: Call) -> Saved:
    """Write the running order into its file."""
    app = call.app
    async with app.rig_files:
        set_list = app.view.set_list
        try:
            file = await app.rig_disk.do(lambda: app.save_set(set_list))
        except (SaveError, OSError) as error:
            raise ProblemError("not-saved", str(error)) from error
        app.saved(set_list)
    return Saved(file)
