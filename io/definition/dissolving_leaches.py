"""Leaches at which solids dissolve: what a case says of them.

The mass that dissolves is a stream of its own, without analytes, from the leach to the outside. It
is free, or 0 with a stated sd if its size is stated; it is never below 0. The program assumes none
by itself.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from oretally.flowsheet import (
    Basis,
    Fault,
    Measurement,
    NodeKind,
    Place,
    Stream,
    parse_unit,
)
from oretally.flowsheet.circuit import Content, dissolved_solids, fold_name
from oretally.flowsheet.survey import DECLARED_LOSS
from oretally.io.cells import in_unit_of, read_amount
from oretally.io.definition.analytes import YES_OR_NO

__all__ = ["DissolvingRow", "dissolving_notes", "read_dissolving"]


@dataclass(frozen=True, slots=True)
class DissolvingRow:
    """What a case says of the solids that dissolve at a node, as written."""

    node: str
    amount: object
    place: Place


def read_dissolving(
    rows: Sequence[DissolvingRow], kinds: Mapping[str, str], basis: Basis, faults: list[Fault]
) -> tuple[list[Stream], list[Measurement]]:
    """Return the streams of the solids that dissolve, and the sizes stated; faults are added.

    Parameters
    ----------
    rows : sequence of DissolvingRow
    kinds : mapping of str to str
        Kind of each node whose kind is stated, by its name.
    basis : Basis
    faults : list of Fault
    """
    streams, flows, seen = list[Stream](), list[Measurement](), set[str]()
    for row in rows:
        word = str(row.amount).strip().casefold()
        if word in ("", "none") or YES_OR_NO.get(word) is False:
            continue
        kind = kinds.get(fold_name(row.node), "")
        if kind != NodeKind.LEACH.value:
            faults.append(
                Fault(f"Solids are said to dissolve at '{row.node}', which is no leach but a "
                      f"{kind}.", 'Write kind = "leach" (in a sheet: leach), or take \'dissolves\' '
                      "out.", row.place)
            )  # fmt: skip
            continue
        if fold_name(row.node) in seen:  # the node itself is refused already
            continue
        seen.add(fold_name(row.node))
        stream = dissolved_solids(row.node, row.place)
        amount = None if YES_OR_NO.get(word) else _amount(row, basis, faults)
        streams.append(stream)
        if amount is not None:
            sd, symbol = amount
            flows.append(
                Measurement(stream.name, basis.quantity, 0.0, parse_unit(symbol, basis.dimension),
                            sd, DECLARED_LOSS, "stated at the leach", row.place)
            )  # fmt: skip
    return streams, flows


def _amount(row: DissolvingRow, basis: Basis, faults: list[Fault]) -> tuple[float, str] | None:
    """Return the sd of what dissolves and its unit."""
    example = "1.5 kg" if basis is Basis.BATCH else "0.5 t/h"
    amount = read_amount(row.amount)
    if amount is None or not amount[0] > 0.0:
        faults.append(
            Fault(f"'dissolves' of the node '{row.node}' is '{row.amount}'; it says whether solids "
                  "dissolve there, or how much may: a number above 0 with its unit, one standard "
                  "deviation.", f'Write dissolves = true, or for example dissolves = "{example}" '
                  f"(in a sheet yes or {example}).", row.place)
        )  # fmt: skip
        return None
    return in_unit_of(amount, basis.dimension, row.place, faults)


def dissolving_notes(streams: Sequence[Stream], flows: Sequence[Measurement]) -> list[str]:
    """Return what the reader must know of solids that are said to dissolve."""
    sizes, notes = {m.stream: m for m in flows}, list[str]()
    for stream in streams:
        if stream.content is not Content.DISSOLVED:
            continue
        size = sizes.get(stream.name)
        told = "no size is stated: the other numbers give their mass"
        if size is not None:
            told = f"stated are 0 ± {size.sd:g} {size.unit}, never below 0"
        notes.append(
            f"At '{stream.source}' solids dissolve, as the case says; {told}. They count by "
            "themselves, not in the mass of the water or solution. The analytes that they held are "
            "balanced as ever."
        )
    return notes
