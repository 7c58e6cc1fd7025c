"""Processes that balance: one, and a further one once a job had to wait for it.

A newer job of the same window takes the place of the older one, which is told to give up; a process
that does not is ended, and another one started.
"""

from __future__ import annotations

import asyncio
import json
import shutil
import sys
from asyncio.subprocess import DEVNULL, PIPE, Process
from collections.abc import AsyncGenerator, Callable, Coroutine, Mapping
from itertools import count
from time import monotonic
from typing import Any, TypeVar

__all__ = ["Workers"]

_LONGEST = 256 * 1024 * 1024  # bytes of a line
_PATIENCE = 1.5  # s in which a job is given up, or what a new process needs to start if it is more
_SOON = 0.3  # s that a job waits before a further process is started
_COMMAND = (sys.executable, "-P", "-m", "oretally.io.desk.worker")
Row = dict[str, Any]
_T = TypeVar("_T")


class _Worker:
    """One process, and what it is told and tells."""

    def __init__(self, process: Process) -> None:
        self.process = process
        self.folder = ""
        self.patience = _PATIENCE

    def send(self, row: Row) -> None:
        """Send a job, or that one is unwanted."""
        if self.process.stdin is not None:
            self.process.stdin.write(json.dumps(row).encode() + b"\n")

    async def line(self) -> Row | None:
        """Return the next thing told; None when the process has ended."""
        if self.process.stdout is None:
            return None
        text = await self.process.stdout.readline()
        return json.loads(text) if text.endswith(b"\n") else None

    async def end(self) -> None:
        """End the process, and take away what it left."""
        if self.process.returncode is None:
            self.process.kill()
        await self.process.wait()
        if self.folder:
            await asyncio.to_thread(shutil.rmtree, self.folder, ignore_errors=True)


class Workers:
    """Some processes, kept warm.

    Parameters
    ----------
    size : int
        How many there are at most.
    """

    def __init__(self, size: int = 2) -> None:
        self.size = size
        self.numbers = count(1)
        self.idle: asyncio.Queue[_Worker] = asyncio.Queue()
        self.all: set[_Worker] = set()
        self.wanted: dict[str, asyncio.Event] = {}
        self.tasks: set[asyncio.Task[None]] = set()
        self.waiting = self.starting = 0
        self.closed = False

    def start(self) -> None:
        """Start the first process; nobody waits for it."""
        self._later(self._spawn())

    async def close(self) -> None:
        """End all processes."""
        self.closed = True
        for task in list(self.tasks):
            task.cancel()
        await asyncio.gather(*self.tasks, return_exceptions=True)
        await asyncio.gather(*(worker.end() for worker in self.all))

    async def run(self, job: Mapping[str, Any], window: str = "") -> AsyncGenerator[Row, None]:
        """Do a job and yield what is told of it; nothing more once a newer one took its place.

        Parameters
        ----------
        job : mapping
        window : str
            A newer job of the same window takes the place of this one; none does if empty.
        """
        gone = asyncio.Event()
        if window:
            if window in self.wanted:
                self.wanted[window].set()
            self.wanted[window] = gone
        try:
            worker = await self._free(gone)
            if worker is None:
                return
            number, finished, alive = next(self.numbers), False, True
            try:
                worker.send({**job, "id": number})
                while not finished:
                    row = await _unless(gone, worker.line())
                    if row is None:
                        alive = gone.is_set()
                        break
                    finished = "stage" not in row
                    yield row
                if not alive:
                    yield {"id": number, "bug": "the process that balances has ended"}
            finally:
                if finished:
                    self.idle.put_nowait(worker)
                elif alive:
                    self._later(self._unwanted(worker, number))
                else:
                    self._later(self._replaced(worker))
        finally:
            if window and self.wanted.get(window) is gone:
                del self.wanted[window]

    async def _free(self, gone: asyncio.Event) -> _Worker | None:
        """Return a process that is free, soon a further one; None if it is no longer wanted."""
        self.waiting += 1
        try:
            if self.idle.empty():
                self._later(self._further())
            return await _unless(gone, self.idle.get(), self.idle.put_nowait)
        finally:
            self.waiting -= 1

    async def _further(self) -> None:
        """Start a further process if a job still waits, and none is about to be there."""
        await asyncio.sleep(_SOON)
        if self.waiting and not self.starting and len(self.all) < self.size:
            await self._spawn()

    def _later(self, work: Any) -> None:
        if self.closed:
            work.close()
            return
        task = asyncio.get_running_loop().create_task(work)
        self.tasks.add(task)
        task.add_done_callback(self.tasks.discard)

    async def _spawn(self) -> None:
        self.starting += 1
        try:
            await self._spawned()
        finally:
            self.starting -= 1

    async def _spawned(self) -> None:
        begun = monotonic()
        process = await asyncio.create_subprocess_exec(
            *_COMMAND, stdin=PIPE, stdout=PIPE, stderr=DEVNULL, limit=_LONGEST
        )
        worker = _Worker(process)
        self.all.add(worker)
        ready = await worker.line()
        worker.patience = max(_PATIENCE, monotonic() - begun)  # a busy machine is slow in both
        worker.folder = "" if ready is None else ready["folder"]
        self.idle.put_nowait(worker)  # of one that did not start the job that takes it is told

    async def _unwanted(self, worker: _Worker, number: int) -> None:
        """Let a process give up a job; end it if it does not."""
        worker.send({"unwanted": number})
        try:
            async with asyncio.timeout(worker.patience):
                while (row := await worker.line()) is not None:
                    if row.get("id") == number and "stage" not in row:
                        self.idle.put_nowait(worker)
                        return
        except TimeoutError:
            pass
        await self._replaced(worker)

    async def _replaced(self, worker: _Worker) -> None:
        self.all.discard(worker)
        ended = asyncio.create_task(worker.end())
        await self._spawn()
        await ended


async def _unless(
    gone: asyncio.Event, work: Coroutine[Any, Any, _T], lost: Callable[[_T], None] = lambda _: None
) -> _T | None:
    """Return what comes of work; None if it is no longer wanted before.

    ``lost`` is told what came of it where nobody is left to take it.
    """
    taken = False
    doing = asyncio.ensure_future(work)
    waiting = asyncio.ensure_future(gone.wait())
    try:
        await asyncio.wait({doing, waiting}, return_when=asyncio.FIRST_COMPLETED)
        taken = doing.done()
        return doing.result() if taken else None
    finally:
        waiting.cancel()
        if not doing.done():
            doing.cancel()
        elif not taken and doing.exception() is None:
            lost(doing.result())
