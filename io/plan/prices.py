"""The table of prices: what each reading costs, by which method, and taking a sample."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from oretally.flowsheet import Fault, Place, Unit
from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.faults import did_you_mean
from oretally.io.cells import RELATIVE, StatedError, is_relative, read_number
from oretally.io.files import Cell, Table, read_csv_table
from oretally.io.plan.methods import USUAL, method_error, method_name

__all__ = [
    "COUNTED",
    "MOST_READINGS",
    "PRICE_COLUMNS",
    "SAMPLE",
    "PriceTable",
    "one_each",
    "read_prices",
]

SAMPLE = "sample"
"""Stands in place of a quantity: the price of taking and preparing a stream's sample."""
COUNTED = "readings"
"""Stands in place of a currency where no prices are stated."""
MOST_READINGS = 3  # of one number, where the table states nothing
_MOST = 10
PRICE_COLUMNS = ("quantity", "stream", "method", "error", "price", "minimum charge", "most")
"""Columns of the table of prices."""
_ERROR = {"error", "±", "sd"}
_HEADING = re.compile(r"(.*?)\s*(?:\[\s*(.*?)\s*\])?")
Key = tuple[str, str, str]  # stream, empty for all; quantity; method
_NOT_TO_BE_HAD = {"-", "no", "none", "n/a"}


@dataclass(frozen=True, slots=True)
class PriceTable:
    """What was read; names as in the case.

    Attributes
    ----------
    general : mapping of (str, str) to float or None
        Price of one reading of each quantity by each method, or of a sample; None if it is not to
        be had. The usual method has no name.
    own : mapping of (str, str, str) to float or None
        The same of single streams: (stream, quantity, method).
    least_charge : mapping of (str, str) to float
        Of a quantity by a method, if it is measured so at all.
    most : mapping of (str, str, str) to int
        Readings that can be had: (stream, quantity, method), stream empty for all.
    errors : mapping of (str, str, str) to StatedError
        Of one reading by a method that is not the usual one, likewise.
    currency : str
        As written; empty if no column names one.
    place : Place
    """

    general: Mapping[tuple[str, str], float | None] = field(default_factory=dict)
    own: Mapping[tuple[str, str, str], float | None] = field(default_factory=dict)
    least_charge: Mapping[tuple[str, str], float] = field(default_factory=dict)
    most: Mapping[tuple[str, str, str], int] = field(default_factory=dict)
    errors: Mapping[tuple[str, str, str], StatedError] = field(default_factory=dict)
    currency: str = ""
    place: Place = Place()

    def price(self, stream: str, quantity: str, method: str = USUAL) -> float | None:
        """Return the price of one reading; None if it is not to be had."""
        general = self.general.get((quantity, method))
        return self.own.get((stream, quantity, method), general)

    def states(self, stream: str, quantity: str) -> bool:
        """Tell whether the table speaks of a quantity of a stream, by any method."""
        return any(q == quantity for q, _ in self.general) or any(
            (s, q) == (stream, quantity) for s, q, _ in self.own
        )

    def readings(self, stream: str, quantity: str, method: str = USUAL) -> int:
        """Return how many readings can be had."""
        general = self.most.get(("", quantity, method), MOST_READINGS)
        return self.most.get((stream, quantity, method), general)

    def methods(self, stream: str, quantity: str) -> dict[str, StatedError]:
        """Return the methods beside the usual one, with the error of one reading of a stream."""
        of = [(s, m, e) for (s, q, m), e in self.errors.items() if q == quantity]
        general = {m: e for s, m, e in of if not s}
        return general | {m: e for s, m, e in of if s == stream}


def one_each(quantities: Sequence[str]) -> PriceTable:
    """Return the prices where none are stated: each reading costs 1, so that a budget counts."""
    general = dict.fromkeys([(q, USUAL) for q in quantities], 1.0)
    return PriceTable(general=general, currency=COUNTED)


