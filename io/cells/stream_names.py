"""The streams of a circuit, as the rows of a table name them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from oretally.flowsheet import Fault, Missing
from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.faults import did_you_mean
from oretally.io.files import Cell

__all__ = ["StreamNames", "unnamed_row"]

_PROPOSED = 100  # names that are not known; for more of them no nearest one is sought


def unnamed_row(row: Sequence[Cell], stream: Cell) -> Fault | None:
    """Return what is wrong with the cell of a row that names its stream, if it names none."""
    if stream.problem:
        return Fault(stream.problem, "Write the stream as a text.", stream.place)
    if not stream.blank:
        return None
    first = next((cell for cell in row if not cell.blank), stream)
    return Fault("The row names no stream.", "Write the stream, or clear the row.", first.place)


class StreamNames:
    """Finds streams by any spelling; without names none is judged."""

    def __init__(self, names: Iterable[str]) -> None:
        self.known = {fold_name(name): name for name in names}
        self.told: set[str] = set()
        self.sought = 0

    def find(self, cell: Cell) -> str | Fault:
        """Return the stream as the circuit spells it, or what is wrong with the name."""
        known = self.known.get(fold_name(cell.text)) if self.known else cell.text
        if known is not None:
            return known
        mend = "Check its spelling, as that of the others."
        self.sought += 1
        if self.sought <= _PROPOSED:  # each is compared with every stream
            mend = did_you_mean(cell.text, list(self.known.values()), "Streams")
        problem = f"There is no stream '{cell.text}' in the circuit."
        mend += "\nIf it is gone, take its rows out."
        return Fault(problem, mend, cell.place, Missing("stream", cell.text))

    def of_row(self, row: Sequence[Cell], column: int, faults: list[Fault]) -> str | None:
        """Return the stream of a row; None, with a fault once for each name, if there is none."""
        cell = row[column]
        found = unnamed_row(row, cell) or self.find(cell)
        if isinstance(found, str):
            return found
        if cell.blank or cell.problem or fold_name(cell.text) not in self.told:
            faults.append(found)
        self.told.add(fold_name(cell.text))
        return None
