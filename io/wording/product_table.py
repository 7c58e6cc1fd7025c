"""The table that reports of this trade open with: products, mass, grades, metal, distribution.

Adjusted values; below the products stand the head as it follows from them and as it was assayed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import NamedTuple

from oretally.flowsheet import Unit
from oretally.flowsheet.digits import DASH, format_number, format_with_sd
from oretally.flowsheet.survey import amount_unit, in_solution
from oretally.io.wording.sentences import listed
from oretally.io.wording.tables import ResultTable
from oretally.recon.result import Balance, BalancedValue

__all__ = ["product_tables"]

_GAP = 2  # characters between columns
_SMALL = 0.1  # percent, below which a share has all its digits
_NEARLY_ALL = 0.9995  # of the feed, from which the products are all that it became


class _Part(NamedTuple):
    """One analyte in one stream, as text."""

    grade: str = DASH
    metal: str = DASH
    share: str = DASH


class _Row(NamedTuple):
    """One line of the table, as text."""

    name: str
    mass: str
    share: str
    parts: Sequence[_Part]


_Block = list[list[str]]  # some columns: their heads, then a cell for each row


def product_tables(
    balance: Balance, width: int, *, most: int | None = None, lines: int | None = None
) -> list[ResultTable]:
    """Return the table in as many parts as the analytes need, each with the names of the products.

    Parameters
    ----------
    balance : Balance
    width : int
        Characters of a line.
    most : int, optional
        Products shown, those with the most mass; what is left out is counted below.
    lines : int, optional
        Of all parts together, on a screen: of the analytes that do not fit the number is told, and
        names too long for a line are shortened in their middle.
    """
    if not balance.separations:
        return []
    shown = _Shown(balance)
    mass = {s.stream: s.yield_percent or 0.0 for s in balance.separations}
    largest = set(sorted(mass, key=lambda s: -mass[s])[:most])
    rows = [shown.product(s) for s in balance.products if s in largest]
    if sum(mass.values()) >= 100.0 * _NEARLY_ALL and len(mass) > 1:
        rows.append(shown.product(balance.feed)._replace(name="calculated head"))
    else:
        rows.append(shown.product(balance.feed))
    rows += shown.assayed_head()
    names: _Block = [["product"], *([row.name] for row in rows)]
    flow = balance.survey.basis.quantity.removeprefix("dry ")
    block = [[f"{flow} [{balance.survey.flow_unit}]", f"{flow} %"],
             *([row.mass, row.share] for row in rows)]  # fmt: skip
    blocks = [block, *(shown.block(rows, k) for k in range(len(balance.survey.analytes)))]
    if lines is not None:
        names = [[_short(name, width - max(map(_width, blocks)) - _GAP)] for [name] in names]
    fitted = list(_fitting(names, blocks, width))
    captions = ["Products", *["Products, continued"] * (len(fitted) - 1)]
    tables = [_joined(some, of) for some, of in zip(fitted, captions, strict=True)]
    if lines is not None:
        tables = tables[: max(1, lines // (len(rows) + 2))]
    more = [(len(mass) - len(largest), "product"),
            (sum(len(some) - 1 for some in fitted[len(tables) :]), "analyte")]  # fmt: skip
    told = listed([f"{n} more {what}{'s' * (n > 1)}" for n, what in more if n] or [""])
    if told:
        tables[-1] = replace(tables[-1], below=(f"{told}: --show recoveries.",))
    return tables


def _fitting(names: _Block, blocks: Sequence[_Block], width: int) -> Iterator[list[_Block]]:
    """Yield the blocks of each part of the table, the names first."""
    some, used = [names], _width(names)
    for block in blocks:
        if len(some) > 1 and used + _width(block) > width:
            yield some
            some, used = [names], _width(names)
        some, used = [*some, block], used + _width(block)
    yield some


def _short(name: str, most: int) -> str:
    """Return a name in so many characters: what tells names apart is at both ends."""
    if len(name) <= most:
        return name
    end = most // 2
    return f"{name[: most - end - 1].rstrip()}…{name[-end:].lstrip()}"


def _width(block: _Block) -> int:
    return sum(_GAP + max(map(len, column)) for column in zip(*block, strict=True))


def _joined(blocks: Sequence[_Block], caption: str) -> ResultTable:
    header, *rows = [[text for block in blocks for text in block[i]] for i in range(len(blocks[0]))]
    return ResultTable(caption, header, rows, 1)


class _Shown:
    """Reads the numbers of the table out of a balance, as text."""

    def __init__(self, balance: Balance) -> None:
        self.balance, self.survey = balance, balance.survey
        self.values = {(v.stream, v.quantity): v for v in balance.values}
        self.recoveries = {(r.stream, r.analyte): r for r in balance.recoveries}
        self.amounts = {(a.stream, a.analyte): a for a in balance.amounts}
        self.pulls = {s.stream: s for s in balance.separations}

    def product(self, stream: str) -> _Row:
        """Return the line of a product, or of the feed."""
        pull = self.pulls.get(stream)
        share = "100" if pull is None else _percent(pull.yield_percent, pull.yield_sd)
        mass = _adjusted(self.values.get((stream, self.survey.basis.quantity)))
        parts = [self._part(stream, a.name) for a in self.survey.analytes]
        return _Row(stream, mass, DASH if mass == DASH else share, parts)

    def assayed_head(self) -> list[_Row]:
        """Return the line of the feed as measured; none if nothing of it was."""
        flow = self._measured(self.survey.basis.quantity)
        parts = [_Part(grade=self._measured(a.name)) for a in self.survey.analytes]
        if {flow, *(p.grade for p in parts)} == {DASH}:
            return []
        return [_Row("assayed head", flow, DASH, parts)]

    def block(self, rows: Sequence[_Row], k: int) -> _Block:
        """Return the columns of one analyte."""
        analyte = self.survey.analytes[k]
        units = analyte.unit, self._unit(analyte.name)
        header = [*(f"{analyte.name} [{unit}]" for unit in units), "dist. %"]
        return [header, *(list(row.parts[k]) for row in rows)]

    def _part(self, stream: str, analyte: str) -> _Part:
        amount = self.amounts.get((stream, analyte))
        found = self.recoveries.get((stream, analyte))
        metal, share, unit = DASH, DASH, self._unit(analyte)
        if amount is not None:
            metal = format_with_sd(unit.from_base(amount.amount), unit.from_base(amount.sd))[0]
        if stream == self.balance.feed:
            share = "100"
        elif found is not None and found.at_most is not None:
            share = f"<{format_number(found.at_most, 2)}"
        elif found is not None:
            share = _percent(found.recovery, found.sd)
        return _Part(self._grade(stream, analyte), metal, share)

    def _grade(self, stream: str, analyte: str) -> str:
        """Return the grade of the solids; where there are none, that of the solution, with unit."""
        value = self.values.get((stream, analyte))
        dissolved = self.values.get((stream, in_solution(analyte)))
        if value is None and dissolved is not None and dissolved.adjusted is not None:
            return f"{_adjusted(dissolved)} {dissolved.unit}"
        return _adjusted(value)

    def _measured(self, quantity: str) -> str:
        value = self.values.get((self.balance.feed, quantity))
        return DASH if value is None else format_with_sd(value.measured, value.sd)[0]

    def _unit(self, analyte: str) -> Unit:
        """Return the unit of amounts of an analyte: that in which the most is at least 1."""
        found = (a.amount for a in self.balance.amounts if a.analyte == analyte)
        return amount_unit(self.survey, analyte, max(found, default=0.0))


def _adjusted(value: BalancedValue | None) -> str:
    return DASH if value is None else format_with_sd(value.adjusted, value.adjusted_sd)[0]


def _percent(value: float | None, sd: float | None) -> str:
    """Return a share with the digits of its sd, but two decimals at most where that says enough."""
    told = format_with_sd(value, sd)[0]
    if value is None or value < _SMALL or len(told.partition(".")[2]) <= 2:
        return told
    return f"{value:.2f}"
