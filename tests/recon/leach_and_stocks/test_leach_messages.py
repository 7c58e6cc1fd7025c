"""What cannot be at a leach by its whole text; losses and extraction told with carbon."""

from __future__ import annotations

from pathlib import Path

import pytest
from leach_cases import ACID, ACID_ROWS, CARBON, CARBON_ROWS, balanced_leach, read_leach

from oretally.flowsheet import InputError
from oretally.io.results import ALL, summary
from oretally.recon import reconcile


def a(old: str, new: str) -> tuple[str, str]:
    """Return the acid leach with something else in its circuit."""
    assert old in ACID
    return ACID.replace(old, new), ACID_ROWS


SIZE = (
    "it says whether solids dissolve there, or how much may: a number above 0 with its unit, one "
    "standard deviation.\n"
    'Write dissolves = true, or for example dissolves = "1.5 kg" (in a sheet yes or 1.5 kg).'
)


BROKEN = {
    "no leach": (
        *a('kind = "leach", dissolves = true }', 'kind = "mill", dissolves = true }'),
        "circuit.toml, line 9: Solids are said to dissolve at 'vat', which is no leach but a "
        "mill.\n"
        "Write kind = \"leach\" (in a sheet: leach), or take 'dissolves' out.",
    ),
    "no unit": (
        *a("dissolves = true", "dissolves = 1.5"),
        f"circuit.toml, line 9: 'dissolves' of the node 'vat' is '1.5'; {SIZE}",
    ),
    "below nothing": (
        *a("dissolves = true", 'dissolves = "-1 kg"'),
        f"circuit.toml, line 9: 'dissolves' of the node 'vat' is '-1 kg'; {SIZE}",
    ),
    "a word": (
        *a("dissolves = true", 'dissolves = "some"'),
        f"circuit.toml, line 9: 'dissolves' of the node 'vat' is 'some'; {SIZE}",
    ),
    "a list": (
        *a("dissolves = true", "dissolves = [1]"),
        f"circuit.toml, line 9: 'dissolves' of the node 'vat' is '[1]'; {SIZE}",
    ),
    "a rate": (*a("dissolves = true", 'dissolves = "1 kg/h"'), 
        "circuit.toml, line 9: 'kg/h' is the unit of a mass rate, but a mass is wanted.\n"
        "Write one of: mg, g, kg, t, lb, st, lt, ozt."),
    "misspelt": (
        *a("dissolves = true", "disolves = true"),
        "circuit.toml, line 9: 'disolves' is not known here.\nDid you mean 'dissolves'?",
    ),
    "as a product": (
        ACID + '[report]\nfeed = "ore"\nproducts = ["residue", "solids dissolved in vat"]\n',
        ACID_ROWS,
        "circuit.toml, line 21: The report names 'solids dissolved in vat', but solids that "
        "dissolved hold no analyte.\n"
        "Name a stream that is sampled.",
    ),
    "like it": (
        *a('residue = { from = "vat" }',
           'residue = { from = "vat", like = "solids dissolved in vat" }'),
        "circuit.toml, line 7: Stream 'residue' is said to be like 'solids dissolved in vat', but "
        "solids that dissolved have no grades.\n"
        "Name a stream that is sampled, or take 'like' out.",
    ),
    "name taken": (
        *a('residue = { from = "vat" }',
           'residue = { from = "vat" }\n"solids dissolved in vat" = { from = "vat" }'),
        "circuit.toml, line 10: The stream 'solids dissolved in vat' is there twice; upper and "
        "lower case and spaces do not tell names apart.\n"
        "Rename one of the two, or take one out.",
    ),
    "its assay": (ACID, ACID_ROWS + "solids dissolved in vat,1.4,,1,,\n", 
        "measurements.csv, cell D5, stream 'solids dissolved in vat', Cu: The stream carries no "
        "such thing: its content is 'dissolved solids'.\n"
        "Take the value out, or correct what the stream carries."),
    "its water": (ACID, ACID_ROWS + "solids dissolved in vat,1.4,1,,,\n", 
        "measurements.csv, cell C5, stream 'solids dissolved in vat', water: The stream carries "
        "solids that dissolved, so there is no water of it.\n"
        "Take it out."),
    "carries misspelt": (
        CARBON.replace('"carbon" }\n"loaded', '"carbn" }\n"loaded'),
        CARBON_ROWS,
        "circuit.toml, line 7: The stream 'fresh carbon' is said to carry 'carbn'.\n"
        "Did you mean 'carbon'?",
    ),
    "solution of carbon": (CARBON, CARBON_ROWS.replace("0.2,,130,", "0.2,,130,0.3"), 
        "measurements.csv, cell E5, stream 'loaded carbon', Au in solution: The stream carries dry "
        "solids, so there is no Au in solution of it.\n"
        "Take it out,\n"
        'or let the stream carry "pulp".'),
}  # fmt: skip


