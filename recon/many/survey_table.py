"""Readings of many surveys as two arrays: values and their stated errors, a row a survey."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import inf, isfinite

import numpy as np

from oretally.flowsheet import Measurement, Survey
from oretally.flowsheet.arrays import Bools, Floats, Ints
from oretally.flowsheet.survey import Kind, meanings

__all__ = ["SurveyTable", "tables_of"]

_PLAIN = (Kind.DRY, Kind.GRADE)


@dataclass(frozen=True, eq=False)
class SurveyTable:
    """Surveys of one form: dry flows and grades of the same streams, some of them missing.

    Attributes
    ----------
    form : Survey
        Basis, analytes, units; its measurements name the columns, and their values do not count.
    value, sd : ndarray, shape (n_surveys, n_measurements)
        In the unit of each column; NaN where a survey has no such measurement.

    Raises
    ------
    ValueError
        If the arrays do not fit the form, or a value stands without an error above 0.
    """

    form: Survey
    value: Floats
    sd: Floats

    def __post_init__(self) -> None:
        wide = len(self.form.measurements)
        if self.value.shape != self.sd.shape or self.value.shape[1:] != (wide,):
            raise ValueError(
                f"values of shape {self.value.shape} and errors of shape {self.sd.shape}: "
                f"both have a column for each of {wide} measurements"
            )
        known = np.isfinite(self.value)
        if (known != np.isfinite(self.sd)).any() or not (self.sd[known] > 0.0).all():
            raise ValueError("a value needs an error above 0, and an error its value")

    def __len__(self) -> int:
        return len(self.value)

    def rows(self, some: slice | Ints) -> SurveyTable:
        """Return some of the surveys."""
        return SurveyTable(self.form, self.value[some], self.sd[some])

    def survey(self, i: int) -> Survey:
        """Return one of them by itself."""
        pairs = zip(self.form.measurements, self.value[i].tolist(), self.sd[i].tolist(),
                    strict=True)  # fmt: skip
        kept = (replace(m, value=v, sd=sd) for m, v, sd in pairs if v == v)  # not NaN
        return replace(self.form, measurements=tuple(kept))

    def patterns(self) -> Iterator[tuple[Bools, Ints]]:
        """Yield which measurements are there, shape (n_measurements,), and the surveys with them.

        In the order of their first surveys.
        """
        if not len(self):
            return
        known = np.isfinite(self.value)
        packed = np.packbits(known, axis=1)
        _, first, which = np.unique(packed, axis=0, return_index=True, return_inverse=True)
        order = np.argsort(which.ravel(), kind="stable")
        ends = np.cumsum(np.bincount(which.ravel()))[:-1]
        groups = np.split(order, ends)
        for number in np.argsort(first):
            yield known[first[number]], groups[number]


def tables_of(surveys: Sequence[Survey]) -> tuple[list[tuple[SurveyTable, Ints]], list[int]]:
    """Return surveys as tables, each with the numbers of its surveys; and those that fit in none.

    Such are those with sizes, water, solution, errors that are shared, or exact values.
    """
    found: dict[object, list[int]] = {}
    rest = list[int]()
    for i, survey in enumerate(surveys):
        key = survey.basis, survey.flow_unit, survey.analytes
        if _is_plain(survey):
            found.setdefault(key, []).append(i)
        else:
            rest.append(i)
    return [(_table([surveys[i] for i in some]), np.array(some)) for some in found.values()], rest


def _is_plain(survey: Survey) -> bool:
    if survey.shared or survey.water or survey.dissolved or survey.stacks or survey.sizes.n_classes:
        return False
    known = (isfinite(m.value) and 0.0 < m.sd < inf for m in survey.measurements)
    return all(known) and all(meaning.kind in _PLAIN for meaning in meanings(survey).values())


def _table(surveys: Sequence[Survey]) -> SurveyTable:
    columns: dict[tuple[str, str], int] = {}
    named = list[Measurement]()
    for survey in surveys:
        for m in survey.measurements:
            if columns.setdefault((m.stream, m.quantity), len(named)) == len(named):
                named.append(m)
    value, sd = np.full((2, len(surveys), len(named)), np.nan)
    for i, survey in enumerate(surveys):
        for m in survey.measurements:
            j = columns[m.stream, m.quantity]
            unit = named[j].unit
            if m.unit == unit:
                value[i, j], sd[i, j] = m.value, m.sd
            else:
                value[i, j] = unit.from_base(m.value_base)
                sd[i, j] = unit.from_base(m.sd_base)
    return SurveyTable(replace(surveys[0], measurements=tuple(named)), value, sd)
