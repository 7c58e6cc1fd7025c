"""Outlets of a splitter, one of which stands still: in what order they are named does not matter.

All data are invented.
"""

from __future__ import annotations

from itertools import permutations
from pathlib import Path

import numpy as np
import pytest
from often import some
from pulp_rival import Reconciled, reconciled
from scipy.optimize import least_squares

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
    for order in some(list(permutations(outlets))[1:], 1):
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


DIVIDER = """\
basis = "rate"
[streams]
feed = {{ to = "dist" }}
{outlets}
[nodes]
dist = {{ kind = "splitter" }}
[errors]
"dry rate" = {{ relative = 1, absolute = "0.05 t/h" }}
"class mass" = {{ relative = 2, absolute = "1 g" }}
"""
SIEVED = {"a": (103, 152, 244), "b": (96, 149, 255), "c": (101, 146, 253)}


def _divided(folder: Path, outlets: tuple[str, ...], weighed: str) -> Reconciled:
    folder.mkdir()
    named = "\n".join(f'{name} = {{ from = "dist" }}' for name in outlets)
    (folder / "circuit.toml").write_text(DIVIDER.format(outlets=named), encoding="utf-8")
    rows = "stream,dry rate [t/h]\nfeed,100\n" + weighed
    rows += "".join(f"{name},\n" for name in outlets if f"{name}," not in weighed)
    (folder / "measurements.csv").write_text(rows, encoding="utf-8")
    text = "stream,passing [um],retained [um],mass [g]\n"
    for stream in outlets:
        for bounds, mass in zip((",150", "150,75", "75,"), SIEVED[stream], strict=True):
            text += f"{stream},{bounds},{mass}\n"
    (folder / "sizes.csv").write_text(text, encoding="utf-8")
    case = read_case(folder)
    return reconciled(case.circuit, case.survey)


@pytest.mark.parametrize("outlets", [("a", "b"), ("b", "a")])
def test_a_split_that_nothing_determines_keeps_all_readings(
    outlets: tuple[str, ...], tmp_path: Path
) -> None:
    """Both outlets are sieved, neither weighed: chi-square is that with any split, by hand.

    One composition for both stacks: with 3 classes each, masses m_i and sds s_i, each stack with
    its own factor. A stopped outlet, whose readings count for nothing, would leave 0.
    """
    found = _divided(tmp_path / "open", outlets, "")
    for i, split in enumerate((40.0, 5.0)):
        given = _divided(tmp_path / str(i), outlets, f"a,{split}\n")
        assert given.solution.objective == pytest.approx(found.solution.objective, rel=1e-6)
    assert found.solution.objective == pytest.approx(_two_stacks(), rel=1e-6)
    assert found.rows["a", "dry rate"].value_class == "unobservable"
    whole = found.rows["feed", "dry rate"]
    assert whole.adjusted == pytest.approx(100.0, rel=1e-9)


def _two_stacks() -> float:
    """Least misfit of one composition to both stacks, each share times a factor of its stack."""
    masses = np.array([SIEVED["a"], SIEVED["b"]], dtype=float)
    sds = np.sqrt((0.02 * masses) ** 2 + 1.0)

    def misfit(v: np.ndarray) -> np.ndarray:
        shares = np.array([v[0], v[1], 1.0 - v[0] - v[1]])
        return np.asarray(((masses - v[2:, None] * shares) / sds).ravel())

    found = least_squares(misfit, [0.2, 0.3, 500.0, 500.0], xtol=1e-15, ftol=1e-15, gtol=1e-15)
    return 2.0 * float(found.cost)


@pytest.mark.parametrize("outlets", [("a", "b", "c"), ("b", "a", "c"), ("c", "b", "a")])
def test_a_split_of_three_that_one_weight_leaves_open(
    outlets: tuple[str, ...], tmp_path: Path
) -> None:
    found = _divided(tmp_path / "open", outlets, "b,50\n")
    given = _divided(tmp_path / "given", outlets, "b,50\na,20\n")
    assert found.solution.objective == pytest.approx(given.solution.objective, rel=1e-6)
