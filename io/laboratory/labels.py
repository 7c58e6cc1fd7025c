"""Labels of the samples of a case: what stands on a bag, and of which stream it is."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping, Sequence

from oretally.flowsheet import Fault
from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.faults import did_you_mean
from oretally.io.definition import LabSample
from oretally.io.files import Table

__all__ = ["initials", "labels_of_streams", "sample_labels", "streams_of_labels"]


def initials(title: str) -> str:
    """Return what the labels of a case begin with.

    Examples
    --------
    >>> initials("Gold ore, vat leach"), initials("")
    ('GOVL', 'S')
    """
    return "".join(word[0] for word in re.findall(r"\w+", title)).upper()[:4] or "S"


def sample_labels(
    title: str, streams: Sequence[str], stated: Iterable[LabSample] = ()
) -> dict[str, str]:
    """Return the label of the sample of each stream, in their order.

    The first that the case states for it under [lab] samples, else initials of the title and its
    number among the streams; one that another stream has already is passed over.
    """
    own: dict[str, str] = {}
    for sample in stated:
        own.setdefault(fold_name(sample.stream), sample.label)
    taken = {fold_name(sample.label) for sample in stated}
    first, width = initials(title), len(str(len(streams)))
    labels: dict[str, str] = {}
    for i, name in enumerate(streams, start=1):
        label = own.get(fold_name(name))
        number = i
        while label is None:
            free = f"{first}-{number:0{width}d}"
            if fold_name(free) not in taken:
                label = free
            number += len(streams)
        taken.add(fold_name(label))
        labels[name] = label
    return labels


def labels_of_streams(
    labels: Mapping[str, str], names: Sequence[str], stated: Sequence[LabSample],
    assayed: Collection[str], faults: list[Fault], notes: list[str],
) -> dict[str, str]:  # fmt: skip
    """Return the stream of each stated label, folded.

    A stream that nobody knows is a fault where the laboratory has a result for the label, else a
    note: a stream that was taken out leaves its label behind.

    Parameters
    ----------
    labels : mapping of str to str
        Label by stream, as `sample_labels` gives them.
    names : sequence of str
        All streams of the circuit.
    stated : sequence of LabSample
    assayed : collection of str
        Labels with a result, folded.
    faults : list of Fault
    notes : list of str

    Returns
    -------
    dict of str to str
        First the stated labels, then the streams under their own names, then ``labels``: one that
        is there already stays.
    """
    spelt = {fold_name(name): name for name in names}
    found: dict[str, str] = {}
    for sample in stated:
        stream = spelt.get(fold_name(sample.stream))
        if stream is None and fold_name(sample.label) not in assayed:
            notes.append(f"{sample.place}: the label '{sample.label}' of '{sample.stream}', which "
                         "is no stream, is passed over: no result is of it.")  # fmt: skip
        elif stream is None:
            near = did_you_mean(sample.stream, names, "Streams")
            mend = f"{near}\nIf it is gone, take its labels out."
            problem = (f"The sample '{sample.label}' is said to be of '{sample.stream}', which is "
                       "no stream.")  # fmt: skip
            faults.append(Fault(problem, mend, sample.place))
        else:
            found[fold_name(sample.label)] = stream
    for key, name in spelt.items():
        found.setdefault(key, name)
    for name, label in labels.items():
        found.setdefault(fold_name(label), name)
    return found


def streams_of_labels(weighing: Table | None) -> dict[str, str]:
    """Return the label of each stream that a sheet of weighings names, by stream as written."""
    if weighing is None:
        return {}
    words = [fold_name(cell.text) for cell in weighing.header]
    if not {"stream", "sample"} <= set(words):
        return {}
    i, j = words.index("stream"), words.index("sample")
    found: dict[str, str] = {}
    for row in weighing.rows:
        if row[i].text and row[j].text:
            found.setdefault(row[i].text, row[j].text)
    return found
