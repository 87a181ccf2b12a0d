"""Reading files and folders, with what can go wrong put in plain words.

Only regular files are opened: a pipe or a device in the folder must not hang the reader.
"""

from __future__ import annotations

import errno
import stat
from pathlib import Path

_REASONS = {
    errno.ENOENT: ("does not exist", "make it, or correct the name"),
    errno.EACCES: ("may not be read by this user", "give the user that runs routerd the right to read it"),
    errno.EPERM: ("may not be read by this user", "give the user that runs routerd the right to read it"),
    errno.ELOOP: ("is a link that leads back to itself", "replace the link by the file"),
    errno.ENOTDIR: ("lies in something that is not a folder", "correct the name"),
    errno.ENAMETOOLONG: ("has a name that is too long", "give it a shorter name"),
}


class FileProblemError(Exception):
    """A file or folder cannot be read: what is wrong, and what would be right."""

    def __init__(self, what: str, remedy: str) -> None:
        super().__init__(what, remedy)
        self.what = what
        self.remedy = remedy


def read_file(path: Path, most_bytes: int) -> bytes:
    """Return the content of a regular file, at most one byte more than `most_bytes`.

    Raises FileProblemError.
    """
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            raise FileProblemError(
                "is a folder or something else that is no file", "put a file there, or remove it"
            )
        with path.open("rb") as file:
            return file.read(most_bytes + 1)
    except (OSError, ValueError) as error:
        raise _explain(error) from error


def list_folder(path: Path) -> list[str]:
    """Return the names in a folder, sorted, without hidden ones; raises FileProblemError."""
    try:
        return sorted(entry.name for entry in path.iterdir() if not entry.name.startswith("."))
    except (OSError, ValueError) as error:
        raise _explain(error) from error


def printable(name: str) -> str:
    """Return a file name as it can be printed, whatever bytes the file system gave."""
    return name.encode("utf-8", "backslashreplace").decode() if not name.isprintable() else name


def _explain(error: OSError | ValueError) -> FileProblemError:
    number = error.errno if isinstance(error, OSError) else None
    what, remedy = _REASONS.get(number or 0, ("cannot be read", "check the disk and the name"))
    return FileProblemError(what, remedy)
