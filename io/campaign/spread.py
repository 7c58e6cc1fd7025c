"""Who balances: this process, several on this machine, or an existing cluster of many.

Chunks are sent, never single surveys, a few ahead of what has come back; answers come in the order
of the chunks. What a chunk comes to does not depend on who balances it, or on how many there are.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from importlib.util import find_spec
from typing import Any

from oretally.flowsheet import Fault, InputError, Place
from oretally.io.campaign.results import Task, WhoBalances
from oretally.recon.many import ManyBalances
from oretally.recon.many_chunk import balance_chunk
from oretally.recon.numerics import shared

__all__ = ["in_this_process", "over_cluster", "over_processes"]

_AHEAD = 2  # chunks for each worker, so that none waits
_RETRIES = 5  # of a chunk whose worker died
_CONNECT = 20.0  # seconds
_INSTALL = "python3 -m pip --python .venv/bin/python install --no-cache-dir '.[cluster]'"


def in_this_process(tasks: Iterable[Task]) -> Iterator[ManyBalances]:
    """Balance one chunk after the other."""
    for task in tasks:
        yield balance_chunk(*task)


def over_processes(workers: int) -> WhoBalances:
    """Return who balances in so many processes, which stay until all is done.

    It raises an `InputError` if one of them is ended from outside.
    """

    def spread(tasks: Iterable[Task]) -> Iterator[ManyBalances]:
        try:
            yield from shared(balance_chunk, tasks, workers)
        except BrokenProcessPool as error:
            problem = "A process that balanced was ended from outside, or ran out of memory."
            mend = "Start again, with fewer --workers: what was balanced is kept."
            raise InputError([Fault(problem, mend, Place(cell="--workers"))]) from error

    return spread


def over_cluster(address: str) -> WhoBalances:
    """Return who balances on a Dask cluster; the chunks of a worker that dies go to others.

    Parameters
    ----------
    address : str
        Of its scheduler, ``tcp://host:8786``.

    Raises
    ------
    InputError
        If Dask is not installed here.
    """
    if find_spec("distributed") is None:
        raise _no_cluster("A cluster needs the library distributed.", f"Install it: {_INSTALL}")

    def spread(tasks: Iterable[Task]) -> Iterator[ManyBalances]:
        import distributed

        try:
            make: Any = distributed.Client
            client = make(address, timeout=_CONNECT, set_as_default=False)
        except (OSError, TimeoutError, ValueError) as error:
            problem = f"No cluster answers at '{address}'."
            mend = "Check that its scheduler runs there: tcp://host:8786."
            raise _no_cluster(problem, mend) from error

        def submit(task: Task) -> Any:
            return client.submit(balance_chunk, *task, pure=False, retries=_RETRIES)

        try:
            workers = len(client.scheduler_info()["workers"]) or 1
            yield from _in_order(submit, tasks, workers)
        except (distributed.KilledWorker, distributed.CancelledError) as error:
            problem = f"The cluster gave a chunk up: {str(error).splitlines()[0]}"
            mend = "Look at its workers, and start again: what was balanced is kept."
            raise _no_cluster(problem, mend) from error
        finally:
            with suppress(OSError, TimeoutError):
                client.close()

    return spread


def _in_order(
    submit: Callable[[Task], Future[ManyBalances]], tasks: Iterable[Task], workers: int
) -> Iterator[ManyBalances]:
    """Yield what tasks come to in their order, with a few of them on their way."""
    waiting: deque[Future[ManyBalances]] = deque()
    for task in tasks:
        waiting.append(submit(task))
        if len(waiting) >= _AHEAD * workers:
            yield waiting.popleft().result()
    while waiting:
        yield waiting.popleft().result()


def _no_cluster(problem: str, mend: str) -> InputError:
    return InputError([Fault(problem, mend, Place(cell="--cluster"))])
