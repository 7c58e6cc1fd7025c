"""Errors beside grades that nothing determines, wherever the search left those."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from oretally.io import read_case
from oretally.recon import reconcile

EXAMPLE = Path(__file__).resolve().parents[3] / "examples" / "shifts_with_stockpile"


@pytest.mark.parametrize("shift", ["02 night", "02 late", "03 early"])
def test_two_products_share_one_error(shift: str, tmp_path: Path) -> None:
    """They add up to the whole, so that one is as uncertain as the other.

    Nobody sampled the pile: its grade, far from anything that can be, left its rounding in the
    place of what no measurement sees, and a recovery had nine times its ±.
    """
    with (EXAMPLE / "surveys.csv").open(encoding="utf-8", newline="") as file:
        header, *rows = csv.reader(file)
    own = [row[2:] for row in rows if row[0] == shift and not row[2].endswith("of ROM pile")]
    with (tmp_path / "measurements.csv").open("w", encoding="utf-8", newline="") as out:
        csv.writer(out).writerows([header[2:], *own])
    stocks = "node,when,dry mass [t]\nROM pile,opening,\nROM pile,closing,\n"
    (tmp_path / "stocks.csv").write_text(stocks, "utf-8")
    plant = (EXAMPLE / "plant.toml").read_text("utf-8")
    (tmp_path / "circuit.toml").write_text(plant, "utf-8")
    case = read_case(tmp_path)
    balance = reconcile(case.circuit, case.survey, feed=case.feeds, products=case.products,
                        suspects=False, trials=0)  # fmt: skip
    for analyte in ("Au", "Cu"):
        one, other = (r.sd for r in balance.recoveries if r.analyte == analyte
                      and r.stream in ("concentrate", "tailings"))  # fmt: skip
        assert one is not None and 0.1 < one < 1.0
        assert one == pytest.approx(other, rel=1e-6)
