"""Standard output and messages: what cannot be shown is told, once, and never as a bug."""

from __future__ import annotations

import codecs
import errno
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Any, TextIO, cast

__all__ = ["NotShown", "standard_streams"]

_ERRORS = "oretally"


class NotShown(Exception):
    """Standard output takes nothing more; the text says why, as in "is closed".

    Attributes
    ----------
    closed_pipe : bool
        Whether who was reading has gone: then nobody misses what is not shown.
    """

    def __init__(self, error: OSError) -> None:
        self.closed_pipe = isinstance(error, BrokenPipeError)
        reason = error.strerror or type(error).__name__
        super().__init__("is closed" if error.errno == errno.EBADF else f"says '{reason}'")


class _Output:
    """A stream whose failures are its own: no other error of the system is taken for them."""

    def __init__(self, stream: TextIO, failed: Callable[[OSError], None]) -> None:
        self._stream, self._failed = stream, failed

    def write(self, text: str) -> int:
        try:
            return self._stream.write(text)
        except OSError as error:
            self._failed(error)
            return len(text)

    def flush(self) -> None:
        try:
            self._stream.flush()
        except OSError as error:
            self._failed(error)

    @property
    def buffer(self) -> _Output:
        """What lies below; click writes there where the encoding says ASCII."""
        return _Output(cast(TextIO, self._stream.buffer), self._failed)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


@contextmanager
def standard_streams() -> Iterator[None]:
    """Let standard output raise `NotShown` where it fails, and messages be lost where they fail.

    A terminal that cannot show ± shows ? instead; bytes of a file's name that are no text are
    written out.
    """
    _fill_gaps()
    kept = sys.stdout, sys.stderr
    # in place of a closed one stands one that fails when it is written to
    output, messages = (
        stream or open(number, "w", encoding="utf-8", closefd=False)
        for number, stream in enumerate(kept, 1)
    )
    for stream in (output, messages):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors=_ERRORS)
    sys.stdout = cast(TextIO, _Output(output, _raise))
    sys.stderr = cast(TextIO, _Output(messages, lambda _: None))
    try:
        yield
    except NotShown:
        _drop(output)
        raise
    finally:
        sys.stdout, sys.stderr = kept


def _raise(error: OSError) -> None:
    raise NotShown(error) from error


def _fill_gaps() -> None:
    """Take the numbers of standard streams that are closed: no file may get one of them.

    What a library prints would else go into a file of the user.
    """
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDONLY)  # the lowest number that is free


def _drop(output: TextIO) -> None:
    """Let what is still kept back go nowhere: at its end Python would fail over it once more."""
    with suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, output.fileno())
        os.close(nowhere)


def _written_out(error: UnicodeError) -> tuple[str, int]:
    """Return what stands for characters that a stream cannot show."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    lost = error.object[error.start : error.end]
    return "".join(_in_its_place(ord(each)) for each in lost), error.end


def _in_its_place(code: int) -> str:
    if 0xDC80 <= code <= 0xDCFF:  # a byte of a name that is no text: PEP 383
        return f"\\x{code - 0xDC00:02x}"
    return f"\\u{code:04x}" if 0xD800 <= code <= 0xDFFF else "?"


codecs.register_error(_ERRORS, _written_out)
