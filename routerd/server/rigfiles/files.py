"""Reading files and folders, with what can go wrong put in plain words."""

from __future__ import annotations

import errno
from pathlib import Path

from routerd import storage
from routerd.core.errors import UsageError

_REASONS = {
    errno.ENOENT: ("does not exist", "make it, or correct the name"),
    errno.EACCES: ("may not be read by this user", "give the user that runs routerd the right to read it"),
    errno.EPERM: ("may not be read by this user", "give the user that runs routerd the right to read it"),
    errno.ELOOP: ("is a link that leads back to itself", "replace the link by the file"),
    errno.ENOTDIR: ("lies in something that is not a folder", "correct the name"),
    errno.ENAMETOOLONG: ("has a name that is too long", "give it a shorter name"),
}


class UnreadableFileError(UsageError):
    """A file or folder cannot be read: what is wrong, and what would be right."""

    def __init__(self, what: str, remedy: str) -> None:
        super().__init__(what, remedy)
        self.what = what
        self.remedy = remedy


def read_file(path: Path, most_bytes: int, folder: Path) -> bytes:
    """Return the content of a regular file in the rig folder, at most one byte more than `most_bytes`.

    A link in the folder that leads out of it is not followed. Raises UnreadableFileError.
    """
    try:
        with storage.open_regular(path, inside=folder) as file:
            return file.read(most_bytes + 1)
    except storage.NotRegularError as error:
        raise UnreadableFileError(
            "is a folder or something else that is no file", "put a file there, or remove it"
        ) from error
    except storage.OutsideError as error:
        raise UnreadableFileError("is outside the rig folder", "copy it into the rig folder") from error
    except (OSError, ValueError) as error:
        raise _explain(error) from error


def list_folder(path: Path) -> list[str]:
    """Return the names in a folder, sorted, without hidden ones; raises UnreadableFileError."""
    try:
        return sorted(entry.name for entry in path.iterdir() if not entry.name.startswith("."))
    except (OSError, ValueError) as error:
        raise _explain(error) from error


def _explain(error: OSError | ValueError) -> UnreadableFileError:
    number = error.errno if isinstance(error, OSError) else None
    what, remedy = _REASONS.get(number or 0, ("cannot be read", "check the disk and the name"))
    return UnreadableFileError(what, remedy)
