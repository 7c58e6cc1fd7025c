"""The laboratory's certificate of a case: whose sample is which, and what was typed of it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import oretally.io.laboratory as laboratory
from oretally.flowsheet import Fault, Stream
from oretally.flowsheet.circuit import Content, fold_name
from oretally.io.definition import Definition, DefinitionRows, LabSample, lab_layout
from oretally.io.measurements import TypedGrades

if TYPE_CHECKING:
    from oretally.io.laboratory import SampleReading

__all__ = [
    "as_certified",
    "difference_notes",
    "label_of_streams",
    "sampled_streams",
    "stream_of_samples",
]

_NAMED = 3  # differences that a note names


def sampled_streams(definition: Definition) -> tuple[Stream, ...]:
    """Return the streams that are weighed or sampled: all but declared losses."""
    circuit, losses = definition.circuit, {m.stream for m in definition.losses}
    return tuple(
        s
        for s in (circuit.streams if circuit else ())
        if s.name not in losses and s.content is not Content.DISSOLVED
    )


def label_of_streams(rows: DefinitionRows, definition: Definition, title: str) -> dict[str, str]:
    """Return the label of the sample of each stream that is sampled, as the forms print it."""
    names = [s.name for s in sampled_streams(definition)]
    return laboratory.sample_labels(title, names, _stated(rows))


def stream_of_samples(
    rows: DefinitionRows, definition: Definition, title: str, samples: Iterable[SampleReading],
    faults: list[Fault], notes: list[str], *, said: Sequence[LabSample] = (),
) -> dict[str, str]:  # fmt: skip
    """Return the stream of each label that a sample of the case can have, folded.

    A label that the case, or ``said``, states for a stream that is none is a fault if one of
    ``samples``, those with a result, has it; else a note.
    """
    labels = label_of_streams(rows, definition, title)
    stated = tuple(dict.fromkeys((*said, *_stated(rows))))
    assayed = {fold_name(s.label) for s in samples}
    return laboratory.labels_of_streams(
        labels, definition.stream_names, stated, assayed, faults, notes
    )


def _stated(rows: DefinitionRows) -> tuple[LabSample, ...]:
    """Return the labels under [lab], then those of a sheet of weighings.

    What else is wrong with [lab] is told by whoever reads the batch.
    """
    labelled = laboratory.streams_of_labels(rows.weighing)
    place = rows.weighing.place if rows.weighing else rows.place("")
    weighed = tuple(LabSample(label, stream, place) for stream, label in labelled.items())
    return (*lab_layout(rows.lab, []).samples, *weighed)


def difference_notes(found: TypedGrades, name: str) -> list[str]:
    """Return what to say of typed grades that are none of the certificate's, in one note."""
    if not found.differences:
        return []
    told = [
        f"{d.analyte} of '{d.stream}' ({d.cell.place.cell}): {d.typed} typed, "
        f"{as_certified(d.readings)} certified"
        for d in found.differences[:_NAMED]
    ]
    count = len(found.differences)
    more = f"; and {count - _NAMED} more" if count > _NAMED else ""
    many = "A typed grade is not" if count == 1 else f"{count} typed grades are not"
    return [f"{many} the laboratory's: {'; '.join(told)}{more}. See 'oretally lab {name}'."]


def as_certified(readings: Sequence[SampleReading]) -> str:
    """Return what a certificate says of one stream and analyte."""
    texts = (r.found.cell.text for r in readings)
    units = {r.found.unit.symbol for r in readings if not r.found.own_unit}
    if len(units) == 1 and not any(r.found.own_unit for r in readings):
        return f"{' and '.join(texts)} {units.pop()}"
    return " and ".join(
        r.found.cell.text if r.found.own_unit else f"{r.found.cell.text} {r.found.unit}"
        for r in readings
    )
