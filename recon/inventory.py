"""Inventories of stockpiles: opening and closing stock, in and out, and what nothing accounts for.

Unaccounted is opening + in - out - closing as measured, with the sd that the stated errors give
it; more than 1.96 of that sd is more than the measurements explain (two-sided, 5 %).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from oretally.flowsheet import Arrangement, Circuit, NodeKind, Position, Stream, Survey, Unit
from oretally.recon.amount_rows import Inventory, InventoryLine
from oretally.recon.closures import amount_unit, total_amount
from oretally.recon.combined_amounts import Amount, adjusted_amount, adjusted_sd, weighted
from oretally.recon.covariance import Covariance

__all__ = ["inventories"]

_EXPLAINED = 1.96


def inventories(
    circuit: Circuit, survey: Survey, places: Arrangement, covariance: Covariance
) -> tuple[Inventory, ...]:
    """Return the inventory of each stockpile with stocks: of the dry mass and of each analyte."""
    rows = []
    for node in circuit.nodes:
        met = [s for s in circuit.streams if node.name in (s.source, s.target)]
        if node.kind is not NodeKind.STOCKPILE or not any(s.stock for s in met):
            continue
        for k, quantity in enumerate(
            [survey.basis.quantity, *(a.name for a in survey.analytes)], start=-1
        ):
            groups = {
                "opening": [s for s in met if s.stock and s.target == node.name],
                "in": [s for s in met if not s.stock and s.target == node.name],
                "out": [s for s in met if not s.stock and s.source == node.name],
                "closing": [s for s in met if s.stock and s.source == node.name],
            }
            pile = _Pile(survey, places, covariance, quantity, k if k >= 0 else None)
            rows.append(pile.inventory(node.name, groups))
    return tuple(rows)


class _Pile:
    """Amounts of one quantity at one stockpile."""

    def __init__(
        self, survey: Survey, places: Arrangement, covariance: Covariance, quantity: str,
        k: int | None,
    ) -> None:  # fmt: skip
        self.survey, self.carriers, self.covariance = survey, places.carriers, covariance
        self.quantity, self.k = quantity, k
        self.number = {name: j for j, name in enumerate(self.carriers.streams)}

    def inventory(self, node: str, groups: dict[str, list[Stream]]) -> Inventory:
        measured = {g: total_amount(self.survey, s, self.quantity) for g, s in groups.items()}
        adjusted = {g: self.adjusted(s) for g, s in groups.items()}
        # what accumulated: closing less opening
        opening, closing = measured["opening"], measured["closing"]
        both = opening is not None and closing is not None
        measured["change"] = (
            weighted([(1.0, closing), (-1.0, opening)]) if both and closing and opening else None
        )
        adjusted["change"] = weighted([(1.0, adjusted["closing"]), (-1.0, adjusted["opening"])])
        values = [a.value for a in (*measured.values(), *adjusted.values()) if a is not None]
        largest = max((abs(v) for v in values if np.isfinite(v)), default=0.0)
        unit = amount_unit(self.survey, self.quantity, largest)
        lines = tuple(self.line(g, measured[g], adjusted[g], unit) for g in measured)
        signs = {"opening": 1.0, "in": 1.0, "out": -1.0, "closing": -1.0}
        parts = [(signs[g], a) for g, a in measured.items() if g in signs and a is not None]
        gap = gap_sd = z = None
        if len(parts) == len(signs):
            whole = weighted(parts)
            sd = float(self.survey.variance(whole.slopes) ** 0.5)
            gap, gap_sd = unit.from_base(whole.value), unit.from_base(sd)
            z = whole.value / sd if sd > 0.0 else None
        return Inventory(
            node, self.quantity, unit.symbol, lines, gap, gap_sd, z,
            explained=None if z is None else abs(z) <= _EXPLAINED,
        )  # fmt: skip

    def adjusted(self, streams: Sequence[Stream]) -> Amount[Position]:
        """Return the adjusted amount in several streams."""
        whole = [
            j if self.k is None else self.carriers.whole(self.k, j)
            for j in (self.number[s.name] for s in streams)
        ]
        return adjusted_amount(self.covariance, whole, self.k)

    def line(
        self, item: str, measured: Amount[tuple[str, str]] | None, adjusted: Amount[Position],
        unit: Unit,
    ) -> InventoryLine:  # fmt: skip
        """Return one line, in the unit shown."""
        was = was_sd = now = now_sd = None
        if measured is not None:
            was = unit.from_base(measured.value)
            was_sd = unit.from_base(float(self.survey.variance(measured.slopes) ** 0.5))
        sd = adjusted_sd(self.covariance, adjusted)
        if np.isfinite([adjusted.value, sd]).all():
            now, now_sd = unit.from_base(adjusted.value), unit.from_base(sd)
        return InventoryLine(item, was, was_sd, now, now_sd)
