"""What can be asked of the show over HTTP; each answers with the status once it is done.

Operations and bodies are made from the table of actions: POST /v1/WORD for each action's word, with the keys
of its argument in the body.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from enum import StrEnum
from inspect import cleandoc
from types import NoneType
from typing import Annotated, Any, Literal, Protocol, get_args, get_type_hints

from pydantic import AfterValidator, create_model

from routerd.core.errors import CommandError, NotFoundError
from routerd.core.model.actions import (
    ACTIONS,
    Action,
    AnyArgument,
    Argument,
    Row,
    SectionWord,
    SongWord,
    Tempo,
    TempoChange,
)
from routerd.core.model.commands import NOW, Command
from routerd.server.http.bodies import (
    Body,
    Bpm,
    Line,
    Moment,
    Nothing,
    Number,
    NumberOrLine,
    Step,
    known_song,
    or_left_out,
)
from routerd.server.http.operation import Call, Operations
from routerd.server.http.problems import ProblemError
from routerd.server.http.shapes import Learning, Status
from routerd.server.rigfiles.problems import quote, suggest
from routerd.server.status import learning_of
from routerd.server.view import View

OPERATIONS = Operations("commands")

PROBLEMS = ("refused", "engine-silent")
"""What every command may be answered."""

_LEAVES: dict[Any, Any] = {
    SongWord: NumberOrLine,
    SectionWord: NumberOrLine,
    Tempo: Bpm,
    TempoChange: Step,
    int: Number,
    str: Line,
    bool: bool,
    NoneType: None,
}
"""How a field of an argument is read, by its type."""


class Commands(Protocol):
    """Who has the show do something; see routerd.server.link_client."""

    async def command(self, command: Command) -> None:
        """Have a command carried out."""


def body_of(argument: type[Argument] | None, *, armable: bool, undone: bool) -> type[Body]:
    """Return the model of a body: the keys of an argument; `when` where it can be armed; `on` where it can be
    undone."""
    base: type[Body] = Moment if armable else Nothing
    if argument is None:
        return base
    hints = get_type_hints(argument, include_extras=True)
    needed = argument.needed()
    leaves: dict[str, Any] = {}
    for key in argument.names():
        leaf, default = _leaf(hints[key]), argument.__dataclass_fields__[key].default
        may_be_left_out = key not in needed and default is None
        leaves[key] = (or_left_out(leaf) if may_be_left_out else leaf, ... if key in needed else default)
    if undone:
        leaves["on"] = (bool, True)
    doc = cleandoc(argument.__doc__ or "")
    model: type[Body] = create_model(
        f"{argument.__name__.removeprefix('To')}Body", __base__=base, __doc__=doc, **leaves
    )
    model.WAYS = tuple((key,) for key in argument.one_of)
    return model


def _leaf(hint: Any) -> Any:
    if hint in _LEAVES:
        return _LEAVES[hint]
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        return Annotated[Literal[tuple(word.value for word in hint)], AfterValidator(_reader(hint))]
    leaves = [_leaf(one) for one in get_args(hint)]
    made = leaves[0]
    for leaf in leaves[1:]:
        made |= leaf
    return made


def _reader(words: type[StrEnum]) -> Callable[[str], StrEnum]:
    """Return what makes one of an enumeration out of its word.

    A function of one argument, as pydantic wants it: since Python 3.12 an enumeration takes any number.
    """

    def read(word: str) -> StrEnum:
        return words(word)

    return read


def known_section(view: View, words: str) -> str:
    """Return the name of the section of the song that is on; raises ProblemError."""
    song = view.song
    names = [] if song is None else [section.name for section in song.sections]
    name = next((name for name in names if name.casefold() == words.casefold()), None)
    if name is None:
        where = "no song is on" if song is None else f"{song.title} has no section {quote(words)}"
        raise ProblemError("unknown-section", f"{where}; {suggest(words, names)}")
    return name


def argument_of(row: Row, body: Body, view: View) -> AnyArgument | None:
    """Return what a body says, with its songs and sections found; raises ProblemError and CommandError."""
    if row.argument is None:
        return None
    hints = get_type_hints(row.argument, include_extras=True)
    said = {key: value for key, value in body if key in row.argument.names()}
    for key, value in said.items():
        if isinstance(value, str) and hints[key] in (SongWord, SongWord | None):
            said[key] = known_song(view, value)
        elif isinstance(value, str) and hints[key] == SectionWord:
            said[key] = known_section(view, value)
    try:
        return row.argument(**said)
    except ValueError as error:
        raise CommandError(str(error)) from error


@dataclass(frozen=True, slots=True)
class LearningDocument:
    """The last round of learning since the service was started, or null."""

    learning: Learning | None


def words_of(row: Row) -> str:
    """Return what the document says of an action besides its summary."""
    argument = cleandoc(row.argument.__doc__ or "").partition("\n\n")[0] if row.argument else ""
    said = [" ".join(argument.split())] if argument else []
    if row.undo is not None:
        said.append('`"on": false` takes it back.')
    if row.armable:
        said.append("It can wait: `when` says for what, and what is armed is in the status until then.")
    return " ".join([*said, "The answer comes when it is done, or armed."])


class CommandHandlers:
    """Has `commands` done, or the rig folder read again, and answers with `status`."""

    def __init__(
        self,
        view: View,
        commands: Commands,
        status: Callable[[], Status],
        reload: Callable[[], Awaitable[None]],
    ) -> None:
        self._view = view
        self._commands = commands
        self._status = status
        self._reload = reload

    async def act(self, call: Call[Body]) -> Status:
        """Do what the path names."""
        await self._do(call)
        return self._status()

    async def learn(self, call: Call[Body]) -> LearningDocument:
        """Learn from the next message."""
        await self._do(call)
        return self._learnt()

    async def _do(self, call: Call[Body]) -> None:
        action, body = Action(call.path.rpartition("/")[2]), call.body
        row = ACTIONS[action]
        argument = argument_of(row, body, self._view)
        said = dict(body)
        if row.undo is not None and not said["on"]:
            action = row.undo
        try:
            await self._commands.command(Command(action, argument, said.get("when", NOW)))
        except NotFoundError as error:
            raise ProblemError(row.problems[-1] if row.problems else "not-found", str(error)) from error

    @OPERATIONS.add("GET", "/v1/learn", "What was learnt last", LearningDocument)
    async def get_learn(self, _call: Call[Nothing]) -> LearningDocument:
        """The message that was heard, and the line that it makes in rig.yaml."""
        return self._learnt()

    @OPERATIONS.add(
        "POST",
        "/v1/reload",
        "Read the rig folder again; mistakes change nothing",
        Status,
        body=Nothing,
        problems=(*PROBLEMS, "broken-files", "engine-refused"),
        brief=True,
    )
    async def reload(self, _call: Call[Nothing]) -> Status:
        """Every file is checked first; with a mistake in any of them everything stays as it is. What sounds
        goes on, and the song that is on stays on."""
        await self._reload()
        return self._status()

    def _learnt(self) -> LearningDocument:
        return LearningDocument(learning_of(self._view.snapshot.learning))


for _action, _row in ACTIONS.items():
    if _row.over_http:
        OPERATIONS.add(
            "POST",
            f"/v1/{_action}",
            _row.summary,
            LearningDocument if _action is Action.LEARN else Status,
            body=body_of(_row.argument, armable=_row.armable, undone=_row.undo is not None),
            example=_row.example,
            problems=(*PROBLEMS, *_row.problems),
            brief=_action is not Action.LEARN,
            words=words_of(_row),
        )(CommandHandlers.learn if _action is Action.LEARN else CommandHandlers.act)
