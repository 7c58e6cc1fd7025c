"""What one survey says of every error it could have, by the signatures of these errors.

With P and r of `oretally.recon.signatures.signatures`, the log likelihood of errors e (in stated
errors) is r'e - e'P e / 2, whatever they are: surveys add up.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from oretally.flowsheet import BalanceModel, Position, Unit
from oretally.flowsheet.arrays import Bools, Floats
from oretally.flowsheet.survey import DECLARED_LOSS, without_measurement
from oretally.recon.dated_balances import DatedBalance, dated_balance
from oretally.recon.propagation import SEEN
from oretally.recon.result import ErrorPlace
from oretally.recon.signatures import NEAR, Signatures, signatures_at
from oretally.recon.solution import Solution

__all__ = ["SurveyEvidence", "evidence_of"]

_ALIKE = 1e-9  # of a share: numbers that differ by rounding


@dataclass(frozen=True, eq=False)
class SurveyEvidence:
    """Signatures of one survey, by name.

    Attributes
    ----------
    number : int
        Place in the timeline.
    label : str
    places : tuple of ErrorPlace
        Of the rows: measurements and shared sources, then losses at nodes.
    n_readings : int
        Rows before the losses.
    P : ndarray, shape (n, n)
        Exactly 0 where an error changes no check.
    r : ndarray, shape (n,)
    unit : ndarray, shape (n,)
        Stated error of a measurement, in base units; 1 for other rows.
    written : tuple of Unit or None
        Unit in which a measurement was written.
    value : ndarray, shape (n,)
        Adjusted value of a measurement in base units; NaN for other rows.
    measured : ndarray, shape (n,)
        The same as measured.
    judged : ndarray of bool, shape (n,)
        Rows whose errors are looked for: not those of values of which only bounds are known.
    dof : int
        Independent checks.
    balance : DatedBalance or None
        Where it comes from.
    """

    number: int
    label: str
    places: tuple[ErrorPlace, ...]
    n_readings: int
    P: Floats
    r: Floats
    unit: Floats
    written: tuple[Unit | None, ...]
    value: Floats
    measured: Floats
    judged: Bools
    dof: int
    balance: DatedBalance | None = None

    def standardised(self) -> Floats:
        """Return r / sqrt(P_ii), shape (n,); 0 where nothing is seen. Above 0: it reads high."""
        own = np.diag(self.P)
        seen = own > SEEN
        return np.where(seen, self.r / np.sqrt(np.where(seen, own, 1.0)), 0.0)

    def without(self, i: int) -> SurveyEvidence:
        """Return what is left without one number: balanced again where it was measured.

        An error so large may have spoilt the point at which the balances were linearised. A loss
        that happened once, and what cannot be balanced without its number, is taken out of the
        checks at that point.
        """
        place, balance = self.places[i], self.balance
        if place.kind == "measurement" and balance is not None:
            dated = balance.dated
            survey = without_measurement(dated.survey, place.where, place.quantity)
            again = dated_balance(self.number, replace(dated, survey=survey))
            if isinstance(again, DatedBalance):
                return evidence_of(again)
        p = self.P[:, i] / self.P[i, i] ** 0.5
        P, r = self.P - np.outer(p, p), self.r - p * self.r[i] / self.P[i, i] ** 0.5
        return replace(self, P=P, r=r, dof=self.dof - 1)

    def alike(self, i: int) -> list[int]:
        """Return a row, and those whose errors have nearly the same signature."""
        size = np.sqrt(np.maximum(np.diag(self.P), SEEN))
        C = np.abs(self.P[i]) / size / size[i]
        return [i, *(j for j in range(len(self.places)) if j != i and C[j] >= NEAR)]

    def contrasts(self) -> tuple[Floats, Floats]:
        """Return U with P = U U' among the measurements, shape (n_readings, dof), and U'r.

        The checks are as many independent numbers of unit variance, U'r, and an error e of the
        measurements adds U'e to them.
        """
        n = self.n_readings
        values, vectors = np.linalg.eigh(self.P[:n, :n])
        U = vectors[:, values > 0.5]  # a projection: 0 or 1
        return U, U.T @ self.r[:n]


def evidence_of(balance: DatedBalance) -> SurveyEvidence:
    """Return the evidence of one balanced survey.

    Notes
    -----
    Bounds that hold a value are let go: what they would check is no normal number, and over many
    surveys it would pull all one way. A loss is looked for only at nodes whose flows are determined
    in fact: else one percent of them is any amount.
    """
    model, solution, dated = balance.model, balance.solution, balance.dated
    free = replace(
        solution,
        flow_at_bound=np.zeros_like(solution.flow_at_bound),
        grade_at_bound=np.zeros_like(solution.grade_at_bound),
    )
    found = signatures_at(
        model.problem, solution.reduced, free, classes=solution.classes,
        n_nodes=len(model.circuit.nodes),
    )  # fmt: skip
    places, written, judged = list[ErrorPlace](), list[Unit | None](), list[bool]()
    values, measured = list[float](), list[float]()
    at = model.positions
    for place in found.readings:
        source, (k, j) = at.sources.get(place), place
        if source is not None:
            places.append(ErrorPlace("source", source.name, source.quantity))
            written.append(None)
            values.append(np.nan)
            measured.append(np.nan)
            judged.append(True)
            continue
        name = at.named[place]
        m = dated.survey.measured(*name)
        places.append(ErrorPlace("measurement", *name))
        written.append(None if m is None else m.unit)
        values.append(float(solution.flow[j] if k is None else solution.grade[k, j]))
        measured.append(np.nan if m is None else m.value_base)
        judged.append(m is not None and not m.bounded and m.error_source != DECLARED_LOSS)
    P, r = _at_true_values(model, found, solution)
    known = balance.covariance.held.flow_determined
    for node in found.nodes:
        places.append(ErrorPlace("loss", model.circuit.nodes[node].name))
        written.append(None)
        values.append(np.nan)
        measured.append(np.nan)
        meets = model.problem.flow_balance[[node]].indices
        judged.append(bool(known[meets].all()))
    plain = np.array([p.kind == "measurement" for p in places])
    return SurveyEvidence(
        balance.number, dated.label, tuple(places), len(found.readings), P, r,
        np.where(plain, found.unit, 1.0), tuple(written), np.array(values),
        np.array(measured), np.array(judged),
        round(float(np.trace(found.P[: len(found.readings), : len(found.readings)]))), balance,
    )  # fmt: skip


def _at_true_values(
    model: BalanceModel, found: Signatures, solution: Solution
) -> tuple[Floats, Floats]:
    """Return P and r with the signatures of shared sources as what they add to their readings.

    A source that adds one share to all its readings adds it to the true values, which balance. The
    problem takes the share of what was measured, which does not: a factor common to all assays
    would look as if checked, by the errors of the assays alone, and 'all true values are 0' would
    explain every survey.
    """
    at, row = model.positions, {place: i for i, place in enumerate(found.readings)}
    true = {seen: place for place, seen in at.observed.items()}
    measured = (model.problem.flow, model.problem.grade)
    T = np.eye(len(found.P))
    for place, source in at.sources.items():
        seen = [at.readings[s, source.quantity] for s, size in source.loadings.items() if size]
        if place not in row or any(each not in row for each in seen):
            continue
        size = np.array([size for size in source.loadings.values() if size])
        share = size / np.array([_value_at(*measured, each) for each in seen])
        if np.ptp(share) <= _ALIKE * np.abs(share).max():
            value = [_value_at(solution.flow, solution.grade, true[each]) for each in seen]
            size = np.where(np.isfinite(value), share * value, size)  # a stream may stand still
        i, on = row[place], [row[each] for each in seen]
        T[i] = 0.0
        T[i, on] = -size / found.unit[on]
    P, r = T @ found.P @ T.T, T @ found.r
    blind = np.diag(P) <= SEEN
    P[blind], P[:, blind], r[blind] = 0.0, 0.0, 0.0
    return P, r


def _value_at(flow: Floats, grade: Floats, place: Position) -> float:
    return float(flow[place.carrier] if place.analyte is None else grade[place])
