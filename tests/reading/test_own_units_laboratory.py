"""Cells that name their own unit in tables of the laboratory and of screened metallics."""

from __future__ import annotations

from pathlib import Path

import pytest
from own_units_rows import CIRCUIT, HEADER, ROW, Read, row_with

from oretally.flowsheet import Analyte, InputError, Survey, parse_unit
from oretally.io import read_case
from oretally.io.files import read_csv_table
from oretally.io.laboratory import read_lab, read_metallics
from oretally.io.laboratory.batches import LabTable

_GRAIN_MG = 64.79891  # 1/7000 lb, international pound 1959


@pytest.fixture
def survey(tmp_path: Path) -> Read:
    """Return a reader of the numbers of a case: one row, and other files."""

    def read(row: list[str], header: str = HEADER, **files: str) -> Survey:
        (tmp_path / "circuit.toml").write_text(CIRCUIT, "utf-8")
        text = f"{header}{','.join(row)}\nconc,1,,,,,,,,,\ntails,24,,,,,,,,,\n"
        (tmp_path / "measurements.csv").write_text(text, "utf-8")
        for name, content in files.items():
            (tmp_path / f"{name}.csv").write_text(content, "utf-8")
        return read_case(tmp_path).survey

    return read


_METALLICS = (
    "stream,fraction,mass [g],± mass [g],Au [g/t],± Au [rel %],Au contained [mg],"
    "± Au contained [mg]\n"
)


def _screened(folder: Path, plus: str, minus: str) -> tuple[list[tuple[float, float]], list[str]]:
    text = f"{_METALLICS}feed,plus,{plus}\nfeed,minus,{minus}\n"
    (folder / "metallics.csv").write_text(text, "utf-8")
    table, faults = read_csv_table(folder / "metallics.csv", "metallics.csv")
    assert table is not None
    gold = (Analyte("Au", parse_unit("g/t")),)
    found, _ = read_metallics(table, ("feed",), gold, faults)
    return [(m.value_base, m.sd_base) for m in found], [str(f) for f in faults]


def test_metallics_may_mix_units(tmp_path: Path) -> None:
    """Pounds and grains, ppm and percent of the value."""
    grain, lb = _GRAIN_MG, 453.59237
    plain, faults = _screened(
        tmp_path, f"{0.5 * lb},{0.01 * lb},,,{2 * grain},{0.02 * grain}", f"{2 * lb},1,5,4,,"
    )
    mixed, more = _screened(
        tmp_path, "0.5 lb,2 rel %,,,2 grain,1 rel %", "2 lb,1 g,5 ppm,0.2 ppm,,"
    )
    assert (faults, more) == ([], [])
    assert len(plain) == 1
    assert mixed[0] == pytest.approx(plain[0], rel=1e-12)


def test_metallics_refused(tmp_path: Path) -> None:
    _, faults = _screened(tmp_path, "12 oz,1 %,,,2 ppm,1 %", "1000,1,5,4 kg,,")
    assert faults == [
        "metallics.csv, cell C2, stream 'feed', mass: 'oz' can be read in two ways: troy ounce "
        "31.1035 g, avoirdupois ounce 28.3495 g.\nWrite ozt for troy ounces, ozav for avoirdupois "
        "ounces.",
        "metallics.csv, cell G2, stream 'feed', Au contained: 'ppm' is the unit of a grade, but a "
        "mass is wanted.\nWrite one of: mg, g, kg, t, lb, st, lt, ozt.",
        "metallics.csv, cell F3, stream 'feed', Au: 'kg' is the unit of a mass, but a grade is "
        "wanted.\nWrite one of: %, g/g, g/kg, kg/t, g/t, mg/kg, ppm, ppb, lb/st, lb/t, lb/lt, "
        "ozt/st, ozt/t, ozt/lt.",
    ]
    _, faults = _screened(tmp_path, "12,1 %,,,2,-1 mg", "-2 lb,1,5 foo,4,,")
    assert faults == [
        "metallics.csv, cell D2, stream 'feed', mass: The stated error '1 %' can be read as 1 "
        "percent of the value or as 0.01 g, shown as a percentage.\nWrite 1 rel %\nor 0.01 g.",
        "metallics.csv, cell C3, stream 'feed', mass: The mass of the fraction is -2 lb; it cannot "
        "be negative, nor below 0.\nCorrect it.",
        "metallics.csv, cell H2, stream 'feed', Au contained: The stated error is -1 mg; it must "
        "be above 0.\nEnter one standard deviation, or leave the cell blank.",
        "metallics.csv, cell E3, stream 'feed', Au: The value is '5 foo', not a number.\nWrite the "
        "number alone, its unit goes into the header, or leave the cell blank if it was not "
        "measured.",
    ]


