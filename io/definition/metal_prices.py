"""Prices of metals, as the user states them: money per mass of an analyte."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from oretally.flowsheet import Analyte, Dimension, Fault, Place, UnitError, parse_unit
from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.faults import did_you_mean

__all__ = ["Price", "PriceRow", "read_metal_prices"]

# no digit, sign or stop belongs to the name of a currency
_PRICE = re.compile(
    r"\s*([+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?)\s*([^\s\d/.,+-]+)\s*/\s*(\S.*?)\s*"
)
_COMMA = re.compile(r"\d,\d")
_MOST = 1e100  # no money is counted in larger numbers
_HOW = 'Write for example "24 EUR/kg".'


@dataclass(frozen=True, slots=True)
class PriceRow:
    """A price as written: '24 EUR/kg'."""

    analyte: str
    price: object
    place: Place


@dataclass(frozen=True, slots=True)
class Price:
    """What a mass of an analyte is worth.

    Attributes
    ----------
    analyte : str
    per_kg : float
        Money per kg of the analyte.
    currency : str
    written : str
        As stated.
    """

    analyte: str
    per_kg: float
    currency: str
    written: str


def read_metal_prices(
    rows: Sequence[PriceRow], analytes: Sequence[Analyte], faults: list[Fault]
) -> tuple[Price, ...]:
    """Return the prices in the order written; what is wrong is added to ``faults``."""
    known = {fold_name(a.name): a.name for a in analytes}
    seen: set[str] = set()
    prices = []
    for row in rows:
        place = row.place.about(quantity=row.analyte)
        name = known.get(fold_name(row.analyte))
        if name is None:
            listed = f"Analytes: {', '.join(known.values()) or 'none'}."
            mend = did_you_mean(row.analyte, list(known.values()), otherwise=listed)
            faults.append(Fault(f"'{row.analyte}' is no analyte of this case.", mend, place))
        elif name in seen:
            faults.append(Fault("This price is stated twice.", "Take one out.", place))
        else:
            seen.add(name)
            price = _price(name, row.price, place, faults)
            if price is not None:
                prices.append(price)
    currencies = dict.fromkeys(p.currency for p in prices)
    if len({c.casefold() for c in currencies}) > 1:
        faults.append(
            Fault(f"Prices are in {' and '.join(currencies)}; they cannot be added up.",
                  "State all in one currency.", rows[0].place)
        )  # fmt: skip
    return tuple(prices)


def _price(analyte: str, written: object, place: Place, faults: list[Fault]) -> Price | None:
    """Return a price; None, with a fault, if it cannot be read."""
    if isinstance(written, dict | list):
        faults.append(Fault(f"The price of '{analyte}' is not a text.", _HOW, place))
        return None
    shown = f"{written:.15g}" if isinstance(written, float) else str(written)
    text = "" if written is None else " ".join(shown.split())
    if not text:
        faults.append(Fault("There is no price.", _HOW, place))
        return None
    match = _PRICE.fullmatch(text)
    number = float(match[1]) if match is not None else 0.0
    if match is None or not 0.0 < number < _MOST:
        comma = " Decimals stand behind a point." if _COMMA.search(text) else ""
        faults.append(
            Fault(f"The price is '{text}'; it is a number above 0, a currency and a mass.{comma}",
                  _HOW, place)
        )  # fmt: skip
        return None
    try:
        unit = parse_unit(match[3], Dimension.MASS)
    except UnitError as error:
        faults.append(Fault(error.problem, error.mend, place))
        return None
    per_kg = number / unit.to_base(1.0)
    return Price(analyte, per_kg, match[2], text)
