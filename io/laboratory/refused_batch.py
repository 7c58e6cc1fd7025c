"""What the laboratory batch of a case says against its assays, in one sentence."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from pathlib import Path

from oretally.flowsheet.circuit import fold_name
from oretally.io.files import readable_name
from oretally.io.laboratory.batches import LabBatch
from oretally.io.laboratory.judgement import judge

__all__ = ["condemned"]

_NAMED = 3  # analytes that are named


def condemned(
    batches: Sequence[LabBatch], assayed: Collection[str], source: Path
) -> tuple[str, ...]:
    """Return why analytes of a batch must not be used; nothing if all may be.

    Parameters
    ----------
    batches : sequence of LabBatch
    assayed : collection of str
        Analytes that the case has assays of; what the batch says of others is none of its matters.
    source : Path
        The case, for the command that says more.
    """
    known = {fold_name(name): name for name in assayed}
    found = []
    for batch in batches:
        name = known.get(fold_name(batch.analyte))
        findings = judge(batch).findings if name else ()
        if findings and not findings[0].mend:
            fact = findings[0].fact
            found.append(f"{name} ({fact[0].lower()}{fact[1:]})")
    if not found:
        return ()
    more = f"; and of {len(found) - _NAMED} more" if len(found) > _NAMED else ""
    return (
        f"The laboratory batch fails its own checks of {'; of '.join(found[:_NAMED])}{more}: see "
        f"'oretally lab {readable_name(source.name)}'.",
    )  # fmt: skip