_LAB = "sample,type,analyte,value,unit,pair,certified,certified sd\n"


_WIDE = """[lab]
columns = { sample = "No", type = "Kind", pair = "Twin" }
[lab.analytes]
Sn = { column = "Sn XRF", unit = "%", certified = "Sn cert", "certified sd" = "Sn sd" }
"""


def _lab(folder: Path, rows: str, circuit: str = "") -> LabTable:
    (folder / "lab.csv").write_text(rows, "utf-8")
    if circuit:
        (folder / "circuit.toml").write_text(circuit, "utf-8")
    return read_lab(folder)


def _lab_refused(folder: Path, rows: str, circuit: str = "") -> list[str]:
    with pytest.raises(InputError) as refused:
        _lab(folder, rows, circuit)
    return [str(f) for f in refused.value.faults]


def test_a_batch_may_mix_units(tmp_path: Path) -> None:
    """Values, limits and certificates, with the unit of the row or their own."""
    rows = (
        "a,sample,Au,10.2,g/t,,,\nb,duplicate,Au,0.3 ozt/st,g/t,a,,\n"
        "c,blank,Au,<5 ppb,g/t,,,\nd,standard,Au,2.5,g/t,,0.075 ozt/st,60 ppb\n"
        "e,standard,Au,2.5 ppm,,,2.4,0.05\n"
    )
    (batch,) = _lab(tmp_path, _LAB + rows).batches
    assert batch.unit.symbol == "g/t"
    assert (batch.pairs[0].first, batch.pairs[0].second) == pytest.approx((10.2, 0.3 * 240 / 7))
    assert batch.detection == pytest.approx(0.005, rel=1e-12)
    assert batch.blanks[0].value == pytest.approx(0.0025, rel=1e-12)
    shown = [(s.measured, s.certified, s.certified_sd) for s in batch.standards]
    assert shown[0] == pytest.approx((2.5, 0.075 * 240 / 7, 0.06), rel=1e-12)
    assert shown[1] == pytest.approx((2.5, 2.4, 0.05), rel=1e-12)


def test_an_export_may_mix_units(tmp_path: Path) -> None:
    rows = (
        "No,Kind,Twin,Sn XRF,Sn cert,Sn sd\n1,sample,,8540 ppm,,\n2,duplicate,1,0.86,,\n"
        "3,standard,,1.49,15200 ppm,0.02 %\n"
    )
    (batch,) = _lab(tmp_path, rows, _WIDE).batches
    assert batch.unit.symbol == "%"
    assert (batch.pairs[0].first, batch.pairs[0].second) == pytest.approx((0.854, 0.86), rel=1e-12)
    (s,) = batch.standards
    assert (s.measured, s.certified, s.certified_sd) == pytest.approx((1.49, 1.52, 0.02), rel=1e-12)


