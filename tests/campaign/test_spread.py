"""Several processes, and a cluster a worker of which is killed: the same results, none lost."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from campaign_surveys import drawn
from often import NIGHTLY

from oretally.flowsheet import InputError
from oretally.io.campaign import in_this_process, over_cluster, over_processes
from oretally.io.campaign.results import Task
from oretally.recon.many import Asked, ManyBalances


@pytest.fixture
def distributed() -> ModuleType:
    """Imported when it is needed: it takes a second, also of who runs no test of it."""
    found: ModuleType = pytest.importorskip(
        "distributed", reason="the extra 'cluster' is not installed"
    )
    return found


def _tasks(n: int, size: int) -> list[Task]:
    circuit, surveys = drawn("tin_table", n, missing=0.1)
    return [(circuit, surveys[i : i + size], Asked()) for i in range(0, n, size)]


def _same(one: list[ManyBalances], other: list[ManyBalances]) -> None:
    assert len(one) == len(other)
    for a, b in zip(one, other, strict=True):
        assert a.columns.keys() == b.columns.keys()
        for name, values in a.columns.items():
            np.testing.assert_array_equal(values, b.columns[name])
        assert (a.reason == b.reason).all()


def test_over_processes() -> None:
    tasks = _tasks(8, 4)
    _same(list(over_processes(2)(tasks)), list(in_this_process(tasks)))


@pytest.mark.filterwarnings("ignore")  # of the library, about the worker that is gone
def test_a_worker_of_a_cluster_is_killed(
    distributed: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    dask = pytest.importorskip("dask")
    monkeypatch.setattr("oretally.io.campaign.spread._CONNECT", 600.0)  # on a busy machine
    tasks = _tasks(60 if NIGHTLY else 12, 3)
    scratch = dask.config.set({  # of the scheduler too
        "temporary-directory": str(tmp_path),
        "distributed.comm.timeouts": {"connect": "600s", "tcp": "600s"},
    })  # fmt: skip
    with scratch, distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None
    ) as cluster:  # fmt: skip
        victim = next(iter(cluster.workers.values())).process.pid

        def watched() -> Iterator[Task]:
            for i, task in enumerate(tasks):
                yield task
                if i == 2:  # some are on their way to it
                    time.sleep(0.05)
                    os.kill(victim, signal.SIGKILL)

        found = list(over_cluster(cluster.scheduler_address)(watched()))
    _same(found, list(in_this_process(tasks)))


@pytest.mark.usefixtures("distributed")
def test_no_cluster_answers(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("oretally.io.campaign.spread._CONNECT", 0.2)
    with pytest.raises(InputError, match="No cluster answers"):
        list(over_cluster("tcp://127.0.0.1:9")([]))
