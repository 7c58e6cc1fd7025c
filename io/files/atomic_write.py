"""Files written whole or not at all, over nothing that was not meant.

The content goes into a new file beside its place, is brought to the disk, and takes its name in
one step: whoever reads it finds the old content or the new one, and whatever fails leaves the old.
A process that is killed outright may leave a hidden file ``.oretally-....part`` there. Nothing
reads it; it may be deleted.
"""

from __future__ import annotations

import errno
import hashlib
import os
import stat
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

if sys.platform != "win32":
    import fcntl

__all__ = [
    "FileChanged", "create_file", "digest", "digest_of", "replace_file", "unchanged_since",
]  # fmt: skip

_NEW = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
_NO_SYNC = {errno.EINVAL, errno.ENOTSUP, errno.ENOSYS}  # of file systems that have none


class FileChanged(Exception):
    """A file does not hold what it held when it was read."""


def replace_file(
    path: Path, content: str | bytes, *, judge: Callable[[Path], None] | None = None
) -> None:
    """Write a file, new or in place of an older one, which leaves it its permissions.

    Parameters
    ----------
    path : Path
        A link stays a link: what it leads to is written.
    content : str or bytes
        Text is written as UTF-8.
    judge : callable, optional
        Takes ``path`` once the content is on the disk and no other writer of ours is at work in
        the folder, and raises if the file that stands there must stay.

    Raises
    ------
    OSError
        If it cannot be written; then nothing has changed.
    """
    target = Path(os.path.realpath(path))
    try:
        mode: int | None = stat.S_IMODE(os.stat(target).st_mode) & 0o777
    except FileNotFoundError:
        mode = None
    with _part(target.parent, content, mode) as part, _locked(target.parent) as folder:
        if judge is not None:
            judge(path)
        os.replace(part, target)
        _sync(folder)


def create_file(path: Path, content: str | bytes) -> None:
    """Write a file that is not there yet.

    Raises
    ------
    FileExistsError
        If something has that name, a link too; it is left as it is.
    OSError
        If it cannot be written; then there is none.
    """
    with _part(path.parent, content) as part, _locked(path.parent) as folder:
        try:
            os.link(part, path)  # unlike a rename, never over another file
        except FileExistsError:
            raise
        except OSError:  # a file system without links: take the name first
            with open(path, "xb"):
                pass
            try:
                os.replace(part, path)
            except BaseException:
                path.unlink()
                raise
        _sync(folder)


def digest(content: bytes) -> str:
    """Return what tells a content from any other: its SHA-256 in hexadecimal digits."""
    return hashlib.sha256(content).hexdigest()


def digest_of(path: Path) -> str | None:
    """Return the `digest` of a file; None if there is none."""
    try:
        return digest(path.read_bytes())
    except FileNotFoundError:
        return None


def unchanged_since(before: str | None) -> Callable[[Path], None]:
    """Return a judge for `replace_file`, which raises `FileChanged` if the file has another digest.

    ``before``: its `digest_of` when it was read; None if it must not be there.
    """

    def judge(path: Path) -> None:
        if digest_of(path) != before:
            raise FileChanged(f"'{path}' has been changed since it was read.")

    return judge


@contextmanager
def _part(folder: Path, content: str | bytes, mode: int | None = None) -> Iterator[Path]:
    """Give a new file with the content, on the disk; it is gone afterwards.

    Its name is of one length, whatever the final one, and cannot be guessed; should it be there
    all the same, a link too, it is neither written nor removed.
    """
    data = content.encode("utf-8") if isinstance(content, str) else content
    part = folder / f".oretally-{os.urandom(8).hex()}.part"
    ours = True
    try:
        try:
            handle = os.open(part, _NEW, 0o666 if mode is None else mode)
        except FileExistsError:
            ours = False
            raise
        with open(handle, "wb") as file:
            if mode is not None:
                with suppress(OSError):  # a file system without permissions
                    os.chmod(part, mode)  # what the umask took
            file.write(data)
            file.flush()
            _sync(handle)
        yield part
    finally:
        if ours:
            with suppress(OSError):
                part.unlink(missing_ok=True)


@contextmanager
def _locked(folder: Path) -> Iterator[int | None]:
    """Give a folder in which no other writer of ours takes a name meanwhile.

    None where folders cannot be opened (Windows), or this one may be written but not read.
    """
    try:
        handle = os.open(folder, os.O_RDONLY)
    except PermissionError:
        yield None
        return
    try:
        if sys.platform != "win32":
            with suppress(OSError):  # a file system without locks
                fcntl.flock(handle, fcntl.LOCK_EX)
        yield handle
    finally:
        os.close(handle)


def _sync(handle: int | None) -> None:
    """Wait until a file, or the names in a folder, are on the disk."""
    if handle is None:
        return
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno not in _NO_SYNC:
            raise
