"""What a certificate says of the streams of a case, as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from oretally.io.certificate.filling import FilledGrade
from oretally.io.certificate.streams import CaseCertificate
from oretally.io.laboratory import SampleReading

__all__ = ["certificate_document"]


def certificate_document(
    found: CaseCertificate, written: Sequence[FilledGrade] | None = None
) -> dict[str, Any]:
    """Return the object 'samples' of the schema oretally.lab/1."""
    typed = found.typed
    return {
        "measurements": found.file,
        "matched": [
            {"label": label, "stream": stream}
            for label, stream in found.certificate.labels.items()
        ],
        "of_no_stream": list(found.certificate.unknown),
        "streams_without": list(found.without),
        "stocks": list(found.stocks),
        "without_column": list(typed.no_column),
        "agreeing": typed.agreeing,
        "differences": [
            {
                "stream": d.stream,
                "analyte": d.analyte,
                "cell": d.cell.place.cell,
                "typed": d.typed,
                "certified": [_reading(r) for r in d.readings],
                "grade_of": list(d.elsewhere),
            }
            for d in typed.differences
        ],
        "missing": [
            {
                "stream": m.stream,
                "analyte": m.analyte,
                "certified": [_reading(r) for r in m.readings],
            }
            for m in typed.missing
        ],
        "filled": None if written is None else [
            {"stream": w.stream, "analyte": w.analyte, "label": w.label, "text": w.text,
             "cell": w.cell}
            for w in written
        ],
    }  # fmt: skip


def _reading(reading: SampleReading) -> dict[str, Any]:
    found = reading.found
    return {
        "label": reading.label,
        "value": found.value,
        "unit": found.unit.symbol,
        "below_detection": found.reading.below,
        "above_range": found.reading.above,
        "cell": found.cell.place.cell,
    }
