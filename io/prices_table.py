"""The table of prices: what each reading costs, the least charge of a batch, taking a sample."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from oretally.flowsheet import Fault, Place
from oretally.flowsheet.faults import nearest_name
from oretally.flowsheet.streams import fold_name
from oretally.io.csv_table import read_csv_table
from oretally.io.number import read_number
from oretally.io.table import Cell, Table

__all__ = ["COUNTED", "MOST_READINGS", "SAMPLE", "PriceTable", "one_each", "read_prices"]

SAMPLE = "sample"
"""Stands in place of a quantity: the price of taking and preparing a stream's sample."""
COUNTED = "readings"
"""Stands in place of a currency where no prices are stated."""
MOST_READINGS = 3  # of one number, where the table states nothing
_MOST = 10
_COLUMNS = ("quantity", "stream", "price", "minimum charge", "most")
_HEADING = re.compile(r"(.*?)\s*(?:\[\s*(.*?)\s*\])?")
_NOT_TO_BE_HAD = {"-", "no", "none", "n/a"}


@dataclass(frozen=True, slots=True)
class PriceTable:
    """What was read; names as in the case.

    Attributes
    ----------
    general : mapping of str to float or None
        Price of one reading of each quantity, or of a sample; None if it is not to be had.
    own : mapping of (str, str) to float or None
        The same of single streams: (stream, quantity).
    least_charge : mapping of str to float
        Of a quantity, if it is measured at all.
    most : mapping of (str, str) to int
        Readings that can be had: (stream, quantity), stream empty for all.
    currency : str
        As written; empty if no column names one.
    place : Place
    """

    general: Mapping[str, float | None] = field(default_factory=dict)
    own: Mapping[tuple[str, str], float | None] = field(default_factory=dict)
    least_charge: Mapping[str, float] = field(default_factory=dict)
    most: Mapping[tuple[str, str], int] = field(default_factory=dict)
    currency: str = ""
    place: Place = Place()

    def price(self, stream: str, quantity: str) -> float | None:
        """Return the price of one reading; None if it is not to be had."""
        return self.own.get((stream, quantity), self.general.get(quantity))

    def states(self, stream: str, quantity: str) -> bool:
        """Tell whether the table speaks of a reading."""
        return (stream, quantity) in self.own or quantity in self.general

    def readings(self, stream: str, quantity: str) -> int:
        """Return how many readings can be had."""
        return self.most.get((stream, quantity), self.most.get(("", quantity), MOST_READINGS))


def one_each(quantities: Sequence[str]) -> PriceTable:
    """Return the prices where none are stated: each reading costs 1, so that a budget counts."""
    return PriceTable(general=dict.fromkeys(quantities, 1.0), currency=COUNTED)


def read_prices(
    path: Path, streams: Sequence[str], quantities: Sequence[str], faults: list[Fault]
) -> PriceTable | None:
    """Read a table of prices; None, with faults, if it cannot be used.

    Parameters
    ----------
    path : Path
        CSV with the columns quantity and price, and if wanted stream (blank for all), minimum
        charge and most. The currency stands in brackets: price [EUR].
    streams, quantities : sequence of str
        Of the case.
    faults : list of Fault
        What is wrong is added.
    """
    before = len(faults)
    table, wrong = read_csv_table(path, path.name, key="quantity")
    faults.extend(wrong)
    if table is None:
        return None
    reader = _Reader(table, streams, quantities, faults)
    found = reader.read()
    return found if len(faults) == before else None


