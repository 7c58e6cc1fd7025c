"""The table that reports of this trade open with: products, mass, grades, metal, distribution.

Adjusted values; below the products stand the head as it follows from them and as it was assayed.
The same rows are text, in parts as wide as a line, and numbers for a spreadsheet.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import NamedTuple

from oretally.flowsheet import Analyte, Unit, parse_unit
from oretally.flowsheet.digits import DASH, format_number, format_with_sd
from oretally.flowsheet.survey import in_solution
from oretally.io.wording import ResultTable, aligned, amount_units, listed, quoted
from oretally.recon.result import AnalyteAmount, Balance, BalancedValue, Estimate

__all__ = ["Figure", "ProductRows", "product_rows", "product_tables"]

_GAP = 2  # characters between columns
_SMALL = 0.1  # percent, below which a share has all its digits
_NEARLY_ALL = 0.9995  # of the feed, from which the products are all that it became; no more, too


class Figure(NamedTuple):
    """A number as it is shown and as it is; no value where there is none, or only a limit."""

    text: str = DASH
    value: float | None = None

    @property
    def number_format(self) -> str:
        """The format in which a spreadsheet shows ``value`` as ``text``.

        Examples
        --------
        >>> [Figure(text).number_format for text in ("12.30", "25400", "0.31 mg/L", "1.2e-08")]
        ['0.00', '0', '0.00" mg/L"', '0.0E+00']
        """
        number, _, unit = self.text.partition(" ")
        number, _, exponent = number.partition("e")
        places = len(number.partition(".")[2])
        form = f"0.{'0' * places}" if places else "0"
        return form + ("E+00" if exponent else "") + (f'" {unit}"' if unit else "")


class _Part(NamedTuple):
    """One analyte in one stream."""

    grade: Figure = Figure()
    metal: Figure = Figure()
    share: Figure = Figure()


class _Row(NamedTuple):
    """One line of the table."""

    name: str
    mass: Figure
    share: Figure
    parts: Sequence[_Part]


class ProductRows(NamedTuple):
    """The table as numbers.

    Attributes
    ----------
    header : sequence of str
        The product; its mass or rate, and the share of that; grade, amount and share of each
        analyte.
    products : sequence of (str, sequence of Figure)
        Name and numbers of each product.
    heads : sequence of (str, sequence of Figure)
        The same of the head, as it follows from them and as it was assayed.
    """

    header: Sequence[str]
    products: Sequence[tuple[str, Sequence[Figure]]]
    heads: Sequence[tuple[str, Sequence[Figure]]]


_WHOLE = Figure("100", 100.0)
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
    mass = shown.masses
    largest = set(sorted(mass, key=lambda s: -mass[s])[:most])
    rows = [*(shown.product(s) for s in balance.products if s in largest), *shown.heads()]
    names: _Block = [["product"], *([row.name] for row in rows)]
    blocks = [shown.flow_block(rows),
              *(shown.block(rows, k) for k in range(len(balance.survey.analytes)))]  # fmt: skip
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
    below = [f"{told}: --show recoveries."] if told else []
    apart = [s for s in balance.circuit.products if s not in (*balance.products, *balance.feeds)]
    if apart:
        below.append(f"Leaves as well, and is not listed: {quoted(apart)}.")
    if below:
        tables[-1] = replace(tables[-1], below=tuple(below))
    return tables


def _short(name: str, most: int) -> str:
    """Return a name in so many characters: what tells names apart is at both ends."""
    if len(name) <= most:
        return name
    end = most // 2
    return f"{name[: most - end - 1].rstrip()}…{name[-end:].lstrip()}"


def product_rows(balance: Balance) -> ProductRows | None:
    """Return all of the table as numbers; None where there are no products to tell of."""
    if not balance.separations:
        return None
    shown = _Shown(balance)
    flow, unit = shown.flow, balance.survey.flow_unit
    header = ["product", f"{flow} [{unit}]", f"{flow} [%]"]
    for analyte in balance.survey.analytes:
        header += [*shown.amount_heads(analyte), f"{analyte.name} dist. [%]"]

    def told(row: _Row) -> tuple[str, Sequence[Figure]]:
        return row.name, [row.mass, row.share, *(figure for part in row.parts for figure in part)]

    products = [told(shown.product(s)) for s in balance.products]
    return ProductRows(header, products, [told(row) for row in shown.heads()])


def _fitting(names: _Block, blocks: Sequence[_Block], width: int) -> Iterator[list[_Block]]:
    """Yield the blocks of each part of the table, the names first."""
    some, used = [names], _names_width(names)
    for block in blocks:
        if len(some) > 1 and used + _width(block) > width:
            yield some
            some, used = [names], _names_width(names)
        some, used = [*some, block], used + _width(block)
    yield some


def _width(block: _Block) -> int:
    """Return the characters that columns take, decimal points below each other, with their gaps."""
    heads, *rows = block
    columns = zip(heads, zip(*rows, strict=True), strict=True)
    return sum(_GAP + max(len(head), *map(len, aligned(cells))) for head, cells in columns)


def _names_width(names: _Block) -> int:
    return max(len(name) for [name] in names)


def _joined(blocks: Sequence[_Block], caption: str) -> ResultTable:
    header, *rows = [[text for block in blocks for text in block[i]] for i in range(len(blocks[0]))]
    return ResultTable(caption, header, rows, 1)


class _Shown:
    """Reads the numbers of the table out of a balance."""

    def __init__(self, balance: Balance) -> None:
        self.balance, self.survey = balance, balance.survey
        self.values = {(v.stream, v.quantity): v for v in balance.values}
        self.recoveries = {(r.stream, r.analyte): r for r in balance.recoveries}
        self.amounts = {(a.stream, a.analyte): a for a in balance.amounts}
        self.pulls = {s.stream: s for s in balance.separations}
        self.units = amount_units(balance)
        self.shown = {a.name: a.unit for a in self.survey.analytes}
        self.shown[self.survey.basis.quantity] = self.survey.flow_unit
        self.flow = self.survey.basis.quantity.removeprefix("dry ")

    @property
    def masses(self) -> dict[str, float]:
        """The share of the feed's mass that goes to each product. [%]."""
        return {s.stream: s.yield_percent or 0.0 for s in self.balance.separations}

    def product(self, stream: str) -> _Row:
        """Return the line of a product, or of a feed that is alone."""
        pull = self.pulls.get(stream)
        share = _WHOLE if pull is None else _percent(pull.yield_percent, pull.yield_sd)
        mass = _adjusted(
            self.values.get((stream, self.survey.basis.quantity)),
            self.shown[self.survey.basis.quantity],
        )
        parts = [self._part(stream, a.name) for a in self.survey.analytes]
        return _Row(stream, mass, Figure() if mass.value is None else share, parts)

    def heads(self) -> list[_Row]:
        """Return the line of the feed as adjusted, and as measured if anything of it was."""
        fed, mass, several = self._fed(), self.masses, self.balance.combined_feed
        whole = sum(mass.values()) / 100.0
        if _NEARLY_ALL <= whole <= 2.0 - _NEARLY_ALL and len(mass) > 1:
            fed = fed._replace(name="calculated head")
        if several is None:
            flow = self._measured(self.survey.basis.quantity)
            parts = [_Part(grade=self._measured(a.name)) for a in self.survey.analytes]
        else:
            flow = _estimate(several.measured)
            parts = [_Part(_estimate(several.assayed[a.name])) for a in self.survey.analytes]
        if all(figure.value is None for figure in (flow, *(p.grade for p in parts))):
            return [fed]
        return [fed, _Row("assayed head", flow, Figure(), parts)]

    def _fed(self) -> _Row:
        """Return the line of the feed, or of the feeds together, as adjusted."""
        name, several = self.balance.feed, self.balance.combined_feed
        if several is None:
            return self.product(name)
        amounts = {a.analyte: a for a in self.balance.amounts if a.stream == name and not a.product}
        parts = [
            _Part(_estimate(several.grades[a.name]), self._metal(amounts.get(a.name)), _WHOLE)
            for a in self.survey.analytes
        ]
        mass = _estimate(several.adjusted)
        return _Row(name, mass, Figure() if mass.value is None else _WHOLE, parts)

    def flow_block(self, rows: Sequence[_Row]) -> _Block:
        """Return the columns of the mass or rate, as text."""
        header = [f"{self.flow} [{self.survey.flow_unit}]", "% of feed"]
        return [header, *([row.mass.text, row.share.text] for row in rows)]

    def block(self, rows: Sequence[_Row], k: int) -> _Block:
        """Return the columns of one analyte, as text."""
        header = [*self.amount_heads(self.survey.analytes[k]), "dist. %"]
        return [header, *([figure.text for figure in row.parts[k]] for row in rows)]

    def amount_heads(self, analyte: Analyte) -> list[str]:
        """Return the headers of grade and amount."""
        return [f"{analyte.name} [{unit}]" for unit in (analyte.unit, self.units[analyte.name])]

    def _part(self, stream: str, analyte: str) -> _Part:
        found, share = self.recoveries.get((stream, analyte)), Figure()
        metal = self._metal(self.amounts.get((stream, analyte)))
        if self.balance.feeds == (stream,):
            share = _WHOLE if metal.value is not None else Figure()
        elif found is not None and found.at_most is not None:
            share = Figure(f"<{format_number(found.at_most, 2)}")
        elif found is not None:
            share = _percent(found.recovery, found.sd)
        return _Part(self._grade(stream, analyte), metal, share)

    def _metal(self, amount: AnalyteAmount | None) -> Figure:
        if amount is None:
            return Figure()
        unit = self.units[amount.analyte]
        return _figure(unit.from_base(amount.amount), unit.from_base(amount.sd))

    def _grade(self, stream: str, analyte: str) -> Figure:
        """Return the grade of the solids; where there are none, that of the solution, with unit."""
        value = self.values.get((stream, analyte))
        dissolved = self.values.get((stream, in_solution(analyte)))
        if value is None and dissolved is not None and dissolved.adjusted is not None:
            told = _figure(dissolved.adjusted, dissolved.adjusted_sd)
            return told._replace(text=f"{told.text} {dissolved.unit}")
        return _adjusted(value, self.shown[analyte])

    def _measured(self, quantity: str) -> Figure:
        value = self.values.get((self.balance.feed, quantity))
        if value is None:
            return Figure()
        return _figure(*_in_unit(value, self.shown[quantity], value.measured, value.sd))


