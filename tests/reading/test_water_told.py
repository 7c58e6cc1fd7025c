"""What is told of water and solution: recoveries that stay open, volumes that lack."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from water_rows import ROWS, WATER

from oretally.io import read_case
from oretally.io.pictures import flow_svg
from oretally.io.results import ALL, summary
from oretally.io.wording import (
    hidden_sentence,
    hidden_sentences,
    hidden_table,
    recovery_sentences,
    recovery_table,
)
from oretally.recon import Balance, reconcile
from oretally.recon.result import HiddenError


def _balance(folder: Path, circuit: str, rows: str) -> Balance:
    (folder / "circuit.toml").write_text(circuit, "utf-8")
    (folder / "measurements.csv").write_text(rows, "utf-8")
    case = read_case(folder)
    return reconcile(case.circuit, case.survey, feed=case.feed, products=case.products)


# invented: copper ore in a vat, its acid and its solution not measured out
VAT = """\
basis = "batch"
water = true
[streams]
ore = { to = "vat" }
acid = { to = "vat", carries = "solution" }
pulp = { from = "vat", to = "filter" }
cake = { from = "filter" }
liquor = { from = "filter", carries = "solution" }
[nodes]
vat = { kind = "leach" }
[analytes]
Cu = { unit = "%", dissolved = true }
Fe = { unit = "%", dissolved = true }
[errors]
"dry mass" = { relative = 0.5 }
water = { relative = 1 }
Cu = { relative = 3 }
Fe = { relative = 3 }
"Cu in solution" = { relative = 2, absolute = "0.005 g/L" }
"Fe in solution" = { relative = 2, absolute = "0.005 g/L" }
"""


VAT_ROWS = """\
stream,dry mass [kg],water [L],Cu [%],Cu in solution [g/L],Fe in solution [g/L]
ore,10,0.1,2.0,,
acid,,,,<0.01,
pulp,,,,,
cake,,,0.35,0.8,
liquor,,,,9.2,1.1
"""


def test_an_assay_of_a_solution_without_volume_is_told_where_it_stands(tmp_path: Path) -> None:
    balance = _balance(tmp_path, VAT, VAT_ROWS)
    assert [n for n in balance.notes if "no volume" in n] == [
        "measurements.csv, cell E3, stream 'acid', Cu in solution: the assay goes with no volume: "
        "nothing tells how much solution 'acid' carries, so not how much metal either. Give water "
        "[L] of 'acid'.",
        "measurements.csv, cell E5, stream 'cake', Cu in solution: the assay goes with no volume: "
        "nothing tells how much solution 'cake' carries, so not how much metal either. Give water "
        "[L] of 'cake', or dry mass and % solids.",
        "measurements.csv, cell E6, stream 'liquor', Cu in solution: the assays of its solution go "
        "with no volume: nothing tells how much solution 'liquor' carries, so not how much metal "
        "either. Give water [L] of 'liquor'.",
    ]
    assert recovery_sentences(balance)[0] == (
        "Recovery of Cu: not determined to cake, liquor, see the notes."
    )
    assert "– ± –" not in summary(balance, parts=(ALL,))


def test_volumes_that_the_balance_gives_are_not_asked_for(tmp_path: Path) -> None:
    """Two volumes measured, three not: water and copper balance around the vat and the filter."""
    rows = VAT_ROWS.replace("acid,,,", "acid,,20,").replace("cake,,,", "cake,,2.5,")
    balance = _balance(tmp_path, VAT, rows)
    assert not [n for n in balance.notes if "no volume" in n]
    liquor = balance.value("liquor", "water")
    assert liquor.adjusted == pytest.approx(0.1 + 20.0 - 2.5, rel=0.05)
    assert "not determined" not in recovery_sentences(balance)[0]


def test_a_rate_asks_for_a_rate(tmp_path: Path) -> None:
    circuit = VAT.replace('"batch"', '"rate"').replace('"dry mass"', '"dry rate"')
    rows = VAT_ROWS.replace("dry mass [kg],water [L]", "dry rate [t/h],water [m3/h]")
    balance = _balance(tmp_path, circuit, rows)
    assert any(n.endswith("Give water [m3/h] of 'acid'.") for n in balance.notes)


# invented: nothing gives the volume of acid or liquor, for the acid may bring copper along
OPEN = """\
basis = "batch"
water = true
[streams]
ore = { to = "vat", carries = "dry" }
acid = { to = "vat", carries = "water" }
cake = { from = "vat", carries = "dry" }
liquor = { from = "vat", carries = "solution" }
[nodes]
vat = { kind = "leach" }
[analytes]
Cu = { unit = "%", dissolved = true }
[errors]
"dry mass" = { relative = 0.5 }
water = { relative = 1 }
Cu = { relative = 3 }
"Cu in solution" = { relative = 2 }
"""


def test_an_open_recovery_is_moved_by_nothing(tmp_path: Path) -> None:
    rows = """\
