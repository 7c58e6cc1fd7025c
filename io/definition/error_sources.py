"""Sources of error of a case, from rows as they were written."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf

import oretally.io.sampling as sampling
from oretally.flowsheet import Dimension, ErrorSource, Fault, Place, Unit
from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.survey import SPANS, STATED, SizeRule
from oretally.io.cells import read_definition_number
from oretally.io.definition.error_rules import FROM_LAB, ErrorRow, Scope, read_rule

__all__ = ["SourceRow", "read_sources"]

_SHARED = {"": False, "no": False, "false": False, "yes": True, "true": True}
_SHARED |= dict.fromkeys(SPANS, True)


@dataclass(frozen=True, slots=True)
class SourceRow:
    """A source of error as written, for one quantity and one stream, or all.

    Attributes
    ----------
    name : str
    size : ErrorRow
        Quantity, stream (empty for all) and figures.
    shared, dof : object
    sampling : object
        How the sample was taken, in place of figures; None if they are given.
    """

    name: str
    size: ErrorRow
    shared: object = None
    dof: object = None
    sampling: object = None


@dataclass(frozen=True, slots=True)
class _Gy:
    """Fundamental sampling error of a grade, as the size of a source."""

    terms: sampling.SamplingTerms

    def sd(self, value: float, unit: Unit) -> float:
        """Return the sd; SamplingError if the grade is above that of the mineral."""
        return value * self.terms.relative_sd(unit.to_base(value)) if value > 0.0 else 0.0


def read_sources(
    rows: Sequence[SourceRow], scope: Scope, faults: list[Fault]
) -> tuple[ErrorSource, ...]:
    """Return the sources, in the order written; what is wrong is added to ``faults``."""
    found: dict[tuple[str, str], ErrorSource] = {}
    spelt: dict[str, str] = {}  # one source may be spelt in two ways
    for row in rows:
        stream, quantity = row.size.stream, row.size.quantity
        place = row.size.place.about(stream=stream, quantity=quantity)
        wrong = scope.fault(stream, quantity, place, "An error source")
        if fold_name(row.name) == STATED:
            wrong = Fault(f"'{row.name}' is what rows and rules state.", "Name the source.", place)
        if wrong is not None:
            faults.append(wrong)
            continue
        rule = _size(row, scope, place, faults)
        shared, dof = _shared(row, place, faults), _dof(row, place, faults)
        if rule is None or shared is None or dof is None:
            continue
        if shared and row.sampling is not None:
            faults.append(
                Fault(f"The sampling error '{row.name}' is shared; but each sample has its own.",
                      "Take 'shared' out.", place)
            )  # fmt: skip
            continue
        key = fold_name(row.name), fold_name(quantity)
        before = found.get(key)
        over = _over(row)
        if before is not None and (before.shared, before.over, before.dof) != (shared, over, dof):
            faults.append(
                Fault(f"The error source '{row.name}' is there twice, with another 'shared' or "
                      "'dof'.", "Write the same in both, or give it another name.", place)
            )  # fmt: skip
            continue
        if before is not None and (
            fold_name(stream) in before.by_stream if stream else before.general is not None
        ):
            faults.append(
                Fault(f"The error source '{row.name}' is stated twice for the same.",
                      "Take one out.", place)
            )  # fmt: skip
            continue
        general = before.general if before else None
        by_stream = dict(before.by_stream) if before else {}
        if stream:
            by_stream[fold_name(stream)] = rule
        else:
            general = rule
        note = _note(row, rule)
        name = spelt.setdefault(fold_name(row.name), row.name)
        found[key] = ErrorSource(name, quantity, general, by_stream, shared, dof, note, over)
    return tuple(found.values())


def _size(row: SourceRow, scope: Scope, place: Place, faults: list[Fault]) -> SizeRule | None:
    """Return what gives its size; faults are added."""
    size = row.size
    if isinstance(size.absolute, str) and size.absolute.strip().casefold() == FROM_LAB:
        faults.append(Fault("The duplicates of a batch give a stated error, not a source.",
                            'Write "from lab" under [errors].', place))  # fmt: skip
        return None
    given = [f for f in (size.relative, size.absolute, size.coverage) if f not in (None, "")]
    if row.sampling is None and not given:
        mend = "State relative, absolute or both, or sampling = { ... } for a grade."
        faults.append(Fault(f"The error source '{row.name}' has no size.", mend, place))
        return None
    if row.sampling is None:
        return read_rule(size, scope.dimension(size.quantity), place, faults)
    if given:
        faults.append(Fault("Both figures and a way of sampling are given.", "Take one out.",
                            place))  # fmt: skip
        return None
    if scope.dimension(size.quantity) is not Dimension.GRADE:
        faults.append(Fault("A way of sampling gives the error of a grade only.",
                            "State relative or absolute figures.", place))  # fmt: skip
        return None
    if not isinstance(row.sampling, Mapping):
        faults.append(Fault("'sampling' is not a table.", 'Write sampling = { top = "2 mm", '
                            'mass = "1 kg" } and the like.', place))  # fmt: skip
        return None
    known = [a for a in scope.analytes if fold_name(a.name) == fold_name(size.quantity)]
    terms = sampling.read_sampling(
        row.sampling, place, faults, grade_max=known[0].maximum if known else 1.0
    )
    return None if terms is None else _Gy(terms)


def _note(row: SourceRow, rule: SizeRule) -> str:
    """Return what stands in place of what was not stated."""
    if not isinstance(rule, _Gy) or not rule.terms.assumed:
        return ""
    assumed = "; ".join(rule.terms.assumed)
    return f"The sampling error '{row.name}' of {row.size.quantity} takes for granted: {assumed}."


def _shared(row: SourceRow, place: Place, faults: list[Fault]) -> bool | None:
    written = "" if row.shared is None else str(row.shared).strip().casefold()
    if written not in _SHARED:
        faults.append(
            Fault(f"'shared' is {row.shared}; it says whether the error is the same in all its "
                  "measurements.", "Write true or false (in a sheet yes or no); or over which "
                  f"surveys of a campaign it is the same: {', '.join(SPANS)}.", place)
        )  # fmt: skip
        return None
    return _SHARED[written]


def _over(row: SourceRow) -> str:
    """Return over which surveys of a campaign an error is the same; empty for one alone."""
    written = "" if row.shared is None else str(row.shared).strip().casefold()
    return written if written in SPANS else ""


def _dof(row: SourceRow, place: Place, faults: list[Fault]) -> float | None:
    if row.dof in (None, ""):
        return inf
    dof = read_definition_number(row.dof)
    if dof is None or dof <= 0.0:
        faults.append(
            Fault(f"The degrees of freedom are {row.dof}; they are a number above 0.",
                  "Write the number of readings less one, or leave it out.", place)
        )  # fmt: skip
        return None
    return dof
