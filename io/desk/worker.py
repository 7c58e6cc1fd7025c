"""The process that balances, apart from the one that answers the page.

One line of JSON in is a job, or says that a job is unwanted; lines of JSON out are its stages and
what came of it. It ends when nobody is left to read them. Started by `oretally.io.desk.workers`.
"""

from __future__ import annotations

import _thread
import base64
import gc
import json
import os
import queue
import signal
import sys
import threading
import traceback
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import IO, Any

import oretally.io.desk.made as made
import oretally.io.desk_campaign as campaign
from oretally.flowsheet import InputError
from oretally.io.desk.answer import answered
from oretally.io.desk.circuit_table import circuit_table
from oretally.io.desk.traces import fault_row
from oretally.io.desk.what_ifs import taken
from oretally.io.desk_files import GivenCase, files_of
from oretally.io.forms import make_case

__all__ = ["work_until_told"]

_NO_CIRCUIT: Mapping[str, Any] = {"streams": (), "nodes": ()}
_WARM = "tin_table"
"""An example: what a balance needs is loaded once it was balanced."""


class _Unwanted(BaseException):
    """Nobody waits any more for what is being done; raised in the midst of it."""


class _Jobs:
    """Jobs as they come in; the one at work is given up when that is asked for.

    A thread reads the input. It interrupts the main thread as a keyboard would; there it is judged
    whether what is at work is meant, so that nothing else is ever given up.
    """

    def __init__(self, lines: IO[bytes]) -> None:
        self.lines = lines
        self.waiting: queue.SimpleQueue[Mapping[str, Any] | None] = queue.SimpleQueue()
        self.unwanted: set[int] = set()
        self.at_work: int | None = None
        signal.signal(signal.SIGINT, self._interrupted)
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        for line in self.lines:
            row = json.loads(line)
            if "unwanted" in row:
                self.unwanted.add(row["unwanted"])
                _thread.interrupt_main()
            else:
                self.waiting.put(row)
        self.waiting.put(None)
        if self.at_work is not None:  # nobody is left to read
            self.unwanted.add(self.at_work)
            _thread.interrupt_main()

    def _interrupted(self, *_: object) -> None:
        """Give up what is at work if it is unwanted; whatever else interrupts is nothing to us."""
        if self.at_work in self.unwanted:
            self.at_work = None
            raise _Unwanted

    def each(self) -> Iterator[Mapping[str, Any]]:
        """Yield the jobs until the input ends."""
        while (job := self.waiting.get()) is not None:
            yield job


def work_until_told() -> None:
    """Do jobs until the input ends."""
    jobs = _Jobs(sys.stdin.buffer)
    out = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)  # whatever else is printed is no answer
    with TemporaryDirectory(prefix="oretally-desk-") as name:
        folder = Path(name)
        _warm(folder)
        gc.freeze()  # what is loaded stays: nobody looks for garbage in it again
        _tell(out, {"ready": True, "folder": name})
        for job in jobs.each():
            _tell(out, {"id": job["id"], **_done(job, jobs, folder, out)})


def _done(job: Mapping[str, Any], jobs: _Jobs, folder: Path, out: IO[str]) -> Mapping[str, Any]:
    """Return what came of a job."""
    try:
        jobs.at_work = job["id"]
        try:
            if jobs.at_work in jobs.unwanted:
                raise _Unwanted
            return _work(job, folder, out)
        finally:
            jobs.at_work = None
    except _Unwanted:
        return {"unwanted": True}
    except Exception as error:
        traceback.print_exc(file=sys.stderr)
        return {"bug": f"{type(error).__name__}: {error}"}
    finally:
        gc.enable()


def _tell(out: IO[str], row: Mapping[str, Any]) -> None:
    out.write(json.dumps(row, ensure_ascii=True, allow_nan=False) + "\n")
    out.flush()


def _warm(folder: Path) -> None:
    case = folder / _WARM
    make_case(case, _WARM)
    answered(case, {}, {}, lambda *_, **__: None)


def _work(job: Mapping[str, Any], folder: Path, out: IO[str]) -> Mapping[str, Any]:
    def say(stage: str, **known: Any) -> None:
        _tell(out, {"id": job["id"], "stage": stage, **known})

    if job["do"] == "campaign":
        return _seen(job, say)
    with TemporaryDirectory(dir=folder) as name:
        if job["do"] == "survey":
            return _taken_out(job, Path(name))
        files = {name: base64.b64decode(data) for name, data in job["files"].items()}
        source = _unpacked(GivenCase(job["name"], job["kind"], files), Path(name))
        if job["do"] == "answer":
            return {"answer": answered(source, job["parts"], job["whatif"], say)}
        if job["do"] == "take":
            return {"taken": _taken(source, job)}
        return {"made": made.make(source, job, say)}


def _taken(source: Path, job: Mapping[str, Any]) -> dict[str, Any]:
    """Return the parts with a what-if in them, or why it cannot be there."""
    try:
        return {"parts": taken(source, files_of(source), job["parts"], job["whatif"])}
    except InputError as error:
        circuit = circuit_table(job["parts"])
        return {"faults": [fault_row(f, job["parts"], circuit) for f in error.faults]}


def _seen(job: Mapping[str, Any], say: Callable[..., None]) -> dict[str, Any]:
    """Return a view of a campaign, or why there is none."""
    try:
        return {"seen": campaign.seen(job["view"], job, say)}
    except InputError as error:
        return {"faults": [fault_row(f, {}, _NO_CIRCUIT) for f in error.faults]}


def _taken_out(job: Mapping[str, Any], folder: Path) -> dict[str, Any]:
    """Return a survey of a campaign as the files of a case, as it counts there."""
    try:
        found = campaign.survey_taken_out(job["file"], job["label"])
        given = found.given
        source = _unpacked(given, folder)
        if found.without:
            files = files_of(source)
            stored = files.read()
            parts = taken(source, files, stored.parts, {"without": found.without})
            given = _written(given, files.written(parts, stored))
    except InputError as error:
        return {"faults": [fault_row(f, {}, _NO_CIRCUIT) for f in error.faults]}
    packed = {name: base64.b64encode(data).decode() for name, data in given.files.items()}
    return {"survey": {"name": given.name, "kind": given.kind, "files": packed,
                       "number": found.number, "story": found.story}}  # fmt: skip


def _written(given: GivenCase, files: dict[str, bytes]) -> GivenCase:
    """Return a case with files written anew; a workbook may be another one by that."""
    if given.kind == "folder":
        return GivenCase(given.name, given.kind, {**given.files, **files})
    return GivenCase(next(iter(files)), given.kind, files)


def _unpacked(given: GivenCase, folder: Path) -> Path:
    """Write the files of a case; return where it stands."""
    case = folder / given.name
    if given.kind == "folder":
        case.mkdir()
    for name, data in given.files.items():
        target = case / name if given.kind == "folder" else case
        target.write_bytes(data)
    return case


if __name__ == "__main__":
    work_until_told()
