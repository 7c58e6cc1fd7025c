"""Grades in solution: read from a certificate, held against what was typed, filled in."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from lab_cases import HEADER, Capture, run, told

from oretally.io import read_case
from oretally.io.laboratory import read_lab

EXAMPLE = Path(__file__).parents[2] / "examples" / "leach_test"
BLANK = (("0.46,2.87", "0.46,"), ("0.49,0.51", ",  "), ("116.1,,1.676", "116.1,,"))
LAB = (
    "tails,sample,Au,0.49,g/t,,,,\n"
    "tails,sample,Au,510,ug/L,,,,\n"  # the liquor of the same sample
    "leached pulp,sample,Au in solution,2.87,mg/L,,,,\n"
    "pregnant solution,sample,au solution,1.680,mg/L,,,,\n"
    "pregnant solution,sample,Au,1.672 mg/L,mg/L,,,,\n"
    "reagent solution,sample,Au,<0.01,mg/L,,,,\n"
    "wash water,sample,Au,0.02,mg/L,,,,\n"
)


def leach(folder: Path, lab: str = HEADER + LAB) -> Path:
    shutil.copytree(EXAMPLE, folder)
    file = folder / "measurements.csv"
    text = file.read_text("utf-8")
    for typed, blank in BLANK:
        assert typed in text
        text = text.replace(typed, blank)
    file.write_text(text, "utf-8")
    (folder / "lab.csv").write_text(lab, "utf-8")
    return folder


def test_blank_cells_of_solution_are_filled_and_typed_ones_stay(
    tmp_path: Path, capsys: Capture
) -> None:
    path = leach(tmp_path / "c")
    before = (path / "measurements.csv").read_text("utf-8").splitlines()
    status, out, _ = run(capsys, "lab", path, "--fill")
    assert status == 0
    words = " ".join(told(out))
    assert "Typed as certified: 1 grade." in words  # <0.01 of the reagent solution
    assert "cell H5, Au in solution of 'wash water': <0.01 mg/L typed, 0.02 mg/L" in words
    after = (path / "measurements.csv").read_text("utf-8").splitlines()
    assert [new for new, old in zip(after, before, strict=False) if new != old] == [
        "leached pulp,,120.4,43.5,,,0.46,2.87",
        "tails,,66.9,,22.4,,0.49,510 ug/L",
        "pregnant solution,,,,,116.1,,1.680",
    ]
    assert after[len(before) :] == ["pregnant solution,,,,,,,1.672"]
    survey = read_case(path).survey
    found = {(m.stream, m.quantity): m.value_base for m in survey.measurements}
    assert found["tails", "Au in solution"] == pytest.approx(0.51e-6)
    assert found["tails", "Au"] == pytest.approx(0.49e-6)
    assert found["pregnant solution", "Au in solution"] == pytest.approx(1.676e-6)
    again = run(capsys, "lab", path, "--fill")[1]
    assert "no cell of these samples is blank" in " ".join(told(again))


def test_solids_and_solution_are_two_batches(tmp_path: Path) -> None:
    batches = {b.analyte: b.unit.symbol for b in read_lab(leach(tmp_path / "c")).batches}
    assert batches == {"Au": "g/t", "Au in solution": "ug/L"}


def test_a_laboratory_with_a_column_for_each(tmp_path: Path, capsys: Capture) -> None:
    path = leach(tmp_path / "c", "Sample,QC,Au solids,Au liquor\ntails,S,0.49,0.51\n")
    circuit = path / "circuit.toml"
    circuit.write_text(
        circuit.read_text("utf-8")
        + '\n[lab]\ncolumns = { sample = "Sample", type = "QC" }\ntypes = { S = "sample" }\n'
        '[lab.analytes]\nAu = { column = "Au solids", unit = "g/t" }\n'
        '"Au in solution" = { column = "Au liquor", unit = "mg/L" }\n',
        "utf-8",
    )
    assert run(capsys, "lab", path, "--fill")[0] == 0
    rows = (path / "measurements.csv").read_text("utf-8").splitlines()
    assert "tails,,66.9,,22.4,,0.49,0.51" in rows


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("tails,sample,Au in solution,3,g/t,,,,", "'g/t' is the unit of a grade, but a solution"),
        ("tails,sample,Au,3,mg/h,,,,", "'mg/h'"),
        ("tails,sample,Au in solution,-3,mg/L,,,,", "The value is -3."),
    ],
)
def test_what_is_no_grade_of_a_solution_is_refused(
    tmp_path: Path, capsys: Capture, row: str, said: str
) -> None:
    path = leach(tmp_path / "c", f"{HEADER}{row}\n")
    before = (path / "measurements.csv").read_bytes()
    status, _, err = run(capsys, "lab", path, "--fill")
    assert status == 2 and said in err and "lab.csv, cell D2" in err
    assert (path / "measurements.csv").read_bytes() == before


def test_a_grade_of_what_a_stream_does_not_carry_is_not_filled_in(
    tmp_path: Path, capsys: Capture
) -> None:
    """Laboratories report solutions in ppm too: the case would no longer be readable."""
    path = leach(tmp_path / "c", HEADER + "pregnant solution,sample,Au,1.676,g/t,,,,\n")
    before = (path / "measurements.csv").read_bytes()
    status, _, err = run(capsys, "lab", path, "--fill")
    assert status == 2
    assert "The batch has Au of solids in 'pregnant solution'" in err
    assert "give it there as 'Au in solution', in mg/L" in err
    assert (path / "measurements.csv").read_bytes() == before