class _Reader:
    def __init__(
        self, table: Table, streams: Sequence[str], quantities: Sequence[str], faults: list[Fault]
    ) -> None:
        self.table, self.faults = table, faults
        self.streams = {fold_name(s): s for s in streams}
        self.quantities = {fold_name(q): q for q in (*quantities, SAMPLE)}
        self.currency: dict[str, Place] = {}

    def fault(self, problem: str, mend: str, place: Place) -> None:
        self.faults.append(Fault(problem, mend, place))

    def read(self) -> PriceTable | None:
        column = self.columns()
        missing = [c for c in ("quantity", "price") if c not in column]
        if missing:
            self.fault(
                f"There is no column {' and no column '.join(map(repr, missing))}.",
                f"Columns of a table of prices: {', '.join(_COLUMNS)}; the currency stands in "
                "brackets, as in price [EUR].",
                self.table.place,
            )
            return None
        general, own = dict[str, float | None](), dict[tuple[str, str], float | None]()
        least, most = dict[str, float](), dict[tuple[str, str], int]()
        for row in self.table.rows:
            cells = {name: row[j] for name, j in column.items()}
            named = self.names(cells)
            if named is None:
                continue
            stream, quantity, place = named
            if (stream, quantity) in own or (not stream and quantity in general):
                self.fault("This price is stated twice.", "Take one out.", place)
                continue
            price = self.price(cells["price"], place)
            if stream:
                own[stream, quantity] = price
            else:
                general[quantity] = price
            charge = cells.get("minimum charge")
            if charge is not None and not charge.blank:
                if stream or quantity == SAMPLE:
                    self.fault(
                        "A minimum charge goes with a quantity, not with one stream or a sample.",
                        "Write it in the row of the quantity that names no stream.",
                        charge.place.about(stream=stream, quantity=quantity),
                    )
                else:
                    least[quantity] = self.money(charge, "minimum charge", place)
            count = cells.get("most")
            if count is not None and not count.blank:
                most[stream, quantity] = self.count(count, place)
        return PriceTable(general, own, least, most, next(iter(self.currency), ""),
                          self.table.place)  # fmt: skip

    def columns(self) -> dict[str, int]:
        """Return the positions of the columns; faults are added."""
        found: dict[str, int] = {}
        for j, cell in enumerate(self.table.header):
            match = _HEADING.fullmatch(cell.text)
            name = " ".join(match[1].split()).casefold() if match else ""
            if name not in _COLUMNS:
                near = nearest_name(name, _COLUMNS)
                mend = f"Did you mean '{near}'?" if near else f"Columns: {', '.join(_COLUMNS)}."
                self.fault(f"'{cell.text}' is not a column of a table of prices.", mend, cell.place)
            elif name in found:
                self.fault(f"The column '{name}' is there twice.", "Take one out.", cell.place)
            else:
                found[name] = j
                if match is not None and match[2]:
                    self.currency.setdefault(match[2], cell.place)
        if len(self.currency) > 1:
            self.fault(
                f"The columns are in different currencies: {', '.join(self.currency)}.",
                "Write all prices in one.",
                list(self.currency.values())[1],
            )
        return found

    def names(self, cells: Mapping[str, Cell]) -> tuple[str, str, Place] | None:
        """Return stream, quantity and place of a row; None, with a fault, if it cannot be taken."""
        quantity, stream = cells["quantity"], cells.get("stream")
        if quantity.blank:
            filled = next(c for c in cells.values() if not c.blank)
            self.fault("The row names no quantity.", "Write it, or clear the row.", filled.place)
            return None
        known = self.quantities.get(fold_name(quantity.text))
        if known is None:
            near = nearest_name(quantity.text, list(self.quantities.values()))
            listed = ", ".join(self.quantities.values())
            mend = f"Did you mean '{near}'?" if near else f"Quantities: {listed}."
            self.fault(f"'{quantity.text}' is no quantity of this case.", mend, quantity.place)
            return None
        text = "" if stream is None or stream.blank else stream.text
        if text and fold_name(text) not in self.streams:
            near = nearest_name(text, list(self.streams.values()))
            mend = f"Did you mean '{near}'?" if near else (
                f"Streams: {', '.join(self.streams.values())}."
            )  # fmt: skip
            assert stream is not None  # noqa: S101 - it has a text
            self.fault(f"There is no stream '{text}'.", mend, stream.place)
            return None
        name = self.streams[fold_name(text)] if text else ""
        return name, known, cells["price"].place.about(stream=name, quantity=known)

    def price(self, cell: Cell, place: Place) -> float | None:
        if cell.blank:
            self.fault(
                "There is no price.",
                "Write a number, 0 if it costs nothing, or '-' if it is not to be had.",
                place,
            )
            return None
        if cell.text.casefold() in _NOT_TO_BE_HAD:
            return None
        return self.money(cell, "price", place)

    def money(self, cell: Cell, what: str, place: Place) -> float:
        found = read_number(cell, self.table, cell.place.about(
            stream=place.stream, quantity=place.quantity), what)  # fmt: skip
        if isinstance(found, Fault):
            self.fault(found.problem, "Write a number, without a currency.", found.place)
            return 0.0
        if found.below or found.above or found.value < 0.0:
            self.fault(f"The {what} is {cell.text}; it is a number of at least 0.", "Correct it.",
                       place)  # fmt: skip
        return found.value

    def count(self, cell: Cell, place: Place) -> int:
        found = read_number(cell, self.table, place, "number of readings")
        value = None if isinstance(found, Fault) else found.value
        if value is None or value != int(value) or not 1 <= value <= _MOST:
            self.fault(
                f"The most readings of one number are '{cell.text}'; they are a whole number from "
                f"1 to {_MOST}.",
                "Correct it, or leave it blank.",
                cell.place.about(stream=place.stream, quantity=place.quantity),
            )
            return 1
        return int(value)
