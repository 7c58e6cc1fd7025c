"""A case with water and solution, read and balanced."""

from __future__ import annotations

from pathlib import Path

from balance_cases import only_balanced

from oretally.io import Case, read_case
from oretally.recon import Balance

WATER_CIRCUIT = """\
title = "t"
basis = "rate"
water = true
[streams]
feed = { to = "tank" }
wash = { to = "tank", carries = "water" }
pulp = { from = "tank", to = "thickener" }
underflow = { from = "thickener" }
overflow = { from = "thickener", carries = "solution" }
[nodes]
tank = { kind = "leach" }
thickener = { kind = "thickener" }
[analytes]
Au = { unit = "g/t" }
[errors]
"dry rate" = { relative = 1 }
"wet rate" = { relative = 1 }
water = { relative = 2 }
moisture = { absolute = "0.5 %" }
"% solids" = { absolute = "0.5 %" }
"pulp density" = { absolute = "0.005 kg/L" }
"solids density" = { absolute = "0.02 kg/L" }
pulp = { relative = 2 }
Au = { relative = 3 }
"Au in solution" = { relative = 2, absolute = "0.005 mg/L" }
"""


# truth: 10 t/h of ore at 90 % solids and 2.05 g/t, 0.2 g/t left; 14 t/h of barren water
SOLIDS, FEED_WATER, WASH, UNDERFLOW_WATER = 10.0, 10.0 / 0.9 - 10.0, 14.0, 8.0


LIQUOR = 10.0 * (2.05 - 0.2) / (FEED_WATER + WASH)


def read_water(folder: Path, rows: str, circuit: str = WATER_CIRCUIT) -> Case:
    (folder / "circuit.toml").write_text(circuit, "utf-8")
    (folder / "measurements.csv").write_text(rows, "utf-8")
    return read_case(folder)


def balanced_water(case: Case) -> Balance:
    return only_balanced(case.circuit, case.survey, feed=case.feed, products=case.products)
