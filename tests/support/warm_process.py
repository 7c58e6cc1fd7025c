"""Processes of Python in which the commands are imported already, forked in milliseconds.

For tests of what belongs to a process, its terminal, signals, limits and rights; how a command
starts is tested in a process that starts. They are forked from one that has no threads.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import tempfile
from collections.abc import Callable, Mapping, Sequence
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import NamedTuple

__all__ = ["Ended", "commanded", "started_at"]

_IMPORTED = ["oretally.io.beginning", "oretally.io.commands.check", "oretally.io.case"]
_MAIN = "\nfrom oretally.io.__main__ import main\nmain()\n"
_HANGING = 600.0  # s


class Ended(NamedTuple):
    """How a process ended: minus the signal, or the status; what it printed."""

    returncode: int
    stdout: str
    stderr: str


def started_at(
    terminal: int, folder: Path, words: Sequence[str], environment: Mapping[str, str]
) -> BaseProcess:
    """Start the command with words in a folder, at a terminal that becomes its own."""
    with Connection(terminal) as passed:  # which the process gets a copy of
        return _started(_at_terminal, passed, str(folder), list(words), dict(environment))


def commanded(code: str, words: Sequence[object]) -> Ended:
    """Run code and then the command with these words; return how it ended."""
    with tempfile.TemporaryDirectory() as folder:
        files = [str(Path(folder) / name) for name in ("out", "err")]
        process = _started(_into_files, files, code, [str(word) for word in words])
        process.join(_HANGING)
        process.kill()
        status = process.exitcode
        assert status is not None
        return Ended(status, *(Path(file).read_text("utf-8") for file in files))


def _started(target: Callable[..., None], *arguments: object) -> BaseProcess:
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(_IMPORTED)
    process = context.Process(target=target, args=arguments)
    process.start()
    return process


def _at_terminal(
    passed: Connection, folder: str, words: list[str], environment: dict[str, str]
) -> None:
    import fcntl
    import termios

    os.setsid()
    fcntl.ioctl(passed.fileno(), termios.TIOCSCTTY, 0)  # Ctrl-C comes from it
    for stream in range(3):
        os.dup2(passed.fileno(), stream)
    passed.close()
    os.chdir(folder)
    os.environ.update(environment)
    _run("", words)


def _into_files(files: list[str], code: str, words: list[str]) -> None:
    for stream, file in enumerate([os.devnull, *files]):
        opened = os.open(file, os.O_RDWR | os.O_CREAT)
        os.dup2(opened, stream)
        os.close(opened)
    _run(code, words)


def _run(code: str, words: list[str]) -> None:
    """Run as a process that has just been started with the streams as they are.

    The process that forks ignores Ctrl-C, as it may from a start in the background on.
    """
    signal.signal(signal.SIGINT, signal.default_int_handler)
    signal.pthread_sigmask(signal.SIG_SETMASK, [])
    sys.stdin, sys.stdout, sys.stderr = (
        open(stream, mode, encoding="utf-8", closefd=False)
        for stream, mode in enumerate(("r", "w", "w"))
    )  # fmt: skip
    sys.argv = ["oretally", *words]
    exec(compile(code + _MAIN, "test", "exec"), {"__name__": "__main__"})
