"""Leaches at which solids dissolve, and carbon in leach."""

from __future__ import annotations

from pathlib import Path

from balance_cases import only_balanced

from oretally.io import Case, read_case
from oretally.recon import Balance

ACID = """\
title = "acid leach"
basis = "batch"
water = true
[streams]
ore = { to = "vat" }
acid = { to = "vat", carries = "solution" }
residue = { from = "vat" }
[nodes]
vat = { kind = "leach", dissolves = true }
[analytes]
Cu = { unit = "%", dissolved = true }
Si = { unit = "%" }
[errors]
"dry mass" = { relative = 0.5 }
water = { relative = 1 }
Cu = { relative = 3 }
Si = { relative = 2 }
"Cu in solution" = { relative = 2, absolute = "0.005 g/L" }
"""


ACID_ROWS = """\
stream,dry mass [kg],water [L],Cu [%],Si [%],Cu in solution [g/L]
ore,10,0.1,2,30,0
acid,,20,,,0
residue,8.5,,0.35,35,8.4
"""


CARBON = """\
title = "carbon in leach"
basis = "batch"
water = true
[streams]
ore = { to = "tank" }
liquor = { to = "tank", carries = "solution" }
"fresh carbon" = { to = "tank", carries = "carbon" }
"loaded carbon" = { from = "tank", carries = "carbon" }
tails = { from = "tank" }
[nodes]
tank = { kind = "leach" }
[analytes]
Au = { unit = "g/t", dissolved = true }
[errors]
"dry mass" = { relative = 0.5 }
water = { relative = 1 }
Au = { relative = 4 }
"Au in solution" = { relative = 3, absolute = "0.005 mg/L" }
[report]
feed = "ore"
"""


CARBON_ROWS = """\
stream,dry mass [kg],water [L],Au [g/t],Au in solution [mg/L]
ore,10,0.2,3.2,0
liquor,,15,,0.01
fresh carbon,0.2,,0.5,
loaded carbon,0.2,,130,
tails,9.9,15.2,0.4,0.11
"""


def read_leach(folder: Path, circuit: str, rows: str) -> Case:
    folder.mkdir(exist_ok=True)
    (folder / "circuit.toml").write_text(circuit, "utf-8")
    (folder / "measurements.csv").write_text(rows, "utf-8")
    return read_case(folder)


def balanced_leach(case: Case) -> Balance:
    return only_balanced(case.circuit, case.survey, feed=case.feed, products=case.products)
