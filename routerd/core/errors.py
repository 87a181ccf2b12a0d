"""The tree of errors that people are shown, in plain words.

RouterdError
├── UsageError                what was asked or written is wrong; whoever did so can put it right
│   ├── CommandError          the show cannot do now what it was asked
│   │   └── NotFoundError     ... because what the command names does not exist
│   ├── RigFolderError        the rig folder has mistakes, each a line of `problems`
│   ├── FileEditError         a file of the rig folder cannot be changed by routerd as it is written
│   ├── UnreadableFileError   one file or folder of the rig folder cannot be read (server.rigfiles)
│   ├── ProblemError          a request cannot be answered as asked (RFC 9457) (server.http)
│   ├── ListenError           the API cannot be served as asked (server.http)
│   └── RecordError           a show's record is not there or not whole (server.shows)
└── PeerError                 another process, the system or a disk does not do its part
    ├── LinkError             the engine or the server sent something the other cannot accept
    │   └── EngineSilentError ... or sent no answer in time (server)
    ├── PortError             the operating system refused something about a port
    │   └── StalledError      ... or keeps whoever asks waiting (ports)
    ├── StateFolderError      the state folder cannot be had, or another daemon has it (engine)
    ├── OverrunError          the engine has written over what its spare had not read yet (engine)
    ├── RecoveryError         nothing that an engine left behind can be gone on with (engine)
    ├── PageError             the process that makes a report's page has failed (server.report)
    └── ServiceError          the running service does not answer the command line (cli)

Some errors of files are OSErrors, because callers treat them like any other: `StuckError` (a TimeoutError:
the disk does not answer) of routerd.errand; `OutsideError`, `NotRegularError`, `TooLargeError` of
routerd.storage. `MalformedError` is a ValueError for the same reason: a JSON document that does not say what
its reader needs. Whoever calls a library turns its errors into one of these, or into a problem of a rig file,
where the call is made; the API turns each of them into a problem document in routerd.server.http.operation.

Time that runs backwards inside the core is a programming mistake and raises ValueError.
"""

from __future__ import annotations


class RouterdError(Exception):
    """Base of all errors that people are shown."""


class UsageError(RouterdError):
    """What was asked or written is wrong; whoever did so can put it right, and nothing was changed."""


class CommandError(UsageError):
    """A command cannot be carried out as asked; nothing was changed."""


class NotFoundError(CommandError):
    """A command names a song, section or set list that does not exist."""


class RigFolderError(UsageError):
    """The rig folder has mistakes: `problems` lists them."""

    def __init__(self, problems: list[str]) -> None:
        super().__init__(f"{len(problems)} problems")
        self.problems = problems


class FileEditError(UsageError):
    """A file of the rig folder cannot be changed as it is written, or where it lies."""


class PeerError(RouterdError):
    """What was asked is right, but another process, the system or a disk does not play along."""


class LinkError(PeerError):
    """A message between engine and server is malformed or of another version."""


class PortError(PeerError):
    """The operating system refused to open, list or use a port."""