stream,dry mass [kg],water [L],Cu [%],Cu in solution [g/L]
ore,10,,2.0,
acid,,,,
cake,,,0.35,
liquor,,,,9.2
"""
    balance = _balance(tmp_path, OPEN, rows)
    assert balance.recovery("liquor", "Cu").recovery is None
    assert balance.recovery("cake", "Cu").recovery == pytest.approx(17.5)
    assert {h.product for h in balance.gross_errors.hidden} == {"cake"}
    assert all(abs(h.points) < 1.0 for h in balance.gross_errors.hidden)
    assert hidden_sentences(balance) == ()
    assert recovery_sentences(balance) == (
        "Recovery of Cu: 17.50 ± 0.74 % to cake; not determined to liquor, see the notes.",
    )
    # the volume of the acid, and that it brings nothing, make it known
    known = _balance(tmp_path, OPEN, rows.replace("acid,,,,", "acid,,18,,0").replace(
        "[g/L]\n", "[g/L],± Cu in solution [g/L]\n").replace("18,,0", "18,,0,0.01").replace(
        "liquor,,,,9.2", "liquor,,,,9.2,0.2").replace("ore,10,,2.0,", "ore,10,,2.0,,").replace(
        "cake,,,0.35,", "cake,,,0.35,,"))  # fmt: skip
    assert {h.product for h in known.gross_errors.hidden} >= {"liquor"}


@pytest.mark.parametrize(
    ("points", "words", "cell"),
    [(100.04, "by more than 100 points", "above +100"), (-414.0, "by more than 100 points",
     "below -100"), (-99.96, "by 100.0 points", "-100.0"), (12.34, "by 12.3 points", "+12.3")],
)  # fmt: skip
def test_beyond_a_whole_recovery_no_number_is_told(
    points: float, words: str, cell: str, tmp_path: Path
) -> None:
    h = HiddenError("ore", "Cu", "%", 0.06, False, "liquor", "Cu", points)
    balance = _balance(tmp_path, VAT, VAT_ROWS)
    assert hidden_sentence(h, 0.8, balance.survey) == (
        "Nothing checks Cu of 'ore': one sd, 0.06 points, moves the recovery of Cu to 'liquor' "
        f"{words}."
    )
    shown = replace(balance, gross_errors=replace(balance.gross_errors, hidden=(h,)))
    assert hidden_table(shown).rows[0][3] == cell


def test_an_error_as_large_as_the_reading_has_no_number(tmp_path: Path) -> None:
    """What it moves is told of a tenth of the reading, where the first order holds."""
    survey = _balance(tmp_path, VAT, VAT_ROWS).survey
    m = next(m for m in survey.measurements if m.value > 0.0)
    size = 0.9 * m.value
    h = HiddenError(m.stream, m.quantity, m.unit.symbol, size, True, "liquor", "Cu", 45.0)
    told = hidden_sentence(h, 0.8, survey)
    assert told.startswith(
        f"Any error up to its whole size would pass unnoticed in {m.quantity} of"
    )
    assert told.endswith("a tenth of it moves the recovery of Cu to 'liquor' by 5 points.")
    less = replace(h, size=0.7 * m.value)
    assert hidden_sentence(less, 0.8, survey).startswith("An error of ")


# invented: a thickener whose overflow is water; copper is in the solids alone
THICKENER = """\
basis = "rate"
water = true
[streams]
ore = { to = "mill" }
"mill water" = { to = "mill", carries = "water" }
slurry = { from = "mill", to = "thickener" }
overflow = { from = "thickener", carries = "water" }
underflow = { from = "thickener" }
[nodes]
mill = { kind = "mill" }
thickener = { kind = "thickener" }
[errors]
"dry rate" = { relative = 1 }
water = { relative = 2 }
"% solids" = { absolute = "1 %" }
Cu = { relative = 3 }
"""


THICKENED = """\
stream,dry rate [t/h],water [m3/h],% solids,Cu [%]
ore,50,,96,1.2
mill water,,70,,
slurry,,,41,
overflow,,53,,
underflow,,,73,1.22
"""


def test_water_is_no_product_of_what_does_not_dissolve(tmp_path: Path) -> None:
    balance = _balance(tmp_path, THICKENER, THICKENED)
    assert {r.stream for r in balance.recoveries} == {"slurry", "underflow"}
    assert recovery_sentences(balance) == ("Recovery of Cu: 100 % to underflow.",)
    assert [row[0] for row in recovery_table(balance).rows] == ["underflow", "slurry"]
    assert "not determined" not in flow_svg(balance, "Cu")
    with pytest.raises(KeyError):
        balance.recovery("overflow", "Cu")


def test_water_is_a_product_of_what_dissolves(tmp_path: Path) -> None:
    """Two analytes, of which one dissolves: the other has no cell in the overflow's row."""
    circuit = WATER.replace('Au = { unit = "g/t" }', 'Au = { unit = "g/t" }\nFe = { unit = "%" }')
    circuit = circuit.replace(
        "Au = { relative = 3 }", "Au = { relative = 3 }\nFe = { relative = 3 }"
    )
    rows = ROWS.replace("Au in solution [mg/L]\n", "Au in solution [mg/L],Fe [%]\n")
    rows = rows.replace("2.05,<0.01", "2.05,<0.01,5").replace("0.21,1.21", "0.21,1.21,5.1")
    rows = rows.replace("13.9,,,<0.01", "13.9,,,<0.01,").replace("1.19\n", "1.19,\n")
    balance = _balance(tmp_path, circuit, rows.replace("1.22\n", "1.22,\n"))
    gold, iron = recovery_sentences(balance)
    assert "to overflow" in gold and "overflow" not in iron
    row = next(r for r in recovery_table(balance).rows if r[0] == "overflow")
    assert row[2] != "–" and row[4:] == ["–", "–"]
