"""What is to be checked first: one number with its slip, or several of which one is wrong."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from oretally.flowsheet import Analyte, Basis, Circuit, Measurement, Survey, parse_unit
from oretally.flowsheet.digits import format_chance
from oretally.io.case import read_case
from oretally.io.first_page.first_suspect import one_of, perhaps_none, said_of
from oretally.io.results import summary
from oretally.io.wording import beyond_alone
from oretally.recon import Balance, reconcile

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
TRAY = {"tray": 0.412}  # kg
MASSES = {"ore": 18640.0, "conc": 750.0, "midds": 2910.0, "tails": 14930.0}
TIN = {"ore": 1.42, "conc": 24.6, "midds": 1.31, "tails": 0.235}


def _pan(masses: dict[str, float], *, head: bool = True, trays: dict[str, float] | None = None,
         sd: float | None = None) -> Balance:  # fmt: skip
    """Return the balance of a bucket test on a pan; invented."""
    circuit = Circuit.build({
        "ore": (None, "pan"), "conc": ("pan", None), "midds": ("pan", None),
        "tails": ("pan", None),
    })  # fmt: skip
    gram, percent = parse_unit("g"), parse_unit("%")
    rows = [Measurement(s, "dry mass", v, gram, 5.0 + 0.003 * v if sd is None else sd)
            for s, v in (MASSES | masses).items()]  # fmt: skip
    rows += [Measurement(s, "Sn", v, percent, 0.03 * v) for s, v in TIN.items()
             if head or s != "ore"]  # fmt: skip
    survey = Survey(Basis.BATCH, gram, (Analyte("Sn", percent),), tuple(rows),
                    containers=trays or {})  # fmt: skip
    return reconcile(circuit, survey, feed="ore", products=("conc", "midds", "tails"))


def _screen(balance: Balance) -> str:
    return " ".join(summary(balance).split())


def test_no_number_has_most_of_the_probability() -> None:
    """A tray on the middlings: masses of three streams explain it as well, so all are named."""
    balance = _pan({"midds": 3322.0})
    assert {p.where for p, _ in one_of(balance.suspects[0])} == {"ore", "midds", "tails"}
    assert sum(p for _, p in one_of(balance.suspects[0])) == pytest.approx(1.0, abs=0.05)
    said = _screen(balance)
    assert "Check 3 numbers first, of which one is wrong: dry mass of 'tails' (" in said
    assert "Nothing here tells which. Was something of 363 ± 80 g left on the scale?" in said
    assert "Weigh all 3 again, mend the one that is wrong, and balance again" in said
    assert "mended 70.33 to 71.60 % of the Sn, according to which." in said
    assert "given as dry" not in said  # a slip that is less likely than the rest


def test_where_all_may_be_right_no_number_is_called_wrong() -> None:
    """One set of chances: of each number in all, and that none is wrong, which is not little."""
    balance = _pan({"midds": 3250.0})
    sound = balance.gross_errors.sound
    assert sound is not None and 0.2 < sound < 0.5 and not balance.gross_errors.quiet
    said = _screen(balance)
    assert "Check 3 numbers first, of which one may be wrong: dry mass of 'midds' (" in said
    assert f"; all numbers right {format_chance(sound)}. Nothing here tells which." in said
    assert "mend what is wrong, and balance again" in said and "one is wrong" not in said
    assert perhaps_none(_pan({"midds": 3322.0})) == ""


def test_a_number_likelier_than_the_line_of_it_alone_is_explained() -> None:
    balance = _pan({"midds": 3250.0})
    first = balance.suspects[0]
    alone = sum(e.probability for e in balance.gross_errors.explanations
                if e.places == first.group[:1])  # fmt: skip
    assert first.shares[0] > alone + 0.02
    assert beyond_alone(balance).startswith("Each of these is all that is wrong. The chance in")
    own = [replace(s, shares=(0.0,) * len(s.shares)) for s in balance.suspects]
    errors = replace(balance.gross_errors, suspects=tuple(own))
    assert beyond_alone(replace(balance, gross_errors=errors)) == ""


@pytest.mark.parametrize(("sd", "several"), [(5.0, False), (10.0, False)])
def test_a_surplus_may_be_a_tray_before_it_is_moisture(sd: float, several: bool) -> None:
    """How wet is free, so that it fits any surplus: a tray that nobody named is asked for first."""
    balance = _pan({"midds": 3322.0}, sd=sd)
    assert bool(one_of(balance.suspects[0])) == several
    assert balance.suspects[0].slips[0].kind == "wet mass"
    said = _screen(balance)
    assert ("Check 2 numbers first" in said) == several
    asked = said.split(" g left on the scale? Name trays under [containers]. Or is ")[1]
    assert asked.startswith("'midds' a wet mass, at 11 %" if several else "it a wet mass, at 11 %")
    assert "Then it is" not in said


def test_another_that_may_well_be_the_one_stands_beside_the_likeliest() -> None:
    """Exact masses: one number has most of the probability, another a third of it."""
    balance = _pan({"midds": 3322.0}, trays=TRAY, sd=10.0)
    first = balance.suspects[0]
    assert first.shares[0] > 0.5 and max(p for _, p in first.instead) > 0.2
    said = _screen(balance)
    assert "Check one number first" not in said and ", of which one is wrong: dry mass of" in said
    assert "% of the Sn, according to which." in said


def test_a_tray_that_is_known_is_told_of_whichever() -> None:
    said = _screen(_pan({"midds": 3322.0}, trays=TRAY))
    assert "the mass of the container 'tray' not taken off? Nothing here tells which." in said
    assert "left on the scale" not in said


def test_all_of_a_group_are_named_with_what_each_makes_of_the_recovery() -> None:
    """Without a head assay nothing at all tells the four masses apart."""
    said = _screen(_pan({"conc": 1162.0}, head=False))
    assert "Check 4 numbers first" in said
    for name in ("'conc' (", "'midds' (", "'ore' (", "dry mass of 'tails' ("):
        assert name in said
    assert "Weigh all 4 again" in said and "72.9 to 80.7 % of the Sn" in said


def test_one_number_is_told_with_its_slip_rounded_by_its_error() -> None:
    balance = _pan({"conc": 1162.0}, trays=TRAY)
    assert not one_of(balance.suspects[0])
    said = _screen(balance)
    assert "Check one number first: dry mass of 'conc' reads 1162 g" in said
    assert "not taken off? Then it is 750 g. That is above 99 % likely. Weigh" in said


def test_what_may_be_wrong_instead_is_exclusive() -> None:
    """Two numbers wrong at once: neither stands in place of the other."""
    case = read_case(EXAMPLES / "rougher_cleaner")
    wrong = {("fresh feed", "Cu"): 10.0, ("final tails", "Fe"): 0.1}
    names = {(m.stream, m.quantity) for m in case.survey.measurements}
    wrong = {k: v for k, v in wrong.items() if k in names}
    survey = replace(case.survey, measurements=tuple(
        replace(m, value=m.value * f, sd=m.sd * f)
        if (f := wrong.get((m.stream, m.quantity))) else m for m in case.survey.measurements
    ))  # fmt: skip
    balance = reconcile(case.circuit, survey, feed=case.feeds, products=case.products)
    assert len(wrong) == 2
    for s in balance.suspects:
        own = {(s.group[0].where, s.group[0].quantity)}
        other = {(p.where, p.quantity) for p, _ in s.instead}
        assert not (own <= set(wrong) and other & set(wrong)), s


def test_a_slip_of_another_member_is_not_told_as_its_own() -> None:
    case = read_case(EXAMPLES / "ounces_as_grams")
    balance = reconcile(case.circuit, case.survey, feed=case.feeds, products=case.products)
    suspect = balance.gross_errors.suspects[0]
    own, other = suspect.group[:2]
    assert suspect.slips[0].readings[0].stream == own.where != other.where
    assert "ozt/st" in said_of(balance, suspect)[0]
    turned = replace(suspect, group=(other, own, *suspect.group[2:]))
    assert "ozt/st" not in said_of(balance, turned)[0]
    assert said_of(balance, turned)[0].startswith(f"{other} reads")
