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

import lab_cases
from metallics_rows import ROWS
from often import NIGHTLY
from planned_cases import CIRCUIT, ERRORS, MEASURED, PRICES
from spoilt_books import book_of, spoilt_archive, spoilt_sheets
from spoilt_text import spoilt_bytes, spoilt_table, spoilt_toml

from oretally.io.cli import main
from oretally.io.forms.case_workbook import case_workbook

__all__ = ["Ended", "Spoilt", "ended", "original", "spoilt"]

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
# the small ones most of all: they take the least time
_NAMES = ["wet_as_dry", "month_with_stockpile", "leach_test", "tails_by_size", "filter_cakes",
          *["bottle_roll_times", "samples", "campaign_certificate"] * 3,
          *["flotation_times", "campaign_gravity", "shifts_with_stockpile"] * 5,
          *["tin_table"] * 8, *["grind_coarse", "planned", "metallics"] * 9]  # fmt: skip
_SLOW = ("bottle_roll_times",)  # to balance: by day they are only read
_SHEETS = ("measurements", "lab", "sizes", "stocks", "kinetics")
_LONG, _PLANT, _SURVEYS = "surveys.csv", "plant.toml", 5  # of a campaign
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


_CERTIFICATE = """sample,type,analyte,value,unit,pair
week 2/middlings,sample,Sn,1.71,%,
WEEK 4/ore,sample,Sn,0.655,%,
D-1,duplicate,Sn,0.665,%,WEEK 4/ore
week 1/ore,sample,Fe,9.41,%,
week 1/spiral tails,sample,Sn,1960,g/t,
"""


class Spoilt(NamedTuple):
    """A case with something wrong: its name, its files, how it was spoilt, and the commands.

    They are run in the folder that holds the folder `case` of the files; `what` says which is
    tried.
    """

    name: str
    files: dict[str, bytes]
    way: str
    what: str
    commands: tuple[tuple[str, ...], ...]


class Ended(NamedTuple):
    """How the last command ended: status, what it printed; what should not have been in any."""

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
    if name == "samples":
        return {"circuit.toml": lab_cases.CIRCUIT.encode(), "lab.csv": lab_cases.LAB.encode(),
                "measurements.csv": lab_cases.ROWS.encode()}  # fmt: skip
    if name == "campaign_certificate":
        return original("campaign_gravity") | {"batch.csv": _CERTIFICATE.encode()}
    files = {p.name: p.read_bytes() for p in sorted((EXAMPLES / name).iterdir())
             if p.suffix in (".toml", ".csv")}  # fmt: skip
    if _LONG in files:
        files[_LONG] = _first_surveys(files[_LONG])
    return files


def _first_surveys(table: bytes) -> bytes:
    """Return a table of many surveys as far as the first of them go."""
    header, *rows = table.splitlines()
    labels = list(dict.fromkeys(row.split(b",")[0] for row in rows))[:_SURVEYS]
    return b"\n".join([header, *(row for row in rows if row.split(b",")[0] in labels), b""])


@lru_cache
def _book(name: str) -> bytes:
    files = original(name)
    if _LONG in files:
        return book_of("surveys", files[_LONG].decode())
    tables = (files.get(f"{sheet}.csv", b"").decode() for sheet in _SHEETS)
    return case_workbook(files["circuit.toml"].decode(), *tables)


def spoilt(seed: int) -> Spoilt:
    """Return the spoilt case of a seed."""
    rng = random.Random(seed)
    name = rng.choice(_NAMES)
    files, given = dict(original(name)), ""
    way = rng.choice(["text"] * 5 + ["sheets"] * 2 + ["archive"])
    if way == "text" or name == "campaign_certificate":
        tables = [file for file in files if file.endswith(".csv")]
        defined = _PLANT if _PLANT in files else "circuit.toml"
        tables = ["batch.csv"] if name == "campaign_certificate" else tables
        file = rng.choice([*tables, *tables, defined])
        spoil = rng.choice([spoilt_toml if file == defined else spoilt_table] * 4
                           + [spoilt_bytes])  # fmt: skip
        files[file], way = spoil(rng, files[file]), f"{spoil.__name__} of {file}"
        if rng.random() < 0.03:
            files[rng.choice(sorted(files))] = files.pop(file)  # saved under another name
    else:
        given, data = (spoilt_sheets if way == "sheets" else spoilt_archive)(rng, _book(name))
        files = {file: files[file] for file in files if file == _PLANT} | {given: data}
    if name.startswith(("campaign", "shifts")):
        what, commands = _of_campaign(rng, name, given or _LONG)
    else:
        what, commands = _of_case(rng, name, way, f"case/{given}")
    return Spoilt(name, files, way, what, commands)


_Commands = tuple[str, tuple[tuple[str, ...], ...]]


