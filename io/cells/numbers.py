"""A number as somebody typed it: read, or refused with the reason."""

from __future__ import annotations

import math
import re
from typing import NamedTuple

from oretally.flowsheet import Fault, Place
from oretally.io.cells.number_range import SMALLEST_NUMBER, range_fault
from oretally.io.files import Cell, Table

__all__ = ["ParsedNumber", "plain_number", "read_number"]

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?")
_DIGITS = "0123456789."
_GROUPED = re.compile(r"([<>]?\s*[+-]?\d{1,3})((?: \d{3})+)((?:[.,]\d*)?)")  # ISO 80000-1, 7.3
_MONTH = r"(jan|feb|mar|m[aä]r|apr|ma[iy]|jun|jul|aug|sep|o[ck]t|nov|de[cz])[a-zä]{0,6}\.?"
_DATE = re.compile(
    r"\d{4}[-/]\d{1,2}[-/]\d{1,2}( .*)?|\d{1,2}[./-]\d{1,2}[./-]\d{2,4}|"
    rf"\d{{1,2}}[.\s-]+{_MONTH}([.\s-]+\d{{2,4}})?|{_MONTH}[.\s-]+\d{{2}}(\d\d)?",
    re.IGNORECASE,
)
_NOT_FINITE = {"nan", "inf", "+inf", "-inf", "infinity", "+infinity", "-infinity"}
_BLANK = "leave the cell blank if it was not measured."


class ParsedNumber(NamedTuple):
    """A number, and whether it was written as below detection ('<0.01') or above range ('>10')."""

    value: float
    below: bool = False
    above: bool = False


def plain_number(cell: Cell) -> float | None:
    """Return the finite number of a cell that holds nothing else; None leaves it to `read_number`.

    Large tables are nearly all such cells.
    """
    value = cell.value
    if type(value) is str:
        try:
            number = float(value)
        except ValueError:
            return None
        # float takes more, such as '1_000'; of digits and points it takes what the pattern does
        if value.strip(_DIGITS) and not _NUMBER.fullmatch(value):
            return None
        value = number
    if type(value) is not float or cell.problem or not math.isfinite(value):
        return None
    return None if 0.0 < abs(value) < SMALLEST_NUMBER else value


def read_number(cell: Cell, table: Table, place: Place, what: str) -> ParsedNumber | Fault:
    """Read a cell that must hold a number.

    Parameters
    ----------
    cell : Cell
        Not blank.
    table : Table
        Its table, for the decimal mark.
    place : Place
        Where it is, with stream and quantity.
    what : str
        What the number is, for the message: 'value' or 'stated error'.
    """
    if cell.problem:
        return Fault(cell.problem, f"Write the number itself, or {_BLANK}", place)
    plain = plain_number(cell)
    if plain is not None:
        return ParsedNumber(plain)
    value = cell.value
    if isinstance(value, bool):
        return Fault(f"The {what} is {value}, not a number.", f"Correct it, or {_BLANK}", place)
    if isinstance(value, int | float):
        try:
            return _finite(float(value), what, place)
        except OverflowError:
            return range_fault(what, value, place)
    if not isinstance(value, str):
        return _date(cell.text, what, place)
    text = cell.text.replace("\N{MINUS SIGN}", "-")
    grouped = _GROUPED.fullmatch(text)
    if grouped is not None:
        text = grouped[1] + grouped[2].replace(" ", "") + grouped[3]
    below, above = text.startswith("<"), text.startswith(">")
    text = text[1:].strip() if below or above else text
    if text.casefold() in _NOT_FINITE:
        return _not_finite(cell.text, what, place)
    if "," in text:
        if table.decimal == "," and text.count(",") == 1 and "." not in text:
            text = text.replace(",", ".")
        else:
            return _comma(cell.text, text, what, place, undecided=table.undecided)
    if not _NUMBER.fullmatch(text):
        if _DATE.fullmatch(text):
            return _date(cell.text, what, place)
        return Fault(f"The {what} is '{cell.text}', not a number.", _mend(text), place)
    reading = _finite(float(text), what, place)
    return (
        ParsedNumber(reading.value, below, above) if isinstance(reading, ParsedNumber) else reading
    )


def _date(shown: str, what: str, place: Place) -> Fault:
    return Fault(
        f"The {what} is a date or time ({shown}), not a number: spreadsheets make dates of entries "
        "such as 1.5 or 3/4.",
        "Format the cell as a number first, then type the number anew; a new format alone leaves "
        "a count of days.",
        place,
    )


def _mend(text: str) -> str:
    if re.fullmatch(r"[+-]?\d[\d.,]*(['\N{RIGHT SINGLE QUOTATION MARK} ][\d.,]+)+", text):
        return "Write it without separators between thousands, for example 1234.5."
    if re.match(r"[+-]?[\d.]+\s*\D", text):
        return f"Write the number alone, its unit goes into the header, or {_BLANK}"
    return f"Write a number, or {_BLANK}"


def _finite(value: float, what: str, place: Place) -> ParsedNumber | Fault:
    if not math.isfinite(value):
        return _not_finite(str(value), what, place)
    return (
        range_fault(what, value, place)
        if 0.0 < abs(value) < SMALLEST_NUMBER
        else ParsedNumber(value)
    )


def _not_finite(text: str, what: str, place: Place) -> Fault:
    return Fault(f"The {what} is {text}, not a finite number.", f"Correct it, or {_BLANK}", place)


def _comma(shown: str, text: str, what: str, place: Place, *, undecided: bool) -> Fault:
    """Refuse a comma in a number, with its readings."""
    decimal, thousands = text.replace(",", "."), text.replace(",", "")
    if undecided and _NUMBER.fullmatch(decimal):
        return Fault(
            f"The {what} '{shown}' can be read as {decimal} or as {thousands}, and nothing else "
            "in the file decides.",
            f"Write {decimal}\nor {thousands}.",
            place,
        )
    if _NUMBER.fullmatch(decimal):
        return Fault(
            f"The {what} '{shown}' has a comma, but the file writes decimals with a point.",
            f"Write {decimal} if the comma is the decimal mark\nor {thousands} if it separates "
            "thousands.",
            place,
        )
    return Fault(
        f"The {what} is '{shown}', not a number.",
        "Write it without separators between thousands, for example 1234.5.",
        place,
    )
