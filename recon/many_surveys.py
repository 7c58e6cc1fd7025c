"""Many surveys of one circuit: the same answers as one at a time, many times quicker."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from oretally.flowsheet import Circuit, Fault, InputError, NotBalanceable, Survey
from oretally.flowsheet.arrays import Bools, Floats, Ints
from oretally.recon.gross_errors import Likeliest
from oretally.recon.many import (
    AnswerColumns,
    ColumnName,
    Pattern,
    SurveyTable,
    in_a_row,
    tables_of,
)
from oretally.recon.many_suspects import SEARCHED, suspects_of_pattern
from oretally.recon.numerics import shared
from oretally.recon.propagation import sidak_limit
from oretally.recon.reconciliation import reconcile
from oretally.recon.result import Balance, Suspect
from oretally.recon.solver import LikeSurveys

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["CHUNK", "Asked", "ManyBalances", "balance_chunk", "chunks_of", "reconcile_many"]

CHUNK = 2_000
"""Surveys sent to a worker together, at least: how many do not depend on how many work."""

_ROWS = 20_000  # of arrays, at most
_PARTS = 8  # of fewer surveys than that: enough for a few workers

_GLOBAL = ("sum of squares", "degrees of freedom", "p")


@dataclass(frozen=True, slots=True)
class Asked:
    """What is wanted of each survey.

    Attributes
    ----------
    feed, products : optional
        As for `oretally.recon.reconcile`.
    suspects : bool
        Whether to look for wrong numbers too.
    below : float
        Only where the global test, or that of the largest standardised adjustment among all, has
        a smaller p than this; 1 looks at every survey.
    """

    feed: str | tuple[str, ...] | None = None
    products: tuple[str, ...] | None = None
    suspects: bool = False
    below: float = 1.0


@dataclass(frozen=True, eq=False)
class ManyBalances:
    """What many surveys come to, as columns.

    Attributes
    ----------
    n : int
        Surveys.
    columns : mapping of ColumnName to ndarray, shape (n,)
        NaN where a survey has no such value.
    reason : ndarray of object, shape (n,)
        Why there is no balance; empty where there is one.
    alone : ndarray of bool, shape (n,)
        Surveys that were balanced one at a time: they needed care, or hold what the quick way does
        not take.
    suspect : ndarray of object, shape (n,)
        The likeliest wrong number in words, with those that cannot be told from it; empty where
        there is none, or nobody asked.
    probability : ndarray, shape (n,)
        Of that; NaN where there is none.
    looked : ndarray of bool, shape (n,)
        Surveys in which wrong numbers were looked for.
    """

    n: int
    columns: dict[ColumnName, Floats]
    reason: np.ndarray[Any, np.dtype[np.object_]]
    alone: Bools
    suspect: np.ndarray[Any, np.dtype[np.object_]]
    probability: Floats
    looked: Bools

    @property
    def balanced(self) -> Bools:
        """Which surveys have a balance, shape (n,)."""
        return np.asarray(self.reason == "", dtype=bool)

    @property
    def refused(self) -> list[tuple[int, str]]:
        """Numbers of the surveys without a balance, and why."""
        return [(int(i), str(self.reason[i])) for i in np.flatnonzero(~self.balanced)]

    def column(self, answer: str, stream: str = "", quantity: str = "") -> Floats:
        """Return one column, by what it is of.

        Raises
        ------
        KeyError
            If no survey has such an answer.
        """
        for name, values in self.columns.items():
            if name[:3] == (answer, stream, quantity):
                return values
        raise KeyError((answer, stream, quantity))

    def named(self, *, suspects: bool = False) -> dict[str, Any]:
        """Return the columns by their names in words, those of whole surveys first."""
        found: dict[str, Any] = {"balanced": self.balanced, "reason": self.reason}
        if suspects:
            found |= {"suspect": self.suspect, "probability": self.probability,
                      "looked at": self.looked}  # fmt: skip
        first = [name for name in self.columns if name.answer in _GLOBAL]
        rest = [name for name in self.columns if name.answer not in _GLOBAL]
        for name in first:
            found[name.answer] = self.columns[name]
        return found | {str(name): self.columns[name] for name in rest}

    def frame(self) -> pd.DataFrame:
        """Return the columns as a pandas frame."""
        import pandas as pd

        return pd.DataFrame(self.named(suspects=bool((self.suspect != "").any())))

    @classmethod
    def joined(cls, parts: Sequence[tuple[Ints, ManyBalances]]) -> ManyBalances:
        """Return the surveys of all parts in the order of their numbers, which stand beside."""
        n = sum(part.n for _, part in parts)
        columns, rest = AnswerColumns(n), cls(
            n, {}, np.full(n, "", dtype=object), np.zeros(n, dtype=bool),
            np.full(n, "", dtype=object), np.full(n, np.nan), np.zeros(n, dtype=bool),
        )  # fmt: skip
        for order, part in parts:
            numbers = in_a_row(order)
            for name, values in part.columns.items():
                columns.put(name, numbers, values)
            for field in ("reason", "alone", "suspect", "probability", "looked"):
                getattr(rest, field)[numbers] = getattr(part, field)
        return replace(rest, columns=dict(columns.items()))


def reconcile_many(
    circuit: Circuit,
    surveys: Sequence[Survey] | SurveyTable,
    *,
    feed: str | Sequence[str] | None = None,
    products: Sequence[str] | None = None,
    suspects: bool = False,
    below: float = 1.0,
    workers: int = 1,
    say: Callable[[str], None] = lambda _: None,
) -> ManyBalances:
    """Balance many surveys of one circuit.

    Surveys with values in the same places are balanced side by side, those that need care or hold
    what that way does not take (sizes, water, errors that are shared) one at a time. The answers
    are those of `oretally.recon.reconcile`.

    Parameters
    ----------
    circuit : Circuit
    surveys : sequence of Survey, or SurveyTable
        The latter for millions: readings as arrays.
    feed, products : optional
        As for `oretally.recon.reconcile`.
    suspects : bool
        Whether to look for wrong numbers too, in many surveys side by side where they are
        balanced so.
    below : float
        Look only where a test doubts the survey: where the p of the global test, or of the largest
        standardised adjustment among all of the survey, is smaller than this. 1 looks at every one.
    workers : int
        Processes that share the work; a script that asks for more than one needs the guard
        ``if __name__ == "__main__"``.
    say : callable, optional
        Is told how far it is.

    Returns
    -------
    ManyBalances
        A survey without a balance has its reason in it, and stops no other.

    Raises
    ------
    InputError
        If ``feed`` or ``products`` name no stream, or ``below`` is no chance.

    Examples
    --------
    >>> from oretally.flowsheet import Analyte, Basis, Measurement, Survey, parse_unit
    >>> circuit = Circuit.build(
    ...     {"feed": (None, "table"), "conc": ("table", None), "tails": ("table", None)})
    >>> kg, percent = parse_unit("kg"), parse_unit("%")
    >>> surveys = [
    ...     Survey(Basis.BATCH, kg, (Analyte("Sn", percent),), (
    ...         Measurement("feed", "dry mass", mass, kg, 0.1),
    ...         Measurement("feed", "Sn", 0.80, percent, 0.02),
    ...         Measurement("conc", "Sn", 30.0, percent, 0.5),
    ...         Measurement("tails", "Sn", 0.30, percent, 0.01)))
    ...     for mass in (24.0, 25.0, 26.0)]
    >>> found = reconcile_many(circuit, surveys)
    >>> found.column("recovery", "conc", "Sn").round(1).tolist()
    [63.1, 63.1, 63.1]
    """
    if not 0.0 <= below <= 1.0:
        problem = f"'below' is {below}: it is a chance, which lies between 0 and 1."
        mend = "Give 0.01 to look where a test doubts the survey at 1 %, or 1 to look at every one."
        raise InputError([Fault(problem, mend)])
    asked = Asked(
        feed if feed is None or isinstance(feed, str) else tuple(feed),
        None if products is None else tuple(products), suspects, below,
    )  # fmt: skip
    parts = list(chunks_of(surveys))
    tasks = [(circuit, part, asked) for _, part in parts]
    if workers > 1 and len(tasks) > 1:
        found = shared(balance_chunk, tasks, workers)
    else:
        found = (balance_chunk(*task) for task in tasks)
    done, n = list[tuple[Ints, ManyBalances]](), 0
    for (numbers, _), part in zip(parts, found, strict=True):
        done.append((numbers, part))
        n += part.n
        say(f"balanced {n} of {len(surveys)} surveys")
    return ManyBalances.joined(done)


def chunks_of(
    surveys: Sequence[Survey] | SurveyTable,
) -> Iterator[tuple[Ints, Sequence[Survey] | SurveyTable]]:
    """Yield so many surveys at a time, with their numbers.

    Of arrays more, and those with values in the same places after one another: what they have in
    common is then worked out once, or twice.
    """
    n = len(surveys)
    if isinstance(surveys, SurveyTable):
        size = min(max(-(-n // _PARTS), CHUNK), _ROWS)
        order = np.concatenate([np.zeros(0, np.intp), *(rows for _, rows in surveys.patterns())])
        for i in range(0, n, size):
            numbers = order[i : i + size]
            yield numbers, surveys.rows(in_a_row(numbers))
    else:
        for i in range(0, n, CHUNK):
            yield np.arange(i, min(i + CHUNK, n)), surveys[i : i + CHUNK]


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
            for i in range(0, doubted.size, SEARCHED):
                at = doubted[i : i + SEARCHED]
                looked, found = suspects_of_pattern(self.circuit, pattern, like, table.rows(at))
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
        try:
            balance = reconcile(
                self.circuit, survey, feed=self.asked.feed, products=self.asked.products, trials=0,
                second_opinions=False, suspects=suspects,
            )  # fmt: skip
        except (InputError, NotBalanceable) as error:
            self.reason[i] = " ".join(str(error).split())
            return False
        if not balance.converged:
            self.reason[i] = f"There is no balance of these numbers: {balance.status}."
            return False
        self.looked[i] = suspects
        self._write(i, balance)
        return True

    def _suspected(self, i: int, one: Suspect | Likeliest) -> None:
        self.suspect[i] = (" and " if one.together else " or ").join(map(str, one.group))
        self.probability[i] = one.probability

    def _write(self, i: int, balance: Balance) -> None:
        test, wrong = balance.global_test, balance.gross_errors.suspects
        if wrong:
            self._suspected(i, wrong[0])
        for name, value in zip(_GLOBAL, (balance.objective, test.dof, test.p), strict=True):
            if value is not None:
                self.columns.put(ColumnName(name, "", "", ""), [i], np.array([float(value)]))
        for v in balance.values:
            pairs = ((v.measured, "measured"), (v.sd, "sd"), (v.adjusted, "adjusted"),
                     (v.adjusted_sd, "adjusted sd"), (v.standardised, "standardised"))  # fmt: skip
            for value, answer in pairs:
                if value is not None:
                    column = ColumnName(answer, v.stream, v.quantity, v.unit)
                    self.columns.put(column, [i], np.array([value]))
        for r in balance.recoveries:
            for value, answer in ((r.recovery, "recovery"), (r.sd, "recovery sd")):
                if value is not None:
                    column = ColumnName(answer, r.stream, r.analyte, r.unit)
                    self.columns.put(column, [i], np.array([value]))
