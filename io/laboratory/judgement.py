"""A laboratory batch judged: precision, bias, control charts, blanks, and a verdict in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from oretally.flowsheet import ErrorRule, Unit
from oretally.flowsheet.digits import format_p
from oretally.io.laboratory.batches import LabBatch, LabTable
from oretally.recon.laboratory import (
    Bias,
    Blanks,
    CarryOver,
    Concern,
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
    "BLANK_TIMES", "FEWEST_PAIRS", "JudgedTable", "Judgement", "StandardChart", "error_rule",
    "fitted_rule", "judge", "judged_table", "signed_percent",
]  # fmt: skip

BLANK_TIMES = 3.0
"""Detection limits that a blank may show; common practice, no source."""
FEWEST_PAIRS = 8
"""Pairs below which no line is fitted."""


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
    concerns : tuple of str
        What speaks against the batch, each with its numbers.
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
    concerns: tuple[str, ...]

    @property
    def verdict(self) -> str:
        """What speaks against the batch; and what could not be checked at all."""
        rows = (
            ("duplicates", self.batch.pairs), ("standards", self.batch.standards),
            ("blanks", self.batch.blanks),
        )  # fmt: skip
        missing = [word for word, those in rows if not those]
        if len(missing) == 3:
            return "cannot be judged: no duplicates, standards or blanks"
        unchecked = f"; not checked: no {', no '.join(missing)}" if missing else ""
        return ("; ".join(self.concerns) or "nothing speaks against this batch") + unchecked


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
    told = [
        f"pair '{batch.pairs[o.index].name}' ({o.first:g}, {o.second:g}) differs by "
        f"{abs(o.z):.1f} sd, limit {o.limit:.1f}"
        for o in off
    ]
    rows = [(c.chart, c.relative_bias) for c in charts]
    for c in concerns(found, rows, shown, carried=carried):
        if c.kind is ConcernKind.BLANK_HIGH:
            told += [
                f"blank '{batch.blanks[i].sample}' shows {batch.blanks[i].value:g} {batch.unit}"
                for i in c.places
            ]
        elif c.kind is ConcernKind.CARRY_OVER and carried is not None:
            told.append(f"carry-over of {100.0 * carried.slope:.2g} % of the sample before")
        elif c.chart is not None:
            told += _of_chart(batch, c, charts[c.chart])
        elif found is not None and found.relative_bias is not None:
            told.append(f"relative bias {signed_percent(found.relative_bias)}")
    return Judgement(
        batch, pooled, fit, no_fit, off, found, no_bias, charts, shown, carried, tuple(told)
    )


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
        f"{100.0 * bias.mean:+.2g} % ({100.0 * bias.low:+.2g} to {100.0 * bias.high:+.2g}), "
        f"p {format_p(bias.p)}"
    )


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


def _of_chart(batch: LabBatch, concern: Concern, c: StandardChart) -> list[str]:
    """Return in words what one standard says against a batch."""
    samples = [batch.standards[c.places[i]].sample for i in concern.places]
    if concern.kind is ConcernKind.STANDARD_OFF:
        return [
            f"standard '{sample}' is off (z {c.chart.z[i]:+.1f})"
            for sample, i in zip(samples, concern.places, strict=True)
        ]
    if concern.kind is ConcernKind.TWO_OF_THREE:
        where = ", ".join(f"'{sample}'" for sample in samples)
        return [f"two of three readings beyond 2 sd on one side, at {where} of {c.name}"]
    if c.relative_bias is None:
        return []
    return [f"relative bias of {c.name} {signed_percent(c.relative_bias)}"]


def _blanks(batch: LabBatch) -> tuple[Blanks | None, CarryOver | None]:
    if not batch.blanks:
        return None, None
    limit = BLANK_TIMES * batch.detection if batch.detection is not None else float("inf")
    known = [(b.value, b.before) for b in batch.blanks if b.before is not None]
    carried = None
    if known and len({value for value, _ in known}) > 1:
        carried = blanks([v for v, _ in known], limit, [x for _, x in known]).carry_over
    return blanks([b.value for b in batch.blanks], limit), carried
