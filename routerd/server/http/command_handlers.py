"""What can be asked of the show over HTTP; each answers with the status once it is done."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Literal, Protocol, TypeVar

from routerd.core.errors import NotFoundError
from routerd.core.routing.mutes import DEVICE, ROUTE
from routerd.server.http.bodies import (
    Body,
    Bpm,
    Line,
    Moment,
    Nothing,
    Number,
    Step,
    known_section,
    known_song,
)
from routerd.server.http.operation import Call, Handler, Operations
from routerd.server.http.problems import ProblemError
from routerd.server.http.shapes import LearningDocument, Status
from routerd.server.status import learning_of
from routerd.server.view import View

OPERATIONS = Operations()

H = TypeVar("H", bound=Handler)

PROBLEMS = ("refused", "engine-silent")
"""What every command may be answered."""


class Commands(Protocol):
    """Who has the show do something; see routerd.server.link_client."""

    async def command(self, action: str, argument: int | str | None = None, when: str = "now") -> None:
        """Have a command carried out."""

    async def check(self, song: str | None, number: int | None, *, done: bool) -> None:
        """Tick an item of a checklist."""


class ContinueBody(Moment):
    """From where it was stopped, or from a bar (from 1) of the song."""

    bar: Number | None = None


class SongBody(Moment):
    """A song by its number in the running order (from 1), or by title or file name."""

    ONE_OF = ("number", "title")
    number: Number | None = None
    title: Line | None = None


class SectionBody(Moment):
    """A section of the song that is on, by name or by number (from 1)."""

    ONE_OF = ("name", "number")
    name: Line | None = None
    number: Number | None = None


class TempoBody(Moment):
    """A tempo."""

    bpm: Bpm


class TapBody(Body):
    """A tap. The tempo is rounded to `round` BPM, a hundredth when left out."""

    round: Step | None = None


class NudgeBody(Body):
    """By how many BPM tempo changes."""

    by: Step


class RetriggerBody(Body):
    """One device's sequence, from the top: on the next bar, or when its own sequence comes round."""

    device: Line
    at: Literal["bar", "cycle"] = "bar"


class ClickBody(Body):
    """Whether the click sounds without transport."""

    on: bool


class SourceBody(Body):
    """A device to follow, or null to lead; it holds until another song is entered."""

    device: Line | None


class MuteBody(Moment):
    """A device that sounds, or the routes of one name, and whether to mute (or solo) it or no longer."""

    ONE_OF = ("device", "route")
    device: Line | None = None
    route: Line | None = None
    on: bool = True


class CheckBody(Body):
    """An item of a checklist by its number from 1 (the next open one when left out), of the song that is on
    or of another; done, or not done after all."""

    number: Number | None = None
    song: Line | None = None
    done: bool = True


class LearnBody(Body):
    """What to learn from the next message: a control, or a pedal that is moved to both ends; or nothing."""

    what: Literal["control", "pedal", "nothing"] = "control"


