"""Processes that balance: the newest job of a window counts, older ones are given up."""

from __future__ import annotations

import asyncio
import base64
import sys
import threading
from collections.abc import Awaitable, Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from oretally.io.desk.workers import Workers
from oretally.io.desk_files import files_of
from oretally.io.forms import make_case

Row = dict[str, Any]
HANGING = 1200.0  # s


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Row:
    case = tmp_path_factory.mktemp("workers") / "t"
    make_case(case, "leach_test")  # answered at once, while draws of it take long
    stored = files_of(case).read()
    packed = {name: base64.b64encode(data).decode() for name, data in stored.files.items()}
    return {"do": "answer", "name": "t", "kind": "folder", "files": packed,
            "parts": stored.parts, "whatif": {}}  # fmt: skip


Doing = Callable[[Callable[[Workers], Awaitable[None]]], None]


@pytest.fixture(scope="module")
def with_workers() -> Iterator[Doing]:
    """Do something with one process, the same in all tests; in a loop of another thread."""
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever)
    thread.start()
    workers = Workers(1)
    patience = pytest.MonkeyPatch()  # on a busy machine a job may take long to be given up
    patience.setattr("oretally.io.desk.workers._PATIENCE", HANGING)

    def do(work: Callable[[Workers], Awaitable[None]]) -> None:
        async def doing() -> None:
            await asyncio.wait_for(work(workers), HANGING)

        asyncio.run_coroutine_threadsafe(doing(), loop).result()

    async def start(_: Workers) -> None:
        workers.start()

    try:
        do(start)
        yield do
        folders = [Path(one.folder) for one in workers.all]
        do(Workers.close)
        assert folders
        assert not any(folder.exists() for folder in folders)  # nothing is left
    finally:
        patience.undo()
        loop.call_soon_threadsafe(loop.stop)
        thread.join()
        loop.close()


def endless(job: Row) -> Row:
    """Return a job that takes longer than anybody waits: very many draws."""
    options = {"draws": 100_000, "seed": 1}
    return {**job, "do": "make", "what": "json", "options": options}


async def rows_of(workers: Workers, job: Row, window: str = "") -> list[Row]:
    return [row async for row in workers.run(job, window)]


async def begun(workers: Workers, job: Row, window: str) -> asyncio.Task[list[Row]]:
    """Start a job and return once a process works on it."""
    stage = asyncio.Event()

    async def watched() -> list[Row]:
        rows = []
        async for row in workers.run(job, window):
            rows.append(row)
            if row.get("stage") == "balancing":
                stage.set()
        return rows

    task = asyncio.create_task(watched())
    await stage.wait()
    return task


def test_windows_are_answered_one_after_the_other_in_stages(job: Row, with_workers: Doing) -> None:
    async def work(workers: Workers) -> None:
        one, other = await asyncio.gather(
            rows_of(workers, job, "one"), rows_of(workers, job, "other")
        )
        stages, answer = [row.get("stage") for row in one[:-1]], one[-1]["answer"]
        assert stages == ["reading", "balancing", "looking for what may be wrong"]
        first = one[-2]["first"]  # the balance, before it is known what may be wrong
        assert {"products", "drawing"} <= first.keys()
        assert "verdict" not in first
        assert first | answer == answer
        assert answer["verdict"]["sound"]
        assert answer["values"] == other[-1]["answer"]["values"]

    with_workers(work)


def test_a_newer_job_of_the_window_takes_the_place_and_the_process_stays(
    job: Row, with_workers: Doing
) -> None:
    """There is one process: it gives up the endless job and does the newer one."""

    async def work(workers: Workers) -> None:
        older = await begun(workers, endless(job), "w")
        [process] = workers.all
        rows = await rows_of(workers, job, "w")
        assert rows[-1]["answer"]["verdict"]["sound"]
        told = await older
        assert not any("made" in row or "bug" in row for row in told)
        assert [one.process.pid for one in workers.all] == [process.process.pid]

    with_workers(work)


def test_a_job_that_waits_and_is_replaced_is_never_begun(job: Row, with_workers: Doing) -> None:
    async def work(workers: Workers) -> None:
        older = await begun(workers, endless(job), "other window")
        waiting = asyncio.create_task(rows_of(workers, job, "w"))
        await asyncio.sleep(0)
        newest = asyncio.create_task(rows_of(workers, job, "w"))
        assert await waiting == []
        older.cancel()  # its page was closed
        assert "answer" in (await newest)[-1]

    with_workers(work)


def test_a_process_that_ends_is_told_and_another_one_started(job: Row, with_workers: Doing) -> None:
    async def work(workers: Workers) -> None:
        task = await begun(workers, endless(job), "w")
        [process] = workers.all
        folder = Path(process.folder)
        process.process.kill()
        assert "has ended" in (await task)[-1]["bug"]
        assert "answer" in (await rows_of(workers, job))[-1]
        assert not folder.exists()

    with_workers(work)


def test_a_job_that_has_to_wait_gets_a_further_process(job: Row, with_workers: Doing) -> None:
    async def work(workers: Workers) -> None:
        workers.size = 2
        older = await begun(workers, endless(job), "other window")
        assert len(workers.all) == 1
        assert "answer" in (await rows_of(workers, job, "w"))[-1]
        assert len(workers.all) == 2
        assert not older.done()
        older.cancel()

    with_workers(work)


def test_a_process_that_does_not_start_is_told(job: Row, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("oretally.io.desk.workers._COMMAND", (sys.executable, "-c", ""))

    async def work() -> None:
        workers = Workers(1)
        workers.start()
        try:
            for _ in range(2):  # and another one is tried each time
                rows = await asyncio.wait_for(rows_of(workers, job), 60)
                assert "has ended" in rows[-1]["bug"]
        finally:
            await workers.close()

    thread = threading.Thread(target=lambda: told.append(asyncio.run(work())))  # its own loop
    told = list[None]()
    thread.start()
    thread.join()
    assert told == [None]