@pytest.mark.parametrize("name", list(BROKEN))
def test_message(name: str, tmp_path: Path) -> None:
    circuit, rows, message = BROKEN[name]
    with pytest.raises(InputError) as caught:
        case = read_leach(tmp_path, circuit, rows)
        balanced_leach(case)
    assert "\n\n".join(map(str, caught.value.faults)) == message


CIL = """\
title = "carbon in leach, one shift"
basis = "rate"
water = true
[streams]
feed = { to = "cil" }
"barren carbon" = { to = "cil", carries = "carbon" }
"loaded carbon" = { from = "cil", carries = "carbon" }
tails = { from = "cil" }
[nodes]
cil = { kind = "leach" }
[analytes]
Au = { unit = "g/t", dissolved = true }
[errors]
"dry rate" = { relative = 1 }
"wet rate" = { relative = 1 }
"% solids" = { absolute = "0.5 %" }
Au = { relative = 3 }
"Au in solution" = { relative = 3, absolute = "0.002 mg/L" }
[report]
feed = "feed"
"""


CIL_ROWS = """\
stream,dry rate [t/h],wet rate [t/h],% solids [%],Au [g/t],Au in solution [mg/L]
feed,100,,45,2.50,0.02
barren carbon,0.05,,,60,
loaded carbon,0.05,,,4500,
tails,,222,45,0.25,0.015
"""


@pytest.mark.parametrize(
    "loss",
    ['"0.5 t/h", like = "tails"', '"0.5 t/h", like = "feed"', '"2 kg/h", like = "loaded carbon"'],
)
def test_a_declared_loss_leaves_the_extraction_told(loss: str, tmp_path: Path) -> None:
    """A loss of 0 ± something, like tails or like carbon, moves no figure by more than its own sd.

    By hand, without it: 1 - 0.25 * 222 * 0.45 / 250 = 0.90; on carbon 0.05 * (4500 - 60) = 222,
    in solution 222 * 0.55 * 0.015 - 100 * 55 / 45 * 0.02, of 250 g/h.
    """
    plain = balanced_leach(read_leach(tmp_path / "plain", CIL, CIL_ROWS)).extractions[0]
    with_loss = CIL.replace("[analytes]", f"[losses]\ncil = {{ rate = {loss} }}\n[analytes]")
    (found,) = balanced_leach(read_leach(tmp_path / "loss", with_loss, CIL_ROWS)).extractions
    by_solids = 100.0 * (1.0 - 0.25 * 222.0 * 0.45 / 250.0)
    gold = 222.0 + 222.0 * 0.55 * 0.015 - 100.0 * 55.0 / 45.0 * 0.02
    for each in (plain, found):
        assert each.by_solids == pytest.approx(by_solids, rel=1e-9)
        assert each.by_solution == pytest.approx(100.0 * gold / 250.0, rel=1e-9)
        assert each.accountability is not None
    assert found.accountability == pytest.approx(plain.accountability, rel=1e-9)


def test_where_the_pulp_was_not_sampled_the_extraction_goes_as_far_as_the_filter(
    tmp_path: Path,
) -> None:
    """Vat and filter as two nodes, or as one: the same extraction; by hand 1 - 8.5 * 0.3 / 20."""
    out = 'residue = { from = "vat" }'
    liquor = 'liquor = { from = "vat", carries = "solution" }'
    one = ACID.replace(out, f"{out}\n{liquor}")
    two = one.replace(
        out, 'slurry = { from = "vat", to = "filter" }\n' + out.replace("vat", "filter")
    )
    two = two.replace(liquor, liquor.replace("vat", "filter"))
    rows = ACID_ROWS.replace(
        "residue,8.5,,0.35,35,8.4", "residue,8.5,2,0.3,35,8.4\nliquor,,18,,,8.5"
    )
    found = [balanced_leach(read_leach(tmp_path / name, text, rows)).extractions
             for name, text in (("one", one), ("two", two))]  # fmt: skip
    (first,), (second,) = found
    assert first.by_solids == pytest.approx(100.0 * (1.0 - 8.5 * 0.3 / 20.0))
    for field in ("by_solids", "by_solution", "accountability", "reconciled"):
        assert getattr(second, field) == pytest.approx(getattr(first, field), rel=1e-6), field


