"""Signals that end a command: raised as an exception, so that what was begun is cleared away.

Imports nothing heavy: it stands before the first import that takes time.
"""

from __future__ import annotations

import os
import shutil
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from types import FrameType

__all__ = ["STOPPED", "Stopped", "end_by", "stoppable", "stopped_by"]

STOPPED = "Stopped."
_ENDING = ("SIGINT", "SIGTERM", "SIGHUP")
_LEFT_ALONE = (signal.SIG_IGN, None)
_received: list[int] = []


class Stopped(BaseException):
    """The user, or the machine, wants the command to end."""


def stopped_by() -> int | None:
    """Return the signal that came, also where a library made another exception of it."""
    return _received[0] if _received else None


@contextmanager
def stoppable() -> Iterator[None]:
    """Raise `Stopped` inside when a signal comes that would end the process.

    A signal that is ignored (``nohup``) stays so.
    """
    _received.clear()
    kept = {}
    for name in _ENDING:
        number = getattr(signal, name, None)  # Windows has not all
        if number is None or signal.getsignal(number) in _LEFT_ALONE:
            continue
        with suppress(ValueError):  # only the main thread may
            kept[number] = signal.signal(number, _stop)
    try:
        yield
    finally:
        for number, handler in kept.items():
            signal.signal(number, handler)


def _stop(number: int, _: FrameType | None) -> None:
    _received.append(number)
    raise Stopped


def end_by(status: int) -> None:
    """End the process with an exit status; where it is that of a signal, by that signal.

    A shell whose loop runs the command then stops too.
    """
    if status > 128 and sys.platform != "win32":
        _leave_no_folder()
        signal.signal(status - 128, signal.SIG_DFL)
        os.kill(os.getpid(), status - 128)
    sys.exit(status)


def _leave_no_folder() -> None:
    """Remove the folder of a process that shares work: nothing that runs at an exit does so now.

    That of another which has started this one is left to it.
    """
    process = sys.modules.get("multiprocessing.process")
    if process is not None and process.parent_process() is None:
        folder = getattr(process.current_process(), "_config", {}).get("tempdir")
        if folder is not None:
            shutil.rmtree(folder, ignore_errors=True)
