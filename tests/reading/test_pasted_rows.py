"""Rows alike in every cell count once, and rows of one name that are two things are told."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lab_batches import BLANKS, STANDARDS, batch_case
from metallics_rows import ROWS as METALLICS
from metallics_rows import read_metallics

from oretally.io import read_case
from oretally.io.case import Case
from oretally.io.laboratory import read_lab

EXAMPLE = Path(__file__).resolve().parents[2] / "examples" / "tin_table"
HEAD, *LINES = (EXAMPLE / "measurements.csv").read_text("utf-8").splitlines()
LONG = [
    f"{line.split(',')[0]},Sn,{line.split(',')[3]},%,{line.split(',')[4]},rel %" for line in LINES
]  # fmt: skip
MORE = "If they are replicates, number them in a column 'replicate'."


def _case(folder: Path, rows: list[str], head: str = HEAD) -> Case:
    if not folder.exists():
        shutil.copytree(EXAMPLE, folder, ignore=shutil.ignore_patterns("*.xlsx", "lab.csv"))
    (folder / "measurements.csv").write_text("\n".join([head, *rows]) + "\n", "utf-8")
    return read_case(folder)


@settings(max_examples=12, deadline=None)
@given(times=st.lists(st.integers(1, 4), min_size=4, max_size=4), long=st.booleans())
def test_pasting_rows_changes_no_number(
    times: list[int], long: bool, tmp_path_factory: pytest.TempPathFactory
) -> None:
    head, lines = HEAD, LINES
    if long:
        head, lines = (
            "stream,quantity,value,unit,error,error unit",
            [*LONG, "table feed,dry mass,25,kg,9,g"],
        )
    folder = tmp_path_factory.mktemp("pasted") / "case"
    once = _case(folder, lines, head)
    many = _case(folder, [*lines, *(ln for ln, n in zip(lines, times, strict=False)
                                    for _ in range(n - 1))], head)  # fmt: skip
    told = [(m.stream, m.quantity, m.value, m.sd, m.readings) for m in once.survey.measurements]
    assert told == [
        (m.stream, m.quantity, m.value, m.sd, m.readings) for m in many.survey.measurements
    ]
    assert sum("Alike in every cell" in note for note in many.notes) == (max(times) > 1)


def test_which_rows_and_how_to_say_that_they_are_replicates(tmp_path: Path) -> None:
    case = _case(tmp_path / "case", [*LINES, LINES[0], LINES[1], LINES[0]])
    assert case.notes == (
        "Alike in every cell, and counted once: rows 2, 6 and 8; rows 3 and 7 of measurements.csv. "
        + MORE,
    )
    rows = [f"{line},{i},note {i}" for i, line in enumerate([*LINES, LINES[0]])]
    numbered = _case(tmp_path / "case", rows, f"{HEAD},replicate,note")
    m = numbered.survey.measured("table feed", "Sn")
    assert m is not None and m.readings == 2 and m.sd == pytest.approx(0.0303 / 2.0**0.5)
    assert m.note == "mean of 2 replicates; note 0; note 4"  # a number is no note
    assert any(
        note == "dry mass of 'table feed' stands as 24952 g in 2 rows, and counts as 2 readings: "
        "leave it blank in the others if it was measured once."
        for note in numbered.notes
    )


def test_names_alone_are_no_readings(tmp_path: Path) -> None:
    assert not _case(tmp_path / "case", [*LINES, "tailings,,,,", "tailings,,,,"]).notes


TWO = "are probably two different things: their"
APART = {
    "concentrate,21358,40,,": (
        f"Two rows of 'concentrate' {TWO} dry mass is 420 and 21358 g (rows 3 and 6). "
        "Correct the name or the number.",
    ),
    "concentrate,,,0.303,3": (
        f"Two rows of 'concentrate' {TWO} Sn is 0.303 and 31.2 % (rows 6 and 3). "
        "Correct the name or the number.",
    ),
    "concentrate,,,<0.01,": (
        f"Two rows of 'concentrate' {TWO} Sn is 31.2 and <0.01 (rows 3 and 6). "
        "Correct the name or the number.",
    ),
    "concentrate,425,1,31.9,1.5": (),
    "tailings,,,<0.4,": (),
    "tailings,,,1.2,150": (),  # its error explains it
}


@pytest.mark.parametrize("row", list(APART))
def test_two_things_under_one_name(row: str, tmp_path: Path) -> None:
    assert _case(tmp_path / "case", [*LINES, row]).contradictions == APART[row]


def test_a_laboratory_batch(tmp_path: Path) -> None:
    read = read_lab(batch_case(tmp_path, (STANDARDS + BLANKS) * 3))
    (batch,) = read.batches
    assert (len(batch.standards), len(batch.blanks)) == (2, 2)
    assert read.notes == (
        "Alike in every cell, and counted once: rows 2, 6 and 10; rows 3, 7 and 11; rows 4, 8 and "
        "12; rows 5, 9 and 13 of lab.csv. If they are readings of their own, give each its own "
        "sample number.",
    )


def test_screened_metallics(tmp_path: Path) -> None:
    once, _, _ = read_metallics(tmp_path, METALLICS)
    last = METALLICS.splitlines()[-1]
    many, notes, faults = read_metallics(tmp_path, METALLICS + f"{last}\n{last}\n")
    assert not faults and [(m.value, m.sd) for m in many] == [(m.value, m.sd) for m in once]
    assert notes[0] == (
        f"Alike in every cell, and counted once: rows 4, 5 and 6 of metallics.csv. {MORE}"
    )
