"""Surveys with values in the same places, balanced side by side with all that follows."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np
from scipy.special import chdtrc

from oretally.flowsheet import BalanceModel, Circuit, Unit
from oretally.flowsheet.arrays import Bools, Floats, Ints
from oretally.flowsheet.problem import SHARPEST, Row, check_survey, reference_streams
from oretally.recon.batch import carrier_weight
from oretally.recon.many.block_covariance import BlockCovariance, MeasuredAlike
from oretally.recon.many.columns import AnswerColumns, ColumnName
from oretally.recon.many.survey_table import SurveyTable
from oretally.recon.numerics import one_thread
from oretally.recon.propagation import SEEN
from oretally.recon.reduction import require_scale
from oretally.recon.solution import ManySolutions
from oretally.recon.solver import prepare, solve_weighted

__all__ = ["Pattern"]

_SAME = 1e-6  # an adjusted value that is less well known than it was measured: told otherwise
_RECOVERY = "%"
_OF_VALUES = ("measured", "sd", "adjusted", "adjusted sd", "standardised")
_LARGEST = 1e12  # in base units: what is beyond it, `oretally.recon.reconcile` judges


class Pattern:
    """What surveys with values in the same places have in common.

    Parameters
    ----------
    circuit : Circuit
    table : SurveyTable
        Of such surveys; the first one whose values can be counts as usual.
    feed, products : optional
        As for `oretally.recon.reconcile`.

    Raises
    ------
    InputError, NotBalanceable
        As `oretally.recon.reconcile`, for all of them.
    """

    def __init__(
        self, circuit: Circuit, table: SurveyTable, feed: str | Sequence[str] | None,
        products: Sequence[str] | None,
    ) -> None:  # fmt: skip
        survey = table.survey(int(np.argmax(_plausible(table))))
        self.form = table.form
        self.model = BalanceModel(circuit, survey)
        feeds, _ = reference_streams(circuit, feed, products)
        check_survey(self.model)
        require_scale(survey, feeds)
        number = {name: j for j, name in enumerate(circuit.stream_names)}
        self.feeds = [number[name] for name in feeds]
        self.ready = prepare(self.model.problem)

    @cached_property
    def is_quick(self) -> bool:
        """Whether such surveys can be balanced side by side."""
        problem, blocks = self.model.problem, self.ready.blocks
        if not blocks.alike or blocks.is_large or len(problem.proportion):
            return False
        if (problem.flow_sd == 0.0).any() or (problem.grade_sd == 0.0).any():
            return False
        if self.ready.reduced.classes.unobservable_flows:
            return False
        return not any(a.exact for a in self._alike)

    @cached_property
    def _alike(self) -> list[MeasuredAlike]:
        reduced = self.ready.reduced
        return [MeasuredAlike(reduced, k) for k in range(len(reduced.analytes))]

    def size(self) -> int:
        """Return how many surveys are balanced side by side at most."""
        return max(self.ready.blocks.size(), 32)

    def balance(self, table: SurveyTable, rows: Ints, columns: AnswerColumns) -> Bools:
        """Balance some of the surveys, and write what follows into their rows of the columns.

        Parameters
        ----------
        table : SurveyTable
            Of some of them.
        rows : ndarray of int, shape (n_surveys,)
        columns : AnswerColumns

        Returns
        -------
        ndarray of bool, shape (n_surveys,)
            False for those that need care: nothing is written of them.
        """
        with one_thread(), np.errstate(all="ignore"):  # what overflows is not done, and told so
            flow, flow_sd, grade, grade_sd = self._arrays(table)
            done = _plausible(table)
            found = solve_weighted(
                self.ready.blocks, (flow, flow_sd), (grade, grade_sd), alike_places=True
            )
            done &= found.converged & ~found.grade_at_bound.any(axis=(1, 2))
            done &= (found.flow > 0.0).all(axis=1)
            some = np.flatnonzero(done)
            if some.size < len(table):
                table, rows, found = table.rows(some), rows[some], _taken(found, some)
                flow_sd, grade, grade_sd = flow_sd[some], grade[some], grade_sd[some]
            if some.size:
                try:
                    done[some] = self._answers(
                        table, rows, columns, found,
                        flow_sd=flow_sd, grade=grade, grade_sd=grade_sd,
                    )  # fmt: skip
                except np.linalg.LinAlgError:
                    done[:] = False
        return done

    def solved(self, table: SurveyTable) -> ManySolutions:
        """Return the balances alone of some of the surveys; what needs care has not converged."""
        with one_thread(), np.errstate(all="ignore"):
            flow, flow_sd, grade, grade_sd = self._arrays(table)
            return solve_weighted(
                self.ready.blocks, (flow, flow_sd), (grade, grade_sd), alike_places=True
            )

    @property
    def degrees_of_freedom(self) -> int:
        """Independent checks, the same for all."""
        return self.ready.reduced.classes.degrees_of_freedom

    def _arrays(self, table: SurveyTable) -> tuple[Floats, Floats, Floats, Floats]:
        """Return flows and grades with their sd, in base units."""
        problem, n = self.model.problem, len(table)
        flow, flow_sd = np.full((2, n, problem.n_carriers), np.nan)
        grade, grade_sd = np.full((2, n, problem.n_analytes, problem.n_carriers), np.nan)
        for i, m in enumerate(self.form.measurements):
            place = self.model.positions.readings.get((m.stream, m.quantity))
            if place is None:
                continue  # missing in all of them
            value, sd = (m.unit.to_base(1.0) * x[:, i] for x in (table.value, table.sd))
            if place.analyte is None:
                flow[:, place.carrier], flow_sd[:, place.carrier] = value, sd
            else:
                grade[:, place.analyte, place.carrier] = value
                grade_sd[:, place.analyte, place.carrier] = sd
        return flow, flow_sd, grade, grade_sd

    def _answers(
        self, table: SurveyTable, rows: Ints, columns: AnswerColumns, found: ManySolutions, *,
        flow_sd: Floats, grade: Floats, grade_sd: Floats,
    ) -> Bools:  # fmt: skip
        """Write the answers of converged surveys; return which of them need care all the same."""
        reduced, classes = self.ready.reduced, self.ready.reduced.classes
        scale = self.ready.blocks.scale
        flow_weight = np.where(np.isfinite(flow_sd), (flow_sd / reduced.flow_scale) ** -2.0, 0.0)
        covariance = BlockCovariance(
            reduced, self._alike,
            np.ascontiguousarray((found.flow / reduced.flow_scale).T),
            np.ascontiguousarray((found.grade / scale[:, None]).transpose(2, 1, 0)),
            flow_weight=np.ascontiguousarray(flow_weight.T),
            grade_weight=carrier_weight(grade, grade_sd, scale),
        )  # fmt: skip
        flow_error = covariance.flow_sd * reduced.flow_scale
        grade_error = np.array(
            [
                r.sd[a.group] * s
                for r, a, s in zip(covariance.roots, self._alike, scale, strict=True)
            ]
        )
        flow, grades = found.flow.T, np.ascontiguousarray(found.grade.transpose(1, 2, 0))
        known = np.isfinite(grades) & classes.grade_determined[:, :, None]
        # what only seems determined, and what is less well known than measured, is told with care
        vague = (flow_error > flow.max(axis=0)) & ~np.isfinite(flow_sd.T)
        richest = np.where(known, grades, 0.0).max(axis=1)
        unmeasured = ~np.isfinite(grade[0])[:, :, None]
        vague_grade = known & unmeasured & (grade_error > richest[:, None])
        loose = (flow_error > flow_sd.T * (1.0 + _SAME)).any(axis=0)
        loose |= (grade_error > grade_sd.transpose(1, 2, 0) * (1.0 + _SAME)).any(axis=(0, 1))
        sound = covariance.seen & np.isfinite(flow_error).all(axis=0)
        sound &= ~(vague.any(axis=0) | vague_grade.any(axis=(0, 1)) | loose)
        at, kept = rows[sound], np.flatnonzero(sound)
        columns.put(_PLAIN_OBJECTIVE, at, found.objective[kept])
        columns.put(_DOF, at, np.full(at.size, float(self.degrees_of_freedom)))
        if self.degrees_of_freedom > 0:
            p = chdtrc(self.degrees_of_freedom, found.objective[kept])
            columns.put(_P, at, p)
        readings = np.ascontiguousarray(table.value.T), np.ascontiguousarray(table.sd.T)
        for row in self.model.positions.rows:
            k, j = row.place
            answer = (flow[j], flow_error[j]) if k is None else (grades[k, j], grade_error[k, j])
            self._value(row, readings, answer, columns=columns, rows=(at, kept))
        self._recoveries(covariance, columns, (at, kept))
        return sound

    @cached_property
    def _columns(self) -> dict[tuple[str, str], int]:
        return {(m.stream, m.quantity): i for i, m in enumerate(self.form.measurements)}

    def unit(self, row: Row) -> Unit:
        """Return the unit in which a value is shown: that of its column, else the usual one."""
        i = self._columns.get((row.stream, row.quantity))
        return row.meaning.unit if i is None else self.form.measurements[i].unit

    def _value(
        self, row: Row, readings: tuple[Floats, Floats], answer: tuple[Floats, Floats], *,
        columns: AnswerColumns, rows: tuple[Ints, Ints],
    ) -> None:  # fmt: skip
        """Write one value as measured and as adjusted, each with its sd, and how far it moved."""
        classes, unit, (at, kept) = self.ready.reduced.classes, self.unit(row), rows
        k, j = row.place
        i = self._columns.get((row.stream, row.quantity))
        measured = i is not None and bool(np.isfinite(readings[0][i, 0]))
        names = [ColumnName(what, row.stream, row.quantity, unit.symbol) for what in _OF_VALUES]
        if measured:
            read, own = (values[i, kept] for values in readings)
            columns.put(names[0], at, read)
            columns.put(names[1], at, own)
        determined = classes.flow_determined[j] if k is None else classes.grade_determined[k, j]
        if not (determined or measured):
            return
        value, sd = (values[kept] / unit.to_base(1.0) for values in answer)
        columns.put(names[2], at, value)
        columns.put(names[3], at, sd)
        checked = classes.flow_checked[j] if k is None else classes.grade_checked[k, j]
        if measured and checked:
            redundancy = 1.0 - (sd / own) ** 2
            seen = redundancy > SEEN
            moved = (value - read) / (own * np.sqrt(np.where(seen, redundancy, 1.0)))
            columns.put(names[4], at, np.where(seen, moved, np.nan))

    def _recoveries(
        self, covariance: BlockCovariance, columns: AnswerColumns, rows: tuple[Ints, Ints]
    ) -> None:  # fmt: skip
        """Write the recovery of each analyte to every stream but the feeds, if there is one."""
        at, kept = rows
        carriers, classes = self.model.carriers, self.ready.reduced.classes
        F = covariance.flow
        of = carriers.wholes(None, self.feeds)
        for k, analyte in enumerate(self.model.survey.analytes):
            x = covariance.grade[:, k]
            unknown = ~(classes.flow_determined & classes.grade_determined[k])
            amount = F * x

            whole, of_whole = amount[of].sum(axis=0), sum(covariance.amount_root(k, j) for j in of)
            for j, stream in enumerate(carriers.streams):
                lone = j in self.feeds and len(self.feeds) == 1
                if lone or not carriers.holds(k, j) or unknown[[j, *of]].any():
                    continue
                share = amount[j] / whole
                spread = covariance.amount_root(k, j)
                spread -= share * of_whole
                sd = np.sqrt(np.einsum("fs,fs->s", spread, spread)) / np.abs(whole)
                told = np.isfinite(share) & (sd <= np.maximum(share, 1.0))
                for what, values in (("recovery", share), ("recovery sd", sd)):
                    name = ColumnName(what, stream, analyte.name, _RECOVERY)
                    columns.put(name, at, np.where(told, 100.0 * values, np.nan)[kept])


_PLAIN_OBJECTIVE = ColumnName("sum of squares", "", "", "")
_DOF = ColumnName("degrees of freedom", "", "", "")
_P = ColumnName("p", "", "", "")


def _plausible(table: SurveyTable) -> Bools:
    """Tell which surveys have no value that would be refused, or that needs care."""
    most = {a.name: a.maximum for a in table.form.analytes}
    good = np.ones(len(table), dtype=bool)
    for i, m in enumerate(table.form.measurements):
        value, sd = (m.unit.to_base(1.0) * x[:, i] for x in (table.value, table.sd))
        wrong = value < 0.0 if m.quantity in most else value <= 0.0
        wrong |= (value > most.get(m.quantity, _LARGEST)) | (sd > _LARGEST)
        good &= ~(wrong | (sd < 10.0 * SHARPEST * value))
    return good


def _taken(found: ManySolutions, some: Ints) -> ManySolutions:
    """Return some of the surveys."""
    return ManySolutions(
        found.flow[some], found.grade[some], found.objective[some], found.stationarity[some],
        found.max_imbalance[some], tuple(found.status[i] for i in some.tolist()),
        found.converged[some], found.grade_at_bound[some], found.alone[some],
    )  # fmt: skip
