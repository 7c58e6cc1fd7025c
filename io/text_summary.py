"""The balance as text, for a terminal or a pipe."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from oretally.io.digits import DASH, format_number, format_with_sd
from oretally.io.wording import (
    CAUTION,
    SD_LEGEND,
    counts,
    largest_move,
    recovery_sentences,
    suspect_sentences,
    verdict,
)
from oretally.recon import Balance

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

__all__ = ["WIDTH", "aligned", "print_summary", "summary", "text_table"]

WIDTH = 160  # columns of text that is not for a terminal: tables are never cut
_SENTENCE = 92  # columns of a sentence
_SUSPECTS_SHOWN = 3


def summary(balance: Balance) -> str:
    """Return the summary as plain text."""
    from rich.console import Console

    buffer = io.StringIO()
    console = Console(file=buffer, width=WIDTH, color_system=None, force_terminal=False)
    print_summary(balance, console)
    return "\n".join(line.rstrip() for line in buffer.getvalue().splitlines()) + "\n"


def print_summary(balance: Balance, console: Console) -> None:
    """Print the summary to a rich console."""
    state = "" if balance.converged else ": NOT CONVERGED"
    _heading(console, f"Balance of '{balance.survey.title}'{state}")
    for word, sentence in (*counts(balance), ("agreement", verdict(balance))):
        console.print(_line(word, sentence))
    move = largest_move(balance)
    if move is not None:
        now, _ = format_with_sd(move.adjusted, move.adjusted_sd)
        console.print(
            _line(
                "largest move",
                f"{move.quantity} of '{move.stream}' {format_number(move.measured)} -> {now} "
                f"{move.unit}, standardised {move.standardised:+.1f}",
            )
        )
    for sentence in recovery_sentences(balance):
        console.print(_line("recovery", sentence))
    _suspects(console, balance)
    for title, table in _tables(balance):
        _heading(console, title)
        console.print(table)
    if balance.notes:
        _heading(console, "Notes")
        for note in balance.notes:
            console.print(_line("            -", note))
    console.print()
    console.print(_line("", f"{SD_LEGEND} {CAUTION}"))


def _line(word: str, sentence: str) -> RenderableType:
    from rich.table import Table
    from rich.text import Text

    grid = Table.grid(padding=(0, 1))
    grid.add_column(width=13)
    grid.add_column(max_width=_SENTENCE)
    grid.add_row(Text(word, style="bold"), Text(sentence))
    return grid


def _heading(console: Console, title: str) -> None:
    from rich.text import Text

    console.print()
    console.print(Text(title, style="bold"))


def _suspects(console: Console, balance: Balance) -> None:
    sentences = suspect_sentences(balance)
    if not sentences:
        return
    _heading(console, "Probably wrong: worth a second weighing or assay, the likeliest first")
    for number, sentence in enumerate(sentences[:_SUSPECTS_SHOWN], start=1):
        console.print(_line(f"{number:>13}", sentence))
    if len(sentences) > _SUSPECTS_SHOWN:
        rest = len(sentences) - _SUSPECTS_SHOWN
        console.print(
            _line(
                "",
                f"{rest} more stand out, as they do when one wrong number pulls at its "
                "neighbours: mend the first and balance again.",
            )
        )


def _tables(balance: Balance) -> Iterable[tuple[str, RenderableType]]:
    yield "Recovery and distribution, adjusted [%]", _recoveries(balance)
    yield f"Products against '{balance.feed}', adjusted", _separations(balance)
    yield "Measured against adjusted", _values(balance)
    if balance.closures:
        yield "Closures as measured, in minus out", _closures(balance)
    if balance.heads:
        yield "Calculated head against assayed head", _heads(balance)
    if balance.formulas:
        yield "Textbook recoveries beside the balance [%]", _formulas(balance)


def _recoveries(balance: Balance) -> RenderableType:
    names = [a.name for a in balance.survey.analytes]
    rows = []
    streams = dict.fromkeys(r.stream for r in balance.recoveries)
    product = {r.stream: r.product for r in balance.recoveries}
    for stream in sorted(streams, key=lambda s: not product[s]):
        cells = [stream, "product" if product[stream] else "inside"]
        for name in names:
            r = balance.recovery(stream, name)
            cells += format_with_sd(r.recovery, r.sd)
        rows.append(cells)
    header = ["stream", "", *(h for name in names for h in (name, "±"))]
    return text_table(header, rows, texts=2)


def _separations(balance: Balance) -> RenderableType:
    parts = balance.separations
    rows = [
        ["yield (mass pull) [%]", *_cells((s.yield_percent, s.yield_sd) for s in parts)],
        ["ratio of concentration", *_cells((s.ratio_of_concentration, s.ratio_sd) for s in parts)],
    ]
    for analyte in balance.survey.analytes:
        pairs = (s.enrichment[analyte.name] or (None, None) for s in parts)
        rows.append([f"enrichment of {analyte.name}", *_cells(pairs)])
    header = ["", *(h for s in parts for h in (s.stream, "±"))]
    return text_table(header, rows, texts=1)


def _cells(pairs: Iterable[tuple[float | None, float | None]]) -> list[str]:
    return [text for pair in pairs for text in format_with_sd(*pair)]


def _values(balance: Balance) -> RenderableType:
    rows = []
    last = ""
    for v in balance.values:
        measured = format_with_sd(v.measured, v.sd)
        adjusted = format_with_sd(v.adjusted, v.adjusted_sd)
        standardised = DASH if v.standardised is None else f"{v.standardised:+.1f}"
        word = v.value_class.value + (" (at bound)" if v.at_bound else "")
        stream = v.stream if v.stream != last else ""
        last = v.stream
        rows.append([stream, f"{v.quantity} [{v.unit}]", *measured, *adjusted, standardised, word])
    header = ["stream", "quantity", "measured", "±", "adjusted", "±", "standardised", "class"]
    return text_table(header, rows, texts=2, last_text=True)


def _closures(balance: Balance) -> RenderableType:
    rows = [
        [c.node, f"{c.quantity} [{c.unit}]", format_number(c.inflow), format_number(c.outflow),
         *format_with_sd(c.imbalance, c.sd), f"{c.z:+.1f}"]
        for c in balance.closures
    ]  # fmt: skip
    header = ["node", "quantity", "in", "out", "in - out", "± expected", "z"]
    return text_table(header, rows, texts=2)


def _heads(balance: Balance) -> RenderableType:
    rows = [
        [f"{h.analyte} [{h.unit}]", *format_with_sd(h.calculated, h.calculated_sd),
         *format_with_sd(h.assayed, h.assayed_sd), DASH if h.z is None else f"{h.z:+.1f}",
         *format_with_sd(h.adjusted, h.adjusted_sd)]
        for h in balance.heads
    ]  # fmt: skip
    header = ["analyte", "calculated", "±", "assayed", "±", "z", "adjusted", "±"]
    return text_table(header, rows, texts=1)


def _formulas(balance: Balance) -> RenderableType:
    rows = [
        [f.analyte, f.stream, f.formula, *format_with_sd(f.recovery, f.sd),
         *format_with_sd(f.reconciled, f.reconciled_sd)]
        for f in balance.formulas
    ]  # fmt: skip
    header = ["analyte", "to", "formula", "recovery", "±", "balance", "±"]
    return text_table(header, rows, texts=3)


def text_table(
    header: Sequence[str], rows: Sequence[Sequence[str]], *, texts: int, last_text: bool = False
) -> RenderableType:
    """Return a table: the first ``texts`` columns are words, the others numbers.

    Numbers are padded so that their decimal points stand below each other.
    """
    from rich import box
    from rich.table import Table
    from rich.text import Text

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, safe_box=True)
    columns = [list(column) for column in zip(*rows, strict=True)] or [[] for _ in header]
    for j, name in enumerate(header):
        word = j < texts or (last_text and j == len(header) - 1)
        table.add_column(Text(name), justify="left" if word else "right", no_wrap=True)
        if not word:
            columns[j] = aligned(columns[j])
    for row in zip(*columns, strict=True):
        table.add_row(*(Text(cell) for cell in row))
    return table


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
