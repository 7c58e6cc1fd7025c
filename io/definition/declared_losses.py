"""Losses that a case declares: nobody measured them, but somebody says how large they may be.

A declared loss is a stream from its node to the outside, with the grades of a named stream. Its
flow is 0 with the stated sd, and never below 0. The program declares none by itself.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from oretally.flowsheet import (
    Basis,
    Fault,
    Measurement,
    Place,
    Stream,
    parse_unit,
)
from oretally.flowsheet.circuit import Content, fold_name
from oretally.flowsheet.faults import did_you_mean
from oretally.flowsheet.survey import DECLARED_LOSS
from oretally.io.cells import in_unit_of, read_amount

__all__ = ["LOSS_AT", "LossRow", "loss_note", "read_declared_losses"]

LOSS_AT = "loss at "
"""What the name of a declared loss begins with; its node follows."""


@dataclass(frozen=True, slots=True)
class LossRow:
    """A declared loss as written; ``flow`` is one sd of what may be lost."""

    node: str
    flow: object
    like: object
    place: Place


def read_declared_losses(
    rows: Sequence[LossRow],
    streams: Sequence[Stream],
    nodes: Sequence[str],
    basis: Basis,
    faults: list[Fault],
) -> tuple[list[Stream], list[Measurement]]:
    """Return the streams of the declared losses and their flows; faults are added.

    Parameters
    ----------
    rows : sequence of LossRow
    streams : sequence of Stream
        Of the circuit.
    nodes : sequence of str
        Of the circuit; listed ones and those that streams meet.
    basis : Basis
    faults : list of Fault
    """
    node_names = {fold_name(n): n for n in reversed(nodes)}
    known = {fold_name(s.name): s for s in streams}
    made, flows, seen = list[Stream](), list[Measurement](), set[str]()
    for row in rows:
        before = len(faults)
        node = node_names.get(fold_name(row.node))
        if node is None:
            faults.append(_unknown("node", row.node, list(node_names.values()), row.place))
        elif node in seen:
            faults.append(
                Fault(f"The loss at '{node}' is declared twice.", "Take one out.", row.place)
            )
        like = _like(row, known, faults)
        amount = _amount(row, basis, faults)
        if len(faults) > before or node is None or like is None or amount is None:
            continue
        seen.add(node)
        sd, symbol = amount
        name = f"{LOSS_AT}{node}"
        made.append(
            Stream(name, node, None, row.place, content=like.content, like=like.name,
                   takes_up=like.takes_up, declared=True)
        )  # fmt: skip
        flows.append(
            Measurement(name, basis.quantity, 0.0, parse_unit(symbol, basis.dimension), sd,
                        DECLARED_LOSS, f"declared, with the grades of '{like.name}'", row.place)
        )  # fmt: skip
    return made, flows


def _like(row: LossRow, known: Mapping[str, Stream], faults: list[Fault]) -> Stream | None:
    """Return the stream whose grades the loss has."""
    if not isinstance(row.like, str) or not row.like.strip():
        faults.append(
            Fault(f"The loss at '{row.node}' does not say what is lost.",
                  'Name the stream whose grades it has: like = "mill feed".', row.place)
        )  # fmt: skip
        return None
    found = known.get(fold_name(row.like))
    if found is None:
        names = [s.name for s in known.values()]
        faults.append(_unknown("stream", row.like, names, row.place))
    elif found.content is Content.SOLUTION:
        faults.append(
            Fault(f"The loss at '{row.node}' is a dry flow, but '{found.name}' carries no solids.",
                  "Name a stream with solids.", row.place)
        )  # fmt: skip
        return None
    return found


def _amount(row: LossRow, basis: Basis, faults: list[Fault]) -> tuple[float, str] | None:
    """Return the sd of the loss and its unit."""
    key, example = ("mass", "0.5 t") if basis is Basis.BATCH else ("rate", "0.1 t/h")
    amount = read_amount(row.flow)
    if amount is None or amount[0] <= 0.0:
        written = "not stated" if row.flow in (None, "") else f"'{row.flow}'"
        faults.append(
            Fault(f"The {key} of the loss at '{row.node}' is {written}; it is a number above 0 "
                  "with its unit: one standard deviation of what may be lost.",
                  f'Write for example {key} = "{example}".', row.place)
        )  # fmt: skip
        return None
    return in_unit_of(amount, basis.dimension, row.place, faults)


def _unknown(what: str, name: str, names: Sequence[str], place: Place) -> Fault:
    mend = did_you_mean(name, names, "Known")
    return Fault(f"A declared loss names the {what} '{name}', which there is not.", mend, place)


def loss_note(loss: Measurement, like: str | None) -> str:
    """Return what the reader must know of a declared loss; ``like`` is whose grades it has."""
    return (
        f"'{loss.stream}' was not measured but declared: 0 ± {loss.sd:g} {loss.unit}, never below "
        f"0; with the grades of '{like}'."
    )
