"""What speaks against a batch, as whole sentences; what to do stands in the first."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from oretally.flowsheet import Unit
from oretally.flowsheet.digits import format_number, format_p
from oretally.io.laboratory.contradictions import (
    BLANK_TIMES,
    BoundedBlank,
    BoundedPair,
    BoundedStandard,
)
from oretally.recon.laboratory import Bias, CarryOver, ConcernKind, OffPair, RelativeSd

__all__ = [
    "FEWEST_PAIRS", "Finding", "apart_finding", "bias_finding", "bounded_blanks_finding",
    "bounded_pairs_finding", "bounded_standards_finding", "carry_over_finding", "chart_finding",
    "high_blanks_finding", "off_finding", "poor_pairs_finding", "rich_blanks_finding",
    "told_verdict",
]  # fmt: skip

FEWEST_PAIRS = 8
"""Pairs below which no line is fitted."""
_POOR = 1.0 / 3.0  # relative sd, from which one assay does not tell a grade from none
_NAMED = 3  # samples that a sentence names


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that speaks against a batch: a sentence without its stop, and what to do about it.

    ``mend`` is empty where nothing of the analyte may be used.
    """

    fact: str
    mend: str = ""


def told_verdict(
    analyte: str, findings: Sequence[Finding], lacking: Sequence[str], pairs: int
) -> tuple[str, ...]:
    """Return the verdict, sentence by sentence.

    Parameters
    ----------
    analyte : str
    findings : sequence of Finding
        The worst first.
    lacking : sequence of str
        Why bias or contamination cannot be judged.
    pairs : int
        Duplicate pairs that are numbers.
    """
    few = f"{', '.join(lacking)}." if lacking else ""
    wanted = (
        f"Send each standard twice, 2 blanks and {FEWEST_PAIRS} duplicates at least with a batch."
    )
    if findings:
        rejected = not findings[0].mend
        refuse = f"do not use {analyte} of this batch; ask the laboratory to assay it again"
        first = f"{findings[0].fact}: {findings[0].mend or refuse}."
        rest = [f.fact if rejected or not f.mend else f"{f.fact}: {f.mend}" for f in findings[1:]]
        return (first, *(f"{fact}." for fact in rest),
                *([f"Too few to judge the rest: {few}"] if few else []))  # fmt: skip
    if few:
        return (f"Too few to judge: {few}", wanted)
    if pairs < FEWEST_PAIRS:
        count = "is 1 duplicate pair" if pairs == 1 else f"are {pairs or 'no'} duplicate pairs"
        return (
            "Standards and blanks show nothing against this batch.",
            f"Its precision is not known: there {count}, and {FEWEST_PAIRS} are needed.",
        )
    return ("Nothing speaks against this batch.",)


def bounded_standards_finding(
    wrong: Sequence[BoundedStandard], count: int, unit: Unit
) -> Iterator[Finding]:
    """Yield what standards say whose bound contradicts the certificate, of ``count`` readings."""
    if wrong:
        s = wrong[0]
        first = f"'{s.sample}' reads {s.found.text} where {format_number(s.certified, 3)} {unit} is"
        verb = "contradicts its certificate" if len(wrong) == 1 else "contradict their certificates"
        yield Finding(f"{len(wrong)} of {count} readings of standards {verb} ({first} certified)")


def bounded_blanks_finding(wrong: Sequence[BoundedBlank]) -> Iterator[Finding]:
    """Yield what blanks above the range say."""
    if wrong:
        listed = _listed(f"'{b.sample}' reads {b.found.text}" for b in wrong)
        yield Finding(f"A blank that should hold nothing is above the range ({listed})")


def rich_blanks_finding(rich: Sequence[tuple[str, float]], unit: Unit) -> Iterator[Finding]:
    """Yield what blanks say that read as much as samples do."""
    if rich:
        listed = _listed(f"'{sample}' reads {value:g} {unit}" for sample, value in rich)
        yield Finding(f"A blank that should hold nothing reads as samples do ({listed})")


