"""Some of many surveys of one circuit, balanced in one process: what a worker does."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np

from oretally.flowsheet import BalanceModel, Circuit, InputError, NotBalanceable, Survey
from oretally.flowsheet.arrays import Bools, Ints
from oretally.recon.answers import balanced_values
from oretally.recon.gross_errors import Likeliest, likeliest_suspects
from oretally.recon.many import (
    GLOBAL,
    AnswerColumns,
    Asked,
    ColumnName,
    ManyBalances,
    Pattern,
    SurveyTable,
    tables_of,
)
from oretally.recon.propagation import global_test, sidak_limit
from oretally.recon.reconciliation import reconcile, solved_answers
from oretally.recon.reduction import presolve
from oretally.recon.result import BalancedValue, GlobalTest, Recovery, Suspect
from oretally.recon.solver import LikeSurveys, released_bounds

__all__ = ["balance_chunk"]

_SEARCHED = 32  # surveys in which wrong numbers are looked for together: what they hold is large
_ALPHA = 0.05  # of verdicts, of which no column tells

_Told = tuple[GlobalTest, Sequence[BalancedValue], Sequence[Recovery]]


def balance_chunk(
    circuit: Circuit, surveys: Sequence[Survey] | SurveyTable, asked: Asked
) -> ManyBalances:
    """Balance some surveys in this process: what a worker does."""
    work = _Work(circuit, len(surveys), asked)
    if isinstance(surveys, SurveyTable):
        work.table(surveys, np.arange(len(surveys)))
    else:
        tables, rest = tables_of(surveys)
        for table, numbers in tables:
            work.table(table, numbers)
        for i in rest:
            work.one(i, surveys[i])
    return work.found()


class _Work:
    """Answers of a chunk as they come."""

    def __init__(self, circuit: Circuit, n: int, asked: Asked) -> None:
        self.circuit, self.n, self.asked = circuit, n, asked
        self.columns = AnswerColumns(n)
        self.reason = np.full(n, "", dtype=object)
        self.suspect = np.full(n, "", dtype=object)
        self.probability = np.full(n, np.nan)
        self.looked = np.zeros(n, dtype=bool)
        self.alone = np.zeros(n, dtype=bool)

    def found(self) -> ManyBalances:
        return ManyBalances(
            self.n, dict(self.columns.items()), self.reason, self.alone, self.suspect,
            self.probability, self.looked,
        )  # fmt: skip

    def table(self, table: SurveyTable, numbers: Ints) -> None:
        """Balance the surveys of a table, pattern by pattern."""
        for _, rows in table.patterns():
            part = table if rows.size == len(table) else table.rows(rows)
            done = self._pattern(part, numbers[rows])
            for i in rows[~done]:
                self.one(int(numbers[i]), table.survey(int(i)))

    def _pattern(self, table: SurveyTable, numbers: Ints) -> Bools:
        """Balance surveys with values in the same places; return which are done."""
        done = np.zeros(len(table), dtype=bool)
        try:
            pattern = Pattern(self.circuit, table, self.asked.feed, self.asked.products)
        except (InputError, NotBalanceable):
            return done  # one at a time each is told its own reason
        if not pattern.is_quick:
            return done
        size = pattern.size()
        for i in range(0, len(table), size):
            some = slice(i, i + size)
            done[some] = pattern.balance(table.rows(some), numbers[some], self.columns)
        if self.asked.suspects:
            balanced = np.flatnonzero(done)
            doubted = balanced[self._doubted(numbers[balanced])]
            done[doubted], like = False, LikeSurveys(pattern.ready)
            for i in range(0, doubted.size, _SEARCHED):
                at = doubted[i : i + _SEARCHED]
                looked, found = _suspects_of_pattern(self.circuit, pattern, like, table.rows(at))
                at = at[looked]
                done[at] = self.looked[numbers[at]] = True
                for n, suspect in zip(numbers[at].tolist(), found, strict=True):
                    if suspect is not None:
                        self._suspected(n, suspect)
        return done

    @property
    def _looks_at_all(self) -> bool:
        return self.asked.suspects and self.asked.below >= 1.0

    def _doubted(self, numbers: Ints) -> Bools:
        """Tell which of some surveys, balanced already, the tests doubt."""
        if self.asked.below >= 1.0:
            return np.ones(numbers.size, dtype=bool)
        found, largest = np.zeros(numbers.size, dtype=bool), np.zeros(numbers.size)
        tests = np.zeros(numbers.size, dtype=int)
        for name in self.columns:
            if name.answer == "p":
                found |= self.columns[name][numbers] < self.asked.below
            elif name.answer == "standardised":
                z = np.abs(self.columns[name][numbers])
                tests += np.isfinite(z)
                largest = np.fmax(largest, z)
        for n in np.unique(tests[tests > 0]):
            found |= (tests == n) & (largest > sidak_limit(self.asked.below, int(n)))
        return found

    def one(self, i: int, survey: Survey) -> None:
        """Balance one survey by itself, and look for wrong numbers where that is asked."""
        self.alone[i] = True
        if self._balanced(i, survey, suspects=self._looks_at_all) and (
            self.asked.suspects and not self._looks_at_all and self._doubted(np.array([i]))[0]
        ):
            self._balanced(i, survey, suspects=True)

    def _balanced(self, i: int, survey: Survey, *, suspects: bool) -> bool:
        """Balance one survey and write what it comes to; tell whether there is a balance."""
        told = self._with_suspects if suspects else self._without_suspects
        try:
            found = told(i, survey)
        except (InputError, NotBalanceable) as error:
            self.reason[i] = " ".join(str(error).split())
            return False
        if isinstance(found, str):
            self.reason[i] = f"There is no balance of these numbers: {found}."
            return False
        self.looked[i] = suspects
        self._write(i, *found)
        return True

    def _without_suspects(self, i: int, survey: Survey) -> _Told | str:
        """Return what columns tell of one survey, and no more; or why there is no balance."""
        answers = solved_answers(self.circuit, survey, self.asked.feed, self.asked.products)
        model, covariance = answers.model, answers.covariance
        solution = covariance.solution
        if not solution.converged:
            return solution.status.value
        test = global_test(solution.objective, solution.classes.degrees_of_freedom, _ALPHA)
        values, _ = balanced_values(model, covariance, _ALPHA)
        released = released_bounds(model.problem, solution, len(model.survey.analytes))
        return test, values, answers.recoveries(released)

    def _with_suspects(self, i: int, survey: Survey) -> _Told | str:
        """Return the same, and write which number is likely to be wrong."""
        balance = reconcile(
            self.circuit, survey, feed=self.asked.feed, products=self.asked.products, trials=0,
            second_opinions=False,
        )  # fmt: skip
        if not balance.converged:
            return balance.status
        if balance.gross_errors.suspects:
            self._suspected(i, balance.gross_errors.suspects[0])
        return balance.global_test, balance.values, balance.recoveries

    def _suspected(self, i: int, one: Suspect | Likeliest) -> None:
        self.suspect[i] = (" and " if one.together else " or ").join(map(str, one.group))
        self.probability[i] = one.probability

    def _write(
        self, i: int, test: GlobalTest, values: Sequence[BalancedValue],
        recoveries: Sequence[Recovery],
    ) -> None:  # fmt: skip
        for name, value in zip(GLOBAL, (test.statistic, test.dof, test.p), strict=True):
            if value is not None:
                self.columns.put(ColumnName(name, "", "", ""), [i], np.array([float(value)]))
        for v in values:
            pairs = ((v.measured, "measured"), (v.sd, "sd"), (v.adjusted, "adjusted"),
                     (v.adjusted_sd, "adjusted sd"), (v.standardised, "standardised"))  # fmt: skip
            for value, answer in pairs:
                if value is not None:
                    column = ColumnName(answer, v.stream, v.quantity, v.unit)
                    self.columns.put(column, [i], np.array([value]))
        for r in recoveries:
            for value, answer in ((r.recovery, "recovery"), (r.sd, "recovery sd")):
                if value is not None:
                    column = ColumnName(answer, r.stream, r.analyte, r.unit)
                    self.columns.put(column, [i], np.array([value]))


def _suspects_of_pattern(
    circuit: Circuit, pattern: Pattern, like: LikeSurveys, table: SurveyTable
) -> tuple[Ints, list[Likeliest | None]]:
    """Return in which surveys of a pattern wrong numbers were looked for, and the likeliest ones.

    ``like`` has what the pattern has ready, with losses. Those of a table with a leach over time,
    and those that need care, are not among them.
    """
    if table.form.course is not None:
        return np.zeros(0, dtype=np.intp), []
    found = pattern.solved(table)
    done = np.flatnonzero(found.converged)
    if pattern.degrees_of_freedom <= 0:
        return done, [None] * done.size
    models = {i: BalanceModel(circuit, table.survey(i)) for i in done.tolist()}
    balanced = [
        (model, found.one(i, partial(presolve, model.problem))) for i, model in models.items()
    ]
    return done, likeliest_suspects(balanced, like)
