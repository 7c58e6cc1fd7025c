"""What stands in place of plain numbers: cells with their own unit, words, bounded values."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from balance_cases import only_balanced
from hypothesis import given, settings
from hypothesis import strategies as st
from often import often

from oretally.flowsheet import Dimension, InputError, parse_unit, units_of
from oretally.io import Case, read_case
from oretally.recon import reconcile

_CIRCUIT = """title = "t"
basis = "batch"
[streams]
feed = { to = "table" }
conc = { from = "table" }
tails = { from = "table" }
[analytes]
Sn = { unit = "%", max = 78.77, detection = "0.02 %" }
[errors]
"dry mass" = { relative = 1, absolute = "1 g" }
Sn = { relative = 3, absolute = "0.001 %" }
"""
_ROWS = "stream,dry mass [kg],Sn [%]\nfeed,25.4,0.82\nconc,0.41,31.2\ntails,24.9,0.31\n"


@pytest.fixture
def case(tmp_path: Path) -> Callable[[str], Case]:
    """Return a reader of a case with these measurements."""

    def read(rows: str) -> Case:
        (tmp_path / "circuit.toml").write_text(_CIRCUIT, "utf-8")
        (tmp_path / "measurements.csv").write_text(rows, "utf-8")
        return read_case(tmp_path)

    return read


def test_a_cell_may_name_its_own_unit(case: Callable[[str], Case]) -> None:
    """Pounds and ounces among kilograms and percent, each exactly."""
    rows = _ROWS.replace("25.4", "55.99741459 lb").replace("31.2", "312 kg/t")
    plain, mixed = case(_ROWS).survey, case(rows).survey
    for stream, quantity in (("feed", "dry mass"), ("conc", "Sn")):
        one, two = plain.measured(stream, quantity), mixed.measured(stream, quantity)
        assert one is not None and two is not None
        assert two.value_base == pytest.approx(one.value_base, rel=1e-9)
        assert two.sd_base == pytest.approx(one.sd_base, rel=1e-9)
        assert two.unit.symbol in ("lb", "kg/t")


@given(
    mass=st.sampled_from(units_of(Dimension.MASS)),
    grades=st.lists(st.sampled_from(units_of(Dimension.GRADE)), min_size=3, max_size=3),
)
@settings(max_examples=often(75), deadline=None, derandomize=True)  # fmt: skip
def test_other_units_give_the_same_balance(
    mass: str, grades: list[str], case: Callable[[str], Case]
) -> None:
    """Every legal unit of mass in the header and of grade in each cell: the same to 1e-12."""
    kg, percent, unit = parse_unit("kg"), parse_unit("%"), parse_unit(mass)
    lines = [f"stream,dry mass [{mass}],± dry mass [{mass}],Sn [%],± Sn [rel %]"]
    for (stream, m, g), symbol in zip(
        (("feed", 25.4, 0.82), ("conc", 0.41, 31.2), ("tails", 24.9, 0.31)), grades, strict=True
    ):
        weight = unit.from_base(kg.to_base(m))
        grade = parse_unit(symbol).from_base(percent.to_base(g))
        lines.append(f"{stream},{weight!r},{0.01 * weight!r},{grade!r} {symbol},3")
    found = case("\n".join(lines) + "\n")
    balance = only_balanced(found.circuit, found.survey)
    first = case(
        "stream,dry mass [kg],± dry mass [kg],Sn [%],± Sn [rel %]\nfeed,25.4,0.254,0.82,3\n"
        "conc,0.41,0.0041,31.2,3\ntails,24.9,0.249,0.31,3\n"
    )
    again = only_balanced(first.circuit, first.survey)
    one, two = balance.recovery("conc", "Sn"), again.recovery("conc", "Sn")
    assert one.recovery == pytest.approx(two.recovery, rel=1e-12)
    assert one.sd == pytest.approx(two.sd, rel=1e-9)
    assert balance.objective == pytest.approx(again.objective, rel=1e-9)


@pytest.mark.parametrize("word", ["trace", "nil", "bdl", "<dl", "not detected", "TR."])
def test_below_detection_in_a_word(word: str, case: Callable[[str], Case]) -> None:
    """Uniform between 0 and the stated limit (JCGM 100:2008, GUM, 4.3.7), and noted."""
    found = case(_ROWS.replace("0.31", word))
    m = found.survey.measured("tails", "Sn")
    assert m is not None
    assert m.value == pytest.approx(0.01)
    assert m.sd == pytest.approx(0.02 / 12**0.5)
    assert m.error_source == "detection limit"
    assert any("below detection (< 0.02 %)" in note for note in found.notes)


@pytest.mark.parametrize(
    ("word", "meaning"),
    [("n.s.", "no sample was taken"), ("N/A", "it was not assayed"),
     ("i.s.", "there was too little sample"), ("-", "nothing was measured")],
)  # fmt: skip
def test_not_measured_in_a_word(word: str, meaning: str, case: Callable[[str], Case]) -> None:
    found = case(_ROWS.replace("0.31", word))
    assert found.survey.measured("tails", "Sn") is None
    assert found.notes == (
        f"Sn of 'tails' is '{word}': {meaning}; it counts as not measured.",
    )  # fmt: skip


def test_how_much_a_detection_limit_matters(case: Callable[[str], Case]) -> None:
    """The points told are those between the balances with 0 and with the limit (10 %)."""
    rows = _ROWS.replace("0.31", "<0.05").replace("0.82", "0.53")
    found = case(rows)
    balance = reconcile(found.circuit, found.survey)
    note = next(n for n in balance.notes if "only bounds are known" in n)
    told = float(note.rsplit(" by ", 1)[1].split()[0])
    m = found.survey.measured("tails", "Sn")
    assert m is not None

    def recovery(value: float) -> float:
        moved = tuple(replace(x, value=value) if x == m else x for x in found.survey.measurements)
        r = only_balanced(found.circuit, replace(found.survey, measurements=moved))
        answer = r.recovery("conc", "Sn").recovery
        assert answer is not None
        return answer

    ends = recovery(m.value * 0.9) - recovery(m.value * 1.1)
    assert told == pytest.approx(abs(ends) * 10.0, rel=0.1)


def test_above_range(case: Callable[[str], Case]) -> None:
    """Uniform between the limit and the mineral's own grade."""
    found = case(_ROWS.replace("31.2", ">30"))
    m = found.survey.measured("conc", "Sn")
    assert m is not None
    assert m.value == pytest.approx((30.0 + 78.77) / 2.0)
    assert m.sd == pytest.approx((78.77 - 30.0) / 12**0.5)
    assert "have it assayed by a method for such grades" in found.notes[0]


