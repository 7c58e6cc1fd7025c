"""Rows of cases with water, to be spoilt."""

from __future__ import annotations

from water_case import WATER_CIRCUIT

WATER = WATER_CIRCUIT.removeprefix('title = "t"\n')


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
