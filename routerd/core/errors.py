"""The tree of errors.

RouterdError
├── FileError          what people wrote is wrong (rig, song and set list files)
├── CommandError       a command cannot be carried out as asked; nothing was changed
│   └── NotFoundError  ... because what it names does not exist
├── LinkError          the other process said something this one cannot accept
└── PortError          the operating system refused something about a port

Time that runs backwards inside the core is a programming mistake and raises ValueError.
"""

from __future__ import annotations


class RouterdError(Exception):
    """Base of all errors that are told to people."""


class FileError(RouterdError):
    """A rig folder does not hold what it should."""


class CommandError(RouterdError):
    """A command cannot be carried out as asked; nothing was changed."""


class NotFoundError(CommandError):
    """A command names a song, section or set list that does not exist."""


class LinkError(RouterdError):
    """A message between engine and server is malformed or of another version."""


class PortError(RouterdError):
    """The operating system refused to open, list or use a port."""
