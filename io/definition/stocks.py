"""Opening and closing stocks of stockpiles: stocks.csv, or a sheet 'stocks'.

Columns: node, when (opening or closing), and those of the measurements: dry mass, analytes, for a
tank of solution water and what is dissolved in it, each with its ± column. Each stock becomes a
stream, and the rest a measurements table.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from oretally.flowsheet import Basis, Fault, NodeKind, Place, Stream
from oretally.flowsheet.circuit import Content, fold_name
from oretally.flowsheet.faults import did_you_mean, nearest_name
from oretally.io.files import Cell, Table

__all__ = ["STOCKS_FILE", "STOCKS_OF", "STOCK_COLUMNS", "NodeRow", "Stocks", "read_stocks"]

STOCKS_FILE = "stocks.csv"
_WHEN = ("opening", "closing")
STOCK_COLUMNS = ("node", "when")
"""Columns beside those of the measurements."""
STOCKS_OF = tuple(f"{when} stock of " for when in _WHEN)
"""How the streams of stocks begin; the name of the node follows."""
NodeRow = tuple[str, str, Place]
"""Name, kind and place of a node as written."""


@dataclass(frozen=True, slots=True)
class Stocks:
    """Streams of the stocks, and their numbers as a measurements table; None without any."""

    streams: tuple[Stream, ...] = ()
    table: Table | None = None


def read_stocks(
    table: Table | None,
    kinds: Sequence[NodeRow],
    streams: Sequence[Stream],
    basis: Basis,
    faults: list[Fault],
    *,
    planned: bool = False,
) -> Stocks:
    """Return the stocks of all stockpiles; what is wrong is added to ``faults``.

    Parameters
    ----------
    table : Table or None
    kinds : sequence of NodeRow
        Nodes whose kind is stated.
    streams : sequence of Stream
    basis : Basis
    faults : list of Fault
    planned : bool
        Whether the stocks may not be known yet: each stockpile has them then.
    """
    before = len(faults)
    piles = {fold_name(n): (n, p) for n, kind, p in kinds if kind == NodeKind.STOCKPILE.value}
    kind_of = {fold_name(n): (n, "separator") for s in streams for n in (s.source, s.target) if n}
    kind_of |= {fold_name(n): (n, kind) for n, kind, _ in kinds}
    found: dict[tuple[str, str], Cell] = {}
    rows = list[tuple[Cell, ...]]()
    if table is not None:
        if basis is Basis.RATE and table.rows:
            faults.append(
                Fault('Stocks are masses, but this case has the basis "rate".',
                      'Write basis = "batch" and give the masses of the whole period.',
                      table.place)
            )  # fmt: skip
            return Stocks()
        rows = _rows(table, piles, kind_of, found, faults)
    with_stock = {pile for pile, _ in found}
    if planned:
        with_stock = set(piles)
    elif len(faults) == before:
        for key, (name, place) in piles.items():
            if key not in with_stock:
                held = "water [m3]" if _content(streams, key) is Content.SOLUTION else (
                    "dry mass [t]"
                )  # fmt: skip
                faults.append(
                    Fault(f"The stockpile '{name}' has no opening and no closing stock.",
                          f"Give them in {STOCKS_FILE} (in a workbook the sheet stocks): node, "
                          f"when, {held}\nor make the node a separator.", place)
                )  # fmt: skip
    made = list[Stream]()
    for key in piles:
        for when in _WHEN if key in with_stock else ():
            at = found.get((key, when)) or found.get((key, _other(when)))
            name, place = piles[key]
            source, target = (None, name) if when == _WHEN[0] else (name, None)
            content = _content(streams, key)
            made.append(
                Stream(
                    _stream(when, name),
                    source,
                    target,
                    at.place if at else place,
                    content=content,
                    stock=True,
                )
            )
    if table is None or not rows:
        return Stocks(tuple(made))
    kept = _columns(table)
    heads = [Cell("stream", *_at(table.header[kept[0]])), *(table.header[j] for j in kept[1:])]
    plain = Table(table.place, tuple(heads), tuple(rows), table.decimal, table.undecided)
    return Stocks(tuple(made), plain)


def _rows(
    table: Table,
    piles: dict[str, tuple[str, Place]],
    kind_of: dict[str, tuple[str, str]],
    found: dict[tuple[str, str], Cell],
    faults: list[Fault],
) -> list[tuple[Cell, ...]]:
    """Return the rows with the stream in place of node and time; fill ``found``."""
    position = {cell.text.casefold(): j for j, cell in enumerate(table.header)}
    missing = [c for c in STOCK_COLUMNS if c not in position]
    if missing:
        faults.append(
            Fault(f"The column {', '.join(map(repr, missing))} is missing.",
                  "Columns: node, when (opening or closing), dry mass [t], and each analyte.",
                  table.place)
        )  # fmt: skip
        return []
    others = _columns(table)[1:]
    rows, refused = [], set[str]()
    for line in table.rows:
        node, when = line[position["node"]], line[position["when"]]
        if node.blank:
            first = next(cell for cell in line if not cell.blank)
            faults.append(Fault("The row names no node.", "Write the stockpile, or clear the row.",
                                first.place))  # fmt: skip
            continue
        key, word = fold_name(node.text), when.text.casefold()
        wrong = _wrong_node(node, piles, kind_of)
        if wrong is not None:
            if key not in refused:
                faults.append(wrong)
            refused.add(key)
            continue
        if word not in _WHEN:
            near = nearest_name(word, _WHEN) if word else None
            mend = f"Did you mean '{near}'?" if near else "Write opening or closing."
            said = f"'{when.text}' is neither 'opening' nor 'closing'." if word else (
                "The row does not say whether this is the opening or the closing stock."
            )  # fmt: skip
            faults.append(Fault(said, mend, when.place if when.place.cell else node.place))
            continue
        name = _stream(word, piles[key][0])
        earlier = found.setdefault((key, word), node)
        if earlier is not node:
            faults.append(
                Fault(f"The {name} is there twice (also {earlier.place.cell}).", "Take one out.",
                      node.place)
            )  # fmt: skip
            continue
        rows.append((Cell(name, *_at(node)), *(line[j] for j in others)))
    return rows


def _wrong_node(
    node: Cell, piles: dict[str, tuple[str, Place]], kind_of: dict[str, tuple[str, str]]
) -> Fault | None:
    """Return what is wrong with the node of a row."""
    key = fold_name(node.text)
    if key in piles:
        return None
    if key in kind_of:
        name, kind = kind_of[key]
        return Fault(f"'{name}' is no stockpile but a {kind}: it keeps no stock.",
                     f'Write [nodes] "{name}" = {{ kind = "stockpile" }}, or take the row out.',
                     node.place)  # fmt: skip
    names = [name for name, _ in (piles or kind_of).values()]
    mend = did_you_mean(node.text, names, "Nodes")
    return Fault(f"There is no node '{node.text}' in the circuit.", mend, node.place)


def _content(streams: Sequence[Stream], pile: str) -> Content:
    """Return what a stock carries: what all that meets it does, else solids and water."""
    met = {s.content for s in streams for n in (s.source, s.target) if n and fold_name(n) == pile}
    return met.pop() if len(met) == 1 else Content.PULP


def _columns(table: Table) -> list[int]:
    """Return the column of the node, then all others but the time."""
    words = [cell.text.casefold() for cell in table.header]
    node = words.index("node")
    return [node, *(j for j, w in enumerate(words) if w not in ("node", "when"))]


def _at(cell: Cell) -> tuple[Place, str, int, int]:
    return cell.origin, cell.problem, cell.row, cell.column


def _stream(when: str, node: str) -> str:
    return f"{STOCKS_OF[_WHEN.index(when)]}{node}"


def _other(when: str) -> str:
    return _WHEN[1 - _WHEN.index(when)]
