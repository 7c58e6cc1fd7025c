"""Rows of cases with water, to be spoilt."""

from __future__ import annotations

WATER = """\
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


ROWS = """\
stream,dry rate [t/h],water [m3/h],% solids,Au [g/t],Au in solution [mg/L]
feed,10.1,,90.2,2.05,<0.01
wash,,13.9,,,<0.01
pulp,,,40.2,,1.19
underflow,,,55.4,0.21,1.21
overflow,,6.9,,,1.22
"""


def r(old: str, new: str) -> tuple[str, str]:
    """Return the case with something else in its measurements."""
    assert old in ROWS
    return WATER, ROWS.replace(old, new)
