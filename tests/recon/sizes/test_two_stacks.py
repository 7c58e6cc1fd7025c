"""Stacks of sieves before and behind a mill: each side of it has classes of its own.

All data are invented: a mill in open circuit, a screen behind it.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from balance_cases import only_balanced
from pulp_plant import Plant
from pulp_rival import compare

from oretally.flowsheet import InputError, Node, NodeKind, Stream
from oretally.flowsheet.survey import grid_of
from oretally.io import read_case
from oretally.io.results import to_json, xlsx_bytes
from oretally.io.wording import passing_tables
from oretally.recon import Balance

CIRCUIT = """\
title = "Mill and screen"
basis = "rate"
[streams]
feed = { to = "mill" }
ground = { from = "mill", to = "screen" }
over = { from = "screen" }
under = { from = "screen" }
[nodes]
mill = { kind = "mill" }
[errors]
"dry rate" = { relative = 1 }
Pb = { relative = 2 }
"class mass" = { relative = 2, absolute = "0.2 %" }
"class grades" = { relative = 3 }
"""
ROWS = "stream,dry rate [t/h],Pb [%]\nfeed,85.8,3.75\nground,,3.7\nover,20,1.95\nunder,65.5,4.2\n"
BEHIND = {
    "ground": ((10, 1.15), (20, 2), (30, 4), (20, 5), (20, 5)),
    "over": ((41, 1.1), (34, 1.4), (15, 4), (5, 5), (5, 5)),
    "under": ((0.5, 1.5), (15.3, 2.5), (34.2, 4), (25, 5), (25, 5)),
}
FINE = (600.0, 300.0, 150.0, 75.0)
BEFORE = ((12, 2), (30, 3), (25, 4), (20, 5), (13, 5))


def _sizes(stack: tuple[float, ...], rows: tuple[tuple[float, float], ...], stream: str) -> str:
    bounds = zip(("", *(f"{o:g}" for o in stack)), (*(f"{o:g}" for o in stack), ""), strict=True)
    return "".join(
        f"{stream},{passing},{retained},{mass:g},{pb:g}\n"
        for (passing, retained), (mass, pb) in zip(bounds, rows, strict=True)
    )


def _case(folder: Path, before: tuple[float, ...], fine: tuple[float, ...] = FINE) -> Path:
    folder.mkdir()
    (folder / "circuit.toml").write_text(CIRCUIT, encoding="utf-8")
    (folder / "measurements.csv").write_text(ROWS, encoding="utf-8")
    text = "stream,passing [um],retained [um],mass [%],Pb [%]\n"
    text += _sizes(before, BEFORE, "feed")
    text += "".join(_sizes(fine, rows, stream) for stream, rows in BEHIND.items())
    (folder / "sizes.csv").write_text(text, encoding="utf-8")
    return folder


def _balance(folder: Path, before: tuple[float, ...], fine: tuple[float, ...] = FINE) -> Balance:
    case = read_case(_case(folder, before, fine))
    return only_balanced(case.circuit, case.survey, feed=case.feed, products=case.products)


@pytest.mark.parametrize(
    "before",
    [
        (9500.0, 4750.0, 2360.0, 600.0),  # one sieve in common
        (9500.0, 4750.0, 2360.0, 1000.0),  # none
        (2000.0, 500.0, 200.0, 100.0),  # stacks that cross
    ],
)
def test_what_sieves_the_other_side_has_does_not_matter(
    before: tuple[float, ...], tmp_path: Path
) -> None:
    """A mill keeps no sizes: with one stack or two, adjusted numbers and their sds are the same."""
    one, two = _balance(tmp_path / "one", FINE), _balance(tmp_path / "two", before)
    assert two.objective == pytest.approx(one.objective, rel=1e-9)
    assert two.global_test.dof == one.global_test.dof
    for a, b in zip(one.sizes.streams, two.sizes.streams, strict=True):
        assert a.stream == b.stream
        assert len(a.classes) == len(b.classes) == 5
        for c, d in zip(a.classes, b.classes, strict=True):
            assert d.share == pytest.approx(c.share, rel=1e-7)
            assert d.grade["Pb"] == pytest.approx(c.grade["Pb"], rel=1e-7)
            assert d.distribution["Pb"] == pytest.approx(c.distribution["Pb"], rel=1e-7)
    (a25, b25) = (b.sizes.partitions[0].sharpness.d25 for b in (one, two))
    assert a25.size_um == pytest.approx(293, abs=1)
    assert (b25.size_um, b25.sd_um) == pytest.approx((a25.size_um, a25.sd_um), rel=1e-6)


def test_sizes_of_the_feed_go_with_its_own_sieves(tmp_path: Path) -> None:
    one = _balance(tmp_path / "one", (9500.0, 4750.0, 2360.0, 1000.0))
    two = _balance(tmp_path / "two", (19000.0, 9500.0, 4720.0, 2000.0))
    p80 = [b.sizes.streams[0].p80 for b in (one, two)]
    assert p80[0].size_um is not None and p80[1].size_um is not None
    # log-linear between 4750 (58 %) and 9500 (88 %), by hand; the shares are adjusted a little
    assert p80[0].size_um == pytest.approx(4750.0 * 2.0 ** ((80.0 - 58.0) / 30.0), rel=0.01)
    assert p80[1].size_um / p80[0].size_um == pytest.approx(2.0, rel=1e-6)


def test_tables_leave_the_sieves_of_others_blank(tmp_path: Path) -> None:
    balance = _balance(tmp_path / "two", (9500.0, 4750.0, 2360.0, 600.0))
    (table,) = passing_tables(balance, brief=True)
    rows = {row[0]: row[1:] for row in table.rows}
    assert list(rows) == ["9500", "4750", "2360", "600", "300", "150", "75"]
    assert [text == "–" for text in rows["9500"]] == [False, True, True, True]
    assert [text == "–" for text in rows["600"]] == [False] * 4
    assert [text == "–" for text in rows["75"]] == [True, False, False, False]
    assert not any("lacks sieves" in note or "Not determined" in note for note in balance.notes)
    (tmp_path / "result.xlsx").write_bytes(xlsx_bytes(balance))
    case = read_case(tmp_path / "result.xlsx")
    again = only_balanced(case.circuit, case.survey, feed=case.feed, products=case.products)
    assert again.objective == pytest.approx(balance.objective, rel=1e-9)
    streams = json.loads(to_json(balance))["sizes"]["streams"]
    assert [row["class"] for row in streams[0]["classes"]][-1] == "-600 um"


def test_stacks_that_cross_on_one_side_are_refused_still(tmp_path: Path) -> None:
    folder = _case(tmp_path / "case", (9500.0, 4750.0, 2360.0, 1000.0))
    text = (folder / "sizes.csv").read_text("utf-8").replace("under,600,300", "under,600,250")
    text = text.replace("under,300,", "under,250,")
    (folder / "sizes.csv").write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as refused:
        read_case(folder)
    (fault,) = refused.value.faults
    assert fault.problem.startswith("The stacks of 'under' and 'ground' cross: -600+250 um")


@pytest.mark.parametrize("seed", [900, 901])
def test_two_stacks_against_an_optimiser(seed: int) -> None:
    """The feed is measured in three classes, what is behind the mill in others; IPOPT has all."""
    pytest.importorskip("casadi")
    streams = [Stream("feed", None, "mill"), Stream("ground", "mill", "screen"),
               Stream("over", "screen", None), Stream("under", "screen", None)]  # fmt: skip
    plant = Plant(np.random.default_rng(seed), streams, [Node("mill", NodeKind.MILL)],
                  (300.0, 150.0, 75.0, 38.0), ("Pb",))  # fmt: skip
    before, behind = [(0, 0), (1, 3), (4, 4)], [(0, 1), (2, 2), (3, 4)]
    runs = sorted({run for run in (*before, *behind) if run[0] < run[1]})
    found = [plant.measure("feed", "dry rate", 0.01), plant.measure("under", "dry rate", 0.02)]
    found += [plant.measure(s, "Pb", 0.02) for s in ("feed", "ground", "over", "under")]
    for s, own in (("feed", before), ("ground", behind), ("over", behind), ("under", behind)):
        for run in own:
            label = plant.label(run)
            found.append(plant.measure(s, f"mass in {label}", 0.02, runs))
            found.append(plant.measure(s, f"Pb in {label}", 0.03, runs))
    ours = compare(plant, found, runs)
    for s, own in (("feed", before), ("under", behind)):
        whole = sum(ours.value(s, f"mass in {plant.label(run)}") for run in own)
        assert whole == pytest.approx(100.0, rel=1e-9)
        assert (s, f"mass in {plant.label((1, 1))}") not in ours.rows


def test_a_grid_is_parted_where_the_sieves_of_a_side_are() -> None:
    grid = grid_of([[(600.0, float("inf")), (0.0, 600.0)],
                    [(300.0, float("inf")), (75.0, 300.0), (0.0, 75.0)]])  # fmt: skip
    assert grid.openings == (600.0, 300.0, 75.0)
    assert grid.parted([(0, 0), (1, 3)]) == ((0, 0), (1, 3))
    assert grid.parted([(0, 1), (2, 2), (3, 3)]) == ((0, 1), (2, 2), (3, 3))


def test_a_coarser_stack_beside_a_finer_one_keeps_what_it_says(tmp_path: Path) -> None:
    """A screen's feed on three classes, its fines on five, its oversize not sieved.

    Of the feed the three classes are told, and of the oversize what they and the fines leave:
    85.5 t/h less 65.5, class by class. P80 of the feed by hand: 70 % pass 300 um, 90 % pass 600.
    """
    folder = tmp_path / "case"
    folder.mkdir()
    circuit = CIRCUIT.replace('feed = { to = "mill" }\nground = { from = "mill", to', "feed = { to")
    (folder / "circuit.toml").write_text(circuit.replace('mill = { kind = "mill" }', ""), "utf-8")
    rows = "stream,dry rate [t/h],Pb [%]\nfeed,85.5,3.7\nover,20,\nunder,65.5,\n"
    (folder / "measurements.csv").write_text(rows, encoding="utf-8")
    text = "stream,passing [um],retained [um],mass [%],Pb [%]\n"
    text += _sizes((600.0, 300.0), ((10, 1.1), (20, 2.3), (70, 4.5)), "feed")
    (folder / "sizes.csv").write_text(text + _sizes(FINE, BEHIND["under"], "under"), "utf-8")
    case = read_case(folder)
    balance = only_balanced(case.circuit, case.survey, feed=case.feed, products=case.products)
    streams = {s.stream: s for s in balance.sizes.streams}
    labels = [row.label for row in streams["feed"].classes]
    assert labels == ["+600 um", "-600+300 um", "-300 um"]
    assert labels == [row.label for row in streams["over"].classes]
    assert len(streams["under"].classes) == 5
    assert streams["feed"].p80.size_um == pytest.approx(300.0 * 2.0**0.5, rel=1e-3)
    feed, under = (np.array([c.share[0] for c in streams[s].classes]) for s in ("feed", "under"))
    over = 85.5 * feed - 65.5 * np.array([under[0], under[1], under[2:].sum()])
    found = np.array([c.share[0] for c in streams["over"].classes])
    assert found == pytest.approx(over / 20.0, rel=1e-6)
    (partition,) = balance.sizes.partitions
    assert [row.label for row in partition.classes] == labels
    shares = [row.solids[0] for row in partition.classes if row.solids is not None]
    assert shares == pytest.approx(100.0 * over / (85.5 * feed), rel=1e-6)
