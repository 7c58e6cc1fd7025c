"""Rows with cells in units of their own."""

from __future__ import annotations

from collections.abc import Callable

from oretally.flowsheet import Survey

Read = Callable[..., Survey]


# invented
CIRCUIT = """title = "t"
basis = "batch"
water = true
[streams]
feed = { to = "table" }
conc = { from = "table" }
tails = { from = "table" }
[analytes]
Au = { unit = "g/t" }
Sn = { unit = "%" }
[errors]
"dry mass" = { relative = 1 }
"wet mass" = { relative = 1 }
moisture = { absolute = "0.3 %" }
"Au in solution" = { relative = 5 }
Au = { relative = 5 }
Sn = { relative = 3 }
"class mass" = { relative = 2 }
"""


HEADER = "stream,wet mass [kg],± wet mass [kg],moisture [%],± moisture [%],Au [g/t],± Au [rel %],"
HEADER += "Sn [%],± Sn [rel %],Au in solution [mg/L],± Au in solution [mg/L]\n"


ROW = ["feed", "25.4", "0.1", "8", "0.5", "4.2", "3", "0.82", "4", "0.5", "0.02"]


def row_with(**cells: str) -> list[str]:
    """Return the row with other cells, by letter of their column."""
    return [cells.get(chr(ord("A") + j), cell) for j, cell in enumerate(ROW)]