def _command(
    action: str, summary: str, body: type[Body], *, example: str = "", problems: tuple[str, ...] = ()
) -> Callable[[H], H]:
    """Declare the handler below as what is done on POST /v1/`action`."""
    path, problems = f"/v1/{action}", (*PROBLEMS, *problems)
    return OPERATIONS.add("POST", path, summary, Status, body=body, example=example, problems=problems)


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

    @_command("next", "The next song", Moment)
    @_command("previous", "The previous song", Moment)
    @_command("next-section", "The next section of the song", Moment)
    @_command("previous-section", "The previous section of the song", Moment)
    @_command("go", "Do what is armed, now", Nothing)
    @_command("cancel", "Forget what is armed", Nothing)
    @_command("start", "Start from the top", Moment)
    @_command("stop", "Stop, and forget what is armed", Moment)
    @_command("song-tempo", "The song's own tempo again, instead of one that was set by hand", Moment)
    @_command("half", "Half the tempo", Nothing)
    @_command("double", "Twice the tempo", Nothing)
    @_command("panic", "End all that sounds and forget what is armed; transport goes on", Nothing)
    @_command("silence", "Stop, end all that sounds and forget what is armed, at once", Nothing)
    async def act(self, call: Call[Moment | Nothing]) -> Status:
        """Do what needs no argument: the path names it."""
        when = call.body.when if isinstance(call.body, Moment) else "now"
        return await self._do(call.path.rpartition("/")[2], None, when)

    async def _do(self, action: str, argument: int | str | None = None, when: str = "now") -> Status:
        await self._commands.command(action, argument, when)
        return self._status()

    @_command("continue", "Go on from where it was stopped, or from a bar", ContinueBody)
    async def go_on(self, call: Call[ContinueBody]) -> Status:
        """Continue."""
        return await self._do("continue", call.body.bar, call.body.when)

    @_command(
        "song",
        "A song by number or title",
        SongBody,
        example='{"title": "Weather Room"}',
        problems=("unknown-song",),
    )
    async def song(self, call: Call[SongBody]) -> Status:
        """Go to a song."""
        argument: int | str | None = call.body.number
        if call.body.title is not None:
            argument = known_song(self._view, call.body.title)
        try:
            return await self._do("song", argument, call.body.when)
        except NotFoundError as error:
            raise ProblemError("unknown-song", str(error)) from error

    @_command(
        "section",
        "A section of the song that is on",
        SectionBody,
        example='{"name": "chorus", "when": "bar"}',
        problems=("unknown-section",),
    )
    async def section(self, call: Call[SectionBody]) -> Status:
        """Go to a section of the song that is on."""
        argument: int | str | None = call.body.number
        if call.body.name is not None:
            argument = known_section(self._view, call.body.name)
        try:
            return await self._do("section", argument, call.body.when)
        except NotFoundError as error:
            raise ProblemError("unknown-section", str(error)) from error

    @_command(
        "tempo",
        "Another tempo from the next tick on, until the song ends or its own is asked for",
        TempoBody,
        example='{"bpm": 121.5}',
    )
    async def tempo(self, call: Call[TempoBody]) -> Status:
        """Change the tempo at the next tick, or on a bar."""
        return await self._do("tempo", call.body.bpm, call.body.when)

    @_command("tap", "A tap; from the third on they make the tempo", TapBody)
    async def tap(self, call: Call[TapBody]) -> Status:
        """Take a tap at the moment when it arrives here."""
        return await self._do("tap", call.body.round)

    @_command("nudge", "A little faster or slower", NudgeBody, example='{"by": -0.5}')
    async def nudge(self, call: Call[NudgeBody]) -> Status:
        """A little faster or slower."""
        return await self._do("nudge", call.body.by)

    @_command(
        "retrigger",
        "Restart one device's sequence on the next bar, or its own cycle",
        RetriggerBody,
        example='{"device": "bass-modular", "at": "bar"}',
        problems=("not-found",),
    )
    async def retrigger(self, call: Call[RetriggerBody]) -> Status:
        """Restart one device's sequence."""
        return await self._do("retrigger", f"{call.body.at} {call.body.device}")

    @_command("click", "The song's click without transport", ClickBody, example='{"on": true}')
    async def click(self, call: Call[ClickBody]) -> Status:
        """Click without transport, or no longer."""
        return await self._do("click", "on" if call.body.on else "off")

    @_command(
        "clock-source",
        "Follow a device until the next song, or (null) lead",
        SourceBody,
        example='{"device": "drum-machine"}',
        problems=("not-found",),
    )
    async def clock_source(self, call: Call[SourceBody]) -> Status:
        """Follow a device, or lead."""
        return await self._do("source", call.body.device or "")

    @_command(
        "mute",
        "Mute a device or a route; its clock goes on",
        MuteBody,
        example='{"route": "left hand", "on": true}',
        problems=("unknown-subject",),
    )
    @_command(
        "solo",
        "Hear only this device or route, and others that are soloed",
        MuteBody,
        example='{"device": "lead-synth"}',
        problems=("unknown-subject",),
    )
    async def mute(self, call: Call[MuteBody]) -> Status:
        """Mute or solo, or no longer."""
        body, action = call.body, call.path.rpartition("/")[2]
        subject = DEVICE + body.device if body.device is not None else f"{ROUTE}{body.route}"
        try:
            return await self._do(action if body.on else f"un{action}", subject, body.when)
        except NotFoundError as error:
            raise ProblemError("unknown-subject", str(error)) from error

    @_command(
        "check",
        "Tick the next item of the song's checklist off, or any",
        CheckBody,
        example='{"song": "Nine Lamps", "number": 1}',
        problems=("unknown-song", "not-found"),
    )
    async def check(self, call: Call[CheckBody]) -> Status:
        """Tick an item of a checklist off."""
        body = call.body
        song = None if body.song is None else known_song(self._view, body.song)
        await self._commands.check(song, body.number, done=body.done)
        return self._status()

    @OPERATIONS.add(
        "POST",
        "/v1/learn",
        "Learn from the next message: the entry for a control, or (what: pedal) the ends of a pedal",
        LearningDocument,
        body=LearnBody,
        example='{"what": "control"}',
        problems=PROBLEMS,
    )
    async def learn(self, call: Call[LearnBody]) -> LearningDocument:
        """Learn from the next message."""
        await self._do("learn", None if call.body.what == "nothing" else call.body.what)
        return self._learnt()

    @OPERATIONS.add("GET", "/v1/learn", "What was learnt last", LearningDocument)
    async def get_learn(self, _call: Call[Nothing]) -> LearningDocument:
        """What was learnt last."""
        return self._learnt()

    @_command(
        "reload",
        "Read the rig folder again; mistakes change nothing",
        Nothing,
        problems=("broken-files", "engine-refused"),
    )
    async def reload(self, _call: Call[Nothing]) -> Status:
        """Read the rig folder again."""
        await self._reload()
        return self._status()

    def _learnt(self) -> LearningDocument:
        return LearningDocument(learning_of(self._view.snapshot.learning))
