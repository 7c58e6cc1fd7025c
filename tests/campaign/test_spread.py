"""Several processes, and a cluster a worker of which is killed: the same results, none lost."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from campaign_surveys import PLANT, TABLE, drawn
from often import NIGHTLY

from oretally.flowsheet import InputError
from oretally.io.campaign import (
    SUSPECTS,
    in_this_process,
    kept_results,
    open_campaign,
    over_cluster,
    over_processes,
    surveys_of,
)
from oretally.io.campaign.results import Task
from oretally.recon.many import Asked, ManyBalances
from oretally.recon.numerics import shared


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


def test_tasks_are_taken_as_they_are_needed() -> None:
    taken = list[int]()

    def tasks() -> Iterator[tuple[str]]:
        for i in range(9):
            taken.append(i)
            yield (str(i),)

    found = shared(int, tasks(), 2)
    assert next(found) == 0 and len(taken) <= 4
    assert list(found) == [*range(1, 9)]


def test_work_that_fails() -> None:
    """What it raised comes, with where it was; a process that is gone is told as such."""
    with pytest.raises(ValueError, match="invalid literal") as error:
        list(shared(int, [("1",), ("ore",)], 2))
    assert "parallel.py" in error.value.__notes__[0]
    with pytest.raises(BrokenProcessPool, match="ended from outside"):
        list(shared(os._exit, [(3,)], 2))


STOPPED_AFTER_ONE = """
import os, signal, sys
import oretally.io.campaign.results as results
from oretally.io.__main__ import main

really, results._TOGETHER = results.keep_results, 8  # one survey at a time
def keep(*given):
    really(*given)
    print("kept", flush=True)
    {stop}
results.keep_results = keep
main()
"""


@pytest.mark.skipif(os.name == "nt", reason="no groups of processes")
@pytest.mark.parametrize(("stop", "number"), [
    ("os.killpg(0, signal.SIGINT)", signal.SIGINT),  # the key on a terminal
    ("os.kill(os.getpid(), signal.SIGINT)", signal.SIGINT),
    ("os.kill(os.getpid(), signal.SIGKILL)", signal.SIGKILL),
])  # fmt: skip
def test_stopped_all_processes_are_gone(stop: str, number: int, tmp_path: Path) -> None:
    """Whoever is left would hold the output open, and its reader would wait."""
    campaign = open_campaign(tmp_path / "c.db", create=True)
    campaign.add(surveys_of(TABLE, PLANT).surveys, by="a test")
    with tempfile.TemporaryDirectory() as short:  # a socket's path is
        process = subprocess.Popen(
            [sys.executable, "-c", STOPPED_AFTER_ONE.format(stop=stop), "campaign",
             str(tmp_path / "c.db"), "balance", "--suspects", "--workers", "2"],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
            env={**os.environ, "TMPDIR": short},
        )  # fmt: skip
        told = process.communicate(timeout=600)
        assert number == signal.SIGKILL or os.listdir(short) == []
    assert told == ("kept\n", "Stopped.\n" if number == signal.SIGINT else "")
    assert process.returncode == -number
    assert len(kept_results(campaign, SUSPECTS)) == 1


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
