"""Files on the disk: the one way to put a file in place, and the one way to open a file that may be anything.

A rig folder may come from a stranger: its names, links and special files must never make routerd write
outside the folder, or wait for something that never answers. Everything here blocks; callers in an event loop
use a thread. Errors are OSError with words for people in `strerror`.
"""

from __future__ import annotations

import contextlib
import errno
import os
import stat
from pathlib import Path
from typing import BinaryIO

_PRIVATE = 0o600

NEW = ".routerd-new"
"""How the name of a file ends that is not in place yet; one that a killed process left is of no use."""


class OutsideError(PermissionError):
    """A path leads out of the folder in which it has to stay, by a link or by '..'."""

    def __init__(self, path: Path) -> None:
        super().__init__(errno.EPERM, "it leads out of its folder", str(path))


class NotRegularError(OSError):
    """What is there is a folder, a pipe, a device or anything else that is not a regular file."""

    def __init__(self, path: Path) -> None:
        super().__init__(errno.EINVAL, "it is not a regular file", str(path))


class TooLargeError(OSError):
    """A file has more bytes than it may have."""

    def __init__(self, path: Path, most_bytes: int) -> None:
        super().__init__(errno.EFBIG, f"it is larger than {most_bytes} bytes", str(path))


def put(
    path: Path,
    data: bytes,
    *,
    inside: Path,
    mode: int = 0o666,
    replace: bool = True,
    most_bytes: int | None = None,
) -> None:
    """Put a file in place, whole: whoever reads `path` at any moment sees the old content or all of the new.

    A file that is a link is written where it points, if that is in the folder `inside` or below; else
    OutsideError is raised. The permissions of an old file stay; a new one gets `mode` less the umask, and
    folders that are missing are made for whoever may read it. With
    `replace` false an old file stays as it is and FileExistsError is raised. `most_bytes` is what its reader
    takes: more is not written but raises TooLargeError. Raises OSError; then nothing has changed, and nothing
    is left beside the file.
    """
    if most_bytes is not None and len(data) > most_bytes:
        raise TooLargeError(path, most_bytes)
    # 1. Find the place itself, so that a link stays a link and is judged by where it leads.
    real = within(path, inside)
    _make_folder(real.parent, mode)
    folder = os.open(real.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC)
    try:
        old = _facts(real, folder)
        # 2. A name that nobody can foretell, and exclusive: no link that waits under it is followed.
        beside = f".{os.urandom(8).hex()}{NEW}"
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
        handle = os.open(beside, flags, mode if old is None else 0o600, dir_fd=folder)
        try:
            try:
                if old is not None:
                    _keep_owner(handle, old)
                _write_all(handle, data)
                os.fsync(handle)  # before the name: a power cut must not leave the name with nothing in it
            finally:
                os.close(handle)
            # 3. In place in one step.
            if replace:
                os.rename(beside, real.name, src_dir_fd=folder, dst_dir_fd=folder)
            else:
                os.link(beside, real.name, src_dir_fd=folder, dst_dir_fd=folder, follow_symlinks=False)
                os.unlink(beside, dir_fd=folder)
        except BaseException:
            with contextlib.suppress(OSError):
                os.unlink(beside, dir_fd=folder)
            raise
        _sync_folder(folder)  # the rename is safe only when the folder is
    finally:
        os.close(folder)


def append(path: Path, data: bytes, head: bytes, most_bytes: int, *, inside: Path) -> bool:
    """Add to a file that grows, which begins with `head`; False, and nothing, beyond `most_bytes`.

    File and folders are made for this user alone where they are missing. Raises OSError; then the file is as
    it was, with no half line in its middle.
    """
    real = within(path, inside)
    _make_folder(real.parent, _PRIVATE)
    flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
    handle = os.open(real, flags, _PRIVATE)
    try:
        facts = os.fstat(handle)
        if not stat.S_ISREG(facts.st_mode):
            raise NotRegularError(path)
        size = facts.st_size
        data = data if size else head + data
        if size + len(data) > most_bytes:
            return False
        try:
            _write_all(handle, data)
        except OSError:
            os.ftruncate(handle, size)
            raise
    finally:
        os.close(handle)
    return True


def open_regular(path: Path, *, inside: Path | None = None) -> BinaryIO:
    """Open a regular file for reading; with `inside` only if it lies in that folder, links followed.

    Never waits for the other end of a pipe or for a device. Raises OSError: OutsideError, NotRegularError.
    """
    if inside is not None:
        within(path, inside)
    if not stat.S_ISREG(path.stat().st_mode):  # opening alone does something to some devices
        raise NotRegularError(path)
    handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_NOCTTY | os.O_CLOEXEC)
    try:
        # What counts is what has been opened: the name may lead elsewhere by now.
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            raise NotRegularError(path)
        if inside is not None and not _lies_in(Path(f"/proc/self/fd/{handle}").readlink(), inside):
            raise OutsideError(path)
        return os.fdopen(handle, "rb")
    except BaseException:
        with contextlib.suppress(OSError):
            os.close(handle)
        raise


def read(path: Path, most_bytes: int, *, inside: Path | None = None) -> bytes:
    """Return the content of a regular file; raises OSError as `open_regular` does, and TooLargeError."""
    with open_regular(path, inside=inside) as file:
        data: bytes | None = file.read(most_bytes + 1)
    if data is None:  # a file that would make us wait, as some of /proc
        raise NotRegularError(path)
    if len(data) > most_bytes:
        raise TooLargeError(path, most_bytes)
    return data


def within(path: Path, folder: Path) -> Path:
    """Return where `path` leads, links followed; raises OutsideError where that is not in `folder`."""
    real = Path(os.path.realpath(path))
    if not _lies_in(real, folder):
        raise OutsideError(path)
    return real


def sweep(folder: Path) -> None:
    """Remove what killed processes left in a folder that nobody else writes to."""
    with contextlib.suppress(OSError):
        for file in folder.glob(f".*{NEW}"):
            file.unlink()


def _make_folder(path: Path, file_mode: int) -> None:
    """Make a folder that is missing, and its parents, for whoever may read the file in it."""
    path.mkdir(mode=file_mode | (file_mode & 0o444) >> 2, parents=True, exist_ok=True)


def _lies_in(real: Path, folder: Path) -> bool:
    return real.is_relative_to(os.path.realpath(folder))


def _facts(real: Path, folder: int) -> os.stat_result | None:
    """Return what is there by now; raises NotRegularError where nothing may be put."""
    try:
        facts = os.stat(real.name, dir_fd=folder, follow_symlinks=False)
    except FileNotFoundError:
        return None
    if not stat.S_ISREG(facts.st_mode):
        raise NotRegularError(real)
    return facts


def _keep_owner(handle: int, old: os.stat_result) -> None:
    now = os.fstat(handle)
    if (now.st_uid, now.st_gid) != (old.st_uid, old.st_gid):
        with contextlib.suppress(PermissionError):  # only root may give files away
            os.fchown(handle, old.st_uid, old.st_gid)
    os.fchmod(handle, old.st_mode & 0o777)


def _write_all(handle: int, data: bytes) -> None:
    view = memoryview(data)
    while view:
        view = view[os.write(handle, view) :]


def _sync_folder(folder: int) -> None:
    try:
        os.fsync(folder)
    except OSError as error:
        if error.errno != errno.EINVAL:  # some file systems have no such thing
            raise