def read_prices(
    path: Path, streams: Sequence[str], quantities: Mapping[str, Unit], faults: list[Fault]
) -> PriceTable | None:
    """Read a table of prices; None, with faults, if it cannot be used.

    Parameters
    ----------
    path : Path
        CSV with the columns quantity and price, and if wanted stream (blank for all), minimum
        charge, most, and method and error of further methods of a quantity. The currency stands in
        brackets: price [EUR].
    streams : sequence of str
        Of the case.
    quantities : mapping of str to Unit
        Of the case, each with a unit that it is shown in.
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
        self, table: Table, streams: Sequence[str], quantities: Mapping[str, Unit],
        faults: list[Fault],
    ) -> None:  # fmt: skip
        self.table, self.faults, self.units = table, faults, quantities
        self.streams = {fold_name(s): s for s in streams}
        self.quantities = {fold_name(q): q for q in (*quantities, SAMPLE)}
        self.currency: dict[str, Place] = {}
        self.relative = False
        self.refused = set[tuple[str, str]]()
        self.methods: dict[tuple[str, str, str], tuple[StatedError | None, Place]] = {}

    def fault(self, problem: str, mend: str, place: Place) -> None:
        self.faults.append(Fault(problem, mend, place))

    def read(self) -> PriceTable | None:
        column = self.columns()
        missing = [c for c in ("quantity", "price") if c not in column]
        if missing:
            self.fault(
                f"There is no column {' and no column '.join(map(repr, missing))}.",
                f"Columns of a table of prices: {', '.join(PRICE_COLUMNS)}; the currency stands in "
                "brackets, as in price [EUR].",
                self.table.place,
            )
            return None
        general, own = dict[tuple[str, str], float | None](), dict[Key, float | None]()
        least, most = dict[tuple[str, str], float](), dict[Key, int]()
        for row in self.table.rows:
            cells = {name: row[j] for name, j in column.items()}
            named = self.names(cells)
            if named is None:
                continue
            stream, quantity, place = named
            method = self.method(cells, stream, quantity, place)
            if (stream, quantity, method) in own or (
                not stream and (quantity, method) in general
            ):  # fmt: skip
                self.fault("This price is stated twice.", "Take one out.", place)
                continue
            price = self.price(cells["price"], place)
            if stream:
                own[stream, quantity, method] = price
            else:
                general[quantity, method] = price
            charge = cells.get("minimum charge")
            if charge is not None and not charge.blank:
                if stream or quantity == SAMPLE:
                    self.fault(
                        "A minimum charge goes with a quantity, not with one stream or a sample.",
                        "Write it in the row of the quantity that names no stream.",
                        charge.place.about(stream=stream, quantity=quantity),
                    )
                else:
                    least[quantity, method] = self.money(charge, "minimum charge", place)
            count = cells.get("most")
            if count is not None and not count.blank:
                if quantity == SAMPLE:
                    self.fault(
                        "A sample is taken once for all that is read of it: it has no most "
                        "readings.",
                        "Leave the cell blank; write the most readings in the row of what is "
                        "assayed.",
                        count.place.about(stream=stream, quantity=quantity),
                    )
                else:
                    most[stream, quantity, method] = self.count(count, place)
        priced = own | {("", *key): price for key, price in general.items()}
        return PriceTable(general, own, least, most, self.errors(priced),
                          next(iter(self.currency), ""), self.table.place)  # fmt: skip

    def method(self, cells: Mapping[str, Cell], stream: str, quantity: str, place: Place) -> str:
        """Return the method of a row; its error is kept."""
        named, error = cells.get("method"), cells.get("error")
        name = method_name(named, error, relative=self.relative)
        if name == USUAL:
            return name
        if quantity == SAMPLE:
            self.fault(
                "A sample has no method and no error.",
                "Leave the cells blank; what sampling adds stands under [sources].",
                place,
            )
            return USUAL
        stated = None
        if error is not None and not error.blank:
            stated = method_error(error, self.table, error.place.about(
                stream=stream, quantity=quantity), self.units[quantity],
                relative=self.relative, faults=self.faults)  # fmt: skip
            if stated is None:
                self.refused.add((quantity, name))
        for known in (m for _, q, m in self.methods if q == quantity):
            if fold_name(known) == fold_name(name):
                name = known  # one method, spelt in two ways
                break
        self.methods[stream, quantity, name] = stated, place
        return name

    def errors(self, priced: Mapping[Key, float | None]) -> dict[Key, StatedError]:
        """Return the errors of methods; one that is to be had without any is a fault."""
        found: dict[Key, StatedError] = {}
        for (stream, quantity, name), (stated, place) in self.methods.items():
            general = self.methods.get(("", quantity, name), (None, place))[0]
            own = stated or general
            if own is not None:
                found[stream, quantity, name] = own
                continue
            to_be_had = priced.get((stream, quantity, name)) is not None
            if to_be_had and (quantity, name) not in self.refused:
                self.fault(
                    f"The method '{name}' states no error.",
                    f"Write that of one reading into the column error, as in 2 {RELATIVE}; without "
                    "a method the row is of the usual one, whose error the case states.",
                    place,
                )
        return found

    def columns(self) -> dict[str, int]:
        """Return the positions of the columns; faults are added."""
        found: dict[str, int] = {}
        for j, cell in enumerate(self.table.header):
            match = _HEADING.fullmatch(cell.text)
            name = " ".join(match[1].split()).casefold() if match else ""
            name = "error" if name in _ERROR else name
            if name not in PRICE_COLUMNS:
                mend = did_you_mean(name, PRICE_COLUMNS, "Columns")
                self.fault(f"'{cell.text}' is not a column of a table of prices.", mend, cell.place)
            elif name in found:
                self.fault(f"The column '{name}' is there twice.", "Take one out.", cell.place)
            else:
                found[name] = j
                bracket = match[2] if match is not None else None
                if name == "error" and bracket:
                    self.relative = is_relative(bracket)
                    if not self.relative:
                        self.fault(
                            f"The errors of methods are in '{bracket}', but quantities differ in "
                            "their units.",
                            f"Name the column error [{RELATIVE}], or error, and write the unit "
                            "into each cell.",
                            cell.place,
                        )
                elif match is not None and match[2]:
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
            mend = did_you_mean(quantity.text, list(self.quantities.values()), "Quantities")
            self.fault(f"'{quantity.text}' is no quantity of this case.", mend, quantity.place)
            return None
        name = ""
        if stream is not None and not stream.blank:
            name = self.streams.get(fold_name(stream.text), "")
            if not name:
                mend = did_you_mean(stream.text, list(self.streams.values()), "Streams")
                self.fault(f"There is no stream '{stream.text}'.", mend, stream.place)
                return None
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