def _of_case(rng: random.Random, name: str, way: str, given: str) -> _Commands:
    """Choose what is done with a case, and return the commands that do it."""
    commands = ["check"] * 30 + ["balance"] * 8 + ["sheet"] * 5 + ["compare"]
    if "lab" in way or (name in ("samples", "tin_table") and rng.random() < 0.2):
        commands = ["lab"]
    elif name == "planned" and rng.random() < 0.05:
        commands = ["plan"]
    command = rng.choice(commands)
    if name in _SLOW and command in ("balance", "compare") and not NIGHTLY:
        command = "check"
    if command == "compare":
        return command, ((command, "first", given),)
    offered: dict[str, list[tuple[str, ...]]] = {
        "balance": [(), (), ("--full",), ("--json", "-"), ("--html", "made.html"),
                    ("--xlsx", "made.xlsx"), ("--pdf", "made.pdf")],
        "check": [(), ("--full",), ("--svg", "made.svg")],
        "sheet": [("--xlsx", "made.xlsx"), ("--html", "made.html")],
        "lab": [(), ("--html", "made.html"), ("--fill",), ("--fill",)],
    }  # fmt: skip
    return command, ((command, given, *rng.choice(offered.get(command, [()]))),)


def _of_campaign(rng: random.Random, name: str, surveys: str) -> _Commands:
    """Choose what is asked of a campaign, and return the commands that make and ask it."""
    added = ("campaign", "made.db", "add", f"case/{surveys}", "--circuit", f"case/{_PLANT}")
    if name == "campaign_certificate":
        words: tuple[str, ...] = ("certificate", "case/batch.csv")
    else:
        label = "week 2" if name == "campaign_gravity" else "02 late"
        words = rng.choice([
            ("list",), ("show", label), ("show", label, "--full"), ("balance",), ("trend",),
            ("bias",), ("verify",), ("export", "--csv", "made.csv"), ("period", "2026-03"),
            ("period", "2026-03", "--by", "day", "--full"), ("trend", "--html", "made.html"),
        ])  # fmt: skip
    return f"campaign {words[0]}", (added, ("campaign", "made.db", *words))


def ended(case: Spoilt, folder: Path) -> Ended:
    """Run the commands on a spoilt case in an empty folder; tell how the last ended."""
    for name, files in (("case", case.files), ("first", original(case.name))):
        (folder / name).mkdir()
        for file, data in files.items():
            (folder / name / file).write_bytes(data)
    end = Ended(0, "", "", "")
    signal.setitimer(signal.ITIMER_PROF, _SECONDS)
    with contextlib.chdir(folder):
        for command in case.commands:
            end = _run(command)
            if end.wrong:
                break
    signal.setitimer(signal.ITIMER_PROF, 0)
    memory, wrong = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20, end.wrong
    if memory > _MEMORY:
        wrong += f"took {memory:.1f} GB"
    left = {p.name: p.read_bytes() for p in (folder / "case").iterdir()}
    filled = {file for file in case.files if "--fill" in case.commands[-1] and end.status == 0
              and not file.startswith(("circuit", "lab"))}  # fmt: skip
    if left.keys() != case.files.keys() or any(
        left[file] != case.files[file] for file in left.keys() - filled
    ):
        wrong += "changed its input"
    return end._replace(wrong=wrong)


def _run(command: tuple[str, ...]) -> Ended:
    out, err = io.StringIO(), io.StringIO()
    status, wrong = -1, ""
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            main(list(command))
    except SystemExit as stop:
        status = int(stop.code or 0)
    except (Exception, _TooLong):
        wrong = traceback.format_exc(limit=-4)
    if not wrong and status not in (0, 1, 2):
        wrong = f"status {status}"
    # what became of many surveys is an answer, whatever the status
    told = err.getvalue() + (out.getvalue() if not status or command[0] == "campaign" else "")
    if not wrong and not told:
        wrong = f"status {status} without a word"
    return Ended(status, out.getvalue(), err.getvalue(), wrong)


def _stop(_signal: int, _frame: FrameType | None) -> None:
    raise _TooLong


def _all(first: int, count: int) -> None:
    warnings.simplefilter("error")  # a warning is a bug as well
    os.environ["ORETALLY_TRACEBACK"] = "1"
    signal.signal(signal.SIGPROF, _stop)
    found, folder = Counter[str](), Path(tempfile.mkdtemp())
    for seed in range(first, first + count):
        case, place = spoilt(seed), folder / str(seed)
        place.mkdir()
        end = ended(case, place)
        shutil.rmtree(place)
        found[f"{case.what} {end.status}"] += 1
        if end.wrong:
            print(f"seed {seed}, {case.name}, {case.way}, {case.what}: {end.wrong}")
    shutil.rmtree(folder)
    print(json.dumps(found, sort_keys=True))


if __name__ == "__main__":
    _all(int(sys.argv[1]), int(sys.argv[2]))
