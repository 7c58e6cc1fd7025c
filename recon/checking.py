"""Judge a survey before balancing it; nothing is adjusted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from oretally.flowsheet import BalanceModel, Circuit, Survey
from oretally.flowsheet.problem import check_survey, reference_streams
from oretally.recon.answers import (
    calculated_heads,
    class_of,
    closures,
    determining_measurements,
    left_out_notes,
    never_by_size,
)
from oretally.recon.gross_errors import foresee
from oretally.recon.losses import foreseen_assay
from oretally.recon.reduction import classes_of, scale_is_missing
from oretally.recon.result import (
    CalculatedHead,
    Closure,
    GrossErrors,
    MissingAssay,
    ValueClass,
)

__all__ = ["Check", "CheckedValue", "check"]


@dataclass(frozen=True, slots=True)
class CheckedValue:
    """Class of one quantity of one stream, before any adjustment."""

    stream: str
    quantity: str
    value_class: ValueClass


@dataclass(frozen=True, slots=True)
class Check:
    """What can be said of a survey without adjusting anything.

    Attributes
    ----------
    classes : tuple of CheckedValue
        Without size classes that nothing determines and nobody looked for.
    closures, heads : tuple
        As measured.
    degrees_of_freedom : int
        Independent checks that the measurements must pass.
    scale_missing : bool
        True if no flow was measured: the survey cannot be balanced.
    measure : tuple of (stream, quantity)
        Measurements that together would determine all that is unobservable and not by size.
    notes : tuple of str
    foreseen : GrossErrors or None
        Errors that no data can tell apart, and those that could go unseen; None where that cannot
        be said before a balance.
    missing_assay : MissingAssay or None
        One that would at least halve the sd of a recovery.
    """

    classes: tuple[CheckedValue, ...]
    closures: tuple[Closure, ...]
    heads: tuple[CalculatedHead, ...]
    degrees_of_freedom: int
    scale_missing: bool
    measure: tuple[tuple[str, str], ...]
    notes: tuple[str, ...]
    foreseen: GrossErrors | None = None
    missing_assay: MissingAssay | None = None


def check(
    circuit: Circuit,
    survey: Survey,
    *,
    feed: str | Sequence[str] | None = None,
    products: Sequence[str] | None = None,
) -> Check:
    """Judge a survey before balancing it: closures, classes, what to measure for what is unknown.

    Raises
    ------
    InputError
        As `reconcile`.
    """
    model = BalanceModel(circuit, survey)
    check_survey(model)
    feeds, products = reference_streams(circuit, feed, products)
    problem, places, never = model.problem, model.positions, never_by_size(model)
    classes = classes_of(model)
    known = (
        CheckedValue(
            row.stream,
            row.quantity,
            class_of(problem, classes, row.place, at=places.measured_at(row.place)),
        )
        for row in places.rows
    )
    statuses = tuple(
        v
        for v in known
        if v.value_class is not ValueClass.UNOBSERVABLE or (v.stream, v.quantity) not in never
    )
    no_scale = scale_is_missing(survey)
    return Check(
        classes=statuses,
        closures=closures(model),
        heads=calculated_heads(model, feeds, products),
        degrees_of_freedom=classes.degrees_of_freedom,
        scale_missing=no_scale,
        measure=determining_measurements(model),
        notes=left_out_notes(model, classes),
        foreseen=None if no_scale else foresee(model, feeds, products),
        missing_assay=None if no_scale else foreseen_assay(model, feeds, products),
    )
