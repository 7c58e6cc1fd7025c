"""One thread for the small matrices of a balance, several processes for many balances.

Matrices here have at most a few hundred rows. Two threads of the linear algebra library made a
balance of 300 streams and 100 analytes five times slower than one on a machine of two cores.
"""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import AbstractContextManager
from functools import cache
from typing import Any, TypeVar

from threadpoolctl import ThreadpoolController

__all__ = ["one_thread", "shared"]

_Found = TypeVar("_Found")


@cache
def _controller() -> ThreadpoolController:
    return ThreadpoolController()


def one_thread() -> AbstractContextManager[object]:
    """Return a context in which linear algebra runs in one thread; restored on leaving it."""
    limited: AbstractContextManager[object] = _controller().limit(limits=1, user_api="blas")
    return limited


def shared(
    work: Callable[..., _Found], tasks: Sequence[tuple[Any, ...]], workers: int
) -> Iterator[_Found]:
    """Yield ``work(*task)`` of each task, in order, from so many processes.

    Where possible they start from one that has this package loaded already.
    """
    served = "forkserver" in multiprocessing.get_all_start_methods()
    context = multiprocessing.get_context("forkserver" if served else "spawn")
    if served:
        context.set_forkserver_preload(["oretally.recon.solver.prepared"])
    with ProcessPoolExecutor(workers, context, initializer=_keep, initargs=(work,)) as pool:
        yield from pool.map(_do, tasks)


_kept: list[Callable[..., Any]] = []  # in a worker: what is to be done, sent once


def _keep(work: Callable[..., Any]) -> None:
    _kept[:] = [work]


def _do(task: tuple[Any, ...]) -> Any:
    return _kept[0](*task)
