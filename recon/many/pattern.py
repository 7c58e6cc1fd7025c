"""Surveys with values in the same places, balanced side by side with all that follows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.special import chdtrc

from oretally.flowsheet import BalanceModel, Circuit, Survey, Unit
from oretally.flowsheet.arrays import Bools, Floats, Ints
from oretally.flowsheet.problem import SHARPEST, Row, check_survey, reference_streams
from oretally.recon.many.block_covariance import BlockCovariance, MeasuredAlike
from oretally.recon.many.columns import AnswerColumns, ColumnName, in_a_row
from oretally.recon.many.survey_table import SurveyTable
from oretally.recon.numerics import one_thread
from oretally.recon.propagation import SEEN
from oretally.recon.reduction import require_scale
from oretally.recon.solution import ManySolutions
from oretally.recon.solver import prepare

__all__ = ["Pattern"]

_SAME = 1e-6  # an adjusted value that is less well known than it was measured: told otherwise
_RECOVERY = "%"
_OF_VALUES = ("measured", "sd", "adjusted", "adjusted sd", "standardised")
_AT_ONCE = 100  # surveys that are looked at for a usual one
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
        survey = table.survey(_first_plausible(table))
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
            read = _Readings.of(table)
            done = read.plausible(self.form)
            try:
                found, weights = self._minima(read)
                done &= found.converged & ~found.grade_at_bound.any(axis=(1, 2))
                done &= (found.flow > 0.0).all(axis=1)
                some = np.flatnonzero(done)
                if some.size < len(table):
                    read, rows, found = read.of_some(some), rows[some], _taken(found, some)
                    weights = weights[0][:, some], weights[1][:, :, some]
                if some.size:
                    done[some] = self._answers(read, rows, columns, found, weights)
            except np.linalg.LinAlgError:  # balances that depend on one another
                done[:] = False
        return done

    def solved(self, table: SurveyTable) -> ManySolutions:
        """Return the balances alone of some of the surveys; what needs care has not converged."""
        with one_thread(), np.errstate(all="ignore"):
            return self._minima(_Readings.of(table))[0]

    def _minima(self, read: _Readings) -> tuple[ManySolutions, tuple[Floats, Floats]]:
        """Return the minima, and the weights as `_arrays` does."""
        flow, grade, weights = self._arrays(read)
        blocks = self.ready.blocks
        linear = blocks.alike_places.weighted(weights[0])
        return blocks.solved(linear, flow, grade, weight=weights[1])[0], weights

    @property
    def degrees_of_freedom(self) -> int:
        """Independent checks, the same for all."""
        return self.ready.reduced.classes.degrees_of_freedom

    def _arrays(self, read: _Readings) -> tuple[Floats, Floats, tuple[Floats, Floats]]:
        """Return flows and grades as `SurveyBlocks.solved` takes them, and their weights.

        Shapes (n_surveys, n_carriers) and (n_surveys, n_analytes, n_carriers), but the surveys are
        next to one another; of the weights (n_carriers, n_surveys) and (n_carriers, n_analytes,
        n_surveys). All are 0 where nothing was measured.
        """
        problem, n = self.model.problem, read.value.shape[1]
        flow, flow_weight = np.zeros((2, problem.n_carriers, n))
        grade, grade_weight = np.zeros((2, problem.n_carriers, problem.n_analytes, n))
        scale = self.ready.blocks.scale
        for i, k, j in self._measured:
            unit = self.form.measurements[i].unit.to_base(1.0)
            size = self.ready.reduced.flow_scale if k is None else scale[k]
            values, weights = (
                (flow, flow_weight) if k is None else (grade[:, k], grade_weight[:, k])
            )
            np.multiply(read.value[i], unit, out=values[j])
            np.divide(size / unit, read.sd[i], out=weights[j])
            weights[j] *= weights[j]
        return flow.T, grade.transpose(2, 1, 0), (flow_weight, grade_weight)

    @cached_property
    def _measured(self) -> list[tuple[int, int | None, int]]:
        """Column, analyte and carrier of each value that these surveys have."""
        place, found = self.model.positions.readings, list[tuple[int, int | None, int]]()
        for i, m in enumerate(self.form.measurements):
            at = place.get((m.stream, m.quantity))  # None: missing in all of them
            if at is not None:
                found.append((i, at.analyte, at.carrier))
        return found

    def _answers(
        self, read: _Readings, rows: Ints, columns: AnswerColumns, found: ManySolutions,
        weights: tuple[Floats, Floats],
    ) -> Bools:  # fmt: skip
        """Write the answers of converged surveys; return which of them need care all the same."""
        reduced, scale = self.ready.reduced, self.ready.blocks.scale
        flow = np.ascontiguousarray(found.flow.T)
        grade = np.ascontiguousarray(found.grade.transpose(2, 1, 0))
        covariance = BlockCovariance(
            reduced, self._alike, flow / reduced.flow_scale, grade / scale[:, None],
            flow_weight=weights[0], grade_weight=weights[1],
        )  # fmt: skip
        flow_sd = covariance.flow_sd * reduced.flow_scale
        grade_sd = np.empty_like(grade)
        for k, (roots, alike) in enumerate(zip(covariance.roots, self._alike, strict=True)):
            np.multiply(roots.sd[alike.group], scale[k], out=grade_sd[:, k])
        at = self._shown
        value, sd = (np.concatenate([x, y.reshape(-1, x.shape[1])])[at.rows]
                     for x, y in ((flow, grade), (flow_sd, grade_sd)))  # fmt: skip
        value /= at.unit
        sd /= at.unit
        measured, own = read.value[at.columns], read.sd[at.columns]
        # what only seems determined, and what is less well known than measured, is told with care
        sound = covariance.seen & np.isfinite(flow_sd).all(axis=0)
        sound &= (sd[at.measured] <= own * (1.0 + _SAME)).all(axis=0)
        sound &= ~self._vague(flow, flow_sd, grade, grade_sd)
        kept = in_a_row(np.flatnonzero(sound))
        to = in_a_row(rows[sound])
        columns.put(_PLAIN_OBJECTIVE, to, found.objective[kept])
        columns.put(_DOF, to, np.full(int(sound.sum()), float(self.degrees_of_freedom)))
        if self.degrees_of_freedom > 0:
            columns.put(_P, to, chdtrc(self.degrees_of_freedom, found.objective[kept]))
        self._values(columns, to, kept, (measured, own, value, sd))
        self._recoveries(covariance, columns, to, kept)
        return sound

    def _vague(self, flow: Floats, flow_sd: Floats, grade: Floats, grade_sd: Floats) -> Bools:
        """Tell where an unmeasured value is less well known than the largest of its kind."""
        classes, problem = self.ready.reduced.classes, self.model.problem
        unmeasured = ~np.isfinite(problem.flow)
        found = (flow_sd[unmeasured] > flow.max(axis=0)).any(axis=0)
        for k, determined in enumerate(classes.grade_determined):
            some = determined & ~np.isfinite(problem.grade[k])
            if some.any():
                richest = grade[determined, k].max(axis=0)
                found |= (grade_sd[some, k] > richest).any(axis=0)
        return np.asarray(found)

    def unit(self, row: Row) -> Unit:
        """Return the unit in which a value is shown: that of its column, else the usual one."""
        i = self._columns.get((row.stream, row.quantity))
        return row.meaning.unit if i is None else self.form.measurements[i].unit

    @cached_property
    def _columns(self) -> dict[tuple[str, str], int]:
        return {(m.stream, m.quantity): i for i, m in enumerate(self.form.measurements)}

    @cached_property
    def _shown(self) -> _Shown:
        """What is told of all surveys of the pattern."""
        classes, problem = self.ready.reduced.classes, self.model.problem
        there = {i for i, *_ in self._measured}
        names, rows, units = list[tuple[ColumnName, ...]](), list[int](), list[float]()
        columns, measured, checked = list[int](), list[int](), list[bool]()
        for row in self.model.positions.rows:
            (k, j), unit = row.place, self.unit(row)
            i = self._columns.get((row.stream, row.quantity))
            seen = i is not None and i in there
            where = j if k is None else (k, j)
            of = classes.flow_determined if k is None else classes.grade_determined
            if not (seen or of[where]):
                continue
            if seen and i is not None:
                by = classes.flow_checked if k is None else classes.grade_checked
                columns.append(i)
                measured.append(len(rows))
                checked.append(bool(by[where]))
            rows.append(j if k is None else problem.n_carriers + j * problem.n_analytes + k)
            units.append(unit.to_base(1.0))
            names.append(tuple(ColumnName(what, row.stream, row.quantity, unit.symbol)
                               for what in _OF_VALUES))  # fmt: skip
        return _Shown(
            names, np.array(rows), np.array(units)[:, None], np.array(columns, dtype=np.intp),
            np.array(measured, dtype=np.intp), checked,
        )  # fmt: skip

    def _values(
        self, columns: AnswerColumns, to: Ints | slice, kept: Ints | slice,
        values: tuple[Floats, Floats, Floats, Floats],
    ) -> None:  # fmt: skip
        """Write all values as measured and as adjusted, with their sd, and how far they moved."""
        at, (measured, own, value, sd) = self._shown, values
        redundancy = sd[at.measured]
        redundancy /= own
        redundancy *= -redundancy
        redundancy += 1.0
        moved = value[at.measured]
        moved -= measured
        moved /= own * np.sqrt(np.where(redundancy > SEEN, redundancy, np.nan))
        for i, checked, *row in zip(at.measured, at.checked, measured, own, moved, strict=True):
            for what, numbers in zip((0, 1, 4) if checked else (0, 1), row, strict=False):
                columns.put(at.names[i][what], to, numbers[kept])
        for names, *row in zip(at.names, value, sd, strict=True):
            for name, numbers in zip(names[2:4], row, strict=True):
                columns.put(name, to, numbers[kept])

    def _recoveries(
        self, covariance: BlockCovariance, columns: AnswerColumns, to: Ints | slice,
        kept: Ints | slice,
    ) -> None:  # fmt: skip
        """Write the recovery of each analyte to every stream but the feeds, if there is one."""
        carriers, classes = self.model.carriers, self.ready.reduced.classes
        of = carriers.wholes(None, self.feeds)
        for k, analyte in enumerate(self.model.survey.analytes):
            unknown = ~(classes.flow_determined & classes.grade_determined[k])
            amount = covariance.flow * covariance.grade[:, k]
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
                    columns.put(name, to, np.where(told, 100.0 * values, np.nan)[kept])


_PLAIN_OBJECTIVE = ColumnName("sum of squares", "", "", "")
_DOF = ColumnName("degrees of freedom", "", "", "")
_P = ColumnName("p", "", "", "")


@dataclass(frozen=True, eq=False)
class _Shown:
    """What is told of surveys with values in the same places.

    Attributes
    ----------
    names : list of tuple of ColumnName
        Of each value, in the order of `_OF_VALUES`.
    rows : ndarray of int, shape (n,)
        Its flow, or, after all flows, its grade by carrier and analyte.
    unit : ndarray, shape (n, 1)
    columns, measured : ndarray of int, shape (n_measured,)
        Columns of the table, and which of the values they are.
    checked : list of bool
        Of those measured.
    """

    names: list[tuple[ColumnName, ...]]
    rows: Ints
    unit: Floats
    columns: Ints
    measured: Ints
    checked: list[bool]


@dataclass(frozen=True, eq=False)
class _Readings:
    """Readings and their sd, shape (n_columns, n_surveys), each in the unit of its column."""

    value: Floats
    sd: Floats

    @classmethod
    def of(cls, table: SurveyTable) -> _Readings:
        return cls(np.ascontiguousarray(table.value.T), np.ascontiguousarray(table.sd.T))

    def of_some(self, some: Ints) -> _Readings:
        """Return some of the surveys."""
        return _Readings(self.value[:, some], self.sd[:, some])

    def plausible(self, form: Survey) -> Bools:
        """Tell which surveys have no value that would be refused, or that needs care."""
        most = {a.name: a.maximum for a in form.analytes}
        unit = np.array([[m.unit.to_base(1.0)] for m in form.measurements])
        largest = np.array([[most.get(m.quantity, _LARGEST)] for m in form.measurements])
        mass = np.array([m.quantity not in most for m in form.measurements])
        value, sd = self.value, self.sd
        wrong = (value < 0.0) | (value > largest / unit) | (sd > _LARGEST / unit)
        wrong |= sd < 10.0 * SHARPEST * value
        wrong[mass] |= value[mass] == 0.0
        return np.asarray(~wrong.any(axis=0))


def _first_plausible(table: SurveyTable) -> int:
    """Return the first survey whose values can count as usual; 0 if there is none."""
    for i in range(0, len(table), _AT_ONCE):
        some = _Readings.of(table.rows(slice(i, i + _AT_ONCE)))
        found = np.flatnonzero(some.plausible(table.form))
        if found.size:
            return i + int(found[0])
    return 0


def _taken(found: ManySolutions, some: Ints) -> ManySolutions:
    """Return some of the surveys."""
    return ManySolutions(
        found.flow[some], found.grade[some], found.objective[some], found.stationarity[some],
        found.max_imbalance[some], found.status[some], found.converged[some],
        found.grade_at_bound[some], found.alone[some],
    )  # fmt: skip
