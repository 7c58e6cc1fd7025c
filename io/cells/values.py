"""Numbers of a column: what is asked of each, whatever its table.

A word in place of a number? With two meanings? Below detection of what limit? A unit of its own?
Possible at all? What the numbers are of, and so what bounds them, a `Measurand` says.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

from oretally.flowsheet import Analyte, Fault, Place, Unit, UnitError
from oretally.io.cells.bounded_values import BoundedValue, above_range, below_detection
from oretally.io.cells.numbers import ParsedNumber, plain_number, read_number
from oretally.io.cells.quantity_names import dissolved_name
from oretally.io.cells.words import BELOW, NOT_MEASURED, TWO_WAYS, folded_word, in_own_unit
from oretally.io.files import Cell, Table, toml_key

__all__ = ["WHOLE_EARTH", "Grade", "Measurand", "TypedValue", "Weight", "value_in_own_unit"]

WHOLE_EARTH = 6e24
"""Its mass in kg; of anything else, too, there is less in base units."""

_CORRECT = "Correct the value or its unit."
_CORRECT_OR_BLANK = "Correct it, or leave the cell blank if it was not measured."
_LIMIT = "Write the limit, as in <0.01"


class TypedValue(NamedTuple):
    """A number as read, in ``unit``; below detection or above the range it is the limit.

    ``stream`` and ``quantity`` are what it is of, ``own_unit`` tells whether the cell itself named
    the unit.
    """

    cell: Cell
    reading: ParsedNumber
    unit: Unit
    stream: str
    quantity: str
    own_unit: bool = False

    @property
    def place(self) -> Place:
        """Address of the cell, with stream and quantity."""
        return self.cell.place_of(self.stream, self.quantity)

    @property
    def value(self) -> float:
        """In ``unit``."""
        return self.reading.value

    @property
    def base(self) -> float:
        """In the base unit."""
        return self.unit.to_base(self.reading.value)

    def __str__(self) -> str:
        return f"{self.reading.value:g} {self.unit}"


def value_in_own_unit(
    cell: Cell, table: Table, place: Place, *, unit: Unit, unit_of: Callable[[str], Unit],
    what: str = "value",
) -> TypedValue | Fault:  # fmt: skip
    """Return the number of a cell, in the unit that it names, else in that of its column.

    Parameters
    ----------
    cell : Cell
        Not blank.
    table : Table
        Its table, for the decimal mark.
    place : Place
    unit : Unit
        Of the column.
    unit_of : callable
        Returns the unit of a spelling, as the quantity takes it; raises UnitError.
    what : str
        What the number is, for the message.
    """
    try:
        number, unit = in_own_unit(cell, unit, unit_of)
    except UnitError as error:
        return Fault(error.problem, error.mend, place)
    reading = read_number(number, table, place, what)
    if isinstance(reading, Fault):
        return reading
    return TypedValue(cell, reading, unit, place.stream, place.quantity, number is not cell)


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurand(ABC):
    """What the numbers of a column are of.

    Attributes
    ----------
    unit_of : callable
        Returns the unit of a spelling, as the quantity takes it; raises UnitError.
    title : str
        Of its column, as it should be written.
    rules : tuple of str
        Names under [errors] that state its error where the row does not; the first there holds.
    """

    unit_of: Callable[[str], Unit]
    title: str = ""
    rules: tuple[str, ...] = ()

    def read(
        self, cell: Cell, table: Table, unit: Unit, *, stream: str, quantity: str
    ) -> TypedValue | Fault | str:
        """Return the number of a cell that is not blank; why none was measured if it says so.

        Parameters
        ----------
        cell : Cell
        table : Table
        unit : Unit
            Of the column.
        stream, quantity : str
            What the number is of, for its place.
        """
        plain = plain_number(cell)
        if plain is not None:
            found: TypedValue | Fault = TypedValue(
                cell, ParsedNumber(plain), unit, stream, quantity
            )
        else:
            word = folded_word(cell)
            if word in NOT_MEASURED:
                return NOT_MEASURED[word]
            found = self._in_words(word, cell, table, cell.place_of(stream, quantity), unit)
        if isinstance(found, Fault):
            return found
        return self.wrong(found) or found

    def _in_words(
        self, word: str, cell: Cell, table: Table, place: Place, unit: Unit
    ) -> TypedValue | Fault:
        if word in TWO_WAYS:
            one, two = TWO_WAYS[word]
            return Fault(f"'{cell.text}' can be read as {one} or as {two}.",
                         f"Write <0.01 (the limit) for {one}\nor leave the cell blank for {two}.",
                         place)  # fmt: skip
        if word in BELOW:
            return self.below_unstated(cell, place, unit)
        return value_in_own_unit(cell, table, place, unit=unit, unit_of=self.unit_of)

    @abstractmethod
    def below_unstated(self, cell: Cell, place: Place, unit: Unit) -> TypedValue | Fault:
        """Return the detection limit for a word such as 'trace', or why there is none."""

    @abstractmethod
    def wrong(self, found: TypedValue) -> Fault | None:
        """Return what is wrong with the size of a number."""

    def bounded(self, found: TypedValue) -> BoundedValue | None:
        """Return the value if only bounds are known of it."""
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Grade(Measurand):
    """The grade of an analyte, of solids or of the solution."""

    analyte: Analyte

    def below_unstated(self, cell: Cell, place: Place, unit: Unit) -> TypedValue | Fault:
        """Return the detection limit of the analyte, or what states one."""
        a = self.analyte
        if a.detection is not None:
            limit = ParsedNumber(unit.from_base(a.detection), below=True)
            return TypedValue(cell, limit, unit, place.stream, place.quantity)
        mend = f"{_LIMIT}."
        if dissolved_name(a.name) is None:
            mend = (f"{_LIMIT}\nor state it for the analyte: [analytes] {toml_key(a.name)} = "
                    f'{{ unit = "{a.unit}", detection = "0.01 {a.unit}" }}.')  # fmt: skip
        return Fault(
            f"'{cell.text}' says that the grade is below detection, but not below what.", mend,
            place,
        )  # fmt: skip

    def wrong(self, found: TypedValue) -> Fault | None:
        """Return what is wrong with the size of a grade, or of a limit."""
        reading, value, most = found.reading, found.value, self.analyte.maximum
        if reading.below and value <= 0.0:
            return Fault("The detection limit is 0 or less.", f"{_LIMIT}.", found.place)
        if reading.above and dissolved_name(self.analyte.name) is not None:
            return _neither("grade", "Assay it, or leave it blank.", found.place)
        if value < 0.0:
            return _negative("grade", found, _CORRECT_OR_BLANK)
        base = found.base
        if reading.above and base >= most * (1.0 - 1e-9):
            return Fault(f"The grade is above {found}, which is the most that it can be.",
                         _CORRECT, found.place)  # fmt: skip
        if base > most * (1.0 + 1e-9):
            limit = f"{found.unit.from_base(most):g} {found.unit}"
            why = "more than the whole" if most == 1.0 else "more than the stated max"
            return Fault(f"The grade is {found}, {why} ({limit}).", _CORRECT, found.place)
        return None

    def bounded(self, found: TypedValue) -> BoundedValue | None:
        """Return a grade below detection or above the range as a value between its bounds."""
        if found.reading.below:
            return below_detection(found.value, found.unit)
        if found.reading.above:
            top = found.unit.from_base(self.analyte.maximum)
            return above_range(found.value, top, found.unit)
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Weight(Measurand):
    """What is weighed or otherwise measured without a limit of detection.

    Attributes
    ----------
    what : str
        What it is called in messages: 'dry mass'.
    weigh, negative : str
        What to do about a bound in place of a number, and about a number below 0.
    """

    what: str
    weigh: str = "Weigh it, or leave it blank."
    negative: str = _CORRECT_OR_BLANK

    def below_unstated(self, cell: Cell, place: Place, unit: Unit) -> TypedValue | Fault:
        """Refuse a word that only a grade can be."""
        return Fault(f"A {self.what} cannot be '{cell.text}'.", self.weigh, place)

    def wrong(self, found: TypedValue) -> Fault | None:
        """Return what is wrong with the size of a number."""
        if found.reading.below:
            return Fault(f"A {self.what} cannot be below detection.", self.weigh, found.place)
        if found.reading.above:
            return _neither(self.what, self.weigh, found.place)
        if found.value < 0.0:
            return _negative(self.what, found, self.negative)
        if found.base > WHOLE_EARTH:
            return Fault(f"The {self.what} is {found}, more than the whole Earth.", _CORRECT,
                         found.place)  # fmt: skip
        return None


def _neither(what: str, mend: str, place: Place) -> Fault:
    return Fault(f"A {what} is measured, or it is not: '>' says neither.", mend, place)


def _negative(what: str, found: TypedValue, mend: str) -> Fault:
    return Fault(f"The {what} is {found}; it cannot be negative.", mend, found.place)
