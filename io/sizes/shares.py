"""Shares of the size classes of one stream, from masses or from percentages."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from oretally.flowsheet import Dimension, parse_unit
from oretally.flowsheet.digits import format_number
from oretally.flowsheet.survey import PROPAGATED
from oretally.io.cells import TypedValue, ValueColumn
from oretally.io.sizes.columns import SizesColumns
from oretally.io.sizes.stacks import SieveClass
from oretally.io.sizes.values import ClassValue, ClassValues

__all__ = ["ClassShares", "class_shares"]

_LEAST, _MOST = 99.0, 101.0  # percent to which rounded shares may add up; common sense, no source
_EXACT = 1e-7  # percent; what is closer to 100 adds up by rounding of the last digit of a float
_Weighed = tuple[TypedValue, ValueColumn]


@dataclass(frozen=True, slots=True)
class ClassShares:
    """Shares of the classes of a stack, and the numbers as typed; None where there is none."""

    values: tuple[ClassValue | None, ...]
    masses: tuple[float | None, ...]


def class_shares(
    stream: str, stack: Sequence[SieveClass], named: Sequence[str], columns: SizesColumns,
    values: ClassValues,
) -> ClassShares:  # fmt: skip
    """Return the shares; what is wrong is added to the faults of ``values``.

    Parameters
    ----------
    stream : str
    stack : sequence of SieveClass
    named : sequence of str
        Names of the shares.
    columns : SizesColumns
    values : ClassValues
    """
    before = len(values.faults)
    weighed = [_weighed(stream, c, q, columns, values) for c, q in zip(stack, named, strict=True)]
    masses = tuple(None if w is None else w[0].value for w in weighed)
    nothing = ClassShares((None,) * len(stack), masses)
    if len(values.faults) > before:
        return nothing
    known = [w for w in weighed if w is not None]
    kinds = [read.unit.dimension for read, _ in known]
    if len(set(kinds)) > 1:
        other = next(read for read, _ in known if read.unit.dimension is not kinds[0])
        one, two = (("mass", "share in percent") if kinds[0] is Dimension.MASS else
                    ("share in percent", "mass"))  # fmt: skip
        values.fault(f"This class of '{stream}' has a {two}, others have a {one}.",
                     f"Give one of the two for all classes of a stream: here the {one}.",
                     other.place)  # fmt: skip
        return nothing
    shares = bool(kinds) and kinds[0] is Dimension.SHARE
    whole = math.fsum(read.base for read, _ in known)
    for c, w in zip(stack, weighed, strict=True):
        if w is None:
            _without_mass(stream, c, columns, values, 100.0 * whole if shares else None)
    if len(values.faults) > before:
        return nothing
    first = known[0][0]
    if shares and not _LEAST <= 100.0 * whole * (1.0 + 1e-12) <= _MOST * (1.0 + 2e-12):
        off = f"{format_number(abs(100.0 - 100.0 * whole), 3)} %"
        values.fault(f"The shares of the {len(stack)} classes of '{stream}' add up to "
                     f"{100.0 * whole:.6g} %; "
                     + (f"{off} of the whole are missing." if whole < 1.0 else
                        f"that is {off} too much."),
                     "Correct them: each share is that of the class by itself, not cumulative\n"
                     "or give the masses as weighed, mass [g].", first.place)  # fmt: skip
        return nothing
    if whole <= 0.0:
        values.fault(f"All classes of '{stream}' have the mass 0.", "Enter what was weighed, or "
                     "clear the rows.", first.place)  # fmt: skip
        return nothing
    stated = [values.mass_with_sd(c.row, column, read, whole)
              for c, (read, column) in zip(stack, known, strict=True)]  # fmt: skip
    found = [v for v in stated if v is not None]
    if len(found) < len(stated):
        return nothing
    if shares:
        return ClassShares(tuple(_scaled(stream, found, 100.0 * whole, values)), masses)
    return ClassShares(tuple(_propagated(found, whole, values)), masses)


def _weighed(
    stream: str, c: SieveClass, quantity: str, columns: SizesColumns, values: ClassValues
) -> _Weighed | None:
    """Return the mass or share of one class; None if there is none, or it is refused."""
    filled = [column for column in columns.masses if not c.row[column.index].blank]
    if len(filled) > 1:
        place = c.row[filled[1].index].place.about(stream=stream, quantity=quantity)
        values.fault(f"Both {filled[0].title} and {filled[1].title} are given.",
                     "Take one of them out.", place)  # fmt: skip
        return None
    for column in filled:
        place = c.row[column.index].place.about(stream=stream, quantity=quantity)
        read = values.mass(c.row, column, place)
        return None if read is None else (read, column)
    return None


def _without_mass(
    stream: str, c: SieveClass, columns: SizesColumns, values: ClassValues, percent: float | None
) -> None:
    """Refuse a class without a mass; ``percent`` is what the others add up to."""
    assayed = next((g for g in columns.grades if not c.row[g.index].blank), None)
    cell = c.row[columns.masses[0].index]
    but = "" if assayed is None else f", but an assay of {assayed.name}"
    rest = "" if percent is None else f" The others add up to {percent:.6g} %."
    values.fault(f"The class {c.name} of '{stream}' has no mass{but}.",
                 "Enter it, 0 if nothing stayed on the sieve: without it the shares of all are not "
                 f"known.{rest}", cell.place.about(stream=stream))  # fmt: skip


def _scaled(
    stream: str, found: Sequence[ClassValue], percent: float, values: ClassValues
) -> list[ClassValue]:
    """Return shares in percent that add up to 100."""
    to = parse_unit("%", Dimension.SHARE)
    if abs(percent - 100.0) > _EXACT:
        values.notes.append(f"The shares of the size classes of '{stream}' add up to "
                            f"{percent:.6g} %; they are scaled to 100 %.")  # fmt: skip
    out = []
    for v in found:
        share, sd = (100.0 / percent * to.from_base(v.unit.to_base(x)) for x in (v.value, v.sd))
        note, source = v.note, v.source
        if abs(percent - 100.0) > _EXACT:
            note, source = f"from {v.value:g} {v.unit} of {percent:.6g} %", PROPAGATED
        out.append(replace(v, value=share, sd=sd, unit=to, note=note, source=source,
                           written=(v.value, v.unit)))  # fmt: skip
    return out


def _propagated(found: Sequence[ClassValue], whole: float, values: ClassValues) -> list[ClassValue]:
    """Return shares in percent from masses, with the sd of the mass; ``whole`` is their sum in kg.

    What the error of the sum does to all of them together the balance knows: see
    `oretally.flowsheet.problem.positions`.
    """
    to = parse_unit("%", Dimension.SHARE)
    out = []
    for v in found:
        p = v.unit.to_base(v.value) / whole
        sd = to.to_base(v.sd) if v.of_share else v.unit.to_base(v.sd) / whole
        if not 0.0 < sd < math.inf:
            values.fault("The stated error cannot be used: as a share of the whole it is "
                         f"{100.0 * sd:g} %.", "Correct it or its unit.", v.place)  # fmt: skip
        unit = found[0].unit
        note = f"from {v.value:g} {v.unit} of {unit.from_base(whole):g} {unit}"
        out.append(replace(v, value=to.from_base(p), sd=to.from_base(sd), unit=to, note=note,
                           source=PROPAGATED, written=(v.value, v.unit)))  # fmt: skip
    return out
