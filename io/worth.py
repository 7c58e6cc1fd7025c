"""Metal in mass, and in money at the prices that the user gives.

A price is money per mass of the analyte. What a smelter takes off is the user's to take off: the
figures are no valuation.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from oretally.flowsheet import Basis, Dimension, Fault, Place, Survey, UnitError, parse_unit
from oretally.flowsheet.faults import nearest_name
from oretally.flowsheet.streams import fold_name
from oretally.io.digits import format_with_sd
from oretally.io.result_tables import ResultTable
from oretally.recon import Balance
from oretally.recon.closures import amount_unit

__all__ = ["MONEY_CAUTION", "Price", "PriceRow", "amount_table", "read_prices", "worth_table"]

MONEY_CAUTION = (
    "Money at the prices that the case states, before any smelter's terms: no valuation of the ore "
    "and no resource statement."
)
_PRICE = re.compile(
    r"\s*([+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?)\s*(\S+?)\s*/\s*(\S+)\s*"
)


@dataclass(frozen=True, slots=True)
class PriceRow:
    """A price as written: '24 EUR/kg'."""

    analyte: str
    price: object
    place: Place


@dataclass(frozen=True, slots=True)
class Price:
    """Money per kg of an analyte."""

    per_kg: float
    currency: str


def read_prices(rows: list[PriceRow], survey: Survey, faults: list[Fault]) -> dict[str, Price]:
    """Return the prices by analyte; what is wrong is added to ``faults``."""
    known = {fold_name(a.name): a.name for a in survey.analytes}
    prices: dict[str, Price] = {}
    for row in rows:
        place = row.place.about(quantity=row.analyte)
        if fold_name(row.analyte) not in known:
            near = nearest_name(row.analyte, list(known.values()))
            mend = f"Did you mean '{near}'?" if near else f"Analytes: {', '.join(known.values())}."
            faults.append(Fault(f"'{row.analyte}' is no analyte of this case.", mend, place))
            continue
        match = _PRICE.fullmatch(str(row.price))
        if match is None or float(match[1]) <= 0.0:
            faults.append(
                Fault(f"The price is '{row.price}'; it is a number above 0, a currency and a mass.",
                      'Write for example "24 EUR/kg".', place)
            )  # fmt: skip
            continue
        try:
            unit = parse_unit(match[3], Dimension.MASS)
        except UnitError as error:
            faults.append(Fault(error.problem, error.mend, place))
            continue
        name = known[fold_name(row.analyte)]
        if name in prices:
            faults.append(Fault("This price is stated twice.", "Take one out.", place))
            continue
        prices[name] = Price(float(match[1]) / unit.to_base(1.0), match[2])
    currencies = sorted({p.currency for p in prices.values()})
    if len(currencies) > 1:
        faults.append(
            Fault(f"Prices are in {' and '.join(currencies)}; they cannot be added up.",
                  "State all in one currency.", rows[0].place)
        )  # fmt: skip
    return prices


def amount_table(balance: Balance) -> ResultTable:
    """Return the mass of each analyte in feed and products."""
    rows = []
    largest = {
        a.name: max((m.amount for m in balance.amounts if m.analyte == a.name), default=0.0)
        for a in balance.survey.analytes
    }
    for m in balance.amounts:
        unit = amount_unit(balance.survey, m.analyte, largest[m.analyte])
        rows.append(
            [m.stream, f"{m.analyte} [{unit}]",
             *format_with_sd(unit.from_base(m.amount), unit.from_base(m.sd))]
        )  # fmt: skip
    return ResultTable("What feed and products hold", ["stream", "analyte", "amount", "±"], rows, 2)


def worth_table(balance: Balance, prices: Mapping[str, Price]) -> ResultTable:
    """Return what feed and products hold in money: of the batch or per hour, and per t of feed."""
    rows = []
    currency = next((p.currency for p in prices.values()), "")
    for m in balance.amounts:
        price = prices.get(m.analyte)
        if price is None or m.per_feed is None or m.per_feed_sd is None:
            continue
        per_tonne = 1000.0 * price.per_kg
        rows.append(
            [m.stream, m.analyte, *format_with_sd(m.amount * price.per_kg, m.sd * price.per_kg),
             *format_with_sd(m.per_feed * per_tonne, m.per_feed_sd * per_tonne)]
        )  # fmt: skip
    whole = currency if balance.survey.basis is Basis.BATCH else f"{currency}/h"
    header = ["stream", "analyte", f"worth [{whole}]", "±", f"per t of feed [{currency}/t]", "±"]
    return ResultTable("Metal at the stated prices, before any smelter's terms", header, rows, 2)
