"""A number as somebody typed it: read, or refused with the reason."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from oretally.flowsheet import Fault, Place
from oretally.io.table import Cell, Table

__all__ = ["Reading", "read_number"]

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?")
_NOT_FINITE = {"nan", "inf", "+inf", "-inf", "infinity", "+infinity", "-infinity"}
_BLANK = "leave the cell blank if it was not measured."


@dataclass(frozen=True, slots=True)
class Reading:
    """A number, and whether it was written as below detection ('<0.01') or above range ('>10')."""

    value: float
    below: bool = False
    above: bool = False


def read_number(cell: Cell, table: Table, place: Place, what: str) -> Reading | Fault:
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
    value = cell.value
    if isinstance(value, bool):
        return Fault(f"The {what} is {value}, not a number.", f"Correct it, or {_BLANK}", place)
    if isinstance(value, int | float):
        return _finite(float(value), what, place)
    if not isinstance(value, str):
        return Fault(
            f"The {what} is a date or time ({cell.text}), not a number.",
            "Format the cell as a number and type it anew: spreadsheets turn entries such as "
            "1.5 or 3/4 into dates.",
            place,
        )
    text = cell.text
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
        return Fault(f"The {what} is '{cell.text}', not a number.", _mend(text), place)
    reading = _finite(float(text), what, place)
    return Reading(reading.value, below, above) if isinstance(reading, Reading) else reading


def _mend(text: str) -> str:
    if re.match(r"[+-]?[\d.]+\s*\D", text):
        return f"Write the number alone, its unit goes into the header, or {_BLANK}"
    return f"Write a number, or {_BLANK}"


def _finite(value: float, what: str, place: Place) -> Reading | Fault:
    return Reading(value) if math.isfinite(value) else _not_finite(str(value), what, place)


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
