"""The work of `oretally campaign FILE certificate`: grades of a laboratory into many surveys.

A sample is labelled with its survey and its stream, 'week 3/spiral conc', or with any number of
which a table [lab] says so. What stands after the survey is what `oretally lab` takes in the
survey's own case: a stream, its label on the sampling form, or what its [lab] samples says.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from tempfile import TemporaryDirectory

from oretally.flowsheet import Fault, InputError, Place
from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.faults import did_you_mean
from oretally.io.campaign import (
    Campaign,
    GivenSurvey,
    SurveyEntry,
    author,
    kept_case,
    open_campaign,
)
from oretally.io.certificate import certificate_lines, fill_grades
from oretally.io.definition import LabSample
from oretally.io.files import create_file, readable_name
from oretally.io.laboratory import LabTable, SampleReading, layout_in, read_lab

__all__ = ["certified_text"]

_NAMED = 5  # samples of no survey, told one by one


def certified_text(
    file: str, certificates: Sequence[Path], *, by: str | None, samples_file: Path | None = None
) -> str:
    """Correct surveys by what certificates say of blank cells; return what became of them.

    Each certificate counts whole or not at all. Numbers that somebody typed stay.
    ``samples_file`` has a table [lab], as circuit.toml has: whose sample is which, and how the
    laboratory names its columns.

    Raises
    ------
    InputError
        If no sample of a certificate is of a survey, or a survey cannot be filled in.
    """
    campaign, lines = open_campaign(file), list[str]()
    layout = None if samples_file is None else layout_in(samples_file)
    for path in certificates:
        batch = read_lab(path, layout)
        samples, unknown = _by_survey(batch, campaign.entries())
        if not samples:
            raise InputError([_nothing_matched(path, unknown, campaign)])
        filled = _filled(campaign, path, samples)
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
    batch: LabTable, entries: Sequence[SurveyEntry]
) -> tuple[dict[SurveyEntry, LabTable], list[str]]:
    """Return the part of each survey, its label taken off, and the labels that are of none.

    Raises
    ------
    InputError
        If a sample is said to be of what begins with no survey.
    """
    by_name = {fold_name(entry.label): entry for entry in entries}
    said, faults = dict[str, tuple[SurveyEntry, LabSample]](), list[Fault]()
    assayed = {fold_name(label) for s in batch.samples for label in (s.label, s.pair)}
    for stated in batch.said:
        entry, stream = _parted(stated.stream, by_name)
        if entry is not None:
            said[fold_name(stated.label)] = entry, replace(stated, stream=stream)
        elif fold_name(stated.label) in assayed:
            faults.append(_of_no_survey(stated, entries))
    if faults:
        raise InputError(faults)
    found: dict[SurveyEntry, list[SampleReading]] = {}
    unknown: dict[str, None] = {}
    for sample in batch.samples:
        entry, label = _labelled(sample.label, said, by_name)
        other, pair = _labelled(sample.pair, said, by_name)
        if entry is None:  # a duplicate with a number of its own goes with its pair
            entry = other
        if entry is None:
            unknown.setdefault(sample.label)
            continue
        found.setdefault(entry, []).append(replace(sample, label=label, pair=pair))
    parts = {
        entry: replace(batch, samples=tuple(own), said=tuple(s for e, s in said.values()
                                                             if e == entry))
        for entry, own in found.items()
    }  # fmt: skip
    return parts, list(unknown)


def _labelled(
    label: str, said: Mapping[str, tuple[SurveyEntry, LabSample]], by_name: dict[str, SurveyEntry]
) -> tuple[SurveyEntry | None, str]:
    """Return the survey of a sample, and its label there: what is said of it goes first."""
    stated = said.get(fold_name(label))
    return _parted(label, by_name) if stated is None else (stated[0], label)


def _of_no_survey(stated: LabSample, entries: Sequence[SurveyEntry]) -> Fault:
    survey, slash, _ = stated.stream.rpartition("/")
    problem = f"The sample '{stated.label}' is said to be of '{stated.stream}'"
    if not slash:
        mend = f'Write survey and stream: "{stated.label}" = "{entries[0].label}/{stated.stream}".'
        return Fault(f"{problem}, which names no survey.", mend, stated.place)
    return Fault(f"{problem}, and there is no survey '{survey}'.",
                 did_you_mean(survey, [e.label for e in entries], "Surveys"),
                 stated.place)  # fmt: skip


def _parted(label: str, by_name: dict[str, SurveyEntry]) -> tuple[SurveyEntry | None, str]:
    """Return the survey that a label begins with, which may have '/' in its own, and the rest."""
    for at in (i for i in range(len(label) - 1, 0, -1) if label[i] == "/"):
        entry = by_name.get(fold_name(label[:at]))
        if entry is not None:
            return entry, label[at + 1 :].strip()
    return None, label


def _filled(campaign: Campaign, path: Path, parts: dict[SurveyEntry, LabTable]) -> list[_Filled]:
    files = dict(campaign.files([entry.number for entry in parts]))
    done, faults = list[_Filled](), list[Fault]()
    for entry, part in parts.items():
        try:
            done.append(_one(entry, files[entry.number], part, path))
        except InputError as error:
            stated = {s.place for s in part.said}  # these are no places of the survey
            faults += [
                f if f.place in stated else
                replace(f, place=replace(f.place, file=f"survey '{entry.label}', {f.place.file}"))
                for f in error.faults
            ]  # fmt: skip
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
    first = next(iter(campaign.entries()), None)
    if first is None:
        return Fault("The campaign has no survey.", "Add some.", Place(file=campaign.name))
    stream = next(s.name for s in campaign.case(first).circuit.streams if not s.stock)
    problem = "No sample is of a survey of the campaign"
    mend = f"Label samples with survey and stream, as '{first.label}/{stream}'"
    if not unknown:
        return Fault(f"{problem}.", f"{mend}, and give them the type 'sample'.",
                     Place(file=path.name))  # fmt: skip
    return Fault(
        f"{problem}: they are called {labels}.",
        f"{mend};\nor say whose they are in a file, --samples FILE: [lab.samples], below it "
        f'"{unknown[0]}" = "{first.label}/{stream}".',
        Place(file=path.name),
    )
