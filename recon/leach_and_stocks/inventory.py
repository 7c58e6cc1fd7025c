"""Inventories of stockpiles and tanks: opening and closing stock, in and out, what is unaccounted.

Unaccounted is opening + in - out - closing as measured, with the sd that the stated errors give
it; more than 1.96 of that sd is more than the measurements explain (two-sided, 5 %).

References
----------
AMIRA P754, Metal Accounting: Code of Practice and Guidelines, release 3 (2007): opening and closing
stock in the balance. Cited from memory.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from oretally.flowsheet import BalanceModel, NodeKind, Stream, Survey, Unit
from oretally.flowsheet.survey import amount_unit
from oretally.recon.answers import Measured, total_amount
from oretally.recon.propagation import Adjusted, adjusted_amount, estimate, total
from oretally.recon.result import Inventory, InventoryLine
from oretally.recon.solver import Covariance

__all__ = ["inventories"]

_EXPLAINED = 1.96
_WATER = "water"


def inventories(model: BalanceModel, covariance: Covariance) -> tuple[Inventory, ...]:
    """Return the inventory of each stockpile with stocks: of each thing that it holds.

    Those are the dry mass, each analyte, and the water where that is balanced.
    """
    circuit, survey = model.circuit, model.survey
    numbers = {a.name: k for k, a in enumerate(survey.analytes)}
    rows = []
    for node in circuit.nodes:
        met = [s for s in circuit.streams if node.name in (s.source, s.target)]
        if node.kind is not NodeKind.STOCKPILE or not any(s.stock for s in met):
            continue
        for quantity in _held(survey, met):
            groups = {
                "opening": [s for s in met if s.stock and s.target == node.name],
                "in": [s for s in met if not s.stock and s.target == node.name],
                "out": [s for s in met if not s.stock and s.source == node.name],
                "closing": [s for s in met if s.stock and s.source == node.name],
            }
            pile = _Pile(model, covariance, quantity, numbers.get(quantity))
            rows.append(pile.inventory(node.name, groups))
    return tuple(rows)


def _held(survey: Survey, met: Sequence[Stream]) -> list[str]:
    """Return the quantities that streams have: a tank of solution has no dry mass."""
    solids = any(s.content.has_solids for s in met)
    wet = survey.water and any(s.content.has_water for s in met)
    return [
        *([survey.basis.quantity] if solids else []),
        *([_WATER] if wet else []),
        *(a.name for a in survey.analytes if solids or a.name in survey.dissolved),
    ]


class _Pile:
    """Amounts of one quantity at one stockpile."""

    def __init__(
        self, model: BalanceModel, covariance: Covariance, quantity: str, k: int | None
    ) -> None:
        self.survey, self.carriers, self.covariance = model.survey, model.carriers, covariance
        self.quantity, self.k = quantity, k
        self.number = {name: j for j, name in enumerate(self.carriers.streams)}

    def inventory(self, node: str, groups: dict[str, list[Stream]]) -> Inventory:
        measured = {g: total_amount(self.survey, s, self.quantity) for g, s in groups.items()}
        adjusted = {g: self.adjusted(s) for g, s in groups.items()}
        # what accumulated: closing less opening
        opening, closing = measured["opening"], measured["closing"]
        measured["change"] = closing - opening if closing and opening else None
        adjusted["change"] = adjusted["closing"] - adjusted["opening"]
        values = [a.value for a in (*measured.values(), *adjusted.values()) if a is not None]
        largest = max((abs(v) for v in values if np.isfinite(v)), default=0.0)
        unit = self.unit([s for own in groups.values() for s in own], largest)
        lines = tuple(self.line(g, measured[g], adjusted[g], unit) for g in measured)
        signs = {"opening": 1.0, "in": 1.0, "out": -1.0, "closing": -1.0}
        parts = [signs[g] * a for g, a in measured.items() if g in signs and a is not None]
        gap = gap_sd = z = None
        if len(parts) == len(signs):
            whole = total(parts)
            sd = float(self.survey.variance(whole.slopes) ** 0.5)
            gap, gap_sd = unit.from_base(whole.value), unit.from_base(sd)
            z = whole.value / sd if sd > 0.0 else None
        return Inventory(
            node, self.quantity, unit.symbol, lines, gap, gap_sd, z,
            explained=None if z is None else abs(z) <= _EXPLAINED,
        )  # fmt: skip

    def unit(self, streams: Sequence[Stream], largest: float) -> Unit:
        """Return the unit shown: for water that of its first measurement, perhaps a volume."""
        found = (self.survey.measured(s.name, _WATER) for s in streams)
        water = next((m.unit for m in found if m is not None), None)
        if self.quantity == _WATER and water is not None:
            return water
        return amount_unit(self.survey, self.quantity, largest)

    def adjusted(self, streams: Sequence[Stream]) -> Adjusted:
        """Return the adjusted amount in several streams."""
        c, own = self.carriers, [self.number[s.name] for s in streams]
        if self.quantity == _WATER:
            carriers = [c.water[j] for j in own if j in c.water]
        elif self.k is None:
            carriers = [j for j in own if c.solids[j]]
        else:
            carriers = [c.whole(self.k, j) for j in own]
        return adjusted_amount(self.covariance, carriers, self.k)

    def line(
        self, item: str, measured: Measured | None, adjusted: Adjusted, unit: Unit
    ) -> InventoryLine:
        """Return one line, in the unit shown."""
        was = was_sd = now = now_sd = None
        if measured is not None:
            was = unit.from_base(measured.value)
            was_sd = unit.from_base(float(self.survey.variance(measured.slopes) ** 0.5))
        told = estimate(self.covariance, adjusted)
        if told is not None:
            now, now_sd = map(unit.from_base, told)
        return InventoryLine(item, was, was_sd, now, now_sd)
