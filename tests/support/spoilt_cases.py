"""Spoilt cases, and what the commands make of them.

Each ends in a result or in a message, as statuses 0, 1 and 2 do: no traceback, no warning, at most
20 s of work and 1 GB, and the files of the case as they were. Run as a program on a range of seeds,
in a process of its own that can be stopped and whose memory can be measured:

    python tests/support/spoilt_cases.py FIRST COUNT

prints each seed that ended otherwise, then how often each command ended how, as JSON.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import random
import resource
import shutil
import signal
import sys
import tempfile
import traceback
import warnings
from collections import Counter
from functools import lru_cache
from pathlib import Path
from types import FrameType
from typing import NamedTuple

from metallics_rows import ROWS
from often import NIGHTLY
from planned_cases import CIRCUIT, ERRORS, MEASURED, PRICES
from spoilt_books import spoilt_archive, spoilt_sheets
from spoilt_text import spoilt_bytes, spoilt_table, spoilt_toml

from oretally.io.cli import main
from oretally.io.forms.case_workbook import case_workbook

__all__ = ["Ended", "Spoilt", "ended", "original", "spoilt"]

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
# the small ones most of all: they take the least time
_NAMES = ["wet_as_dry", "month_with_stockpile", "leach_test", "tails_by_size", "filter_cakes",
          *["tin_table"] * 8, *["grind_coarse", "planned", "metallics"] * 9]  # fmt: skip
_SHEETS = ("measurements", "lab", "sizes", "stocks")
_SECONDS, _MEMORY = 20 if NIGHTLY else 300, 1.0  # of work: by day against hanging only; GB
_METALLICS = """basis = "batch"
[streams]
"mill feed" = { to = "mill" }
"conc" = { from = "mill" }
"tails" = { from = "mill" }
[analytes]
Au = { unit = "g/t" }
[errors]
"dry mass" = { relative = 1 }
Au = { relative = 5 }
"""


class Spoilt(NamedTuple):
    """A case with something wrong: its name, files, the one to give, and how it was spoilt."""

    name: str
    files: dict[str, bytes]
    given: str
    way: str
    command: str
    options: tuple[str, ...]


class Ended(NamedTuple):
    """How a command ended: status, what it printed, and what should not have been."""

    status: int
    out: str
    err: str
    wrong: str


class _TooLong(BaseException):
    """More work than a spoilt case may make."""


@lru_cache
def original(name: str) -> dict[str, bytes]:
    """Return the files of a case before it is spoilt."""
    if name == "planned":
        return {"circuit.toml": (CIRCUIT + ERRORS).encode(), "measurements.csv": MEASURED.encode(),
                "prices.csv": PRICES.encode()}  # fmt: skip
    if name == "metallics":
        table = "stream,dry mass [kg],Au [g/t]\nmill feed,50,\nconc,0.4,240\ntails,49.6,0.61\n"
        return {"circuit.toml": _METALLICS.encode(), "measurements.csv": table.encode(),
                "metallics.csv": ROWS.encode()}  # fmt: skip
    return {p.name: p.read_bytes() for p in sorted((EXAMPLES / name).iterdir())
            if p.suffix in (".toml", ".csv")}  # fmt: skip


@lru_cache
def _book(name: str) -> bytes:
    files = original(name)
    tables = (files.get(f"{sheet}.csv", b"").decode() for sheet in _SHEETS)
    return case_workbook(files["circuit.toml"].decode(), *tables)


def spoilt(seed: int) -> Spoilt:
    """Return the spoilt case of a seed."""
    rng = random.Random(seed)
    name = rng.choice(_NAMES)
    files, given, way = (
        dict(original(name)),
        "",
        rng.choice(["text"] * 5 + ["sheets"] * 2 + ["archive"]),
    )
    if way == "text":
        tables = [file for file in files if file.endswith(".csv")]
        file = rng.choice([*tables, *tables, "circuit.toml"])
        spoil = rng.choice([spoilt_toml if file == "circuit.toml" else spoilt_table] * 4
                           + [spoilt_bytes])  # fmt: skip
        files[file], way = spoil(rng, files[file]), f"{spoil.__name__} of {file}"
        if rng.random() < 0.03:
            files[rng.choice(sorted(files))] = files.pop(file)  # saved under another name
    else:
        given, data = (spoilt_sheets if way == "sheets" else spoilt_archive)(rng, _book(name))
        files = {given: data}
    commands = ["check"] * 30 + ["balance"] * 4 + ["sheet"] * 5 + ["compare"]
    if "lab" in way or (name == "tin_table" and rng.random() < 0.1):
        commands = ["lab"]
    elif name == "planned" and rng.random() < 0.05:
        commands = ["plan"]
    command = rng.choice(commands)
    offered: dict[str, list[tuple[str, ...]]] = {
        "balance": [(), (), ("--full",), ("--json", "-")],
        "check": [(), ("--full",)],
        "sheet": [("--xlsx",), ("--html",)],
    }
    return Spoilt(name, files, given, way, command, rng.choice(offered.get(command, [()])))


def ended(case: Spoilt, folder: Path) -> Ended:
    """Run the command of a spoilt case in an empty folder; tell how it ended."""
    path, out, err = folder / "case", io.StringIO(), io.StringIO()
    path.mkdir()
    for name, data in case.files.items():
        (path / name).write_bytes(data)
    arguments = [case.command, str(path / case.given), *case.options]
    if case.command == "compare":
        (folder / "first").mkdir()
        for name, data in original(case.name).items():
            (folder / "first" / name).write_bytes(data)
        arguments.insert(1, str(folder / "first"))
    elif case.command == "sheet":
        arguments.append(str(folder / f"made.{case.options[0][2:]}"))
    status, wrong = -1, ""
    signal.setitimer(signal.ITIMER_PROF, _SECONDS)
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            main(arguments)
    except SystemExit as stop:
        status = int(stop.code or 0)
    except (Exception, _TooLong):
        wrong = traceback.format_exc(limit=-4)
    signal.setitimer(signal.ITIMER_PROF, 0)
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    if memory > _MEMORY:
        wrong += f"took {memory:.1f} GB"
    if not wrong and status not in (0, 1, 2):
        wrong = f"status {status}"
    if not wrong and not (err.getvalue() if status else out.getvalue() + err.getvalue()):
        wrong = f"status {status} without a word"
    if {p.name: p.read_bytes() for p in path.iterdir()} != case.files:
        wrong += "changed its input"
    return Ended(status, out.getvalue(), err.getvalue(), wrong)


def _stop(_signal: int, _frame: FrameType | None) -> None:
    raise _TooLong


def _run(first: int, count: int) -> None:
    warnings.simplefilter("error")  # a warning is a bug as well
    os.environ["ORETALLY_TRACEBACK"] = "1"
    signal.signal(signal.SIGPROF, _stop)
    found, folder = Counter[str](), Path(tempfile.mkdtemp())
    for seed in range(first, first + count):
        case, place = spoilt(seed), folder / str(seed)
        place.mkdir()
        end = ended(case, place)
        shutil.rmtree(place)
        found[f"{case.command} {end.status}"] += 1
        if end.wrong:
            print(f"seed {seed}, {case.way}, {case.command}: {end.wrong}")
    shutil.rmtree(folder)
    print(json.dumps(found, sort_keys=True))


if __name__ == "__main__":
    _run(int(sys.argv[1]), int(sys.argv[2]))
