"""The samples that a plan needs: what error theirs leaves, and how much would do (Gy)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from oretally.flowsheet import ErrorSource
from oretally.flowsheet.circuit import fold_name
from oretally.io.plan.case import PlanCase
from oretally.io.plan.methods import named_with
from oretally.io.sampling import SamplingTerms
from oretally.recon.laboratory import stage_mass_needed
from oretally.recon.plan import Option

__all__ = ["SMALL", "SampleNeed", "sample_needs"]

SMALL = 1.0 / 3.0
"""Of the sd of the planned readings: a sampling error below adds no more than 5 % to it."""


@dataclass(frozen=True, slots=True)
class SampleNeed:
    """The sample behind a line of a plan.

    Attributes
    ----------
    stream, quantity : str
    stage : str
        The stage that adds most, in words.
    relative_sd : float
        Of the sampling as described, over the grade.
    wanted : float
        `SMALL` times the relative sd of the planned readings.
    needed_kg : float or None
        To keep at that stage, others as they are; None if even its whole lot would not do.
    enough : bool
    """

    stream: str
    quantity: str
    stage: str
    relative_sd: float
    wanted: float
    needed_kg: float | None
    enough: bool


def sample_needs(case: PlanCase, option: Option) -> tuple[SampleNeed, ...]:
    """Return the samples of a plan for which the case describes the sampling."""
    found = []
    at = {(c.stream, c.quantity, c.method): c for c in case.candidates}
    for line in option.readings:
        terms = _terms(case.sources, line.stream, line.quantity)
        candidate = at[line.stream, line.quantity, line.method]
        grade = candidate.unit.to_base(candidate.value)
        if terms is None or not 0.0 < grade <= terms.terms.mineral_grade:
            continue
        own = terms.relative_sd(grade)
        wanted = SMALL * candidate.own / line.times**0.5 / grade
        if not wanted > 0.0:
            continue
        enough = own <= wanted
        needed = None
        if not enough:
            needed = stage_mass_needed(
                terms.ore(grade), terms.stages, terms.dominant, relative_sd=wanted
            )
        found.append(SampleNeed(line.stream, named_with(line.quantity, line.method),
                                terms.described(terms.dominant), own, wanted, needed,
                                enough))  # fmt: skip
    return tuple(found)


def _terms(sources: Sequence[ErrorSource], stream: str, quantity: str) -> SamplingTerms | None:
    """Return how the sample of a stream was taken, if the case says so."""
    for source in sources:
        if fold_name(source.quantity) == fold_name(quantity):
            rule = source.by_stream.get(fold_name(stream), source.general)
            terms = getattr(rule, "terms", None)
            if isinstance(terms, SamplingTerms):
                return terms
    return None