def _figure(value: float | None, sd: float | None) -> Figure:
    """Return a number with the digits that its sd leaves."""
    text = format_with_sd(value, sd)[0]
    return Figure() if text == DASH else Figure(text, value)


def _estimate(found: Estimate | None) -> Figure:
    return Figure() if found is None else _figure(*found)


def _adjusted(value: BalancedValue | None, unit: Unit) -> Figure:
    """Return an adjusted value in the unit of its column, whatever unit its cell was typed in."""
    if value is None:
        return Figure()
    return _figure(*_in_unit(value, unit, value.adjusted, value.adjusted_sd))


def _in_unit(
    value: BalancedValue, unit: Unit, number: float | None, sd: float | None
) -> tuple[float | None, float | None]:
    """Return a number of a row, and its sd, in another unit."""
    if value.unit == unit.symbol:
        return number, sd
    own = parse_unit(value.unit, unit.dimension)
    first, second = (None if x is None else unit.from_base(own.to_base(x)) for x in (number, sd))
    return first, second


def _percent(value: float | None, sd: float | None) -> Figure:
    """Return a share with the digits of its sd, but two decimals at most where that says enough."""
    told = _figure(value, sd)
    if value is None or value < _SMALL or len(told.text.partition(".")[2]) <= 2:
        return told
    return Figure(f"{value:.2f}", value)
