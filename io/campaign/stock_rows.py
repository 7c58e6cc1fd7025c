"""Stocks in a table of many surveys: rows of the streams 'opening stock of PILE', 'closing ...'.

Of each survey they are kept as its stocks.csv. A pile has both stocks in every survey: blank where
nobody measured them.
"""

from __future__ import annotations

from collections.abc import Sequence

from oretally.flowsheet.circuit import fold_name
from oretally.io.definition import STOCKS_OF
from oretally.io.files import Cell

__all__ = ["piles_of", "stock_table"]

_WHEN = ("opening", "closing")


def piles_of(streams: Sequence[Cell], drawn: Sequence[str]) -> tuple[str, ...]:
    """Return the piles whose stocks are named, in order, then those of the circuit that are not."""
    found = {fold_name(stock[1]): stock[1] for c in streams if (stock := _stock(c)) is not None}
    for name in drawn:
        found.setdefault(fold_name(name), name)
    return tuple(found.values())


def stock_table(
    header: Sequence[Cell], rows: Sequence[Sequence[Cell]], stream: int, piles: Sequence[str]
) -> tuple[list[list[Cell]], list[Sequence[Cell]]]:
    """Return the stocks of one survey as the cells of a stocks.csv, and the rows that are none.

    ``stream`` is the number of the column that names streams. Each cell keeps its place.
    """
    others = [j for j in range(len(header)) if j != stream]
    nothing = Cell(None, header[stream].origin)

    def line(of: Cell, node: str, when: str, rest: Sequence[Cell]) -> list[Cell]:
        return [of._replace(value=node), of._replace(value=when), *rest]

    lines = [line(header[stream], "node", "when", [header[j] for j in others])]
    rest, given = list[Sequence[Cell]](), set[tuple[str, str]]()
    for row in rows:
        stock = _stock(row[stream])
        if stock is None:
            rest.append(row)
            continue
        given.add((fold_name(stock[1]), stock[0]))
        lines.append(line(row[stream], stock[1], stock[0], [row[j] for j in others]))
    for pile in piles:
        for when in _WHEN:
            if (fold_name(pile), when) not in given:
                lines.append(line(nothing, pile, when, [nothing for _ in others]))
    return lines, rest


def _stock(stream: Cell) -> tuple[str, str] | None:
    """Return when, and of which pile, if a stream is a stock."""
    for when, begins in zip(_WHEN, STOCKS_OF, strict=True):
        if stream.text.casefold().startswith(begins):
            return when, " ".join(stream.text[len(begins) :].split())
    return None
