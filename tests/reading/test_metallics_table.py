"""Screened metallics from a table: the published silver ore, propagation."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest
from metallics_rows import GOLD, ROWS, STREAMS, read_metallics

from oretally.flowsheet import Analyte, Fault, Measurement, Place, parse_unit
from oretally.flowsheet.survey import PROPAGATED
from oretally.io import laboratory
from oretally.io.files import read_workbook
from oretally.io.laboratory import with_metallics
from oretally.recon.laboratory import SieveFraction, WholeFraction, metallics_grade

Reference = Callable[[str], dict[str, Any]]


def test_silver_ore_through_the_table(reference: Reference, tmp_path: Path) -> None:
    """C. and J.J. Beringer, A Text-book of Assaying, 9th ed. (1904). The stated errors are ours."""
    data = reference("screened_metallics_silver")
    plus, minus = data["inputs"]["metallics"], data["inputs"]["sifted"]
    sifted = 100.0 * minus["silver_in_aliquot_g"] / minus["aliquot_g"]
    text = (
        "stream,fraction,mass [g],Ag contained [mg],± Ag contained [rel %],Ag [%],± Ag [rel %]\n"
        f"mill feed,plus,{plus['mass_g']},{1000 * plus['silver_found_g']},1,,\n"
        f"mill feed,minus,{minus['mass_g']},,,{sifted},2\n"
    )
    found, notes, faults = read_metallics(tmp_path, text, (Analyte("Ag", parse_unit("%")),))
    assert not faults
    assert found[0].value == pytest.approx(data["published"]["whole_sample_pct"], abs=5e-5)
    assert found[0].value == pytest.approx(data["recomputed"]["whole_sample_pct"], abs=5e-8)
    # sd: 1 % of 0.842 g and 2 % of 399 g x 0.525 %, over 400 g
    by_hand = math.hypot(0.00842, 0.02 * 399.0 * 0.00525) / 400.0 * 100.0
    assert found[0].sd == pytest.approx(by_hand, rel=1e-12)
    assert notes == [
        "Ag of 'mill feed' is 0.734 ± 0.011 %, from plus fraction 1 g with 842.0 ± 8.4 mg of Ag "
        "and minus fraction 399 g at 0.525 ± 0.011 %; 29 % of it stayed on the sieve; a mass "
        "without a stated error counts as exact."
    ]


def test_a_grade_with_its_way(tmp_path: Path) -> None:
    found, notes, faults = read_metallics(tmp_path, ROWS)
    assert not faults and len(found) == 1
    m = found[0]
    assert (m.stream, m.quantity, str(m.unit)) == ("mill feed", "Au", "g/t")
    assert m.error_source == PROPAGATED and not m.typed
    assert str(m.place) == "metallics.csv, cell G2, stream 'mill feed', Au"
    grade = (1.84 + 987.7e-3 * 1.065) / 1.0  # mg over kg
    assert m.value == pytest.approx(grade, rel=1e-12)
    one = 0.04 * math.hypot(1.02, 1.11) / 2.0
    parts = (0.02, 0.9877 * one, grade * 0.0001, (1.065 - grade) * 0.001)
    assert m.sd == pytest.approx(math.hypot(*parts), rel=1e-12)
    assert m.note == (
        "from plus fraction 12.30 ± 0.10 g with 1.840 ± 0.020 mg of Au and minus fraction "
        "987.7 ± 1.0 g at 1.065 ± 0.030 g/t (2 assays)"
    )
    assert notes == [
        f"Au of 'mill feed' is 2.892 ± 0.036 g/t, {m.note}; 64 % of it stayed on the sieve."
    ]


def test_plus_as_a_grade_is_the_same(tmp_path: Path) -> None:
    grade = 1.84 / 12.3e-3
    text = ROWS.replace(",,,1.84,0.02,", f",{grade!r},{100 * 0.02 / 1.84!r},,,")
    found, _, faults = read_metallics(tmp_path, text)
    assert not faults
    assert found[0].value == pytest.approx(read_metallics(tmp_path, ROWS)[0][0].value, rel=1e-12)


def test_sd_from_the_scatter(tmp_path: Path) -> None:
    """Uncertainty of an sd from n readings: GUM (JCGM 100:2008), table E.1."""
    text = ROWS.replace("1.02,4,", "1.02,,").replace("1.11,4,", "1.11,,")
    found, notes, faults = read_metallics(tmp_path, text)
    assert not faults
    scatter = 0.09 / math.sqrt(2.0) / math.sqrt(2.0)
    grade = found[0].value
    parts = (0.02, 0.9877 * scatter, grade * 0.0001, (1.065 - grade) * 0.001)
    assert found[0].sd == pytest.approx(math.hypot(*parts), rel=1e-12)
    assert notes[0].endswith(
        "; the sd of the minus fraction comes from the scatter of 2 assays, and is itself "
        "uncertain by 76 %."
    )
    for n, percent in ((3, 52), (4, 42), (5, 36), (10, 24)):
        more = "".join(f"mill feed,minus,,,1.{20 + i},,,,\n" for i in range(n - 2))
        assert (
            f"of {n} assays, and is itself uncertain by {percent} %"
            in (read_metallics(tmp_path, text + more)[1][0])
        )


def test_below_detection(tmp_path: Path) -> None:
    """Two readings below one limit know no more than one."""
    text = ROWS.replace("1.02,4,", "<0.02,,").replace("1.11,4,", "<0.02,,")
    found, notes, faults = read_metallics(tmp_path, text)
    assert not faults
    assert found[0].value == pytest.approx(1.84 + 0.9877 * 0.01, rel=1e-12)
    limit = 0.9877 * 0.02 / math.sqrt(12.0)
    assert found[0].sd >= math.hypot(0.02, limit)
    assert "what is below detection counts as uniform between 0 and the limit" in notes[0]


def test_headers_say_what_is_assayed(tmp_path: Path) -> None:
    assert read_metallics(tmp_path, ROWS, ())[0] == read_metallics(tmp_path, ROWS)[0]


def test_workbook(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "Metallics"
    for line in ROWS.splitlines():
        sheet.append([_cell(text) for text in line.split(",")])
    book.save(tmp_path / "case.xlsx")
    sheets, faults = read_workbook(tmp_path / "case.xlsx", "case.xlsx", ("metallics",))
    found, notes = laboratory.read_metallics(sheets["metallics"], STREAMS, GOLD, faults)
    assert not faults
    assert (found, notes) == read_metallics(tmp_path, ROWS)[:2]
    assert str(found[0].place).startswith("case.xlsx, sheet 'Metallics', cell G2")


def _cell(text: str) -> str | float | None:
    try:
        return float(text)
    except ValueError:
        return text or None


def test_both_ways_of_one_grade(tmp_path: Path) -> None:
    found = read_metallics(tmp_path, ROWS)[0]
    typed = Measurement("mill feed", "Au", 2.5, parse_unit("g/t"), 0.1,
                        place=Place("measurements.csv", cell="C2"))  # fmt: skip
    other = Measurement("tails", "Au", 0.5, parse_unit("g/t"), 0.1)
    faults: list[Fault] = []
    assert with_metallics([other], found, faults) == [other, *found] and not faults
    assert with_metallics([typed, other], found, faults) == [typed, other]
    assert [str(f) for f in faults] == [
        "metallics.csv, cell G2, stream 'mill feed', Au: The Au of 'mill feed' is given by "
        "screened metallics and among the measurements (measurements.csv, cell C2); they say the "
        "same twice.\nTake one of them out."
    ]


def test_propagation_of_a_fraction_used_up() -> None:
    """Against 200,000 draws; 1 % covers their scatter (0.16 %) and the second order."""
    rng = np.random.default_rng(5)
    n = 200_000
    mass = 0.0123 + 0.0004 * rng.standard_normal(n)
    metal = 1.84e-6 + 2e-8 * rng.standard_normal(n)
    rest = 0.9877 + 0.02 * rng.standard_normal(n)
    grade = 1.05e-6 + 3e-8 * rng.standard_normal(n)
    drawn = (metal + rest * grade) / (mass + rest)
    found = metallics_grade(
        WholeFraction(0.0123, 1.84e-6, 2e-8, 0.0004),
        SieveFraction(0.9877, (1.05e-6,), 3e-8, 0.02),
    )
    assert found.sd == pytest.approx(float(np.std(drawn)), rel=0.01)
    assert [c.source for c in found.contributions] == [
        "plus mass", "plus metal", "minus mass", "minus grade",
    ]  # fmt: skip
