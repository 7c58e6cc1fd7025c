"""A laboratory batch matched to the streams of its case."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from oretally.flowsheet import Fault, InputError
from oretally.flowsheet.circuit import fold_name
from oretally.io.case import UnmeasuredCase, read_unmeasured
from oretally.io.laboratory import AssayCertificate, LabTable, matched
from oretally.io.measurements import TypedGrades, held_against

__all__ = ["CaseCertificate", "case_certificate"]

_NOTHING = TypedGrades(0, (), (), ())


@dataclass(frozen=True, slots=True)
class CaseCertificate:
    """What a certificate says of the streams of a case.

    Attributes
    ----------
    path : Path
        Of the case.
    plan : UnmeasuredCase
    certificate : AssayCertificate
    typed : TypedGrades
        Of its measurements.
    without : tuple of str
        Streams with solids of which the certificate has no sample.
    stocks : tuple of str
        Stocks of which it has one: their grades stand in a table of their own, and are neither
        compared nor filled in.
    """

    path: Path
    plan: UnmeasuredCase
    certificate: AssayCertificate
    typed: TypedGrades
    without: tuple[str, ...]
    stocks: tuple[str, ...] = ()

    @property
    def file(self) -> str:
        """What its measurements are called."""
        table = self.plan.table
        return "" if table is None else str(table.place)


def case_certificate(
    path: Path, batch: LabTable, *, needed: bool = False
) -> CaseCertificate | None:
    """Return a batch matched to the streams of its case; None if there is no case to match.

    Parameters
    ----------
    path : Path
        A case; or a table of assays alone, which has no streams.
    batch : LabTable
        As read from there, or from elsewhere; ``said`` holds whose samples are which.
    needed : bool
        Whether to raise instead of returning None.

    Raises
    ------
    InputError
        If a label is said to be of a stream that is none; if ``needed``, with all that is wrong
        with the definition of the case.
    """
    try:
        plan = read_unmeasured(path)
    except InputError:
        if needed:
            raise
        return None
    faults: list[Fault] = []
    streams = plan.streams_of_labels(batch.samples, faults, batch.said)
    if faults:
        raise InputError(faults)
    certificate = matched(batch.samples, streams)
    piles = {s.name for s in plan.sampled if s.stock}
    measured = {key: r for key, r in certificate.readings.items() if key[0] not in piles}
    typed = _NOTHING
    if plan.table is not None:
        typed = held_against(
            plan.table, replace(certificate, readings=measured), plan.analytes,
            plan.definition.basis, water=plan.definition.water.balanced,
        )  # fmt: skip
    found = {fold_name(name) for name in certificate.streams}
    without = tuple(
        s.name for s in plan.sampled if s.content.has_solids and fold_name(s.name) not in found
    )
    stocks = tuple(s.name for s in plan.sampled if s.stock and fold_name(s.name) in found)
    return CaseCertificate(path, plan, certificate, typed, without, stocks)
