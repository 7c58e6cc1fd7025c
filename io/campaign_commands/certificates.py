"""The work of `oretally campaign FILE certificate`: grades of a laboratory into many surveys.

A sample is labelled with its survey and its stream, 'week 3/spiral conc'. What stands after the
survey is what `oretally lab` takes in the survey's own case: a stream, its label on the sampling
form, or what [lab] samples says.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from tempfile import TemporaryDirectory

from oretally.flowsheet import Fault, InputError, Place
from oretally.flowsheet.circuit import fold_name
from oretally.io.campaign import (
    Campaign,
    GivenSurvey,
    SurveyEntry,
    author,
    kept_case,
    open_campaign,
)
from oretally.io.certificate import certificate_lines, fill_grades
from oretally.io.files import create_file, readable_name
from oretally.io.laboratory import LabTable, SampleReading, read_lab

__all__ = ["certified_text"]

_NAMED = 5  # samples of no survey, told one by one


def certified_text(file: str, certificates: Sequence[Path], *, by: str | None) -> str:
    """Correct surveys by what certificates say of blank cells; return what became of them.

    Each certificate counts whole or not at all. Numbers that somebody typed stay.

    Raises
    ------
    InputError
        If no sample of a certificate is of a survey, or a survey cannot be filled in.
    """
    campaign, lines = open_campaign(file), list[str]()
    for path in certificates:
        batch = read_lab(path)
        samples, unknown = _by_survey(batch.samples, campaign.entries())
        if not samples:
            raise InputError([_nothing_matched(path, unknown, campaign)])
        filled = _filled(campaign, path, batch, samples)
        name = readable_name(path.name)
        why = f"grades of the certificate {name}"
        corrected = [one.survey for one in filled if one.survey is not None]
        campaign.add(corrected, by=author() if by is None else by, correct=True, why=why)
        lines += [f"{name}: {len(corrected)} of {len(filled)} surveys corrected.", ""]
        for one in filled:
            lines += [f"{one.label}:", *(f"  {line}" for line in one.told), ""]
        if unknown:
            more = f" and {len(unknown) - _NAMED} more" if len(unknown) > _NAMED else ""
            lines += [f"Samples of no survey: {', '.join(unknown[:_NAMED])}{more}.", ""]
    return "\n".join(lines[:-1]) + "\n"


@dataclass(frozen=True, slots=True)
class _Filled:
    """A survey with the grades of a certificate; None if none of its cells was blank."""

    label: str
    survey: GivenSurvey | None
    told: list[str]


def _by_survey(
    samples: Sequence[SampleReading], entries: Sequence[SurveyEntry]
) -> tuple[dict[SurveyEntry, list[SampleReading]], list[str]]:
    """Return the samples of each survey without its label, and the labels that are of none."""
    by_name = {fold_name(entry.label): entry for entry in entries}
    found: dict[SurveyEntry, list[SampleReading]] = {}
    unknown: dict[str, None] = {}
    for sample in samples:
        entry, label = _parted(sample.label, by_name)
        other, pair = _parted(sample.pair, by_name)
        if entry is None:  # a duplicate with a number of its own goes with its pair
            entry = other
        if entry is None:
            unknown.setdefault(sample.label)
            continue
        found.setdefault(entry, []).append(replace(sample, label=label, pair=pair))
    return found, list(unknown)


def _parted(label: str, by_name: dict[str, SurveyEntry]) -> tuple[SurveyEntry | None, str]:
    """Return the survey that a label begins with, which may have '/' in its own, and the rest."""
    for at in (i for i in range(len(label) - 1, 0, -1) if label[i] == "/"):
        entry = by_name.get(fold_name(label[:at]))
        if entry is not None:
            return entry, label[at + 1 :].strip()
    return None, label


def _filled(
    campaign: Campaign, path: Path, batch: LabTable,
    samples: dict[SurveyEntry, list[SampleReading]],
) -> list[_Filled]:  # fmt: skip
    files = dict(campaign.files([entry.number for entry in samples]))
    done, faults = list[_Filled](), list[Fault]()
    for entry, own in samples.items():
        try:
            part = replace(batch, samples=tuple(own))
            done.append(_one(entry, files[entry.number], part, path))
        except InputError as error:
            faults += [
                replace(f, place=replace(f.place, file=f"survey '{entry.label}', {f.place.file}"))
                for f in error.faults
            ]
    if faults:
        raise InputError(faults)
    return done


def _one(
    entry: SurveyEntry, files: dict[str, bytes], batch: LabTable, certificate: Path
) -> _Filled:
    """Fill one survey in: its files are laid out as they were given, and read again."""
    with TemporaryDirectory() as folder:
        for name, content in files.items():
            path = Path(folder) / name
            if ".." in path.parts or not path.is_relative_to(folder):  # no file of this program's
                raise InputError([
                    Fault(f"The campaign keeps a file under the name '{readable_name(name)}', "
                          "which is outside its case.", "Do not use this campaign: somebody has "
                          "changed it by other means.", Place(file=readable_name(name)))
                ])  # fmt: skip
            path.parent.mkdir(parents=True, exist_ok=True)
            create_file(path, content)
        case = Path(folder) / PurePosixPath(next(iter(files))).parts[0]
        found, written = fill_grades(case, batch)
        told = certificate_lines(replace(found, without=()), written)  # a batch has few of them
        if not written:
            return _Filled(entry.label, None, told)
        read, contents = kept_case(case)
    # what the reader has no need of stays as it was given
    survey = GivenSurvey(
        entry.label, entry.time, entry.kind, {**files, **contents},
        readable_name(str(certificate)),
        f"samples {', '.join(dict.fromkeys(w.label for w in written))}", read.circuit,
    )  # fmt: skip
    return _Filled(entry.label, survey, told)


def _nothing_matched(path: Path, unknown: Sequence[str], campaign: Campaign) -> Fault:
    labels = ", ".join(repr(label) for label in unknown[:3])
    first = next((entry.label for entry in campaign.entries()), "survey")
    problem = "No sample is of a survey of the campaign"
    return Fault(
        f"{problem}: they are called {labels}." if unknown else f"{problem}.",
        f"Label samples with survey and stream, as '{first}/feed', and give them the type "
        "'sample'.",
        Place(file=path.name),
    )
