"""Faulty tables of screened metallics: each message by its whole text."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from balance_cases import only_balanced
from metallics_rows import ROWS, read_metallics

from oretally.flowsheet import InputError
from oretally.io.case import read_case
from oretally.recon.laboratory import WholeFraction


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ((0.0, 0.0, 0.0), "the mass of a sieve fraction is 0 kg"),
        ((1.0, 2.0, 0.0), "must be a number from 0 to the mass"),
        ((1.0, 0.5, -1.0), "the sd of the metal of a sieve fraction is -1 kg"),
        ((1.0, 0.5, 0.0, math.nan), "the sd of the mass of a sieve fraction is nan kg"),
    ],
)
def test_fractions_that_cannot_be(values: tuple[float, ...], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        WholeFraction(*values)


_PLAN = ("Columns: stream, fraction (plus or minus), mass [g], and for each metal Au [g/t] or "
         "Au contained [mg], with ± columns.")  # fmt: skip


_GRADES = "%, g/g, g/kg, kg/t, g/t, mg/kg, ppm, ppb, lb/st, lb/t, lb/lt, ozt/st, ozt/t, ozt/lt"


_OF = "stream 'mill feed'"


_PLUS, _MINUS, _SECOND = ROWS.splitlines()[1:]


def _row(old: str, new: str) -> str:
    assert old in ROWS
    return ROWS.replace(old, new)


# name: (metallics.csv, the whole message)
BROKEN: dict[str, tuple[str, str]] = {
    "no plus fraction": (_row(_PLUS + "\n", ""),
        f"metallics.csv, cell A2, {_OF}: There is no row of the plus fraction.\n"
        "Add it: a grade needs what stayed on the sieve and what went through it."),
    "no minus fraction": (ROWS[: ROWS.index(_MINUS)],
        f"metallics.csv, cell A2, {_OF}: There is no row of the minus fraction.\n"
        "Add it: a grade needs what stayed on the sieve and what went through it."),
    "two plus rows": (ROWS + _PLUS + "again\n",
        f"metallics.csv, cell B5, {_OF}: The plus fraction has several rows, but it is assayed "
        "whole, once.\nAdd its portions up in one row: mass, and metal contained."),
    "another fraction": (_row("feed,plus", "feed,+106 um"),
        f"metallics.csv, cell B2, {_OF}: The fraction is '+106 um'.\n"
        "Write plus for what stayed on the sieve, minus for what went through it."),
    "no fraction named": (_row("feed,plus", "feed,"),
        f"metallics.csv, cell B2, {_OF}: The row names no fraction.\n"
        "Write plus for what stayed on the sieve, minus for what went through it."),
    "mass of zero": (_row("plus,12.3", "plus,0"),
        f"metallics.csv, cell C2, {_OF}, mass: The mass of the fraction is 0 g.\n"
        "Give its dry mass. If nothing stayed on the sieve, the assays of the rest are plain "
        "assays: write them into the measurements."),
    "negative mass": (_row("987.7", "-987.7"),
        f"metallics.csv, cell C3, {_OF}, mass: The mass of the fraction is -987.7 g; it cannot be "
        "negative, nor below 0.\nCorrect it."),
    "no mass": (_row("987.7,1,", ",,"),
        f"metallics.csv, cell C3, {_OF}, mass: The minus fraction has no mass.\n"
        "Give the dry mass of all of it."),
    "mass of an aliquot": (_row("minus,,,1.11", "minus,30,,1.11"),
        f"metallics.csv, cell C4, {_OF}, mass: The mass of the minus fraction is 30 g here and "
        "987.7 g in cell C3.\nGive the dry mass of the whole fraction once, not those of the "
        "aliquots."),
    "mass without a unit": (_row("mass [g],±", "mass,±"),
        "metallics.csv, cell C1, mass: A mass stands without a unit.\n"
        "Write one of: mg, g, kg, t, lb, st, lt, ozt."),
    "grade without a unit": (_row("Au [g/t]", "Au"),
        "metallics.csv, cell E1, Au: A grade stands without a unit.\n"
        f"Write one of: {_GRADES}."),
    "ambiguous unit": (_row("Au [g/t]", "Au [oz/ton]"),
        "metallics.csv, cell E1, Au: 'oz/ton' can be read in three ways: ozt/st = 34.2857 g/t, "
        "ozt/t = 31.1035 g/t, ozt/lt = 30.6122 g/t.\nWrite the one the laboratory means."),
    "metal in a unit of grades": (_row("Au contained [mg],±", "Au contained [g/t],±"),
        "metallics.csv, cell G1, Au contained: 'g/t' is the unit of a grade, but a mass is "
        "wanted.\nWrite one of: mg, g, kg, t, lb, st, lt, ozt."),
    "unknown stream": (ROWS.replace("mill feed", "mil feed"),
        "metallics.csv, cell A2: There is no stream 'mil feed' in the circuit.\n"
        "Did you mean 'mill feed'?\nIf it is gone, take its rows out."),
    "no stream": (_row(_SECOND, ",minus,,,1.11,4,,,"),
        "metallics.csv, cell B4: The row names no stream.\nWrite the stream, or clear the row."),
    "unknown analyte": (_row("Au [g/t]", "Ag [g/t],Au [g/t]").replace("12.3,0.1,", "12.3,0.1,,")
                        .replace("987.7,1,", "987.7,1,,").replace("minus,,,1.11", "minus,,,,1.11"),
        "metallics.csv, cell E1: 'Ag' is no analyte of this case.\nAnalytes: Au."),
    "misspelt column": (_row("note", "fractoin"),
        "metallics.csv, cell I1: 'fractoin' is no analyte of this case.\n"
        "Did you mean 'fraction'?"),
    "wet mass": (_row("mass [g],± mass [g]", "wet mass [g],± wet mass [g]"),
        "metallics.csv, cell C1: A fraction is weighed dry here: its moisture is not known.\n"
        "Dry both fractions, weigh them, and name the column mass [g]."),
    "column twice": (_row("± Au contained [mg],note", "± Au contained [mg],FRACTION"),
        "metallics.csv, cell I1: The column 'FRACTION' is there twice.\nTake one out."),
    "column missing": ("stream,mass [g],Au [g/t]\nmill feed,9,1\n",
        f"metallics.csv: The column 'fraction' is missing.\n{_PLAN}"),
    "header that nobody can read": (_row(",note", ",note [g"),
        f"metallics.csv, cell I1: The header 'note [g' cannot be read.\n{_PLAN}"),
    "column of errors alone": (_row("note", "± Ag [g/t]"),
        "metallics.csv, cell I1: The error column '± Ag [g/t]' has no column to go with it.\n"
        "Add it, or correct the name."),
    "grade and contained": (_row(",,,1.84", ",150,2,1.84"),
        f"metallics.csv, cell G2, {_OF}, Au contained: Both Au and Au contained are given; they "
        "say the same twice.\nTake one of them out."),
    "contained in the minus fraction": (_row("1.02,4,,", "1.02,4,1,0.1"),
        f"metallics.csv, cell G3, {_OF}, Au contained: The metal contained is asked of the plus "
        "fraction, which is assayed whole; of the minus fraction only aliquots are.\n"
        "Give its grade, under Au [g/t]."),
    "error of nothing in the minus fraction": (_row("1.02,4,,", "1.02,4,,0.1"),
        f"metallics.csv, cell H3, {_OF}, Au contained: There is an error but no value.\n"
        "Enter the value, or clear the error."),
    "no assay of the plus fraction": (_row("1.84,0.02", ","),
        f"metallics.csv, cell B2, {_OF}, Au: The plus fraction has no Au, the minus fraction "
        "has.\nEnter it, as Au [g/t] or Au contained [mg]."),
    "no assay of the minus fraction": (_row("1.02,4", ",").replace("1.11,4", ","),
        f"metallics.csv, cell B3, {_OF}, Au: The minus fraction has no Au, the plus fraction "
        "has.\nEnter its grade, under Au [g/t]."),
    "no assay at all": (_row("1.02,4", ",").replace("1.11,4", ",").replace("1.84,0.02", ","),
        f"metallics.csv, cell A2, {_OF}: The rows of this stream hold no assay.\n"
        "Enter the assays of both fractions, or clear the rows."),
    "no error of the plus fraction": (_row("1.84,0.02", "1.84,"),
        f"metallics.csv, cell G2, {_OF}, Au contained: No error is stated.\nEnter one standard "
        "deviation beside the value (column ± Au contained [mg] or [rel %])."),
    "no error of one assay": (_row("1.11,4", "1.11,"),
        f"metallics.csv, cell E4, {_OF}, Au: Some assays of this fraction state an error, this "
        "one does not.\nState it for all of them, or for none."),
    "no error and no replicate": (_row("1.02,4", "1.02,").replace(_SECOND + "\n", ""),
        f"metallics.csv, cell E3, {_OF}, Au: No error is stated, and none follows from the "
        "assays: it has no replicate.\nEnter one standard deviation of one assay (column ± Au "
        "[g/t] or [rel %])."),
    "equal replicates": (_row("1.02,4", "1.11,").replace("1.11,4", "1.11,"),
        f"metallics.csv, cell E3, {_OF}, Au: No error is stated, and none follows from the "
        "assays: they are all equal.\nEnter one standard deviation of one assay (column ± Au "
        "[g/t] or [rel %])."),
    "error of zero": (_row("1.84,0.02", "1.84,0"),
        f"metallics.csv, cell H2, {_OF}, Au contained: The stated error is 0; it must be above "
        "0.\nEnter one standard deviation, or leave the cell blank."),
    "endless error": (_row("1.84,0.02", "1.84,9e300"),
        f"metallics.csv, cell H2, {_OF}, Au contained: The stated error is 9e300; "
        "numbers are 0, or between 1e-12 and 1e+15.\n"
        "Correct it, or choose a unit in which it is neither so small nor so large."),
    "mass of the Earth": (_row("987.7", "9e30"),
        f"metallics.csv, cell C3, {_OF}, mass: The mass of the fraction is 9e30 g, more than the "
        "whole Earth.\nCorrect it or its unit."),
    "error in percent of nothing": (_row("1.02,4", "0,4"),
        f"metallics.csv, cell F3, {_OF}, Au: The value is 0 and its error is stated in percent "
        "of the value, which is 0 too.\nState an absolute error for it,\n"
        "or leave the cell empty if it was not measured: 0 means that there was none."),
    "error without a value": (_row("1.11,4", ",4"),
        f"metallics.csv, cell F4, {_OF}, Au: There is an error but no value.\n"
        "Enter the value, or clear the error."),
    "more metal than mass": (_row("1.84,", "18400,"),
        f"metallics.csv, cell G2, {_OF}, Au contained: The Au contained is 18400 mg, more than "
        "can be (12300 mg).\nCorrect the value or its unit, or the mass."),
    "more than the whole": (_row("1.02,", "1020000,"),
        f"metallics.csv, cell E3, {_OF}, Au: The Au is 1020000 g/t, more than can be (1000000 "
        "g/t).\nCorrect the value or its unit, or the mass."),
    "above the range": (_row("1.02,", ">1,"),
        f"metallics.csv, cell E3, {_OF}, Au: The Au is >1 g/t, only known to be above.\n"
        "Have it assayed by a method for such grades."),
    "word for a number": (_row("1.02,", "trace,"),
        f"metallics.csv, cell E3, {_OF}, Au: 'trace' says that it is below detection, but not "
        "below what.\nWrite the limit, as in <0.01."),
    "word with two meanings": (_row("1.02,", "n.d.,"),
        f"metallics.csv, cell E3, {_OF}, Au: 'n.d.' can be read as not detected or as not "
        "determined.\nWrite <0.01 (the limit) for not detected\n"
        "or leave the cell blank for not determined."),
    "word for a mass": (_row("12.3", "nil"),
        f"metallics.csv, cell C2, {_OF}, mass: A mass cannot be 'nil'.\nWeigh it."),
    "two errors of one mass": (_row("minus,,,1.11", "minus,987.7,2,1.11"),
        f"metallics.csv, cell C4, {_OF}, mass: The mass of the minus fraction has two stated "
        "errors.\nKeep one of them."),
    "no column of assays": ("stream,fraction,mass [g]\nmill feed,plus,1\nmill feed,minus,9\n",
        f"metallics.csv: No column holds an assay.\n{_PLAN}"),
    "no grades": ("stream,fraction,mass [g],Au contained [mg]\nmill feed,plus,1,1\n",
        "metallics.csv, cell D1: 'Au contained' has no column for the grade of the minus "
        "fraction.\nAdd the column Au [g/t], or in another unit."),
    "no column of masses": ("stream,fraction,Au [g/t]\nmill feed,plus,1\n",
        f"metallics.csv: The column 'mass' is missing.\n{_PLAN}"),
    "header alone": (ROWS.splitlines()[0],
        "metallics.csv: The table has a header but no rows.\nWrite one row a stream."),
}  # fmt: skip


@pytest.mark.parametrize("name", BROKEN)
def test_broken(name: str, tmp_path: Path) -> None:
    text, message = BROKEN[name]
    found, _, faults = read_metallics(tmp_path, text)
    assert faults == [message]
    assert not found or name == "no stream"  # of which a row more is left


def test_a_good_stream_beside_a_faulty_one(tmp_path: Path) -> None:
    """Every fault is told at once; what can be read is read."""
    other = ROWS[ROWS.index("\n") + 1 :].replace("mill feed", "tails").replace("1.84,", "x,")
    found, _, faults = read_metallics(tmp_path, ROWS + other.replace("987.7", "-1"))
    assert [m.stream for m in found] == ["mill feed"] and len(faults) == 2


def test_balanced_with_screened_metallics(tmp_path: Path) -> None:
    """A case whose concentrate was screened: its grade comes from the fractions, and is told."""
    (tmp_path / "circuit.toml").write_text(
        'title = "Coarse gold"\nbasis = "batch"\n[streams]\n"feed" = { to = "table" }\n'
        '"conc" = { from = "table" }\n"tails" = { from = "table" }\n[errors]\n'
        '"dry mass" = { relative = 0.5 }\nAu = { relative = 5 }\n[sources]\n'
        '"assay batch" = { of = "Au", relative = 2, shared = true }\n',
        "utf-8",
    )
    (tmp_path / "measurements.csv").write_text(
        "stream,dry mass [kg],Au [g/t]\nfeed,10,6.1\nconc,0.2,\ntails,9.8,1.3\n", "utf-8"
    )
    (tmp_path / "metallics.csv").write_text(
        "stream,fraction,mass [g],± mass [g],Au [g/t],± Au [g/t]\n"
        "conc,plus,4.0,0.05,6200,150\nconc,minus,195.0,0.5,115,4\n",
        "utf-8",
    )
    case = read_case(tmp_path)
    conc = case.survey.measured("conc", "Au")
    assert conc is not None
    assert conc.value == pytest.approx((4.0 * 6200.0 + 195.0 * 115.0) / 199.0)
    assert {p.source for p in conc.parts} == {"stated error", "assay batch"}
    assert any("plus fraction" in note for note in case.notes)
    balance = only_balanced(case.circuit, case.survey, feed=case.feed, products=case.products)
    assert balance.converged
    assert balance.value("conc", "Au").measured == pytest.approx(conc.value)


def test_a_grade_given_twice_is_refused(tmp_path: Path) -> None:
    (tmp_path / "circuit.toml").write_text(
        'title = "Coarse gold"\nbasis = "batch"\n[streams]\n"feed" = { to = "table" }\n'
        '"conc" = { from = "table" }\n"tails" = { from = "table" }\n[errors]\n'
        '"dry mass" = { relative = 0.5 }\nAu = { relative = 5 }\n',
        "utf-8",
    )
    (tmp_path / "measurements.csv").write_text(
        "stream,dry mass [kg],Au [g/t]\nfeed,10,6.1\nconc,0.2,240\ntails,9.8,1.3\n", "utf-8"
    )
    (tmp_path / "metallics.csv").write_text(
        "stream,fraction,mass [g],± mass [g],Au [g/t],± Au [g/t]\n"
        "conc,plus,4.0,0.05,6200,150\nconc,minus,195.0,0.5,115,4\n",
        "utf-8",
    )
    with pytest.raises(InputError) as caught:
        read_case(tmp_path)
    assert [str(f) for f in caught.value.faults] == [
        "metallics.csv, cell E2, stream 'conc', Au: The Au of 'conc' is given by screened "
        "metallics and among the measurements (measurements.csv, cell C3, stream 'conc', Au); they "
        "say the same twice.\n"
        "Take one of them out."
    ]
