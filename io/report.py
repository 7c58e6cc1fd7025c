"""The report: one HTML file with everything in it, to read, print or send."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from importlib.resources import files

from oretally.io.adjustment_svg import adjustment_svg
from oretally.io.circuit_svg import balance_labels, circuit_svg, flow_svg
from oretally.io.digits import DASH, format_number, format_with_sd
from oretally.io.text_summary import aligned
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

__all__ = ["html_report"]

_FIGURE_SPACE = "\u2007"  # as wide as a digit: pads numbers so that decimal points align


@dataclass(frozen=True, slots=True)
class _Table:
    """A table: the first ``words`` columns hold words, the others numbers."""

    caption: str
    header: Sequence[str]
    rows: Sequence[Sequence[str]]
    words: int
    last_words: int = 0

    @property
    def cells(self) -> list[list[tuple[str, str]]]:
        """Rows of (text, kind), kind being 'name', 'word' or 'number'."""
        columns = [list(column) for column in zip(*self.rows, strict=True)]
        width = len(self.header)
        kinds = [
            "name" if j == 0 else "word" if j < self.words or j >= width - self.last_words
            else "number"
            for j in range(width)
        ]  # fmt: skip
        for j, column in enumerate(columns):
            if kinds[j] == "number":
                columns[j] = [text.replace(" ", _FIGURE_SPACE) for text in aligned(column)]
        return [list(zip(row, kinds, strict=True)) for row in zip(*columns, strict=True)]


def html_report(balance: Balance) -> str:
    """Return the report of a balance as one self-contained HTML document.

    No date, no network, no script: the same balance gives the same bytes.
    """
    import jinja2

    template_text = files("oretally.io").joinpath("templates/report.html.j2").read_text("utf-8")
    environment = jinja2.Environment(
        autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined
    )
    move = largest_move(balance)
    flows = [
        (a.name, flow_svg(balance, a.name))
        for a in balance.survey.analytes
        if any(r.analyte == a.name and r.recovery is not None for r in balance.recoveries)
    ]
    return environment.from_string(template_text).render(
        title=balance.survey.title,
        converged=balance.converged,
        counts=counts(balance),
        verdict=verdict(balance),
        recoveries=recovery_sentences(balance),
        move=move,
        moved_to=format_with_sd(move.adjusted, move.adjusted_sd)[0] if move else "",
        moved_from=format_number(move.measured) if move else "",
        suspects=suspect_sentences(balance),
        circuit=circuit_svg(balance.circuit, balance_labels(balance)),
        flows=flows,
        answers=[_recoveries(balance), _separations(balance)],
        values=_values(balance),
        plot=adjustment_svg(balance)
        if any(v.standardised is not None for v in balance.values)
        else "",
        checks=[t for t in (_closures(balance), _heads(balance), _formulas(balance)) if t.rows],
        notes=balance.notes,
        figures=_figures(balance),
        sd_legend=SD_LEGEND,
        caution=CAUTION,
        dash=DASH,
        version=version("oretally"),
    )


def _pairs(pairs: Iterable[tuple[float | None, float | None]]) -> list[str]:
    return [text for pair in pairs for text in format_with_sd(*pair)]


def _recoveries(balance: Balance) -> _Table:
    names = [a.name for a in balance.survey.analytes]
    product = {r.stream: r.product for r in balance.recoveries}
    rows = []
    for stream in sorted(product, key=lambda s: not product[s]):
        found = [balance.recovery(stream, name) for name in names]
        word = "product" if product[stream] else "inside the circuit"
        rows.append([stream, word, *_pairs((r.recovery, r.sd) for r in found)])
    header = ["stream", "", *(h for name in names for h in (f"{name} [%]", "±"))]
    return _Table(f"Recovery and distribution, of '{balance.feed}'", header, rows, 2)


def _separations(balance: Balance) -> _Table:
    parts = balance.separations
    rows = [
        ["yield (mass pull) [%]", *_pairs((s.yield_percent, s.yield_sd) for s in parts)],
        ["ratio of concentration", *_pairs((s.ratio_of_concentration, s.ratio_sd) for s in parts)],
    ]
    for analyte in balance.survey.analytes:
        pairs = (s.enrichment[analyte.name] or (None, None) for s in parts)
        rows.append([f"enrichment of {analyte.name}", *_pairs(pairs)])
    header = ["", *(h for s in parts for h in (s.stream, "±"))]
    return _Table(f"Products against '{balance.feed}'", header, rows, 1)


def _values(balance: Balance) -> _Table:
    rows = []
    last = ""
    for v in balance.values:
        change = DASH if v.adjustment is None else format_with_sd(v.adjustment, v.sd)[0]
        standardised = DASH if v.standardised is None else f"{v.standardised:+.1f}"
        word = v.value_class.value + (", at its bound" if v.at_bound else "")
        rows.append(
            [v.stream if v.stream != last else "", f"{v.quantity} [{v.unit}]",
             *format_with_sd(v.measured, v.sd), *format_with_sd(v.adjusted, v.adjusted_sd),
             change, standardised, word, v.error_source, v.note]
        )  # fmt: skip
        last = v.stream
    header = ["stream", "quantity", "measured", "±", "adjusted", "±", "adjustment",
              "standardised", "class", "error stated by", "note"]  # fmt: skip
    return _Table("Every quantity, stream by stream", header, rows, 2, last_words=3)


def _closures(balance: Balance) -> _Table:
    rows = [
        [c.node, f"{c.quantity} [{c.unit}]", format_number(c.inflow), format_number(c.outflow),
         *format_with_sd(c.imbalance, c.sd), f"{c.z:+.1f}"]
        for c in balance.closures
    ]  # fmt: skip
    header = ["node", "quantity", "in", "out", "in − out", "± expected", "z"]
    return _Table("Closures as measured, before any adjustment", header, rows, 2)


def _heads(balance: Balance) -> _Table:
    rows = [
        [f"{h.analyte} [{h.unit}]", *format_with_sd(h.calculated, h.calculated_sd),
         *format_with_sd(h.assayed, h.assayed_sd), DASH if h.z is None else f"{h.z:+.1f}",
         *format_with_sd(h.adjusted, h.adjusted_sd)]
        for h in balance.heads
    ]  # fmt: skip
    header = ["analyte", "calculated", "±", "assayed", "±", "z", "adjusted", "±"]
    return _Table("Calculated head (from the products) against assayed head", header, rows, 1)


def _formulas(balance: Balance) -> _Table:
    rows = [
        [f.analyte, f.stream, f.formula, *format_with_sd(f.recovery, f.sd),
         *format_with_sd(f.reconciled, f.reconciled_sd)]
        for f in balance.formulas
    ]  # fmt: skip
    header = ["analyte", "to", "formula", "recovery [%]", "±", "this balance [%]", "±"]
    return _Table("Textbook answers beside this balance", header, rows, 3)


def _figures(balance: Balance) -> list[tuple[str, str]]:
    """Return how the solver ended, for those who want to know."""
    test = balance.global_test
    return [
        ("why it stopped", balance.status),
        ("iterations", str(balance.iterations)),
        ("sum of squared adjustments", format_number(balance.objective, 6)),
        ("degrees of freedom", str(test.dof)),
        ("what another step could gain", f"{balance.stationarity:.1e}"),
        ("largest relative imbalance", f"{balance.max_imbalance:.1e}"),
    ]
