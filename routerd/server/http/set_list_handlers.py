"""The set list over HTTP: read, replaced, edited, taken back, written to its file.

Every answer carries the order's revision as a strong entity tag; a request with If-Match is refused when
somebody else has changed the order meanwhile (RFC 9110, 8.8.3 and 13.1.1). Without it the last one wins.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from time import monotonic_ns
from typing import Annotated, Protocol, TypeVar

from aiohttp import web
from pydantic import Field

from routerd.core.errors import NotFoundError
from routerd.core.model import events
from routerd.core.model import set_list as edits
from routerd.core.model.set_list import SetList
from routerd.errand import StuckError
from routerd.server.http.bodies import (
    Body,
    Line,
    Nothing,
    Number,
    NumberOrLine,
    OrLeftOut,
    known_song,
)
from routerd.server.http.command_handlers import PROBLEMS
from routerd.server.http.negotiation import IF_MATCH, IF_NONE_MATCH
from routerd.server.http.operation import Call, Handler, Operations, json_response
from routerd.server.http.problems import ProblemError, ValueProblem
from routerd.server.http.shapes import SetListDocument
from routerd.server.rigfiles.problems import quote, suggest
from routerd.server.status import set_list_document
from routerd.server.view import View

OPERATIONS = Operations("set-list")
EDIT_PROBLEMS = (*PROBLEMS, "changed-meanwhile")

H = TypeVar("H", bound=Handler)

Edit = Callable[[SetList], SetList]


@dataclass(frozen=True, slots=True)
class Saved:
    """The file within the rig folder that the set list was written to."""

    file: str


class MoveBody(Body):
    """A song of the set list, by its number there (from 1) or by title or file name, and the number it
    gets."""

    song: NumberOrLine
    to: Number


class InsertBody(Body):
    """A song by title or file name, or by a number that it has in the set list, and the number that it
    gets; right behind the song that is on when left out."""

    song: NumberOrLine
    to: OrLeftOut[Number] = None


class DropBody(Body):
    """A song of the set list, by its number there (from 1) or by title or file name."""

    song: NumberOrLine


class EncoreBody(Body):
    """The song that the encore begins with, by its number (from 1) or by title or file name; no encore when
    left out."""

    song: OrLeftOut[NumberOrLine] = None


class SetListBody(Body):
    """A set list of titles or file names, `encore` of them at its end the encore, and its name, where that
    changes; or only the name of another set of the rig folder."""

    WAYS = (("order", "encore", "name"), ("name",))
    order: OrLeftOut[Annotated[list[Line], Field(min_length=1, max_length=10_000)]] = None
    encore: Annotated[int, Field(ge=0, le=999)] = 0
    name: OrLeftOut[Line] = None


def _edit(
    word: str, summary: str, body: type[Body], *, example: str = "", problems: tuple[str, ...] = ()
) -> Callable[[H], H]:
    """Declare the handler below as what is done on POST /v1/set-list/`word`."""
    path, problems = f"/v1/set-list/{word}", (*EDIT_PROBLEMS, *problems)
    return OPERATIONS.add(
        "POST",
        path,
        summary,
        SetListDocument,
        body=body,
        example=example,
        parameters=(IF_MATCH,),
        sends=("ETag",),
        problems=problems,
        brief=True,
    )


def tags_in(header: str) -> list[str]:
    """Return the entity tags of an If-Match or If-None-Match header."""
    return [tag.strip() for tag in header.split(",")]


def known_place(view: View, song: int | str) -> int:
    """Return the number (from 1) in the set list of a song given by number or words.

    Raises ProblemError where words name no song, one that is not in it, or one that is in it more than once.
    """
    if isinstance(song, int):
        return song
    identifier = known_song(view, song)
    numbers = [number for number, one in enumerate(view.set_list.order, 1) if one == identifier]
    if not numbers:
        raise ProblemError("unknown-place", f"{quote(song)} is not in the set list")
    if len(numbers) > 1:
        places = " and ".join(str(number) for number in numbers)
        raise ProblemError("unknown-place", f"{quote(song)} is number {places} of the set list; say which")
    return numbers[0]


def known_order(view: View, words: list[str]) -> tuple[str, ...]:
    """Return the identifiers of the songs that `words` name; raises ProblemError."""
    found = [view.find_song(word) for word in words]
    known = view.words_for_songs()
    errors = tuple(
        ValueProblem(f"/order/{index}", f"there is no song {quote(word)}; {suggest(word, known)}")
        for index, (word, identifier) in enumerate(zip(words, found, strict=True))
        if identifier is None
    )
    if errors:
        raise ProblemError("unknown-in-order", "; ".join(one.detail for one in errors[:5]), errors=errors)
    return tuple(identifier for identifier in found if identifier is not None)


class RunningOrder(Protocol):
    """Who has the set list changed; see routerd.server.rig_loader."""

    async def change_order(self, edit: Edit, base: SetList | None = None) -> tuple[SetList, SetList]:
        """Give tonight what `edit` makes of the present order; return both."""

    async def undo_order(self, check: Callable[[SetList], None]) -> None:
        """Take the last change back, unless `check` of the present order raises."""

    async def save_order(self) -> str:
        """Write it into its file; return the file's name."""


