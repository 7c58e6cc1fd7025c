"""The tables of a balance as text cells: the same rows for terminal and report."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from math import isfinite

from oretally.flowsheet import ErrorPart, Measurement
from oretally.flowsheet.circuit import Content
from oretally.flowsheet.digits import DASH, chance_percent, format_with_sd
from oretally.flowsheet.survey import DECLARED_LOSS, STATED, effective_dof
from oretally.io.cells import written_bound
from oretally.recon.result import Balance, BalancedValue, CalculatedHead, Closure, ErrorShare

__all__ = [
    "ResultTable",
    "aligned",
    "class_value_table",
    "closure_table",
    "error_part_table",
    "formula_table",
    "head_table",
    "recovery_budget_table",
    "recovery_table",
    "separation_table",
    "value_table",
]

_CLASS_LEGEND = (
    "Redundant: measured, and checked by the other numbers. Nonredundant: measured, but nothing "
    "checks it. Observable: not measured, given by the balance. Unobservable: not determined by "
    f"anything. {DASH} stands for a number that there is none of.",
)
_TOLD = 3  # sources named for one recovery
_LITTLE = 0.01  # share of a variance below which a source is not named


@dataclass(frozen=True, slots=True)
class ResultTable:
    """A table whose outer columns hold words and whose inner ones hold numbers.

    Attributes
    ----------
    caption : str
    header : sequence of str
    rows : sequence of sequence of str
    words, last_words : int
        Columns of words at the left and at the right.
    below : sequence of str
        Sentences to stand below it.
    legend : sequence of str
        Sentences that explain its columns, where there is room for them.
    wraps : bool
        Whether words are set on several lines, on a page.
    """

    caption: str
    header: Sequence[str]
    rows: Sequence[Sequence[str]]
    words: int
    last_words: int = 0
    below: Sequence[str] = ()
    legend: Sequence[str] = ()
    wraps: bool = False

    @property
    def kinds(self) -> list[str]:
        """What each column holds: 'name', 'word' or 'number'."""
        width = len(self.header)
        inner = range(self.words, width - self.last_words)
        return ["name" if j == 0 else "number" if j in inner else "word" for j in range(width)]

    @property
    def columns(self) -> list[list[str]]:
        """The columns, numbers padded so that their decimal points stand below each other."""
        found = [list(column) for column in zip(*self.rows, strict=True)] or [
            [] for _ in self.kinds
        ]
        return [
            aligned(column) if kind == "number" else column
            for column, kind in zip(found, self.kinds, strict=False)
        ]

    @property
    def document(self) -> dict[str, object]:
        """The table as JSON has it."""
        return {
            "caption": self.caption,
            "columns": list(self.header),
            "rows": [list(row) for row in self.rows],
            "kinds": self.kinds,
            "below": list(self.below),
            "legend": list(self.legend),
        }

    @property
    def trimmed(self) -> ResultTable:
        """The table without its last column of words, if nothing stands there."""
        if any(row[-1] for row in self.rows):
            return self
        rows = [row[:-1] for row in self.rows]
        return replace(self, header=self.header[:-1], rows=rows, last_words=self.last_words - 1)


def aligned(numbers: Sequence[str]) -> list[str]:
    """Return numbers padded on the right so that decimal points align.

    Examples
    --------
    >>> aligned(["1.25", "10", "–"])
    ['1.25', '10   ', '–   ']
    """
    tails = [len(n) - n.index(".") if "." in n else 0 for n in numbers]
    longest = max(tails, default=0)
    return [n + " " * (longest - t) for n, t in zip(numbers, tails, strict=True)]


def _pairs(pairs: Iterable[tuple[float | None, float | None]]) -> list[str]:
    return [text for pair in pairs for text in format_with_sd(*pair)]


def _signed(value: float | None) -> str:
    text = DASH if value is None else f"{value:+.1f}"
    return "0.0" if text in ("+0.0", "-0.0") else text


def recovery_table(balance: Balance) -> ResultTable:
    """Return the recoveries, products first."""
    names = [a.name for a in balance.survey.analytes]
    product = {r.stream: r.product for r in balance.recoveries}
    known = {(r.stream, r.analyte): r for r in balance.recoveries}
    rows = []
    for stream in sorted(product, key=lambda s: not product[s]):
        row = [stream, _role(balance, stream, product=product[stream])]
        for name in names:
            r = known.get((stream, name))
            value, sd = (None, None) if r is None else (r.recovery, r.sd)
            pair = _pairs([(value, sd)])
            if r is not None and r.limit:
                pair[1] = r.limit
            row += pair
        rows.append(row)
    header = ["stream", "", *(h for name in names for h in (f"{name} [%]", "±"))]
    return ResultTable(f"Recovery and distribution, of '{balance.feed}'", header, rows, 2)


def _role(balance: Balance, name: str, *, product: bool) -> str:
    """Return what a stream is to the circuit."""
    stream = next(s for s in balance.circuit.streams if s.name == name)
    if stream.stock:
        return "stock"
    if _declared(balance, name):
        return "declared loss"
    if product:
        return "product"
    return "inside" if stream.source and stream.target else "outlet" if stream.source else "inlet"


def _declared(balance: Balance, stream: str) -> bool:
    flow = balance.survey.measured(stream, balance.survey.basis.quantity)
    return flow is not None and flow.error_source == DECLARED_LOSS


def separation_table(balance: Balance) -> ResultTable:
    """Return yield, ratio of concentration and enrichment, one column a product with solids.

    Declared losses are left out: the ratios of what is about 0 say nothing. So is, without rows,
    what holds for every ore: a circuit with one product puts all of the feed there.
    """
    solids = {s.name for s in balance.circuit.streams if s.content is not Content.SOLUTION}
    parts = [
        s for s in balance.separations if s.stream in solids and not _declared(balance, s.stream)
    ]
    rows = [
        ["yield (mass pull) [%]", *_pairs((s.yield_percent, s.yield_sd) for s in parts)],
        ["ratio of concentration", *_pairs((s.ratio_of_concentration, s.ratio_sd) for s in parts)],
    ]
    for analyte in balance.survey.analytes:
        pairs = (s.enrichment[analyte.name] or (None, None) for s in parts)
        rows.append([f"enrichment of {analyte.name}", *_pairs(pairs)])
    if len(parts) == 1 and rows[0][1:] == ["100", DASH]:
        rows = [row for row in rows[2:] if row[-1] != DASH]
    if not parts:
        rows = []
    header = ["", *(h for s in parts for h in (s.stream, "±"))]
    return ResultTable(f"Products against '{balance.feed}'", header, rows, 1)


def value_table(
    balance: Balance, *, brief: bool = False, without: Collection[str] = ()
) -> ResultTable:
    """Return every quantity, stream by stream, without some carriers; ``brief`` fits a terminal."""
    rows = [v for v in balance.values if v.carrier not in without]
    return replace(_values(balance, rows, brief=brief), legend=_CLASS_LEGEND)


def class_value_table(balance: Balance, labels: Collection[str]) -> ResultTable:
    """Return the quantities of the size classes alone, by their labels."""
    rows = [v for v in balance.values if v.carrier in labels]
    return _values(balance, rows, "Every size class, stream by stream")


def _values(
    balance: Balance, values: Iterable[BalancedValue],
    caption: str = "Every quantity, stream by stream", *, brief: bool = False,
) -> ResultTable:  # fmt: skip
    rows = []
    last = ""
    wrong = {e[1:]: p for e, p in balance.gross_errors.probabilities if e.kind == "measurement"}
    for v in values:
        change = DASH if v.adjustment is None else format_with_sd(v.adjustment, v.sd)[0]
        row = [v.stream if v.stream != last else "", f"{v.quantity} [{v.unit}]"]
        row += _pairs([(v.measured, v.sd), (v.adjusted, v.adjusted_sd)])
        if v.measured is not None and v.sd is not None:
            row[2] = written_bound(v.measured, v.sd, v.error_source) or row[2]
        row += [_signed(v.standardised)] if brief else [change, _signed(v.standardised)]
        if wrong and not brief:
            row.append(chance_percent(wrong.get((v.stream, v.quantity))))
        row.append(v.value_class.value + (" (at bound)" if v.at_bound else ""))
        rows.append(row if brief else [*row, v.error_source, v.note])
        last = v.stream
    header = ["stream", "quantity", "measured", "±", "adjusted", "±"]
    if brief:
        header += ["standardised", "class"]
        return ResultTable("Measured against adjusted", header, rows, 2, 1)
    header += ["adjustment", "standardised", *(["wrong [%]"] if wrong else []), "class",
               "error stated by", "note"]  # fmt: skip
    words = len(header) - header.index("class")
    return ResultTable(caption, header, rows, 2, words).trimmed


def closure_table(closures: Sequence[Closure]) -> ResultTable:
    """Return in minus out of every node, as measured."""
    rows = [
        [c.node, f"{c.quantity} [{c.unit}]", format_with_sd(c.inflow, c.sd)[0],
         format_with_sd(c.outflow, c.sd)[0], *format_with_sd(c.imbalance, c.sd), _signed(c.z)]
        for c in closures
    ]  # fmt: skip
    header = ["node", "quantity", "in", "out", "in - out", "± expected", "z"]
    return ResultTable("Closures as measured, in minus out", header, rows, 2)


def head_table(heads: Sequence[CalculatedHead], *, adjusted: bool = True) -> ResultTable:
    """Return calculated against assayed heads; without the adjusted one before a balance."""
    rows = []
    for h in heads:
        row = [f"{h.analyte} [{h.unit}]"]
        row += _pairs([(h.calculated, h.calculated_sd), (h.assayed, h.assayed_sd)])
        row.append(_signed(h.z))
        rows.append(row + (_pairs([(h.adjusted, h.adjusted_sd)]) if adjusted else []))
    header = ["analyte", "calculated", "±", "assayed", "±", "z"]
    header += ["adjusted", "±"] if adjusted else []
    return ResultTable("Calculated head against assayed head", header, rows, 1)


def formula_table(balance: Balance) -> ResultTable:
    """Return the textbook answers beside those of the balance."""
    rows = [
        [f.analyte, f.stream, f.formula,
         *_pairs([(f.recovery, f.sd), (f.reconciled, f.reconciled_sd)])]
        for f in balance.formulas
    ]  # fmt: skip
    header = ["analyte", "to", "formula", "recovery", "±", "balance", "±"]
    return ResultTable("Textbook recoveries beside the balance [%]", header, rows, 3)


def error_part_table(balance: Balance) -> ResultTable:
    """Return what the stated errors are made of; no rows if each has one part only."""
    rows = []
    for m in balance.survey.measurements:
        if len(m.parts) > 1:
            whole = format_with_sd(m.value, m.sd)[1]
            rows.append([m.stream, f"{m.quantity} [{m.unit}]", whole, _made_of(m)])
    header = ["stream", "quantity", "±", "share of its variance"]
    return ResultTable("What the stated errors are made of", header, rows, 2, 1, wraps=True)


def _made_of(m: Measurement) -> str:
    def words(part: ErrorPart) -> str:
        shared = " (shared)" if part.shared else ""
        return f"{part.source}{shared} {chance_percent((part.sd / m.sd) ** 2)} %"

    text = ", ".join(words(p) for p in sorted(m.parts, key=lambda p: -p.sd))
    dof = effective_dof(m.parts)
    return f"{text}; {dof:.0f} degrees of freedom" if isfinite(dof) else text


def recovery_budget_table(balance: Balance) -> ResultTable:
    """Return what the uncertainty of each recovery that has one comes from: the largest shares."""
    rows = []
    for b in balance.budgets:
        r = balance.recovery(b.stream, b.analyte)
        told = format_with_sd(r.recovery, r.sd)
        if told[1] == DASH:  # nothing is known, or nothing could be otherwise
            continue
        large = [s for s in b.first(_TOLD) if s.share >= _LITTLE]
        text = "; ".join(f"{_source(s)} {chance_percent(s.share)} %" for s in large)
        rows.append([b.stream, b.analyte, *told, text])
    header = ["stream", "analyte", "recovery [%]", "±", "share of its variance"]
    return ResultTable("What the ± of the recoveries comes from", header, rows, 2, 1, wraps=True)


def _source(share: ErrorShare) -> str:
    """Return a source in a few words."""
    if share.shared:
        return f"{share.source} (shared, {share.quantity})"
    what = f"{share.quantity} of '{share.stream}'"
    return what if share.source == STATED else f"{share.source}, {what}"