@pytest.mark.parametrize(
    ("word", "told"),
    [
        ("<0.05", "Sn of 'tails' was reported as below 0.05 %; the balance puts it at "),
        (">20", "Sn of 'tails' was reported as above 20 %; the balance puts it at "),
    ],
)
def test_a_bound_that_the_balance_does_not_keep_is_told(
    word: str, told: str, case: Callable[[str], Case]
) -> None:
    """Uniform between bounds enters as its mean and sd, which a balance may leave: then said."""
    found = case(_ROWS.replace("0.31", word))
    notes = only_balanced(found.circuit, found.survey).notes
    (note,) = [n for n in notes if n.startswith(told)]
    assert note.endswith("one or the other is wrong.")


@pytest.mark.parametrize("word", ["5 xyz", "3 pts", "12 foo 25"])
def test_a_number_with_a_word_is_no_date(word: str, case: Callable[[str], Case]) -> None:
    with pytest.raises(InputError) as stop:
        case(_ROWS.replace("0.31", word))
    assert "date" not in str(stop.value)


@pytest.mark.parametrize("word", ["1 May", "3-Dez-2025", "Mar-25", "12 octobre 25", "2026-05-01"])
def test_a_date_is_told_as_one(word: str, case: Callable[[str], Case]) -> None:
    with pytest.raises(InputError, match="date or time"):
        case(_ROWS.replace("0.31", word))
