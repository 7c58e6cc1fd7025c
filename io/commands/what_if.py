"""What if: measurements left out or added on the command line, read.

``--without STREAM:QUANTITY`` and ``--with "STREAM:QUANTITY=VALUE ± SD UNIT"``.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import NamedTuple, TypeVar

from oretally.flowsheet import (
    Circuit,
    Dimension,
    Fault,
    InputError,
    Measurement,
    Place,
    Survey,
    Unit,
    UnitError,
    positions,
)
from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.digits import format_number, format_with_sd
from oretally.flowsheet.faults import did_you_mean
from oretally.flowsheet.survey import Kind, Meaning, meanings, with_measurement, without_measurement
from oretally.io.cells import WHOLE_EARTH, quantity_unit

__all__ = ["changed_survey", "named_measurement"]

_Known = TypeVar("_Known")
_NUMBER = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?"
_VALUE = re.compile(rf"({_NUMBER})\s*([^\s\d±+,].*?|)\s*(?:±|\+\s*/?\s*-)\s*({_NUMBER})\s*(.*)")
_COMMA = re.compile(r"\d,\d")
_RELATIVE = {"rel %", "% rel", "rel%", "%rel", "rel. %", "% rel."}


class _Named(NamedTuple):
    """Of what a number is."""

    stream: str
    quantity: str
    meaning: Meaning


def changed_survey(
    circuit: Circuit, survey: Survey, without: Sequence[str], added: Sequence[str]
) -> tuple[Survey, list[str]]:
    """Return the survey with the changes asked for, and the changes in words.

    Parameters
    ----------
    circuit, survey : Circuit, Survey
    without, added : sequence of str
        As written behind ``--without`` and ``--with``.

    Raises
    ------
    InputError
        With everything wrong with what was asked for.
    """
    reader = _Reader(circuit, survey)
    changed, words = survey, []
    left_out: set[tuple[str, str]] = set()
    for written in without:
        place = _place("--without", written)
        found = reader.named(written, place, reader.how_without)
        if found is None:
            continue
        name = found.stream, found.quantity
        if name in left_out:
            reader.fault(f"The {found.quantity} of '{found.stream}' is left out twice.",
                         "Take one out.", place)  # fmt: skip
        elif survey.measured(*name) is None:
            reader.fault(f"The {found.quantity} of '{found.stream}' was not measured.",
                         "Leave out what was measured.", place)  # fmt: skip
        else:
            left_out.add(name)
            changed = without_measurement(changed, *name)
            words.append(f"without {found.quantity} of '{found.stream}'")
    put_in: set[tuple[str, str]] = set()
    for written in added:
        measurement = reader.measurement(written)
        if measurement is None:
            continue
        name = measurement.stream, measurement.quantity
        if name in put_in:
            reader.fault(f"The {name[1]} of '{name[0]}' is given twice.", "Take one out.",
                         measurement.place)  # fmt: skip
            continue
        put_in.add(name)
        changed = with_measurement(changed, measurement)
        shown = " ± ".join(format_with_sd(measurement.value, measurement.sd))
        before = survey.measured(*name)
        in_place = "" if before is None else f" in place of {_shown(before, measurement.unit)}"
        words.append(f"with {name[1]} of '{name[0]}' {shown} {measurement.unit}{in_place}")
    if reader.faults:
        raise InputError(reader.faults)
    return changed, words


def named_measurement(circuit: Circuit, survey: Survey, written: str) -> tuple[str, str]:
    """Return stream and quantity of a measurement that is named behind ``--of``.

    Raises
    ------
    InputError
        If there is no such measurement.
    """
    reader, place = _Reader(circuit, survey), _place("--of", written)
    at = survey.measurements[0]
    stream, quantity = reader.meant(written) or (at.stream, at.quantity)
    found = reader.named(written, place, f'Write --of "{stream}:{quantity}".')
    if found is not None and survey.measured(found.stream, found.quantity) is None:
        problem = f"The {found.quantity} of '{found.stream}' was not measured."
        reader.fault(problem, "Name what was measured.", place)
    if found is None or reader.faults:
        raise InputError(reader.faults)
    return found.stream, found.quantity


def _place(option: str, written: str) -> Place:
    return Place(cell=f'option {option} "{written}"')


def _shown(measurement: Measurement, beside: Unit) -> str:
    unit = "" if measurement.unit == beside else f" {measurement.unit}"
    return f"{format_number(measurement.value)}{unit}"


class _Reader:
    """Reads what was asked for; what is wrong with it is left in ``faults``."""

    def __init__(self, circuit: Circuit, survey: Survey) -> None:
        self.survey = survey
        self.faults: list[Fault] = []
        self.streams = {fold_name(s): s for s in circuit.stream_names}
        self.known = {fold_name(q): (q, m) for q, m in meanings(survey).items()}
        self.there = {(r.stream, r.quantity) for r in positions(circuit, survey).rows}
        self.shown = survey.measurements[-1]  # stands in an example of how to write it
        self.how_without = f'Write --without "{self.shown.stream}:{self.shown.quantity}".'

    def how_with(self, found: _Named | None = None) -> str:
        """Return how to write a measurement: the one that was meant, else one of the case."""
        at = found or self.shown
        known = self.survey.measured(at.stream, at.quantity)
        unit = known.unit if known else self.known[fold_name(at.quantity)][1].unit
        value, sd = format_with_sd(known.value, known.sd) if known and known.sd else ("VALUE", "SD")
        return f'Write --with "{at.stream}:{at.quantity}={value} ± {sd} {unit}".'

    def fault(self, problem: str, mend: str, place: Place) -> None:
        self.faults.append(Fault(problem, mend, place))

    def named(self, written: str, place: Place, how: str) -> _Named | None:
        """Return of what it is; None, with a fault, if it is of nothing, or of two things."""
        found = self.readings(written)
        if len(found) == 1 and (found[0].stream, found[0].quantity) in self.there:
            return found[0]
        if len(found) == 1:
            self.fault(f"The stream '{found[0].stream}' has no {found[0].quantity}.", how, place)
            return None
        if found:
            listed = " or as the ".join(f"{f.quantity} of '{f.stream}'" for f in found)
            self.fault(f"It can be read as the {listed}.", "Rename one of the streams.", place)
            return None
        stream, colon, quantity = written.partition(":")
        if not colon:
            self.fault("A stream and a quantity are needed, a colon between.", how, place)
        elif not stream.strip() or not quantity.strip():
            missing = "quantity" if stream.strip() else "stream"
            self.fault(f"There is no {missing} beside the colon.", how, place)
        elif _spelt(stream, self.streams) is None:
            self.unknown("stream", stream, "in the circuit", list(self.streams.values()), place)
        else:
            self.unknown("quantity", quantity, "here", [q for q, _ in self.known.values()], place)
        return None

    def meant(self, written: str) -> tuple[str, str] | None:
        """Return the measurement whose stream and quantity, in any order, are all that is written.

        None if there is none, or several.
        """
        words = fold_name(written.replace(":", " "))
        found = [
            (m.stream, m.quantity) for m in self.survey.measurements
            if words in (fold_name(f"{m.stream} {m.quantity}"),
                         fold_name(f"{m.quantity} {m.stream}"),
                         fold_name(f"{m.quantity} of {m.stream}"))
        ]  # fmt: skip
        return found[0] if len(found) == 1 else None

    def readings(self, written: str) -> list[_Named]:
        """Return every way to read it: names may hold colons themselves."""
        found = []
        for i, character in enumerate(written):
            if character != ":":
                continue
            stream = _spelt(written[:i], self.streams)
            known = _spelt(written[i + 1 :], self.known)
            if stream is not None and known is not None:
                found.append(_Named(stream, *known))
        real = [f for f in found if (f.stream, f.quantity) in self.there]
        return real or found[:1]

    def unknown(self, what: str, name: str, where: str, known: Sequence[str], place: Place) -> None:
        name = name.strip()
        mend = did_you_mean(name, known, "Streams" if what == "stream" else "Quantities")
        self.fault(f"There is no {what} '{name}' {where}.", mend, place)

    def measurement(self, written: str) -> Measurement | None:
        """Return the measurement that was written; None, with a fault, if it is none."""
        place = _place("--with", written)
        # a name may hold an equals sign itself
        at = [i for i, character in enumerate(written) if character == "="]
        cut = next((i for i in at if self.readings(written[:i])), at[0] if at else len(written))
        found = self.named(written[:cut], place, self.how_with())
        if found is None:
            return None
        if not written[cut + 1 :].strip():
            self.fault("No value is given.", self.how_with(found), place)
            return None
        read = self.number(written[cut + 1 :].strip(), found, place)
        if read is None:
            return None
        value, sd, unit = read
        wrong = self.implausible(value, unit, found)
        if wrong:
            self.fault(wrong, "Correct the value or its unit.", place)
            return None
        return Measurement(found.stream, found.quantity, value, unit, sd, "what if", "", place)

    def number(self, text: str, found: _Named, place: Place) -> tuple[float, float, Unit] | None:
        """Return value, sd and unit; None, with a fault, if they cannot be taken."""
        match = _VALUE.fullmatch(text.replace("\N{MINUS SIGN}", "-"))
        if match is None:
            comma = " Decimals stand behind a point." if _COMMA.search(text) else ""
            self.fault(f"'{text}' is no value with its sd.{comma}", self.how_with(found), place)
            return None
        value, sd, of_value, of_sd = float(match[1]), float(match[3]), match[2], match[4]
        relative = " ".join(of_sd.casefold().split()) in _RELATIVE
        symbol = of_value or ("" if relative else of_sd)
        try:
            unit = self.unit(symbol, found) if symbol else self.usual_unit(found, place)
            if unit is None or (not of_value and self.two_ways(match, unit, found, place)):
                return None
            if relative:
                sd *= value / 100.0
            elif of_value and of_sd:
                sd = unit.from_base(self.unit(of_sd, found).to_base(sd))
        except UnitError as error:
            self.fault(error.problem, error.mend, place)
            return None
        if not (math.isfinite(value) and math.isfinite(sd)):
            self.fault(f"'{text}' is beyond all numbers.", self.how_with(found), place)
            return None
        if sd <= 0.0:
            self.fault("The sd must be above 0.", self.how_with(found), place)
            return None
        return value, sd, unit

    def usual_unit(self, found: _Named, place: Place) -> Unit | None:
        """Return the unit in which the case has a quantity, where none is written."""
        measured = self.survey.measured(found.stream, found.quantity)
        usual = found.meaning.unit
        if measured is None or measured.unit == usual:
            return usual
        self.fault(f"No unit is given; it was measured in {measured.unit}, others in {usual}.",
                   self.how_with(found), place)  # fmt: skip
        return None

    def two_ways(self, match: re.Match[str], unit: Unit, found: _Named, place: Place) -> bool:
        """Tell, with a fault, whether '1.2 ± 3 %' may mean 3 percent of a value in g/t."""
        usual = found.meaning.unit
        if unit.symbol != "%" or usual.symbol == "%":
            return False
        value, sd = match[1], match[3]
        self.fault(
            f"'{match[0]}' can be read as {value} % or as {value} {usual} with an sd of {sd} "
            "percent of it.",
            f"Write {value} % ± {sd} %\nor {value} {usual} ± {sd} rel %.",
            place,
        )
        return True

    def unit(self, symbol: str, found: _Named) -> Unit:
        """Return a unit; UnitError if it is none of this quantity."""
        meaning = found.meaning
        share = meaning.kind in (Kind.SHARE, Kind.SOLIDS)
        dimension = Dimension.SHARE if share else meaning.unit.dimension
        return quantity_unit(found.quantity, symbol, dimension)

    def implausible(self, value: float, unit: Unit, found: _Named) -> str:
        """Return what is wrong with the size of a number, or nothing."""
        shown = f"The {found.quantity} is {value:g} {unit}"
        if value < 0.0:
            return f"{shown}; it cannot be negative."
        meaning = found.meaning
        if meaning.is_flow:
            earth = unit.to_base(value) > WHOLE_EARTH
            return f"{shown}, more than the whole Earth." if earth else ""
        analytes, k = self.survey.analytes, meaning.analyte
        largest = 1.0 if k is None or meaning.kind is Kind.SOLUTION else analytes[k].maximum
        if unit.to_base(value) <= largest * (1.0 + 1e-9):
            return ""
        why = "more than the whole" if largest == 1.0 else "more than the stated max"
        return f"{shown}, {why} ({unit.from_base(largest):g} {unit})."


def _spelt(name: str, known: Mapping[str, _Known]) -> _Known | None:
    """Return what a name stands for; quotes around it may be taken off."""
    plain = name.strip()
    bare = plain[1:-1] if len(plain) > 1 and plain[0] == plain[-1] and plain[0] in "'\"" else plain
    return known.get(fold_name(plain), known.get(fold_name(bare)))
