"""Amounts in a description of sampling, as written: each read, or refused where it stands.

A description is an entry of circuit.toml, a file of its own or the options of a command.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from oretally.flowsheet import Dimension, Fault, Place, UnitError, parse_unit
from oretally.flowsheet.digits import format_number
from oretally.flowsheet.faults import did_you_mean
from oretally.flowsheet.units import opening_um
from oretally.io.cells import read_amount, read_definition_number
from oretally.io.files import toml_key

__all__ = [
    "KEYS", "UNKNOWN", "Written", "mass_text", "read_density", "read_factor", "read_grade",
    "read_mass", "read_relative_sd", "read_size", "size_text", "unknown_keys",
]  # fmt: skip

KEYS = (
    "top", "mass", "lot", "stages", "liberation", "mineral density", "gangue density",
    "mineral grade", "shape", "granulometric",
)  # fmt: skip
"""What a description of sampling may hold."""
UNKNOWN = "unknown"
_SAYS = {  # key: what it is, an example, what to write
    "top": ("top size", "2 mm", "the opening that 95 % of the mass passes"),
    "mass": ("mass of the sample", "1.5 kg", "the dry mass that is kept"),
    "lot": ("mass of the lot", "25 kg", "the dry mass before the split"),
    "liberation": ("liberation size", "0.1 mm", "the top size below which the mineral is free; "
                   f"'{UNKNOWN}' takes the largest error"),
    "grade": ("grade of the ore", "0.8 %", "the analyte in the ore, as you expect it"),
    "mineral density": ("density of the mineral", "6.9 kg/L", "that of its grains"),
    "gangue density": ("density of the gangue", "2.65 kg/L", "that of its grains, as of quartz"),
    "mineral grade": ("grade of the mineral", "78.77 %", "the analyte in its pure mineral, as Sn "
                      "in cassiterite; 100 % for native metal"),
    "error": ("error wanted", "5 %", "one standard deviation, in percent of the grade"),
}  # fmt: skip
_KG = (1e-9, 6e24)  # a microgram; the whole Earth
_KG_PER_L = (1.0, 23.0)  # water; osmium, the densest, has 22.6
_LEAST_GRADE = 1e-15  # what is less cannot be told from nothing
_UM = (0.01, 1e7)  # 10 m


@dataclass(frozen=True, slots=True)
class Written:
    """Keys and values as written.

    Attributes
    ----------
    entry : mapping of str to object
    place : Place
        Of the whole entry.
    places : mapping of str to Place
        Of single keys, where known.
    options : bool
        True for options of a command: mends are spelt that way.
    of : str
        What the entry speaks of, such as ' of stage 2'; else empty.
    """

    entry: Mapping[str, object]
    place: Place
    places: Mapping[str, Place] = field(default_factory=dict)
    options: bool = False
    of: str = ""

    def at(self, key: str) -> Place:
        """Return the place of a key."""
        return self.places.get(key, self.place)

    def spelt(self, key: str, example: str) -> str:
        """Return how a key with a value is written here."""
        if self.options:
            return f'--{key.replace(" ", "-")} "{example}"'
        return f'{toml_key(key)} = "{example}"'

    def fault(self, key: str, problem: str, mend: str) -> Fault:
        """Return a fault at a key."""
        return Fault(problem, mend, self.at(key))


def mass_text(kg: float) -> str:
    """Return a mass in the unit that suits it.

    Examples
    --------
    >>> mass_text(0.5), mass_text(20.0), mass_text(1370.0), mass_text(7.2e-5)
    ('500 g', '20 kg', '1.37 t', '72 mg')
    """
    for symbol, size in (("t", 1000.0), ("kg", 1.0), ("g", 1e-3)):
        if float(f"{kg:.4g}") >= size:
            return f"{format_number(kg / size)} {symbol}"
    return f"{format_number(kg * 1e6)} mg"


def size_text(um: float) -> str:
    """Return a size in mm, or in um below 1 mm.

    Examples
    --------
    >>> size_text(25000.0), size_text(75.0)
    ('25 mm', '75 um')
    """
    return f"{um / 1000.0:g} mm" if um >= 1000.0 else f"{um:g} um"


def unknown_keys(written: Written, known: Sequence[str], faults: list[Fault]) -> None:
    """Add a fault for each key that is not known."""
    for key in written.entry:
        if key not in known:
            mend = did_you_mean(key, known, "Entries")
            faults.append(
                written.fault(key, f"'{key}' says nothing about sampling{written.of}.", mend)
            )


def _missing(written: Written, key: str) -> Fault:
    """Return the fault of a key that is not there."""
    name, example, what = _SAYS[key]
    return Fault(f"The {name}{written.of} is not stated.",
                 f"Write for example {written.spelt(key, example)}: {what}.",
                 written.place)  # fmt: skip


def read_size(written: Written, key: str, faults: list[Fault]) -> float | None:
    """Return a size in um: a length, or a sieve with its series in square brackets."""
    value = written.entry.get(key)
    if value is None:
        faults.append(_missing(written, key))
        return None
    name, example, _ = _SAYS[key]
    text, _, tail = str(value).partition("[")
    series = tail.strip().removesuffix("]").strip() or None
    try:
        size = opening_um(text, series)
    except UnitError as error:
        mend = error.mend
        if error.readings:
            mend += f" A series stands in brackets: '{text.strip()} [ASTM E11]'."
        faults.append(written.fault(key, f"{_upper(name)}{written.of}: {error.problem}", mend))
        return None
    if not _UM[0] <= size <= _UM[1]:
        faults.append(
            written.fault(key, f"The {name}{written.of} is {value}; it is between 0.01 um and "
                          "10 m.", f"Correct it, as in {written.spelt(key, example)}.")
        )  # fmt: skip
        return None
    return size


def read_mass(written: Written, key: str, faults: list[Fault]) -> float | None:
    """Return a mass in kg."""
    name = _SAYS[key][0]
    kg = _quantity(written, key, Dimension.MASS, faults)
    if kg is None or _KG[0] <= kg <= _KG[1]:
        return kg
    wrong = "it must be above 0" if kg <= 0.0 else (
        "less than a microgram" if kg < _KG[0] else "more than the whole Earth"
    )  # fmt: skip
    faults.append(
        written.fault(key, f"The {name}{written.of} is {written.entry[key]}: {wrong}.",
                      "Correct the value or its unit.")
    )  # fmt: skip
    return None


def read_density(written: Written, key: str, faults: list[Fault]) -> float | None:
    """Return a density in kg/L."""
    name = _SAYS[key][0]
    found = _quantity(written, key, Dimension.DENSITY, faults)
    if found is None:
        return None
    if not _KG_PER_L[0] <= found / 1000.0 <= _KG_PER_L[1]:
        faults.append(
            written.fault(key, f"The {name} is {written.entry[key]}; that of grains is between 1 "
                          "and 23 kg/L.", "Correct the value or its unit.")
        )  # fmt: skip
        return None
    return found / 1000.0


def read_grade(
    written: Written, key: str, most: float, limit: str, faults: list[Fault]
) -> float | None:
    """Return a grade as a mass fraction, above 0 and at most ``most``, which ``limit`` names."""
    name, _, what = _SAYS[key]
    grade = _quantity(written, key, Dimension.GRADE, faults)
    if grade is None or _LEAST_GRADE <= grade <= most * (1.0 + 1e-9):
        return None if grade is None else min(grade, most)
    faults.append(
        written.fault(key, f"The {name} is {written.entry[key]}; it must be above 0 and at most "
                      f"{limit}.", f"Give {what}.")
    )  # fmt: skip
    return None


def read_relative_sd(written: Written, key: str, faults: list[Fault]) -> float | None:
    """Return one standard deviation over the grade, from percent of it; 0.05 is 5 %."""
    name, example, what = _SAYS[key]
    found = _quantity(written, key, Dimension.SHARE, faults)
    if found is None or 1e-9 <= found < 1.0:
        return found
    faults.append(
        written.fault(key, f"The {name} is {written.entry[key]}; it must be above 0 and below "
                      "100 %.", f"Write for example {written.spelt(key, example)}: {what}.")
    )  # fmt: skip
    return None


def _quantity(
    written: Written, key: str, dimension: Dimension, faults: list[Fault]
) -> float | None:
    """Return an amount with a unit, in the base unit of its dimension."""
    name, example, _ = _SAYS[key]
    value = written.entry.get(key)
    if value is None:
        faults.append(_missing(written, key))
        return None
    amount = read_amount(value)
    shown = written.spelt(key, example)
    if amount is None or not math.isfinite(amount[0]):
        faults.append(
            written.fault(key, f"The {name}{written.of} is '{value}'; it is a number with its "
                          "unit.", f"Write for example {shown}.")
        )  # fmt: skip
        return None
    if amount[1].startswith(","):
        faults.append(
            written.fault(key, f"The {name}{written.of} is '{value}', with a comma.",
                          f"Write decimals with a point, nothing between thousands: {shown}.")
        )  # fmt: skip
        return None
    try:
        return parse_unit(amount[1], dimension).to_base(amount[0])
    except UnitError as error:
        faults.append(
            written.fault(key, f"{_upper(name)}{written.of}: {error.problem}", error.mend)
        )
        return None


def read_factor(
    written: Written, key: str, usual: float, why: str, assumed: list[str], faults: list[Fault]
) -> float:
    """Return a factor above 0 and at most 1; the usual one, noted, where none is stated.

    A faulty one counts as the usual one: its fault is added.
    """
    value = written.entry.get(key)
    if value is None:
        assumed.append(f"{key} factor {usual:g}, {why}")
        return usual
    number = read_definition_number(value)
    if number is not None and 0.0 < number <= 1.0:
        return number
    faults.append(
        written.fault(key, f"The {key} factor{written.of} is {value}; it is a number above 0 and "
                      "at most 1.", f"Leave it out for {usual:g}, {why}.")
    )  # fmt: skip
    return usual


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]