class SetListHandlers:
    """Reads the set list of `view` and has it changed."""

    def __init__(self, view: View, order: RunningOrder, emit: Callable[[events.AnyEvent], None]) -> None:
        self._view = view
        self._order = order
        self._emit = emit

    @property
    def _tag(self) -> str:
        """The entity tag of the set list: which engine, and which of its revisions."""
        view = self._view
        return f'"{view.hello.started_ns:x}-{view.snapshot.order_revision}"'

    def _answer(self) -> web.Response:
        return json_response(set_list_document(self._view), headers={"ETag": self._tag})

    @OPERATIONS.add(
        "GET",
        "/v1/set-list",
        "Tonight's set list; its ETag is its revision, and guards edits as If-Match",
        SetListDocument,
        parameters=(IF_NONE_MATCH,),
        statuses=(200, 304),
        sends=("ETag",),
    )
    async def read(self, call: Call[Nothing]) -> web.Response:
        """The order with its encore, and the names of the other sets of the rig folder. Its ETag names this
        revision: give it as If-Match with a change, and nobody else's change is undone by yours unseen."""
        header = call.request.headers.get("If-None-Match")
        given = [] if header is None else tags_in(header)
        # weak comparison (RFC 9110, 13.1.2)
        if "*" in given or self._tag in [tag.removeprefix("W/") for tag in given]:
            return web.Response(status=304, headers={"ETag": self._tag})
        return self._answer()

    @OPERATIONS.add(
        "PUT",
        "/v1/set-list",
        "Change the set list, or take another one; the song that is on stays on",
        SetListDocument,
        body=SetListBody,
        example='{"order": ["Weather Room", "Copper Ferry"]}',
        parameters=(IF_MATCH,),
        sends=("ETag",),
        problems=(*EDIT_PROBLEMS, "unknown-in-order", "unknown-set-list", "unknown-place"),
        brief=True,
    )
    async def put(self, call: Call[SetListBody]) -> web.Response:
        """Another order for tonight, or another set list of the rig folder. What sounds is not touched; the
        file changes only when it is saved."""
        view, body = self._view, call.body
        if body.order is None:
            chosen = view.find_set_list(str(body.name))
            if chosen is None:
                remedy = suggest(str(body.name), [one.name for one in view.set_lists])
                raise ProblemError("unknown-set-list", f"there is no set list {quote(body.name)}; {remedy}")
            await self._change(call, lambda _: chosen, base=chosen)
            return self._answer()
        wanted = known_order(view, body.order)
        if body.encore and body.encore >= len(wanted):
            raise ProblemError("unknown-place", f"an encore of {body.encore} leaves no song before it")
        await self._change(
            call, lambda now: replace(now, name=body.name or now.name, order=wanted, encore=body.encore)
        )
        return self._answer()

    @_edit(
        "move",
        "Move a song of the set list",
        MoveBody,
        example='{"song": 3, "to": 1}',
        problems=("unknown-place", "unknown-song"),
    )
    async def move(self, call: Call[MoveBody]) -> web.Response:
        """A song goes to another number of the order; those between move up or down."""
        return await self._change_songs(
            call, lambda now: edits.move(now, known_place(self._view, call.body.song), call.body.to)
        )

    @_edit(
        "insert",
        "Put any song of the library into the set list",
        InsertBody,
        example='{"song": "Low Tide", "to": 2}',
        problems=("unknown-place", "unknown-song"),
    )
    async def insert(self, call: Call[InsertBody]) -> web.Response:
        """A song of the library goes in at a number, or right behind the one that is on; it may be in the
        order more than once."""
        snapshot, words, to = self._view.snapshot, call.body.song, call.body.to
        behind = snapshot.gap if snapshot.index is None else snapshot.index + 1

        def insert(now: SetList) -> SetList:
            song = edits.song_at(now, words) if isinstance(words, int) else known_song(self._view, words)
            return edits.insert(now, song, to or behind + 1)

        await self._change(call, insert)
        return self._answer()

    @_edit(
        "drop",
        "Take a song out of the set list",
        DropBody,
        example='{"song": 2}',
        problems=("unknown-place", "unknown-song"),
    )
    async def drop(self, call: Call[DropBody]) -> web.Response:
        """A song leaves the order. If it is on, it stays on until another is chosen."""
        return await self._change_songs(
            call, lambda now: edits.drop(now, known_place(self._view, call.body.song))
        )

    @_edit(
        "encore",
        "Say where the encore begins",
        EncoreBody,
        example='{"song": 3}',
        problems=("unknown-place", "unknown-song"),
    )
    async def encore(self, call: Call[EncoreBody]) -> web.Response:
        """The encore is the end of the order, from this song on; without a song there is none."""
        song = call.body.song
        await self._change(
            call, lambda now: edits.begin_encore(now, None if song is None else known_place(self._view, song))
        )
        return self._answer()

    @_edit("undo", "Take the last change of the set list back", Nothing)
    async def undo(self, call: Call[Nothing]) -> web.Response:
        """The order as it was before the last change, also before a restart; up to twenty changes back."""
        await self._order.undo_order(lambda _: self._check(call))
        return self._answer()

    @OPERATIONS.add(
        "POST",
        "/v1/set-list/save",
        "Write the set list into its file, comments and all else left alone",
        Saved,
        body=Nothing,
        parameters=(IF_MATCH,),
        sends=("ETag",),
        problems=("changed-meanwhile", "file-at-fault", "not-saved", "disk-silent"),
    )
    async def save(self, call: Call[Nothing]) -> web.Response:
        """The order, the encore and its name go into the file of the set, or into a new one under its
        name."""
        self._check(call)
        tag = self._tag
        try:
            saved = Saved(await self._order.save_order())
        except StuckError:
            raise
        except PermissionError as error:
            what = f"{error.filename or 'the folder sets'}: {error.strerror}"
            raise ProblemError("file-at-fault", f"{what}; give this user the right to write there") from error
        except OSError as error:
            raise ProblemError("not-saved", str(error)) from error
        return json_response(saved, headers={"ETag": tag})

    async def _change_songs(self, call: Call[Body], edit: Edit) -> web.Response:
        """Move songs or take them out; that this has left no encore is reported, as nobody asked for it."""
        before, after = await self._change(call, edit)
        if before.encore and not after.encore:
            title = self._view.title(before.order[-1])
            self._emit(events.EncoreGone(monotonic_ns(), title))
        return self._answer()

    def _check(self, call: Call[Body]) -> None:
        """Raise ProblemError where If-Match names another revision than the present one."""
        given = ", ".join(call.request.headers.getall("If-Match", []))
        if given and "*" not in tags_in(given) and self._tag not in tags_in(given):
            raise ProblemError("changed-meanwhile", f"the set list is {self._tag} by now, not {quote(given)}")

    async def _change(
        self, call: Call[Body], edit: Edit, base: SetList | None = None
    ) -> tuple[SetList, SetList]:
        """Change the set list; return it as it was and as it is."""

        def guarded(now: SetList) -> SetList:
            self._check(call)
            try:
                return edit(now)
            except NotFoundError as error:
                raise ProblemError("unknown-place", str(error)) from error

        return await self._order.change_order(guarded, base)
