"""Metal in mass, and in money at the prices that the user states.

What a smelter takes off is the user's to take off: the figures are no valuation.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from oretally.flowsheet import Basis
from oretally.io.digits import format_with_sd
from oretally.io.metal_prices import Price
from oretally.io.result_tables import ResultTable
from oretally.recon import Balance
from oretally.recon.amount_rows import AnalyteAmount
from oretally.recon.closures import amount_unit

__all__ = ["MONEY_CAUTION", "amount_table", "price_sheet", "worth_document", "worth_sheet",
           "worth_table"]  # fmt: skip

MONEY_CAUTION = (
    "Money is the metal at the prices that the case states, before any smelter's terms, and for "
    "these samples alone: no valuation of the ore and no resource statement. Its ± is that of the "
    "metal; a price has none."
)
_Row = Sequence[object]


def amount_table(balance: Balance) -> ResultTable:
    """Return the mass of each analyte in feed and products, and which of them count as lost."""
    rows = []
    largest = {
        a.name: max((m.amount for m in balance.amounts if m.analyte == a.name), default=0.0)
        for a in balance.survey.analytes
    }
    for m in balance.amounts:
        unit = amount_unit(balance.survey, m.analyte, largest[m.analyte])
        rows.append(
            [m.stream, f"{m.analyte} [{unit}]", _standing(balance, m),
             *format_with_sd(unit.from_base(m.amount), unit.from_base(m.sd))]
        )  # fmt: skip
    return ResultTable(
        "What feed and products hold", ["stream", "analyte", "", "amount", "±"], rows, 3
    )


def _standing(balance: Balance, amount: AnalyteAmount) -> str:
    """Return whether an amount is fed, kept or lost; empty where nothing is read as lost."""
    if not amount.product:
        return "fed"
    losses = [loss for loss in balance.losses.found if loss.analyte == amount.analyte]
    if any(loss.stream == amount.stream for loss in losses):
        return "lost"
    return "kept" if any(amount.stream in loss.kept for loss in losses) else ""


def worth_table(balance: Balance, prices: Sequence[Price]) -> ResultTable:
    """Return what feed and products hold in money: of the batch or per hour, and per t of feed."""
    rows = [
        [m.stream, m.analyte, _standing(balance, m),
         *format_with_sd(m.amount * p.per_kg, m.sd * p.per_kg), *format_with_sd(*_per_tonne(m, p))]
        for m, p in _priced(balance, prices)
    ]  # fmt: skip
    whole, each = _units(balance, prices)
    header = ["stream", "analyte", "", f"worth [{whole}]", "±", f"per t of feed [{each}]", "±"]
    stated = ", ".join(f"{p.analyte} {p.written}" for p in prices)
    return ResultTable(f"Metal at the stated prices ({stated})", header, rows, 3)


def _priced(
    balance: Balance, prices: Sequence[Price]
) -> Iterable[tuple[AnalyteAmount, Price]]:
    price = {p.analyte: p for p in prices}
    return ((m, price[m.analyte]) for m in balance.amounts if m.analyte in price)


def _per_tonne(m: AnalyteAmount, p: Price) -> tuple[float | None, float | None]:
    """Return money per t of dry feed, and its sd; None where the feed is 0."""
    if m.per_feed is None or m.per_feed_sd is None:
        return None, None
    return 1000.0 * m.per_feed * p.per_kg, 1000.0 * m.per_feed_sd * p.per_kg


def _units(balance: Balance, prices: Sequence[Price]) -> tuple[str, str]:
    """Return the units of the money of all, and per t of feed."""
    currency = prices[0].currency if prices else ""
    batch = balance.survey.basis is Basis.BATCH
    return currency if batch else f"{currency}/h", f"{currency}/t"


def worth_document(balance: Balance, prices: Sequence[Price]) -> dict[str, Any] | None:
    """Return the money for JSON; None where no price is stated."""
    if not prices:
        return None
    rows = []
    for m, p in _priced(balance, prices):
        per, per_sd = _per_tonne(m, p)
        rows.append(
            {"stream": m.stream, "analyte": m.analyte, "product": m.product,
             "standing": _standing(balance, m) or None,
             "worth": m.amount * p.per_kg, "sd": m.sd * p.per_kg,
             "per_tonne_fed": per, "per_tonne_fed_sd": per_sd}
        )  # fmt: skip
    return {
        "caution": MONEY_CAUTION,
        "currency": prices[0].currency,
        "of": "batch" if balance.survey.basis is Basis.BATCH else "hour",
        "prices": [{"analyte": p.analyte, "per_kg": p.per_kg, "written": p.written}
                   for p in prices],
        "rows": rows,
    }  # fmt: skip


def worth_sheet(
    balance: Balance, prices: Sequence[Price]
) -> tuple[str, Sequence[str], Iterable[_Row]]:
    """Return title, header and rows of the sheet; a pair (value, sd) is shown with its digits."""
    whole, each = _units(balance, prices)
    header = ("stream", "analyte", "standing", f"worth [{whole}]", "sd",
              f"per t of feed [{each}]", "sd")  # fmt: skip
    rows: list[_Row] = [
        (m.stream, m.analyte, _standing(balance, m), (m.amount * p.per_kg, m.sd * p.per_kg),
         (m.sd * p.per_kg, m.sd * p.per_kg), _per_tonne(m, p), (_per_tonne(m, p)[1],) * 2)
        for m, p in _priced(balance, prices)
    ]  # fmt: skip
    return "worth", header, [*rows, (MONEY_CAUTION,)]


def price_sheet(prices: Sequence[Price]) -> tuple[str, Sequence[str], Iterable[_Row]]:
    """Return the prices as the sheet of a case, which `read_case` reads again."""
    return "prices", ("analyte", "price"), [(p.analyte, p.written) for p in prices]
