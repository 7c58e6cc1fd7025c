"""What can be added to a campaign: cases, folders of cases, workbooks, tables of many surveys."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from oretally.flowsheet import Fault, InputError, Place
from oretally.flowsheet.foreign_text import unreadable_character
from oretally.io.campaign.given import GivenSurvey, kept_case
from oretally.io.campaign.long_table import SURVEYS_FILE, SurveyHeading, headings, long_table, split
from oretally.io.campaign.moments import leading_date
from oretally.io.case import CIRCUIT_FILE, MEASUREMENTS_FILE, unfilled
from oretally.io.definition import read_circuit_text
from oretally.io.files import (
    SUFFIXES,
    is_file,
    is_folder,
    is_there,
    names_in,
    read_csv_table,
    read_input,
    readable_name,
)

__all__ = ["Found", "relabelled", "surveys_of"]

_TABLES = (".csv", ".parquet")
_WHAT = (
    f"Give a case, a folder of cases, or a table of many surveys with a column 'survey' and "
    f"--circuit {CIRCUIT_FILE}."
)


@dataclass(frozen=True, slots=True)
class Found:
    """Surveys that can be added, and those that cannot with what is wrong with them."""

    surveys: list[GivenSurvey]
    refused: list[tuple[str, InputError]]


def surveys_of(
    source: Path, circuit: Path | None = None, *, say: Callable[[str], None] = lambda _: None
) -> Found:
    """Return the surveys that a file or folder holds.

    Parameters
    ----------
    source : Path
        A case; a folder whose folders and workbooks are cases, with a table surveys.csv of their
        times and kinds if there is one; a folder with circuit.toml and surveys.csv in place of
        measurements.csv; or one table of many surveys.
    circuit : Path, optional
        The circuit.toml of such a table.
    say : callable, optional
        Is told how far it is.

    Raises
    ------
    InputError
        If there is nothing to add, or what surveys.csv says of the surveys is faulty.
    """
    if not is_there(source):
        raise _wrong(source, "There is no such file or folder.", f"Check the spelling. {_WHAT}")
    if circuit is not None:
        if is_folder(source):
            raise _wrong(source, "--circuit goes with a table of many surveys.", _WHAT)
        return _table(source, circuit)
    suffix = source.suffix.casefold()
    if is_folder(source):
        has = {name for name in (CIRCUIT_FILE, MEASUREMENTS_FILE, SURVEYS_FILE)
               if is_file(source / name)}  # fmt: skip
        if has == {CIRCUIT_FILE, SURVEYS_FILE}:
            return _table(source / SURVEYS_FILE, source / CIRCUIT_FILE)
        if CIRCUIT_FILE in has or MEASUREMENTS_FILE in has:
            return _cases([source], {})
        return _folder(source, say)
    if suffix in _TABLES:
        problem = "A table of many surveys needs their circuit."
        raise _wrong(source, problem, f"Name it: --circuit {CIRCUIT_FILE}")
    if suffix not in SUFFIXES:
        raise _wrong(source, "This is nothing that can be added.", _WHAT)
    return _cases([source], {})


def _table(path: Path, circuit: Path) -> Found:
    if not is_file(circuit):
        raise _wrong(circuit, "There is no such file.", "Check the spelling.")
    read_circuit_text(circuit, readable_name(circuit.name))  # told under its own name
    table, faults = long_table(path)
    if faults or table is None:
        raise InputError(faults)
    return Found(*split(table, read_input(circuit), readable_name(str(path))))


def _folder(folder: Path, say: Callable[[str], None]) -> Found:
    """Return the surveys of a folder whose folders and workbooks are cases."""
    names = [folder / name for name in names_in(folder)]
    cases = [
        path
        for path in names
        if (path.suffix.casefold() in SUFFIXES and is_file(path) and "~$" not in path.name)
        or (is_folder(path) and is_file(path / CIRCUIT_FILE))
    ]
    if not cases:
        raise _wrong(folder, "There is no case in the folder.", _WHAT)
    faults: list[Fault] = []
    told: dict[str, SurveyHeading] = {}
    if is_file(folder / SURVEYS_FILE):
        table, faults = read_csv_table(folder / SURVEYS_FILE, SURVEYS_FILE, key="survey")
        if table is not None:
            told = {h.label: h for h in headings(table, faults, rows_each=False)}
            faults += dict.fromkeys(fault for h in told.values() for fault in h.faults)
            there = {_label(path) for path in cases}
            faults += [
                Fault(f"There is no case '{label}' in the folder.", "Correct its name.",
                      table.rows[h.rows[0]][0].place)
                for label, h in told.items() if label not in there
            ]  # fmt: skip
    labels = [_label(path) for path in cases]
    for path in (p for i, p in enumerate(cases) if labels[i] in labels[:i]):
        problem = f"A folder and a workbook are both called '{_label(path)}'."
        faults.append(Fault(problem, "Rename or remove one.", Place(file=str(path))))
    if faults:
        raise InputError(faults)
    return _cases(cases, told, say)


def _cases(
    cases: list[Path], told: dict[str, SurveyHeading], say: Callable[[str], None] = lambda _: None
) -> Found:
    found = Found([], [])
    for i, path in enumerate(cases):
        say(f"reading, {i} of {len(cases)} cases")
        label = _label(path)
        try:
            case, files = kept_case(path)
            wrong = unreadable_character(label, name=True)
            blank = unfilled(case)
            if wrong:
                raise _wrong(path, f"Its name has the character {wrong}.", "Rename it.")
            if blank is not None:
                raise blank
        except InputError as error:
            found.refused.append((label, error))
            continue
        heading = told.get(label)
        time: datetime | None = leading_date(label)
        if heading is not None and heading.time is not None:
            time = heading.time
        kind = heading.kind if heading is not None else ""
        source = readable_name(str(path))
        found.surveys.append(
            GivenSurvey(label, time, kind, files, source, "", case.circuit, case.doubled)
        )
    return found


def _label(path: Path) -> str:
    """Return what a case is called: its folder, or its workbook without the ending."""
    name = path.resolve().name
    ending = path.suffix.casefold() in SUFFIXES and is_file(path)
    return readable_name(name[: -len(path.suffix)] if ending else name)


def relabelled(survey: GivenSurvey, label: str | None, time: datetime | None, kind: str | None
) -> GivenSurvey:  # fmt: skip
    """Return a survey with what the command line says of it."""
    return replace(
        survey, label=survey.label if label is None else label,
        time=survey.time if time is None else time, kind=survey.kind if kind is None else kind,
    )  # fmt: skip


def _wrong(path: Path, problem: str, mend: str) -> InputError:
    return InputError([Fault(problem, mend, Place(file=readable_name(str(path))))])
