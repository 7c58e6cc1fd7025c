"""Work shared by several processes."""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from typing import Any, TypeVar

__all__ = ["shared"]

_Found = TypeVar("_Found")


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
