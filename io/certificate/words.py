"""What a certificate says of the streams of a case, in sentences."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from oretally.io.case import as_certified
from oretally.io.certificate.filling import FilledGrade
from oretally.io.certificate.streams import CaseCertificate
from oretally.io.measurements import GradeDifference

__all__ = ["certificate_lines"]

_NAMED = 5


def certificate_lines(
    found: CaseCertificate, written: Sequence[FilledGrade] | None = None, *, full: bool = False
) -> list[str]:
    """Return sentences; none where no sample is of a stream and nothing was asked.

    Parameters
    ----------
    found : CaseCertificate
    written : sequence of FilledGrade, optional
        What was filled in, if that was asked.
    full : bool
        Name everything; else the first few.
    """
    if not found.certificate.labels and written is None:
        return []
    return list(_sentences(found, written, None if full else _NAMED))


def _sentences(
    found: CaseCertificate, written: Sequence[FilledGrade] | None, most: int | None
) -> Iterator[str]:
    certificate, typed = found.certificate, found.typed
    if most is None:
        matched = [f"{label} is '{stream}'" for label, stream in certificate.labels.items()]
        yield f"Samples: {', '.join(matched)}."
    for difference in typed.differences[:most]:
        yield _difference(difference, found.file)
    if most is not None and len(typed.differences) > most:
        yield f"{len(typed.differences) - most} more typed grades are not the certificate's."
    if typed.agreeing:
        yield f"Typed as certified: {_count(typed.agreeing, 'grade')}."
    if written is not None:
        told = [f"{w.cell} {w.analyte} of '{w.stream}' {w.text} ({w.label})" for w in written]
        into = f"Filled into {found.file}: {_listed(told, most)}."
        yield into if told else "Nothing to fill: no cell of these samples is blank."
    elif typed.missing:
        count = sum(len(m.readings) for m in typed.missing)
        yield (
            f"Not typed yet: {_count(count, 'grade')}. 'oretally lab --fill' writes "
            f"{'it' if count == 1 else 'them'} into blank cells of {found.file}."
        )
    if found.stocks:
        yield f"Type into stocks.csv what is certified of {_listed(_quoted(found.stocks), most)}."
    if found.without:
        yield f"Streams without a sample here: {_listed(_quoted(found.without), most)}."
    if certificate.unknown:
        yield f"Samples of no stream: {_listed(_quoted(certificate.unknown), most)}."
        tables = {"size classes": found.plan.sized, "times of a leach": found.plan.kinetics}
        apart = [word for word, there in tables.items() if there]
        if apart:
            yield (f"What is certified of {' and of '.join(apart)} is to be typed into its table: "
                   "a label says whose stream a sample is of, not which row.")  # fmt: skip
    if typed.no_column:
        yield (f"Certified, and no column of {found.file}: {_listed(list(typed.no_column), most)}.")


def _difference(found: GradeDifference, file: str) -> str:
    there = " and ".join(f"'{name}'" for name in found.elsewhere)
    hint = f"; that is the grade of {there}" if there else ""
    return (
        f"Not as certified: {file}, cell {found.cell.place.cell}, {found.analyte} of "
        f"'{found.stream}': {found.typed} typed, {as_certified(found.readings)} certified "
        f"({', '.join(r.label for r in found.readings)}){hint}."
    )


def _quoted(names: Sequence[str]) -> list[str]:
    return [f"'{name}'" for name in names]


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


def _listed(names: Sequence[str], most: int | None) -> str:
    if most is None or len(names) <= most:
        return ", ".join(names)
    return f"{', '.join(names[:most])} and {len(names) - most} more"
