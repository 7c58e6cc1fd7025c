"""A laboratory batch judged: precision, bias, control charts, blanks, and a verdict in words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import inf
from statistics import median

from oretally.flowsheet import ErrorRule, Unit
from oretally.flowsheet.digits import format_number, format_p
from oretally.io.laboratory.batches import LabBatch, LabTable, Pair
from oretally.io.laboratory.contradictions import (
    BLANK_TIMES,
    contradicting_pairs,
    contradicting_standards,
)
from oretally.io.laboratory.verdict import (
    FEWEST_PAIRS,
    Finding,
    apart_finding,
    bias_finding,
    bounded_blanks_finding,
    bounded_pairs_finding,
    bounded_standards_finding,
    carry_over_finding,
    chart_finding,
    high_blanks_finding,
    off_finding,
    poor_pairs_finding,
    rich_blanks_finding,
    told_verdict,
)
from oretally.recon.laboratory import (
    Bias,
    Blanks,
    CarryOver,
    ConcernKind,
    ControlChart,
    OffPair,
    PrecisionFit,
    RelativeSd,
    Standards,
    blanks,
    concerns,
    control_chart,
    fit_precision,
    off_pairs,
    relative_sd,
    standards,
)

__all__ = [
    "JudgedTable", "Judgement", "StandardChart", "error_rule", "fitted_rule", "judge",
    "judged_table", "signed_percent",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class StandardChart:
    """Readings of one standard in their order: ``places`` among the batch's standards.

    ``sd`` is the root of the squares of the method's sd at that grade and the certificate's.
    """

    name: str
    places: tuple[int, ...]
    certified: float
    certified_sd: float
    sd: float
    chart: ControlChart
    relative_bias: Bias | None


@dataclass(frozen=True, slots=True)
class Judgement:
    """What is known of one analyte of a batch.

    Attributes
    ----------
    pooled : RelativeSd or None
        Over the pairs whose mean is above 0.
    fit : PrecisionFit or None
        None, with the reason in ``no_fit``, if the duplicates give none.
    off : tuple of OffPair
        Pairs that differ too much; they were used all the same.
    found : Standards or None
        None, with the reason in ``no_bias``, without standards or without any sd.
    carry_over : CarryOver or None
        From the blanks before which something was assayed.
    findings : tuple of Finding
        What speaks against the batch, the worst first.
    lacking : tuple of str
        Why nobody can judge bias or contamination: 'no blanks', '1 reading of each standard'.
    """

    batch: LabBatch
    pooled: RelativeSd | None
    fit: PrecisionFit | None
    no_fit: str
    off: tuple[OffPair, ...]
    found: Standards | None
    no_bias: str
    charts: tuple[StandardChart, ...]
    blanks: Blanks | None
    carry_over: CarryOver | None
    findings: tuple[Finding, ...]
    lacking: tuple[str, ...]

    @property
    def verdict(self) -> tuple[str, ...]:
        """What to do, in the first sentence; then all that speaks against the batch."""
        return told_verdict(self.batch.analyte, self.findings, self.lacking, len(self.batch.pairs))


@dataclass(frozen=True, slots=True)
class JudgedTable:
    """All analytes of a table; ``notes`` say what of it was not read, ``source`` its file."""

    title: str
    source: str
    notes: tuple[str, ...]
    judgements: tuple[Judgement, ...]


def judged_table(read: LabTable, title: str) -> JudgedTable:
    """Return the judgement of every analyte."""
    return JudgedTable(title, read.source, read.notes, tuple(judge(b) for b in read.batches))


def judge(batch: LabBatch) -> Judgement:
    """Return what duplicates, standards and blanks say of one analyte."""
    pooled, fit, no_fit = _precision(batch)
    first, second = [p.first for p in batch.pairs], [p.second for p in batch.pairs]
    off = off_pairs(fit, first, second) if fit is not None else ()
    found, charts, no_bias = _standards(batch, fit)
    shown, carried = _blanks(batch)
    findings = [
        *_contradictions(batch, fit),
        *_against(batch, found, charts, shown, carried, fitted=fit is not None),
        *apart_finding([(p.name, p.first, p.second) for p in _apart(batch) if fit is None]),
        *off_finding([(batch.pairs[o.index].name, o) for o in off]),
        *poor_pairs_finding(pooled, _all_equal(batch)),
    ]  # fmt: skip
    findings.sort(key=lambda f: bool(f.mend))  # first what forbids the use of the batch
    return Judgement(
        batch, pooled, fit, no_fit, off, found, no_bias, charts, shown, carried, tuple(findings),
        tuple(_lacking(batch, found, charts)),
    )  # fmt: skip


def _contradictions(batch: LabBatch, fit: PrecisionFit | None) -> Iterator[Finding]:
    """Yield what cannot be used as a number, but contradicts."""
    count = len(batch.standards) + len(batch.bounded_standards)
    wrong = contradicting_standards(batch.bounded_standards, fit)
    yield from bounded_standards_finding(wrong, count, batch.unit)
    yield from bounded_blanks_finding(batch.bounded_blanks)
    usual = median(batch.readings) if batch.readings else inf
    usual = max(usual, BLANK_TIMES * (batch.detection or 0.0))
    rich = [(b.sample, b.value) for b in batch.blanks if b.value > usual]
    yield from rich_blanks_finding(rich, batch.unit)
    numbers = [(p.first, p.second) for p in batch.pairs]
    yield from bounded_pairs_finding(contradicting_pairs(batch.bounded_pairs, numbers, fit))


def _apart(batch: LabBatch) -> list[Pair]:
    """Return pairs that no precision is known for, and that differ as no assays should."""
    least = batch.detection or 0.0
    return [p for p in batch.pairs if _far(p, least)]


def _far(pair: Pair, least: float) -> bool:
    less, greater = sorted((pair.first, pair.second))
    return greater > BLANK_TIMES * max(less, least)


def _all_equal(batch: LabBatch) -> int:
    """Return how many pairs there are if all agree to the last digit, and are enough; else 0."""
    equal = len(batch.pairs) >= FEWEST_PAIRS and all(p.first == p.second for p in batch.pairs)
    return len(batch.pairs) if equal else 0


def _against(
    batch: LabBatch, found: Standards | None, charts: Sequence[StandardChart],
    shown: Blanks | None, carried: CarryOver | None, *, fitted: bool,
) -> Iterator[Finding]:  # fmt: skip
    """Yield what the numbers of standards and blanks say against a batch."""
    rows = [(c.chart, c.relative_bias) for c in charts]
    for c in concerns(found, rows, shown, carried=carried):
        chart = None if c.chart is None else charts[c.chart]
        bias = chart.relative_bias if chart is not None else found and found.relative_bias
        if c.kind is ConcernKind.BLANK_HIGH and shown is not None:
            high = [(batch.blanks[i].sample, batch.blanks[i].value) for i in c.places]
            yield high_blanks_finding(high, shown.limit, batch.unit)
        elif c.kind is ConcernKind.CARRY_OVER and carried is not None:
            yield carry_over_finding(carried)
        elif c.kind is ConcernKind.BIAS and bias:
            yield bias_finding(bias, None if chart is None else chart.name)
        elif chart is not None:
            samples = [batch.standards[chart.places[i]].sample for i in c.places]
            z = [chart.chart.z[i] for i in c.places]
            yield chart_finding(c.kind, chart.name, samples, z, fitted=fitted)


def _lacking(
    batch: LabBatch, found: Standards | None, charts: Sequence[StandardChart]
) -> Iterator[str]:
    """Yield why bias or contamination cannot be judged."""
    standards_, blanks_ = batch.standards, len(batch.blanks) + len(batch.bounded_blanks)
    if not standards_ and not batch.bounded_standards:
        yield "no standards"
    elif not standards_:
        yield "no standard that reads a number"
    elif found is None:
        yield "no error of the standards is known"
    elif all(len(chart.places) == 1 for chart in charts):
        yield "1 reading of a standard" if len(charts) == 1 else "1 reading of each standard"
    if blanks_ == 0:
        yield "no blanks"
    elif blanks_ == 1:
        yield "1 blank"
    elif batch.blanks and batch.detection is None:
        yield "no detection limit to hold the blanks against"


def error_rule(batch: LabBatch) -> ErrorRule | None:
    """Return the stated error that the duplicates of a batch give; None if they give none."""
    fit = _precision(batch)[1]
    return None if fit is None else fitted_rule(fit, batch.unit)


def fitted_rule(fit: PrecisionFit, unit: Unit) -> ErrorRule:
    """Return a fitted precision as a stated error, with its source and its range."""
    return ErrorRule(
        0.0, fit.a, unit, slope=fit.b, source=f"{fit.n_pairs} duplicate pairs",
        low=fit.lowest, high=fit.highest,
    )  # fmt: skip


def signed_percent(bias: Bias) -> str:
    """Return a relative bias with its limits, in percent."""
    return (
        f"{_signed(bias.mean)} % ({_signed(bias.low)} to {_signed(bias.high)}), "
        f"p {format_p(bias.p)}"
    )


def _signed(share: float) -> str:
    return f"{'+' if share >= 0.0 else ''}{format_number(100.0 * share, 2)}"


def _precision(batch: LabBatch) -> tuple[RelativeSd | None, PrecisionFit | None, str]:
    first, second = [p.first for p in batch.pairs], [p.second for p in batch.pairs]
    used = [(a, b) for a, b in zip(first, second, strict=True) if a + b > 0.0]
    pooled = relative_sd([a for a, _ in used], [b for _, b in used]) if used else None
    if len(batch.pairs) < FEWEST_PAIRS:
        why = f"fewer than {FEWEST_PAIRS} pairs: no precision as a function of grade"
        return pooled, None, why
    try:
        return pooled, fit_precision(first, second), ""
    except (ValueError, ArithmeticError) as error:
        return pooled, None, f"no precision as a function of grade: {error}"


def _standards(
    batch: LabBatch, fit: PrecisionFit | None
) -> tuple[Standards | None, tuple[StandardChart, ...], str]:
    rows = batch.standards
    if not rows:
        return None, (), "none: nothing is known of the bias"
    method = [fit.sd(s.certified) if fit is not None else 0.0 for s in rows]
    if any(own == 0.0 and s.certified_sd == 0.0 for own, s in zip(method, rows, strict=True)):
        return None, (), "no error is known, neither from duplicates nor from the certificate"
    groups: dict[tuple[str, float, float], list[int]] = {}
    for i, s in enumerate(rows):
        groups.setdefault((s.name, s.certified, s.certified_sd), []).append(i)
    charts = []
    for (name, certified, certified_sd), places in groups.items():
        sd = float((method[places[0]] ** 2 + certified_sd**2) ** 0.5)
        measured = [rows[i].measured for i in places]
        own = standards(measured, certified, certified_sd, method_sd=method[places[0]])
        charts.append(
            StandardChart(
                name or _named([rows[i].sample for i in places]), tuple(places), certified,
                certified_sd, sd, control_chart(measured, certified, sd), own.relative_bias,
            )
        )  # fmt: skip
    found = standards(
        [s.measured for s in rows], [s.certified for s in rows], [s.certified_sd for s in rows],
        method_sd=method,
    )  # fmt: skip
    return found, tuple(charts), ""


def _named(samples: Sequence[str]) -> str:
    one, last = samples[0], samples[-1]
    return f"'{one}'" if set(samples) == {one} else f"'{one}' to '{last}'"


def _blanks(batch: LabBatch) -> tuple[Blanks | None, CarryOver | None]:
    if not batch.blanks:
        return None, None
    limit = BLANK_TIMES * batch.detection if batch.detection is not None else float("inf")
    known = [(b.value, b.before) for b in batch.blanks if b.before is not None]
    carried = None
    if known and len({value for value, _ in known}) > 1:
        carried = blanks([v for v, _ in known], limit, [x for _, x in known]).carry_over
    return blanks([b.value for b in batch.blanks], limit), carried