def poor_pairs_finding(pooled: RelativeSd | None, equal: int) -> Iterator[Finding]:
    """Yield what all pairs together say: ``equal`` are alike to the last digit, or is 0."""
    if equal:
        yield Finding(
            f"All {equal} duplicate pairs agree to the last digit",
            "ask the laboratory whether their duplicates were assayed, or copied",
        )
    if pooled is not None and pooled.low > _POOR:
        yield Finding(
            f"Two assays of one sample differ by {format_number(100.0 * 2.0**0.5 * pooled.sd, 2)} "
            "% as a rule", "ask the laboratory for the cause: one assay tells next to nothing",
        )  # fmt: skip


def bounded_pairs_finding(wrong: Sequence[BoundedPair]) -> Iterator[Finding]:
    """Yield what pairs say that contradict each other with a bound."""
    if wrong:
        listed = _listed(f"'{p.name}' reads {p.first.text} and {p.second.text}" for p in wrong)
        yield Finding(f"Two assays of one sample contradict each other ({listed})")


def bias_finding(bias: Bias, standard: str | None) -> Finding:
    """Return what a bias says; of all standards where none is named."""
    way = "high" if bias.mean > 0.0 else "low"
    who = "The standards read" if standard is None else f"The standard {standard} reads"
    return Finding(f"{who} {format_number(abs(100.0 * bias.mean), 2)} % {way}")


def chart_finding(
    kind: ConcernKind, standard: str, samples: Sequence[str], z: Sequence[float], *, fitted: bool
) -> Finding:
    """Return what a broken rule of a control chart says; ``samples`` are where it is broken.

    Unless duplicates gave a fitted precision, one sd is that of the certificate alone, and readings
    scatter more than that.
    """
    mend = "" if fitted else (
        "ask the laboratory whether its own scatter explains that; one sd is the certificate's "
        "alone"
    )  # fmt: skip
    if kind is ConcernKind.TWO_OF_THREE:
        where = _listed(f"'{sample}'" for sample in samples)
        return Finding(
            f"Two of three readings of {standard} lie beyond 2 sd on one side, at {where}", mend
        )
    far = _listed(f"'{s}' {abs(v):.1f} sd too {'high' if v > 0.0 else 'low'}"
                  for s, v in zip(samples, z, strict=True))  # fmt: skip
    return Finding(f"The standard {standard} is off ({far})", mend)


def high_blanks_finding(
    high: Sequence[tuple[str, float]], limit: float, unit: Unit
) -> Finding:  # fmt: skip
    """Return what blanks above their limit say."""
    listed = _listed(f"'{sample}' shows {value:g} {unit}" for sample, value in high)
    many = "A blank shows" if len(high) == 1 else f"{len(high)} blanks show"
    return Finding(
        f"{many} more than {BLANK_TIMES:g} detection limits, {format_number(limit, 3)} {unit} "
        f"({listed})",
        "ask the laboratory for the cause, and to assay the poor samples of this batch again",
    )


def carry_over_finding(carried: CarryOver) -> Finding:
    """Return what a carry-over says."""
    return Finding(
        f"{100.0 * carried.slope:.2g} % of a sample is carried over into the next (p "
        f"{format_p(carried.p)})",
        "ask the laboratory to assay again what followed rich samples",
    )


def apart_finding(pairs: Sequence[tuple[str, float, float]]) -> Iterator[Finding]:
    """Yield what pairs say that are far apart, by name and assays, where no precision is known."""
    if pairs:
        listed = _listed(f"'{name}', {one:g} and {two:g}" for name, one, two in pairs)
        yield Finding(
            f"Two assays of one sample differ by more than {BLANK_TIMES:g} times ({listed})",
            f"ask the laboratory to assay {'it' if len(pairs) == 1 else 'them'} again",
        )


def off_finding(off: Sequence[tuple[str, OffPair]]) -> Iterator[Finding]:
    """Yield what pairs say that differ by more than the precision explains."""
    if off:
        listed = _listed(f"'{name}', {o.first:g} and {o.second:g}, by {abs(o.z):.1f} sd, limit "
                         f"{o.limit:.1f}" for name, o in off)  # fmt: skip
        yield Finding(
            f"Two assays of one sample differ too much ({listed})",
            f"ask the laboratory to assay {'it' if len(off) == 1 else 'them'} again",
        )


def _listed(texts: Iterable[str]) -> str:
    named = list(texts)
    more = [f"{len(named) - _NAMED} more"] if len(named) > _NAMED else []
    return "; ".join([*named[:_NAMED], *more])