def test_a_sample_of_the_pulp_keeps_the_extraction_at_the_leach(tmp_path: Path) -> None:
    two = ACID.replace('residue = { from = "vat" }', 'slurry = { from = "vat", to = "filter" }\n'
                       'residue = { from = "filter" }')  # fmt: skip
    rows = ACID_ROWS.replace(
        "residue,8.5,,0.35,35,8.4", "slurry,8.5,,0.4,35,8.4\nresidue,8.5,,0.3,35,8.4"
    )
    (found,) = balanced_leach(read_leach(tmp_path, two, rows)).extractions
    assert found.by_solids == pytest.approx(100.0 * (1.0 - 8.5 * 0.4 / 20.0))


def test_what_is_declared_is_not_called_measured(tmp_path: Path) -> None:
    text = ACID.replace("dissolves = true", 'dissolves = "0.05 kg"')
    case = read_leach(tmp_path, text, ACID_ROWS)
    balance = reconcile(case.circuit, case.survey, feed=case.feed, products=case.products)
    told = " ".join(summary(balance, parts=(ALL,)).split())
    assert "'solids dissolved in vat' (declared, not measured: 0 ± 0.05 kg; the others say" in told
    assert "declared 1 number, not measured" in told
    assert "largest move dry mass of 'solids dissolved" not in told


@pytest.mark.parametrize("word", ["carbon", "precipitate"])
def test_what_takes_metal_up_is_kept_and_the_barren_solution_loses(
    word: str, tmp_path: Path
) -> None:
    """200 g/h come in solution, 1 % of it leaves there."""
    circuit = f"""\
basis = "rate"
water = true
[streams]
pregnant = {{ to = "column", carries = "solution" }}
fresh = {{ to = "column", carries = "{word}" }}
barren = {{ from = "column", carries = "solution" }}
loaded = {{ from = "column", carries = "{word}" }}
[nodes]
column = {{ kind = "leach" }}
[analytes]
Au = {{ unit = "g/t", dissolved = true }}
[errors]
"dry rate" = {{ relative = 1 }}
water = {{ relative = 1 }}
Au = {{ relative = 3, absolute = "0.1 g/t" }}
"Au in solution" = {{ relative = 2, absolute = "0.002 mg/L" }}
[report]
feed = "pregnant"
"""
    rows = "stream,dry rate [kg/h],water [m3/h],Au [g/t],Au in solution [mg/L]\npregnant,,100,,2\n"
    rows += "fresh,50,,20,\nloaded,50,,3980,\nbarren,,,,0.02\n"
    (loss,) = balanced_leach(read_leach(tmp_path, circuit, rows)).losses.found
    assert (loss.stream, loss.kept) == ("barren", ("loaded",))
    assert loss.percent[0] == pytest.approx(1.0, abs=0.01)


def test_an_assay_of_the_pulps_solution_does_not_take_the_extraction_away(tmp_path: Path) -> None:
    """The usual practice: solution from the pulp, solids from the cake; 1 - 8.5 * 0.3 / 20."""
    out = 'residue = { from = "vat" }'
    two = ACID.replace(
        out, 'slurry = { from = "vat", to = "filter" }\n' + out.replace("vat", "filter")
    )
    two = two.replace("acid = {", 'liquor = { from = "filter", carries = "solution" }\nacid = {')
    rows = ACID_ROWS.replace(
        "residue,8.5,,0.35,35,8.4",
        "slurry,,,,,8.45\nresidue,8.5,2,0.3,35,8.4\nliquor,,18,,,8.5",
    )
    (found,) = balanced_leach(read_leach(tmp_path, two, rows)).extractions
    assert found.by_solids == pytest.approx(100.0 * (1.0 - 8.5 * 0.3 / 20.0))
    assert found.by_solution is not None
