"""What is asked of a sample: options of the command, a file, or both; read or refused as a whole.

The file is TOML and holds the same entries as the options, and a list of stages.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from oretally.flowsheet import Dimension, Fault, InputError, Place, Unit, parse_unit
from oretally.io.cells import plain_document, read_amount
from oretally.io.files import NotRead, is_file, read_toml
from oretally.io.sampling.terms import Lot, OreTerms, read_lot, read_ore, read_stages
from oretally.io.sampling.written import (
    KEYS,
    Written,
    read_grade,
    read_relative_sd,
    read_size,
    unknown_keys,
)
from oretally.recon.laboratory import Ore, Stage

__all__ = ["SAMPLE_KEYS", "SamplePlan", "read_sample_plan"]

SAMPLE_KEYS = ("title", "grade", "error", *KEYS)
"""What a file of `oretally sample-mass` may hold."""
_KEY = re.compile(r"""\s*(?:"([^"]*)"|'([^']*)'|([A-Za-z0-9_-]+))\s*=""")
_STAGE = re.compile(r"\s*\[\[\s*stages\s*\]\]")


@dataclass(frozen=True, slots=True)
class SamplePlan:
    """What is asked.

    Attributes
    ----------
    title : str
    terms : OreTerms
    lot : Lot
    grade : float
        Mass fraction of the analyte in the ore.
    grade_unit : Unit
        In which it was written.
    top_size_um : float
        The coarsest there is. [um]
    stages : tuple of Stage
        Empty if no mass is stated: then it is asked for.
    error : float or None
        Relative sd wanted (5 % is 0.05).
    """

    title: str
    terms: OreTerms
    lot: Lot
    grade: float
    grade_unit: Unit
    top_size_um: float
    stages: tuple[Stage, ...]
    error: float | None

    @property
    def ore(self) -> Ore:
        """The ore in Gy's terms."""
        return self.terms.ore(self.grade, self.top_size_um)

    @property
    def assumed(self) -> tuple[str, ...]:
        """What was not stated, and what stands in its place."""
        return (*self.terms.assumed, *self.lot.assumed)


def read_sample_plan(options: Mapping[str, str | None], file: Path | None = None) -> SamplePlan:
    """Read what is asked; options add to the file, and may not repeat it.

    Parameters
    ----------
    options : mapping of str to str or None
        Entries by their names ('mineral_density'); None where not given.
    file : Path, optional

    Raises
    ------
    InputError
        With every fault, each located.
    """
    faults: list[Fault] = []
    given = {key.replace("_", " "): v for key, v in options.items() if v is not None}
    places = {key: Place(quantity=f"--{key.replace(' ', '-')}") for key in given}
    written = Written(given, Place(), places, options=True)
    if file is not None:
        read = _read_file(file)
        for key in given.keys() & read.entry.keys():
            faults.append(
                written.fault(key, f"It is given in {file.name} too: they say the same twice.",
                              "Take one of them out.")
            )  # fmt: skip
        faults.sort(key=lambda fault: str(fault.place))  # sets have no order
        written = Written({**read.entry, **given}, read.place, {**read.places, **places})
    unknown_keys(written, SAMPLE_KEYS, faults)
    grade = read_grade(written, "grade", 1.0, "100 %", faults)
    terms, lot = read_ore(written, faults), read_lot(written, faults)
    stages: tuple[Stage, ...] = ()
    error = None
    if written.entry.get("error") is not None:
        error = read_relative_sd(written, "error", faults)
    if "mass" in written.entry or "stages" in written.entry:
        stages = read_stages(written, lot, faults)
        top = stages[0].top_size_um if stages else None
    else:
        top = read_size(written, "top", faults)
        if "error" not in written.entry:
            faults.append(
                Fault("Neither an error nor a mass is stated, so nothing is asked.",
                      f"Write {written.spelt('error', '5 %')} for the mass that is needed (one "
                      "standard deviation, in percent of the grade)\nor "
                      f"{written.spelt('mass', '1.5 kg')} for the error that this mass leaves.",
                      written.place)
            )  # fmt: skip
    if terms is not None and grade is not None and grade > terms.mineral_grade:
        faults.append(
            written.fault("grade", f"The grade of the ore is {written.entry['grade']}, above that "
                          f"of its mineral, {100.0 * terms.mineral_grade:g} %.",
                          "Give both for the same analyte.")
        )  # fmt: skip
    if faults or terms is None or grade is None or top is None:
        raise InputError(faults)
    amount = read_amount(written.entry["grade"])
    unit = parse_unit(amount[1] if amount else "%", Dimension.GRADE)
    title = str(written.entry.get("title", ""))
    return SamplePlan(title, terms, lot, grade, unit, top, stages, error)


def _read_file(file: Path) -> Written:
    """Return the entries of a file with their lines; refuse at once what is no TOML."""
    try:
        document, text = read_toml(file)
    except NotRead as refused:
        place = Place(file=file.name if is_file(file) else str(file))
        mend = refused.mend or 'Write one entry a line, amounts in quotes: grade = "0.8 %".'
        raise InputError([Fault(refused.problem, mend, place)]) from None
    lines, faults = _lines(text, file.name), list[Fault]()
    place = Place(file=file.name)
    plain = plain_document(document, lambda *keys: lines.get(keys[0], place), faults)
    if faults:
        raise InputError(faults)
    return Written(plain, place, lines)


def _lines(text: str, name: str) -> dict[str, Place]:
    """Return the place of each entry, and of the stages as 'stage 1', 'stage 2', ..."""
    found: dict[str, Place] = {}
    stages = depth = 0
    in_tables = False
    for number, line in enumerate(text.split("\n"), start=1):
        place = Place(file=name, line=number)
        key = _KEY.match(line) if depth == 0 and not in_tables else None
        word = next((part for part in key.groups() if part is not None), "") if key else ""
        if word:
            found.setdefault(word, place)
        if _STAGE.match(line):
            in_tables, stages = True, stages + 1
            found[f"stage {stages}"] = place
        elif word == "stages" or depth > 0:  # a list; the brackets of a sieve series close too
            head = line.partition("#")[0]
            for _ in range(head.count("{")):
                stages += 1
                found[f"stage {stages}"] = place
            depth += head.count("[") - head.count("]")
    return found