LAB_REFUSED = {
    "a,blank,Au,0.3 oz/ton,g/t,,,": "cell D2, Au: 'oz/ton' can be read in three ways: ozt/st = "
    "34.2857 g/t, ozt/t = 31.1035 g/t, ozt/lt = 30.6122 g/t.\nWrite the one the laboratory means.",
    "a,blank,Au,2 lb,g/t,,,": "cell D2, Au: 'lb' is the unit of a mass, but a grade is wanted.\n"
    "Write one of: %, g/g, g/kg, kg/t, g/t, mg/kg, ppm, ppb, lb/st, lb/t, lb/lt, ozt/st, ozt/t, "
    "ozt/lt.",
    "a,blank,Au,2 foo,g/t,,,": "cell D2, Au: The value is '2 foo', not a number.\nWrite the number "
    "alone, its unit goes into the header, or leave the cell blank if it was not measured.",
    "a,standard,Au,2,g/t,,2.1 kg,0.1": "cell G2: 'kg' is the unit of a mass, but a grade is "
    "wanted.\nWrite one of: %, g/g, g/kg, kg/t, g/t, mg/kg, ppm, ppb, lb/st, lb/t, lb/lt, ozt/st, "
    "ozt/t, ozt/lt.",
    "a,standard,Au,2,g/t,,2.1,3 %": "cell H2: The stated error '3 %' can be read as 3 percent of "
    "the value or as an error of 30000 g/t.\nWrite 3 rel %\nor 30000 g/t.",
    "a,blank,Au,N.D.,g/t,,,": "cell D2, Au: 'N.D.' can be read as not detected or as not "
    "determined.\nWrite <0.01 (the limit) for not detected\nor leave the cell blank for not "
    "determined.",
}


@pytest.mark.parametrize("row", list(LAB_REFUSED))
def test_a_batch_refused(row: str, tmp_path: Path) -> None:
    assert _lab_refused(tmp_path, f"{_LAB}{row}\n") == [f"lab.csv, {LAB_REFUSED[row]}"]


@pytest.mark.parametrize(("word", "meaning"), [("IS", "there was too little sample"),
                                               ("NSS", "there was too little sample"),
                                               ("LNR", "the sample was not received")])  # fmt: skip
def test_words_mean_the_same_everywhere(
    word: str, meaning: str, survey: Read, tmp_path: Path
) -> None:
    """In the measurements and in a batch."""
    assert survey(row_with(F=word, G="")).measured("feed", "Au") is None
    notes = read_case(tmp_path).notes
    assert f"Au of 'feed' is '{word}': {meaning}; it counts as not measured." in notes
    rows = f"{_LAB}a,sample,Au,{word},g/t,,,\nb,blank,Au,0.1,g/t,,,\n"
    (batch,) = _lab(tmp_path, rows).batches
    assert batch.notes == [f"The sample 'a' is '{word}': {meaning}."]


def test_an_empty_batch_says_what_it_wants(tmp_path: Path) -> None:
    """Not 'one row a stream': a batch has assays."""
    assert _lab_refused(tmp_path, "") == [
        "lab.csv: The table is empty.\nWrite the columns sample, type, analyte, value, unit, pair, "
        "standard, certified, certified sd, and one row an assay."
    ]
    assert _lab_refused(tmp_path, _LAB) == [
        "lab.csv: The table has a header but no rows.\nWrite one row an assay: standards, blanks, "
        "duplicates and samples."
    ]
    assert _lab_refused(tmp_path, "", _WIDE) == [
        "lab.csv: The table is empty.\nWrite the headers that [lab] names, and one row a sample."
    ]


def test_a_detection_limit_is_no_error(survey: Read, tmp_path: Path) -> None:
    survey(ROW)
    text = CIRCUIT.replace("Sn = { relative = 3 }", 'Sn = { relative = 3, detection = "0.01 %" }')
    (tmp_path / "circuit.toml").write_text(text, "utf-8")
    with pytest.raises(InputError) as refused:
        read_case(tmp_path)
    assert [str(f) for f in refused.value.faults] == [
        "circuit.toml, line 17: A detection limit is no error.\nState it for the analyte: "
        '[analytes] Sn = { unit = "%", detection = "0.01 %" }.'
    ]
