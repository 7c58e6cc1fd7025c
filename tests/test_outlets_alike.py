"""Outlets of a splitter, one of which stands still: in what order they are named does not matter.

All data are invented.
"""

from __future__ import annotations

from itertools import permutations
from pathlib import Path

import pytest
from pulp_rival import Reconciled, reconciled

from oretally.io import read_case

CIRCUIT = """\
title = "Two feeds and a splitter"
basis = "rate"
{more}
[streams]
f1 = {{ to = "box" }}
f2 = {{ to = "box" }}
{outlets}
[nodes]
box = {{ kind = "splitter" }}
[errors]
"dry rate" = {{ relative = 1, absolute = "0.1 t/h" }}
Pb = {{ relative = 2 }}
"% solids" = {{ relative = 1 }}
"class mass" = {{ relative = 2, absolute = "0.2 %" }}
"class grades" = {{ relative = 3 }}
[report]
feed = "f1"
"""
SIZES = {
    "f1": ((30, 1.0), (30, 2.0), (40, 3.0)),
    "f2": ((50, 1.1), (30, 2.0), (20, 3.0)),
    "b": ((36, 1.1), (32, 2.0), (32, 3.0)),
    "c": ((38, 1.05), (31, 2.0), (31, 3.0)),
}

_OUT = {1: "b,100.5,1.9\n", 2: "b,70,1.9\nc,30.5,1.95\n"}  # more than came: nothing is left for a


def _sized(outlets: tuple[str, ...]) -> tuple[str, str]:
    rows = "stream,dry rate [t/h],Pb [%]\nf1,60,2.1\nf2,39,1.7\na,0,\n"
    text = "stream,passing [um],retained [um],mass [%],Pb [%]\n"
    for stream, classes in SIZES.items():
        if stream in ("f1", "f2", *outlets):
            for bounds, (mass, pb) in zip((",150", "150,75", "75,"), classes, strict=True):
                text += f"{stream},{bounds},{mass},{pb}\n"
    return rows + _OUT[len(outlets) - ("a" in outlets)], text


def _balance(folder: Path, outlets: tuple[str, ...], *, water: bool) -> Reconciled:
    folder.mkdir()
    rows, sizes = _sized(outlets)
    if water:
        rows = "stream,dry rate [t/h],Pb [%],% solids\nf1,60,2.1,40\nf2,39,1.7,50\na,0,,\n"
        out = _OUT[len(outlets) - 1]
        rows += out.replace("1.9\n", "1.9,44\n").replace("1.95\n", "1.95,43\n")
    else:
        (folder / "sizes.csv").write_text(sizes, encoding="utf-8")
    (folder / "measurements.csv").write_text(rows, encoding="utf-8")
    named = "\n".join(f'{name} = {{ from = "box" }}' for name in outlets)
    text = CIRCUIT.format(outlets=named, more="water = true" if water else "")
    (folder / "circuit.toml").write_text(text, encoding="utf-8")
    case = read_case(folder)
    return reconciled(case.circuit, case.survey)


@pytest.mark.parametrize("water", [False, True], ids=["sizes", "water"])
@pytest.mark.parametrize("outlets", [("a", "b"), ("a", "b", "c")], ids=["two", "three"])
def test_order_of_the_outlets_does_not_matter(
    outlets: tuple[str, ...], water: bool, tmp_path: Path
) -> None:
    first = _balance(tmp_path / "first", outlets, water=water)
    now = {name: row.adjusted or 0.0 for name, row in first.rows.items()}
    assert now["a", "dry rate"] == pytest.approx(0.0, abs=1e-9)
    freedom = first.solution.classes.degrees_of_freedom
    for order in list(permutations(outlets))[1:]:
        other = _balance(tmp_path / "".join(order), order, water=water)
        assert other.solution.objective == pytest.approx(first.solution.objective, rel=1e-8)
        assert other.solution.classes.degrees_of_freedom == freedom
        for (stream, quantity), row in other.rows.items():
            if stream != "a":
                assert row.adjusted == pytest.approx(now[stream, quantity], rel=1e-6), row
    if not water:
        shares = [v for (s, q), v in now.items() if s == "b" and q.startswith("mass")]
        assert sum(shares) == pytest.approx(100.0, rel=1e-9)
        return
    b = {q: now["b", q] for q in ("dry rate", "wet rate", "% solids")}
    assert b["% solids"] == pytest.approx(100.0 * b["dry rate"] / b["wet rate"], rel=1e-9)


def test_by_an_equivalent_circuit_without_what_stands_still(tmp_path: Path) -> None:
    """With a flow of exactly 0 the outlet adds its own misfit, which is 0, and nothing else."""
    both = _balance(tmp_path / "both", ("a", "b", "c"), water=False)
    folder = tmp_path / "less"
    folder.mkdir()
    rows, sizes = _sized(("b", "c"))
    (folder / "sizes.csv").write_text(sizes, encoding="utf-8")
    (folder / "measurements.csv").write_text(rows.replace("a,0,\n", ""), encoding="utf-8")
    named = 'b = { from = "box" }\nc = { from = "box" }'
    (folder / "circuit.toml").write_text(CIRCUIT.format(outlets=named, more=""), encoding="utf-8")
    case = read_case(folder)
    less = reconciled(case.circuit, case.survey)
    assert both.solution.objective == pytest.approx(less.solution.objective, rel=1e-8)
    for name, row in less.rows.items():
        assert both.rows[name].adjusted == pytest.approx(row.adjusted, rel=1e-6)
