"""Cells that name their own unit, in every table: values, stated errors, what is refused."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from oretally.flowsheet import Analyte, Fault, InputError, Survey, parse_unit
from oretally.io import read_case
from oretally.io.laboratory import metallics_measurements, read_lab
from oretally.io.laboratory.batches import LabTable

Read = Callable[..., Survey]
_GRAIN_MG = 64.79891  # 1/7000 lb, international pound 1959

# invented
_CIRCUIT = """title = "t"
basis = "batch"
water = true
[streams]
feed = { to = "table" }
conc = { from = "table" }
tails = { from = "table" }
[analytes]
Au = { unit = "g/t" }
Sn = { unit = "%" }
[errors]
"dry mass" = { relative = 1 }
"wet mass" = { relative = 1 }
moisture = { absolute = "0.3 %" }
"Au in solution" = { relative = 5 }
Au = { relative = 5 }
Sn = { relative = 3 }
"class mass" = { relative = 2 }
"""
_HEADER = "stream,wet mass [kg],± wet mass [kg],moisture [%],± moisture [%],Au [g/t],± Au [rel %],"
_HEADER += "Sn [%],± Sn [rel %],Au in solution [mg/L],± Au in solution [mg/L]\n"
_ROW = ["feed", "25.4", "0.1", "8", "0.5", "4.2", "3", "0.82", "4", "0.5", "0.02"]


@pytest.fixture
def survey(tmp_path: Path) -> Read:
    """Return a reader of the numbers of a case: one row, and other files."""

    def read(row: list[str], header: str = _HEADER, **files: str) -> Survey:
        (tmp_path / "circuit.toml").write_text(_CIRCUIT, "utf-8")
        text = f"{header}{','.join(row)}\nconc,1,,,,,,,,,\ntails,24,,,,,,,,,\n"
        (tmp_path / "measurements.csv").write_text(text, "utf-8")
        for name, content in files.items():
            (tmp_path / f"{name}.csv").write_text(content, "utf-8")
        return read_case(tmp_path).survey

    return read


def _refusals(read: Read, row: list[str], header: str = _HEADER, **files: str) -> list[str]:
    with pytest.raises(InputError) as refused:
        read(row, header, **files)
    return [str(f) for f in refused.value.faults]


def _with(**cells: str) -> list[str]:
    """Return the row with other cells, by letter of their column."""
    return [cells.get(chr(ord("A") + j), cell) for j, cell in enumerate(_ROW)]


STATED = [
    ("C", "1 lb", "wet mass", 0.45359237),
    ("C", "1.5 rel %", "wet mass", 0.015 * 25.4),
    ("E", "0.5 %", "% solids", 0.005),
    ("E", "0.004 g/g", "% solids", 0.004),
    ("E", "5 rel. %", "% solids", 0.004),
    ("G", "3 %", "Au", 0.03 * 4.2e-6),
    ("G", "5 %rel", "Au", 0.05 * 4.2e-6),
    ("G", "0.3 g/t", "Au", 0.3e-6),
    ("G", "200 ppb", "Au", 0.2e-6),
    ("G", "0.01 ozt/st", "Au", 0.01 * 3 / 87500),
    ("I", "0.05 wt%", "Sn", 0.0005),
    ("I", "500 ppm", "Sn", 0.0005),
    ("I", "4 rel %", "Sn", 0.04 * 0.0082),
    ("K", "30 ug/L", "Au in solution", 30e-9),
    ("K", "5 rel %", "Au in solution", 0.05 * 0.5e-6),
]


@pytest.mark.parametrize(("column", "cell", "quantity", "sd"), STATED)
def test_a_stated_error_may_name_its_own_unit(
    column: str, cell: str, quantity: str, sd: float, survey: Read
) -> None:
    m = survey(_with(**{column: cell})).measured("feed", quantity)
    assert m is not None
    assert m.sd_base == pytest.approx(sd, rel=1e-12)
    assert m.error_source == ("propagated" if quantity == "% solids" else "row")


def test_a_relative_error_is_of_the_value_in_its_own_unit(survey: Read) -> None:
    m = survey(_with(F="0.1 ozt/st", G="3 %")).measured("feed", "Au")
    assert m is not None
    assert m.sd_base == pytest.approx(0.03 * 0.1 * 3 / 87500, rel=1e-12)


_AT = "measurements.csv, cell {}2, stream 'feed', {}: "
REFUSED = {
    ("I", "10 %"): ("Sn", "The stated error '10 %' can be read as 10 percent of the value or as an "
                    "error of 0.1 g/g.\nWrite 10 rel %\nor 0.1 g/g."),
    ("C", "0.5 %"): ("wet mass", "The stated error '0.5 %' can be read as 0.5 percent of the value "
                     "or as 0.005 kg, shown as a percentage.\nWrite 0.5 rel %\nor 0.005 kg."),
    ("K", "4 pct"): ("Au in solution", "The stated error '4 pct' can be read as 4 percent of the "
                     "value or as 0.04 mg/L, shown as a percentage.\nWrite 4 rel %\nor 0.04 mg/L."),
    ("C", "1 oz"): ("wet mass", "'oz' can be read in two ways: troy ounce 31.1035 g, avoirdupois "
                    "ounce 28.3495 g.\nWrite ozt for troy ounces, ozav for avoirdupois ounces."),
    ("G", "1 kg"): ("Au", "'kg' is the unit of a mass, but a grade is wanted.\nWrite one of: %, "
                    "g/g, g/kg, kg/t, g/t, mg/kg, ppm, ppb, lb/st, lb/t, lb/lt, ozt/st, ozt/t, "
                    "ozt/lt."),
    ("G", "3 foo"): ("Au", "The stated error is '3 foo', not a number.\nWrite the number alone, "
                     "its unit goes into the header, or leave the cell blank if it was not "
                     "measured."),
    ("G", "0 ppm"): ("Au", "The stated error is 0 ppm; it must be above 0.\nEnter one standard "
                     "deviation, or leave the cell blank to use the rule stated for the "
                     "quantity."),
    ("G", "<3 %"): ("Au", "The stated error is <3 %; it must be above 0.\nEnter one standard "
                    "deviation, or leave the cell blank to use the rule stated for the quantity."),
}  # fmt: skip


@pytest.mark.parametrize(("column", "cell"), list(REFUSED))
def test_an_error_with_two_readings(column: str, cell: str, survey: Read) -> None:
    quantity, said = REFUSED[column, cell]
    assert _refusals(survey, _with(**{column: cell})) == [_AT.format(column, quantity) + said]


def test_percent_in_a_column_of_another_grade(survey: Read) -> None:
    """Of gold in g/t an error of 10 % is absurd, but it is what stands there."""
    header = _HEADER.replace("± Au [rel %]", "± Au [g/t]")
    assert _refusals(survey, _with(G="10 %"), header) == [
        "measurements.csv, cell G2, stream 'feed', Au: The stated error '10 %' can be read as 10 "
        "percent of the value or as an error of 100000 g/t.\nWrite 10 rel %\nor 100000 g/t."
    ]
    m = survey(_with(G="10 rel %"), header).measured("feed", "Au")
    assert m is not None and m.sd_base == pytest.approx(0.42e-6, rel=1e-12)


def test_what_others_state_is_told_with_its_unit(survey: Read, tmp_path: Path) -> None:
    """A proposal shows the errors of other rows as they stand there."""
    survey(_ROW)
    text = _CIRCUIT.replace("\nAu = { relative = 5 }", "")
    (tmp_path / "circuit.toml").write_text(text, "utf-8")
    rows = f"{_HEADER}{','.join(_with(G='200 ppb'))}\nconc,1,,,,4.1,,,,,\ntails,24,,,,4,,,,,\n"
    (tmp_path / "measurements.csv").write_text(rows, "utf-8")
    with pytest.raises(InputError) as refused:
        read_case(tmp_path)
    assert [str(f) for f in refused.value.faults] == [
        f"measurements.csv, cell F{row}, stream '{stream}', Au: No error is stated.\nEnter it "
        "beside the value; other rows of Au state 200 ppb."
        for row, stream in ((3, "conc"), (4, "tails"))
    ]


# ---- size classes

_SIZES = "stream,passing [um],retained [um],mass [g],± mass [rel %],Sn [%],± Sn [rel %]\n"
_CLASSES = [["feed", "", "150", "20", "1", "0.5", "3"], ["feed", "150", "", "30", "1", "1.1", "3"]]


def _sizes(**cells: str) -> str:
    first = [cells.get(chr(ord("A") + j), cell) for j, cell in enumerate(_CLASSES[0])]
    return _SIZES + ",".join(first) + "\n" + ",".join(_CLASSES[1]) + "\n"


def test_sizes_may_mix_units(survey: Read) -> None:
    """Openings, masses, grades and their errors: the same numbers in other units."""
    plain = survey(_ROW, sizes=_sizes())
    mixed = survey(_ROW, sizes=_sizes(C="0.15 mm", D="0.02 kg", E="0.2 g", F="5000 ppm",
                                      G="150 g/t"))  # fmt: skip
    assert len(plain.measurements) == len(mixed.measurements)
    sized = [m for m in plain.measurements if "um" in m.quantity]
    assert len(sized) == 4
    for one in sized:
        two = mixed.measured(one.stream, one.quantity)
        assert two is not None
        assert two.value_base == pytest.approx(one.value_base, rel=1e-12)
        assert two.sd_base == pytest.approx(one.sd_base, rel=1e-12)


def test_sizes_refused(survey: Read) -> None:
    assert _refusals(survey, _ROW, sizes=_sizes(D="1 oz", E="1 lb/t", G="4 %")) == [
        "sizes.csv, cell D2, stream 'feed', mass in +150 um: 'oz' can be read in two ways: troy "
        "ounce 31.1035 g, avoirdupois ounce 28.3495 g.\nWrite ozt for troy ounces, ozav for "
        "avoirdupois ounces.",
        "sizes.csv, cell G2, stream 'feed', Sn in +150 um: The stated error '4 %' can be read as 4 "
        "percent of the value or as an error of 0.04 g/g.\nWrite 4 rel %\nor 0.04 g/g.",
    ]
    assert _refusals(survey, _ROW, sizes=_sizes(E="1 lb/t")) == [
        "sizes.csv, cell E2, stream 'feed', mass in +150 um: 'lb/t' is the unit of a grade, but a "
        "mass is wanted.\nWrite one of: mg, g, kg, t, lb, st, lt, ozt."
    ]


# ---- stocks


def test_stocks_may_mix_units(tmp_path: Path) -> None:
    (tmp_path / "circuit.toml").write_text(
        'basis = "batch"\n[streams]\nore = { to = "pile" }\nfeed = { from = "pile" }\n[nodes]\n'
        'pile = { kind = "stockpile" }\n[errors]\n"dry mass" = { relative = 1 }\n'
        "Sn = { relative = 3 }\n", "utf-8",
    )  # fmt: skip
    (tmp_path / "measurements.csv").write_text(
        "stream,dry mass [t],Sn [%]\nore,500,0.8\nfeed,480,0.8\n", "utf-8"
    )
    rows = "node,when,dry mass [t],± dry mass [t],Sn [%],± Sn [rel %]\npile,opening,"
    for first in ("40,2,0.8,5\n", "40000 kg,5 rel %,8000 ppm,400 g/t\n"):
        (tmp_path / "stocks.csv").write_text(f"{rows}{first}pile,closing,60,2,0.8,5\n", "utf-8")
        found = read_case(tmp_path).survey
        mass = found.measured("opening stock of pile", "dry mass")
        grade = found.measured("opening stock of pile", "Sn")
        assert mass is not None and grade is not None
        assert (mass.value_base, mass.sd_base) == pytest.approx((40e3, 2e3), rel=1e-12)
        assert (grade.value_base, grade.sd_base) == pytest.approx((0.008, 0.0004), rel=1e-12)
    (tmp_path / "stocks.csv").write_text(
        f"{rows}40 ton,5 %,0.8,5\npile,closing,60,2,1,5\n", "utf-8"
    )
    with pytest.raises(InputError) as refused:
        read_case(tmp_path)
    assert [str(f) for f in refused.value.faults] == [
        "stocks.csv, cell C2, stream 'opening stock of pile', dry mass: 'ton' can be read in three "
        "ways: t = 1000 kg, st = 907.185 kg, lt = 1016.047 kg.\nWrite t (tonne), st (short ton) or "
        "lt (long ton)."
    ]


# ---- screened metallics

_METALLICS = (
    "stream,fraction,mass [g],± mass [g],Au [g/t],± Au [rel %],Au contained [mg],"
    "± Au contained [mg]\n"
)


def _screened(folder: Path, plus: str, minus: str) -> tuple[list[tuple[float, float]], list[str]]:
    text = f"{_METALLICS}feed,plus,{plus}\nfeed,minus,{minus}\n"
    (folder / "metallics.csv").write_text(text, "utf-8")
    faults: list[Fault] = []
    gold = (Analyte("Au", parse_unit("g/t")),)
    found, _ = metallics_measurements(folder, ("feed",), gold, faults)
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


# ---- laboratory

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
    assert survey(_with(F=word, G="")).measured("feed", "Au") is None
    notes = read_case(tmp_path).notes
    assert f"Au of 'feed' is '{word}': {meaning}; it counts as not measured." in notes
    rows = f"{_LAB}a,sample,Au,{word},g/t,,,\nb,blank,Au,0.1,g/t,,,\n"
    (batch,) = _lab(tmp_path, rows).batches
    assert batch.notes == [f"sample 'a' is '{word}': {meaning}"]


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
    survey(_ROW)
    text = _CIRCUIT.replace("Sn = { relative = 3 }", 'Sn = { relative = 3, detection = "0.01 %" }')
    (tmp_path / "circuit.toml").write_text(text, "utf-8")
    with pytest.raises(InputError) as refused:
        read_case(tmp_path)
    assert [str(f) for f in refused.value.faults] == [
        "circuit.toml, line 17: A detection limit is no error.\nState it for the analyte: "
        '[analytes] Sn = { unit = "%", detection = "0.01 %" }.'
    ]
