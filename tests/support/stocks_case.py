"""A case with a stockpile, read and balanced."""

from __future__ import annotations

from pathlib import Path

from balance_cases import only_balanced

from oretally.io import Case, read_case
from oretally.recon import Balance

STOCKED = """\
basis = "batch"
[streams]
mined = { to = "ROM pile" }
"mill feed" = { from = "ROM pile", to = "mill" }
conc = { from = "mill" }
tails = { from = "mill" }
[nodes]
"ROM pile" = { kind = "stockpile" }
[losses]
mill = { mass = "5 t", like = "mill feed" }
[errors]
"dry mass" = { relative = 1 }
Pb = { relative = 3 }
[report]
feed = "mill feed"
"""


STOCKED_ROWS = """\
stream,dry mass [t],Pb [%]
mined,1200,4.1
mill feed,1150,4
conc,60,68
tails,,0.45
"""


STOCKS_ROWS = """\
node,when,dry mass [t],Pb [%]
ROM pile,opening,500,3.9
ROM pile,closing,560,4
"""


Texts = tuple[str, str, str | None]


def c(old: str, new: str) -> Texts:
    """Return the case with something else in its circuit."""
    assert old in STOCKED
    return STOCKED.replace(old, new), STOCKED_ROWS, STOCKS_ROWS


def s(old: str, new: str) -> Texts:
    """Return the case with something else in its stocks."""
    assert old in STOCKS_ROWS
    return STOCKED, STOCKED_ROWS, STOCKS_ROWS.replace(old, new)


def read_stocked(folder: Path, circuit: str, rows: str, stocks: str | None) -> Case:
    folder.mkdir(exist_ok=True)
    (folder / "circuit.toml").write_text(circuit, "utf-8")
    (folder / "measurements.csv").write_text(rows, "utf-8")
    if stocks is not None:
        (folder / "stocks.csv").write_text(stocks, "utf-8")
    return read_case(folder)


def balanced_stocked(case: Case) -> Balance:
    return only_balanced(case.circuit, case.survey, feed=case.feed, products=case.products)


TANK = """\
basis = "batch"
water = true
[streams]
barren = { to = "tank", carries = "solution" }
pregnant = { from = "tank", carries = "solution" }
[nodes]
tank = { kind = "stockpile" }
[analytes]
Au = { unit = "g/t", dissolved = true }
[errors]
water = { relative = 1 }
"Au in solution" = { relative = 2 }
"""


TANK_ROWS = "stream,water [m3],Au in solution [mg/L]\nbarren,100,1\npregnant,90,1.2\n"


TANK_STOCKS = """\
node,when,water [m3],Au in solution [mg/L]
tank,opening,20,1.5
tank,closing,30,1.1
"""
