"""One thread for the small matrices of a balance, several processes for many balances.

Matrices here have at most a few hundred rows. Two threads of the linear algebra library made a
balance of 300 streams and 100 analytes five times slower than one on a machine of two cores.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import traceback
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures.process import BrokenProcessPool
from contextlib import AbstractContextManager, contextmanager
from functools import cache
from multiprocessing import resource_tracker
from multiprocessing.connection import Connection, wait
from queue import SimpleQueue
from threading import Thread
from typing import Any, TypeVar

from threadpoolctl import ThreadpoolController

__all__ = ["one_thread", "shared"]

_Found = TypeVar("_Found")
_AHEAD = 2  # tasks for each worker, so that none waits


@cache
def _controller() -> ThreadpoolController:
    return ThreadpoolController()


def one_thread() -> AbstractContextManager[object]:
    """Return a context in which linear algebra runs in one thread; restored on leaving it."""
    limited: AbstractContextManager[object] = _controller().limit(limits=1, user_api="blas")
    return limited


def shared(
    work: Callable[..., _Found], tasks: Iterable[tuple[Any, ...]], workers: int
) -> Iterator[_Found]:
    """Yield ``work(*task)`` of each task, in order, from so many processes.

    Tasks are taken as they are needed, a few ahead. Where possible the processes start from one
    that has the module of the work loaded already. They end when this does: at the end, by an
    exception, and at once if the process that asked is no longer there.

    Raises
    ------
    concurrent.futures.process.BrokenProcessPool
        If one of them is ended from outside.
    """
    staff, coming = list[_Worker](), enumerate(tasks)
    found = dict[int, _Found]()
    given = told = 0
    try:
        while True:
            while given - told < _AHEAD * workers:
                task = next(coming, None)
                if task is None:
                    break
                if len(staff) < workers:
                    staff.append(_Worker())
                    staff[-1].start(work)  # known before it starts, so that it is ended
                min(staff, key=lambda worker: worker.waiting).give(*task)
                given += 1
            if told == given:
                break
            while told not in found:
                ready = wait([worker.connection for worker in staff])
                for worker in staff:
                    if worker.connection in ready:
                        number, answer = worker.take()
                        found[number] = answer
            yield found.pop(told)
            told += 1
    except (BrokenPipeError, ConnectionResetError, EOFError) as error:
        if not any(worker.has_ended() for worker in staff):
            raise
        raise BrokenProcessPool("a process was ended from outside") from error
    finally:
        for worker in staff:
            worker.end()


class _Worker:
    """A process that works, and what it was given.

    It has a pipe of its own and nothing else in common with the others: a queue with its locks
    would outlive a process that is stopped, and a worker that starts meanwhile not find them.
    """

    def __init__(self) -> None:
        served = "forkserver" in multiprocessing.get_all_start_methods()
        self._context: Any = multiprocessing.get_context("forkserver" if served else "spawn")
        self._served = served
        self._process: Any = None
        self.connection: Connection
        self.connection, self._other = self._context.Pipe()
        self.waiting = 0

    def start(self, work: Callable[..., Any]) -> None:
        if self._served:
            self._context.set_forkserver_preload([work.__module__])
        with self._other, _undisturbed():
            self._process = self._context.Process(
                target=_serve, args=(self._other, work), daemon=True
            )
            self._process.start()

    def give(self, number: int, task: tuple[Any, ...]) -> None:
        self.connection.send((number, task))
        self.waiting += 1

    def take(self) -> tuple[int, Any]:
        """Return the number of a task and what it came to; raise what its work raised."""
        number, answer, error = self.connection.recv()
        self.waiting -= 1
        if error is not None:
            raise error
        return number, answer

    def has_ended(self) -> bool:
        self._process.join(1.0)
        return not self._process.is_alive()

    def end(self) -> None:
        if self._process is not None and self._process.pid is not None:
            self._process.kill()
            self._process.join()
        self.connection.close()


_OTHERS = {getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)}


@contextmanager
def _undisturbed() -> Iterator[None]:
    """Hold back signals while a process starts.

    A process that is begun is then known, and can be ended; what is started has SIGINT held back
    for good, so that the key that stops a command is not told by every process on its own.
    """
    if sys.platform == "win32":
        yield
        return
    resource_tracker.ensure_running()  # here, as it lets signals through once it has started
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT, *_OTHERS})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _serve(connection: Connection, work: Callable[..., Any]) -> None:
    """Do what comes, one after the other, until the process that asked is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # where it cannot be held back
    if sys.platform != "win32":
        signal.pthread_sigmask(signal.SIG_UNBLOCK, _OTHERS)
    tasks = SimpleQueue[tuple[int, tuple[Any, ...]]]()
    Thread(target=_receive, args=(connection, tasks), daemon=True).start()
    while True:
        number, task = tasks.get()
        answer, failed = None, None
        try:
            answer = work(*task)
        except Exception as error:
            error.add_note(traceback.format_exc())
            failed = error
        connection.send((number, answer, failed))


def _receive(connection: Connection, tasks: SimpleQueue[tuple[int, tuple[Any, ...]]]) -> None:
    """Take what comes while the work goes on, so that who sends it does not wait.

    Nothing more can come from a process that is gone: the work is given up with it.
    """
    try:
        while True:
            tasks.put(connection.recv())
    finally:
        os._exit(1)
