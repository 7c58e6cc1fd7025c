"""What the user says of a case that is to be written: answers as typed, judged one by one.

Every function here raises an `InputError` where an answer cannot be taken.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from oretally.flowsheet import Basis, Dimension, Fault, InputError, UnitError, parse_unit
from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.foreign_text import shown
from oretally.flowsheet.units import Elapsed, time_unit
from oretally.io.cells import read_amount, read_share
from oretally.io.files import readable_name
from oretally.io.forms.kinds import WorkKind
from oretally.io.forms.metals import (
    Metal,
    listed_names,
    metals_of,
    readable_answer,
    refused_answer,
)

__all__ = [
    "AnsweredError", "WantedCase", "assay_error", "basis_of", "mass_error", "products_of",
    "proposed_products", "sieves_of", "times_of", "title_from", "title_of", "unit_of",
    "wanted_case",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class AnsweredError:
    """One sd as somebody stated it: percent of the value, an amount with its unit, or both."""

    relative: str = ""
    absolute: str = ""

    def __bool__(self) -> bool:
        return bool(self.relative or self.absolute)


@dataclass(frozen=True, slots=True)
class WantedCase:
    """A case that is to be written: its kind, and what its user says."""

    kind: WorkKind
    title: str
    basis: Basis
    metals: tuple[Metal, ...]
    products: tuple[str, ...]
    unit: str
    sieves: tuple[str, ...] = ()
    times: tuple[Elapsed, ...] = ()
    mass_error: AnsweredError = AnsweredError()
    assay_error: AnsweredError = AnsweredError()


def wanted_case(
    kind: WorkKind, title: str, *, basis: str | None = None, metals: str | None = None,
    products: str | None = None, unit: str | None = None, sieves: str | None = None,
    times: str | None = None, mass: str | None = None, assay: str | None = None,
) -> WantedCase:  # fmt: skip
    """Return a case of a kind from answers as they are typed; None takes what the kind proposes.

    Raises
    ------
    InputError
        With all that is wrong with them.
    """
    faults: list[Fault] = []

    def answer(read: Any, *given: Any) -> Any:
        try:
            return read(*given)
        except InputError as error:
            faults.extend(error.faults)
            return None

    taken = answer(basis_of, basis, kind) if basis is not None else kind.bases[0]
    on = taken or kind.bases[0]
    clock = answer(times_of, kind.times if times is None else times, kind) or times_of(
        kind.times, kind
    )
    found = WantedCase(
        kind=kind,
        title=answer(title_of, title) or "",
        basis=on,
        metals=kind.metals if metals is None else answer(metals_of, metals),
        products=(
            proposed_products(kind, clock) if products is None
            else answer(products_of, products, kind, clock)
        ),
        unit=kind.unit(on) if unit is None else answer(unit_of, unit, on),
        sieves=(kind.sieves or ()) if sieves is None else answer(sieves_of, sieves, kind),
        times=clock,
    )  # fmt: skip
    at = found.unit or kind.unit(on)
    found = replace(
        found, mass_error=answer(mass_error, mass or "", at),
        assay_error=answer(assay_error, assay or ""),
    )  # fmt: skip
    if faults:
        raise InputError(faults)
    return found


def title_from(target: Path) -> str:
    """Return the title that a case has by its name.

    Examples
    --------
    >>> title_from(Path("tests/tin_table_4.xlsx"))
    'tin table 4'
    """
    name = target.stem if target.suffix.casefold() == ".xlsx" else target.name
    return " ".join(shown(readable_name(name)).replace("_", " ").split())


def title_of(text: str) -> str:
    """Return a title."""
    return readable_answer(text, "title")


def basis_of(text: str, kind: WorkKind) -> Basis:
    """Return a basis that a kind can have."""
    allowed = [basis.value for basis in kind.bases]
    if text.strip().casefold() not in allowed:
        listed = " or ".join(allowed)
        raise refused_answer(
            f"The basis of a {kind.name} is not '{shown(text.strip())}'.", f"It is {listed}."
        )
    return Basis(text.strip().casefold())


def proposed_products(kind: WorkKind, times: Sequence[Elapsed]) -> tuple[str, ...]:
    """Return the products that a kind proposes: of a test over time one for each, and the rest."""
    if not (times and kind.products):
        return kind.products
    first, rest = kind.products
    return (*(f"{first} {i}" for i in range(1, len(times) + 1)), rest)


def products_of(text: str, kind: WorkKind, times: Sequence[Elapsed] = ()) -> tuple[str, ...]:
    """Return the names of products, as many as a kind can have."""
    names = listed_names(readable_answer(text, "list of products"))
    if not kind.products:
        raise refused_answer(
            f"The products of a {kind.name} are those of its circuit.",
            "Rename them in circuit.toml, or leave them out.",
        )
    taken = {fold_name(name) for name in kind.streams}
    for i, name in enumerate(names):
        if fold_name(name) in taken:
            raise refused_answer(
                f"There are two streams '{shown(name)}'.", "Give each its own name."
            )
        if name.startswith(("#", "=", "+", "-", "@")):
            raise refused_answer(
                f"The product {i + 1} is called '{shown(name)}'.",
                "Begin it with a letter or a digit.",
            )
        taken.add(fold_name(name))
    if times and len(names) != len(times) + 1:
        raise refused_answer(
            f"{len(times)} times are named, and {len(names)} products.",
            "Each product has its time but the last, which is left in the end: name one more "
            "product than times.",
        )
    fixed = len(kind.products_from)
    if len(names) < 1 or (fixed > 1 and len(names) != fixed):
        listed = ", ".join(kind.products)
        many = f"{fixed} products ({listed})" if fixed > 1 else "one product at least"
        raise refused_answer(
            f"A {kind.name} has {many}; {len(names)} are named.",
            "Add others later, in circuit.toml.",
        )
    return tuple(names)


def unit_of(text: str, basis: Basis) -> str:
    """Return the unit of flows."""
    dimension = Dimension.MASS if basis is Basis.BATCH else Dimension.RATE
    try:
        return parse_unit(readable_answer(text, "unit"), dimension).symbol
    except UnitError as error:
        raise refused_answer(error.problem, error.mend) from error


def sieves_of(text: str, kind: WorkKind) -> tuple[str, ...]:
    """Return openings in um, the coarsest first; none if the text is blank or 'none'."""
    parts = listed_names(text)
    if not parts or fold_name(text) == "none":
        return ()
    if kind.sieves is None:
        raise refused_answer(f"Nothing is sieved in a {kind.name}.", "Leave the sieves out.")
    sizes: dict[float, str] = {}
    for part in parts:
        number = re.fullmatch(r"(\d{1,6}(?:\.\d{1,4})?)(?:\s*[u\N{MICRO SIGN}\u03bc]m)?", part)
        if number is None or not float(number[1]) > 0.0:
            raise refused_answer(
                f"'{shown(part)}' is no opening of a sieve in um.",
                "Write them as in 212, 150, 106.",
            )
        if float(number[1]) in sizes:
            raise refused_answer(f"The sieve {number[1]} is there twice.", "Name it once.")
        sizes[float(number[1])] = number[1]
    return tuple(sizes[size] for size in sorted(sizes, reverse=True))


def times_of(text: str, kind: WorkKind) -> tuple[Elapsed, ...]:
    """Return times from a text such as '0.5, 1, 2 min', in their order; blank for none."""
    parts = listed_names(text)
    if not kind.times:
        if parts:
            raise refused_answer(f"A {kind.name} is no test over time.", "Leave the times out.")
        return ()
    read = [re.fullmatch(r"(\d{1,6}(?:\.\d{1,6})?)\s*([^\W\d].*)?", part) for part in parts]
    wrong = next((part for part, m in zip(parts, read, strict=True)
                  if m is None or not float(m[1]) > 0.0), None)  # fmt: skip
    if wrong is not None or not parts:
        said = "No time is named." if wrong is None else f"'{shown(wrong)}' is no time."
        raise refused_answer(said, f"Write them from the start, as in {kind.times}.")
    try:
        units = {time_unit(m[2]) for m in read if m and m[2]}
    except UnitError as error:
        raise refused_answer(error.problem, error.mend) from error
    if len(units) != 1:
        said = "have no unit" if not units else f"are in {' and in '.join(sorted(units))}"
        raise refused_answer(f"The times {said}.", f"Write one unit, as in {kind.times}.")
    (unit,) = units
    found = sorted({float(m[1]) for m in read if m})
    if len(found) < len(parts):
        raise refused_answer("A time is there twice.", "Name it once, counted from the start.")
    return tuple(Elapsed(time, unit) for time in found)


def mass_error(text: str, unit: str) -> AnsweredError:
    """Return the error of a weighing from a text such as '2 g', '0.5 %' or both; blank for none.

    A number without a unit is percent, as it is of an assay.

    Examples
    --------
    >>> mass_error("0.5 % + 2 g", "kg")
    AnsweredError(relative='0.5', absolute='2 g')
    """
    dimension = Dimension.RATE if "/" in unit else Dimension.MASS
    found = AnsweredError()
    for part in (p.strip() for p in text.replace(",", ".").split("+") if p.strip()):
        amount, bare = read_amount(part), re.fullmatch(r"\d{1,2}(\.\d{1,6})?", part)
        if (part.endswith("%") or bare) and read_share(part) and not found.relative:
            found = replace(found, relative=part.removesuffix("%").strip())
            continue
        try:
            of = None if amount is None else parse_unit(amount[1], dimension)
        except UnitError:
            of = None
        if amount is None or of is None or not amount[0] > 0.0 or found.absolute:
            raise refused_answer(
                f"'{shown(part)}' is no error of a weighing.",
                f"Write it as in 2 {unit} or 0.5 %, or leave it blank.",
            )
        found = replace(found, absolute=f"{amount[0]:.12g} {of.symbol}")
    return found


def assay_error(text: str) -> AnsweredError:
    """Return the error of an assay from its percent of the grade; blank for none."""
    word = re.sub(r"\s*(rel\.?)?\s*%?$", "", text.strip().replace(",", "."))
    if not word:
        return AnsweredError()
    if not re.fullmatch(r"\d{1,2}(\.\d{1,6})?", word) or read_share(word) is None:
        problem = f"'{shown(text.strip())}' is no error of an assay in percent of the grade."
        mend = "Write a number above 0 and below 50, or leave it blank."
        raise refused_answer(problem, mend)
    return AnsweredError(relative=word)
