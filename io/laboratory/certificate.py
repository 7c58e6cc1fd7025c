"""A laboratory's certificate: its assays by the streams that they are of."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from oretally.flowsheet.circuit import fold_name
from oretally.io.laboratory.batches import SampleReading

__all__ = ["AssayCertificate", "matched"]


@dataclass(frozen=True, slots=True)
class AssayCertificate:
    """Assays matched to streams by the labels of their samples.

    Attributes
    ----------
    readings : mapping of (str, str) to tuple of SampleReading
        By stream and folded analyte, in the order of the table; several are replicates.
    labels : mapping of str to str
        Stream by label as the certificate spells it, in the order of the table.
    unknown : tuple of str
        Labels that are of no stream.
    """

    readings: Mapping[tuple[str, str], tuple[SampleReading, ...]]
    labels: Mapping[str, str]
    unknown: tuple[str, ...]

    @property
    def streams(self) -> frozenset[str]:
        """Streams with an assay."""
        return frozenset(stream for stream, _ in self.readings)


def matched(samples: Sequence[SampleReading], streams: Mapping[str, str]) -> AssayCertificate:
    """Return the assays by stream.

    Parameters
    ----------
    samples : sequence of SampleReading
        A duplicate whose own label is of no stream is of that of its pair.
    streams : mapping of str to str
        Stream by folded label.
    """
    readings: dict[tuple[str, str], list[SampleReading]] = {}
    labels, unknown = dict[str, str](), dict[str, None]()
    for sample in samples:
        names = (fold_name(sample.label), fold_name(sample.pair))
        stream = next((streams[name] for name in names if name in streams), None)
        if stream is None:
            unknown.setdefault(sample.label)
            continue
        labels.setdefault(sample.label, stream)
        readings.setdefault((stream, fold_name(sample.analyte)), []).append(sample)
    kept = {key: tuple(found) for key, found in readings.items()}
    return AssayCertificate(kept, labels, tuple(unknown))
