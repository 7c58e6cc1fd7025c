"""What the balances can say of each value: decided at a generic point, before any adjustment.

At a point that satisfies all balances but is otherwise random, the balances are linearised. An
unmeasured value is determined if no change of the unmeasured values alone keeps the balances and
moves it. A measured value is checked (redundant) if it would be determined were it not measured.

Analytes measured alike differ in nothing at a generic point, and a few of them tell what all do:
what copy after copy sees of the flows grows by less each time. Once one copy more of each shows
nothing new, none will; leaving out one measured value takes one direction from that at most, which
the same copy sees if any does.

References
----------
G.M. Stanley and R.S.H. Mah, Observability and redundancy classification in process networks,
Chemical Engineering Science 36 (1981) 1941-1954; C.M. Crowe, Observability and redundancy of
process data for steady state reconciliation, Chemical Engineering Science 44 (1989) 2909-2917
(the projection matrix). Cited from memory.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import scipy.linalg

from oretally.flowsheet.arrays import Bools, Floats
from oretally.recon.numerics import SemidefiniteFactor, left_null_space
from oretally.recon.reduction.analyte_problem import AnalyteProblem
from oretally.recon.reduction.flow_basis import FlowBasis

__all__ = ["GENERIC_SEED", "Classes", "generic_classes", "generic_flows", "unseen_changes"]


GENERIC_SEED = 20_011  # of the generic point: any will do, a fixed one keeps results the same
_COPIES = 2  # of analytes measured alike, to begin with
_CLEAR = 1e-5  # smallest pivot that leaves no doubt of a rank
_ROUNDING = 1e-12  # of what a free number moves at all
_ZERO = 1e-9  # shares below this are zero: entries at the generic point are of the order of 1


@dataclass(frozen=True, slots=True, eq=False)
class Classes:
    """What is known of each value.

    Attributes
    ----------
    flow_determined : ndarray of bool, shape (n_carriers,)
        Measured, or given by the balance.
    flow_checked : ndarray of bool, shape (n_carriers,)
        Measured and redundant.
    grade_determined, grade_checked : ndarray of bool, shape (n_analytes, n_carriers)
    degrees_of_freedom : int
        Independent balances that the measurements must meet.
    unobservable_flows : int
        Dimension of the space of flows that no measurement sees.
    scale_free : bool
        True if multiplying every flow by one number changes nothing that was measured.
    """

    flow_determined: Bools
    flow_checked: Bools
    grade_determined: Bools
    grade_checked: Bools
    degrees_of_freedom: int
    unobservable_flows: int
    scale_free: bool


@dataclass(frozen=True, eq=False)
class _Linearised:
    """Balances of one analyte at the generic point, unmeasured grades eliminated.

    D (reduced rows by moving groups) and Y (reduced rows by free flows): D dx + Y du = 0.
    """

    problem: AnalyteProblem
    moving: Bools
    unmeasured: Bools
    C: Floats
    D: Floats
    Y: Floats
    EZ: Floats


def generic_classes(
    basis: FlowBasis, flow_measured: Bools, analytes: Sequence[AnalyteProblem], *,
    flow: Floats | None = None,
) -> Classes:  # fmt: skip
    """Classify every flow and grade at a generic point.

    Parameters
    ----------
    basis : FlowBasis
    flow_measured : ndarray of bool, shape (n_carriers,)
    analytes : sequence of AnalyteProblem
    flow : ndarray, shape (n_carriers,), optional
        Flows of the generic point, in balance; random ones unless given.
    """
    rng = np.random.default_rng(GENERIC_SEED)
    Z, n = basis.Z, flow_measured.size
    if flow is None:
        flow = generic_flows(basis, rng)
    families = _alike(analytes)
    Z_measured = Z[flow_measured]
    copies = _COPIES
    while True:
        chosen = sorted(k for family in families for k in family[:copies])
        parts = dict(zip(chosen, _linearised([analytes[k] for k in chosen], flow, Z, rng),
                         strict=True))  # fmt: skip
        seen = _Seen.by([parts[k].Y for k in chosen], Z_measured, Z)
        last = [chosen.index(f[copies - 1]) for f in families if len(f) > copies]
        if not last or seen.without(last):
            break
        copies *= 2
    flow_checked = np.zeros(n, dtype=bool)
    flow_checked[flow_measured] = 1.0 - (seen.of_flows**2).sum(axis=1) > _ZERO
    determined, checked = np.zeros((2, len(analytes), n), dtype=bool)
    reduced_rows = 0
    for family in families:
        part = parts[family[0]]
        known, redundant = _grade_classes(part, seen.of_analytes[chosen.index(family[0])],
                                          seen.unseen)  # fmt: skip
        rows = np.hstack([part.D, part.Y])
        # numpy before 2.4 finds no rank of an empty matrix
        reduced_rows += len(family) * (_rank(rows) if rows.size else 0)
        for k in family:
            a = analytes[k]
            determined[k] = known[a.group]
            # measurements of one grade check each other
            checked[k] = (redundant | (a.members > 1) | (a.fixed & (a.members > 0)))[a.group]
    extra = sum(a.extra_measurements for a in analytes)
    return Classes(
        flow_determined=_flow_determined(Z, flow_measured, seen),
        flow_checked=flow_checked,
        grade_determined=determined,
        grade_checked=checked,
        degrees_of_freedom=reduced_rows + len(Z_measured) - seen.rank + extra,
        unobservable_flows=Z.shape[1] - seen.rank,
        scale_free=not flow_measured.any() and not basis.offset.any(),
    )


def unseen_changes(
    basis: FlowBasis, flow_measured: Bools, analytes: Sequence[AnalyteProblem], *,
    flow: Floats | None = None,
) -> tuple[Floats, list[Floats]]:  # fmt: skip
    """Return all changes of flows and grades that no measurement sees, at a generic point.

    Parameters are those of `generic_classes`.

    Returns
    -------
    flows : ndarray, shape (n_carriers, n_changes)
        How much each flow moves with each change, in units of its own; 0 if it is determined.
    grades : list of ndarray, shape (n_carriers, n_changes)
        The same of each analyte's grades.
    """
    rng, Z = np.random.default_rng(GENERIC_SEED), basis.Z
    if flow is None:
        flow = generic_flows(basis, rng)
    parts = list(_linearised(analytes, flow, Z, rng))
    seen = _Seen.by([part.Y for part in parts], Z[flow_measured], Z)
    changes = [_grade_changes(part, seen.unseen) for part in parts]
    beside = [~(part.problem.fixed | part.moving | part.unmeasured) for part in parts]
    common = seen.unseen.shape[1]
    own = [loose.shape[1] + other.sum() for (_, loose), other in zip(changes, beside, strict=True)]
    ends = common + np.cumsum([0, *own])
    flows = np.zeros((flow_measured.size, ends[-1]))
    flows[:, :common] = np.where(_flow_determined(Z, flow_measured, seen)[:, None], 0.0,
                                 Z @ seen.unseen)  # fmt: skip
    grades = []
    for part, (follow, loose), other, last in zip(parts, changes, beside, ends[1:], strict=True):
        moves = np.zeros((part.unmeasured.size, ends[-1]))
        moves[part.unmeasured, :common] = -follow
        first = last - other.sum()
        moves[part.unmeasured, first - loose.shape[1] : first] = loose
        moves[other, first:last] = np.eye(other.sum())  # grades that no balance holds
        moves[_norm(moves) <= _ZERO] = 0.0
        grades.append(moves[part.problem.group])
    return flows, grades


def _flow_determined(Z: Floats, measured: Bools, seen: _Seen) -> Bools:
    """Tell which flows do not move unseen, shape (n_carriers,)."""
    most = _norm(Z * seen.unit)
    still = _norm(Z @ seen.unseen) <= _ZERO * np.where(most > 0.0, most, 1.0)
    return np.asarray(measured | still)


def _alike(analytes: Sequence[AnalyteProblem]) -> list[list[int]]:
    """Return analytes by what is measured of them: generic ones of a family differ in nothing."""
    families: dict[object, list[int]] = {}
    for k, a in enumerate(analytes):
        plain = not (a.fixed.any() or a.source.any())  # exact numbers may be anything but generic
        key = (id(a.rows), a.measured.tobytes()) if plain else k
        families.setdefault(key, []).append(k)
    return list(families.values())


@dataclass(frozen=True, eq=False)
class _Seen:
    """What all rows that tie the free flows u to measurements see of u.

    Attributes
    ----------
    of_analytes : list of ndarray, shape (n_reduced, rank)
        Their rows in an orthonormal basis of what u can explain.
    of_flows : ndarray, shape (n_measured_flows, rank)
    unseen : ndarray, shape (n_free, n_unseen)
    unit : ndarray, shape (n_free,)
        Units in which the directions of u count alike.
    """

    of_analytes: list[Floats]
    of_flows: Floats
    rank: int
    unseen: Floats
    unit: Floats

    @classmethod
    def by(cls, rows: Sequence[Floats], Z_measured: Floats, Z: Floats) -> _Seen:
        """Look at u through the rows Y of analytes and those of Z of measured flows."""
        stacked = np.vstack([*rows, Z_measured])
        length = np.sqrt((stacked**2).sum(axis=0))
        # free numbers may have units of their own; what is rounding against them is not seen
        clear = length > _ROUNDING * _norm(Z.T)
        unit = 1.0 / np.where(clear, length, 1.0)
        stacked = stacked * unit
        # rows of zeros make the decomposition show every direction of u, seen or not
        padding = np.zeros((max(Z.shape[1] - len(stacked), 0), Z.shape[1]))
        # a thin QR first: the rows are many, the free flows few
        frame, small = scipy.linalg.qr(np.vstack([stacked, padding]), mode="economic")
        inner, s, Vt = np.linalg.svd(small, full_matrices=False)
        rank = int((s > _ZERO).sum())  # rows have length 1, or are +1, -1 sums
        Q = frame @ inner[:, :rank]
        *parts, flows = np.split(Q[: len(stacked)], np.cumsum([len(part) for part in rows]))
        return cls(parts, flows, rank, unit[:, None] * Vt[rank:].T, unit)

    def without(self, some: Sequence[int]) -> bool:
        """Tell whether as much is seen without the rows of some analytes."""
        Q = np.vstack([self.of_analytes[i] for i in some])
        share = np.linalg.eigvalsh(Q.T @ Q).max(initial=0.0)
        return bool(1.0 - share > _ZERO)


def _rank(rows: Floats) -> int:
    """Return the number of independent rows; rows have length 1."""
    try:
        L = np.linalg.cholesky(rows @ rows.T)
    except np.linalg.LinAlgError:
        return int(np.linalg.matrix_rank(rows))
    # far from the rounding of the squares all rows are independent
    clear = float(L.diagonal().min(initial=1.0)) > _CLEAR
    return len(rows) if clear else int(np.linalg.matrix_rank(rows))


def _norm(rows: Floats) -> Floats:
    return np.asarray(np.sqrt((rows**2).sum(axis=1)))


def generic_flows(basis: FlowBasis, rng: np.random.Generator) -> Floats:
    """Return random flows in balance, none of them zero, shape (n_carriers,)."""
    return np.asarray(basis.offset + basis.Z @ rng.uniform(1.0, 2.0, basis.Z.shape[1]))


def _linearised(
    analytes: Sequence[AnalyteProblem], flow: Floats, Z: Floats, rng: np.random.Generator
) -> Iterator[_Linearised]:
    """Yield the balances of each analyte at flows and random grades."""
    balances: dict[int, tuple[Floats, dict[bytes, SemidefiniteFactor], dict[bytes, Floats]]] = {}
    for problem in analytes:
        if id(problem.rows) not in balances:
            balances[id(problem.rows)] = problem.rows.of_grades(flow), {}, {}
        C, onto, spaces = balances[id(problem.rows)]
        free = ~problem.fixed
        x = np.where(problem.fixed, problem.target, rng.uniform(0.5, 1.5, problem.weight.size))
        key = free.tobytes()
        if key not in onto:
            onto[key] = SemidefiniteFactor(C[:, free] @ C[:, free].T)
        x[free] -= C[:, free].T @ onto[key].solve(C @ x - problem.source)
        moving = problem.measured
        unmeasured = free & ~moving & (C != 0.0).any(axis=0)
        EZ = problem.rows.of_flows(x, Z)
        D, Y = C[:, moving], EZ
        if unmeasured.any():
            key = unmeasured.tobytes()
            if key not in spaces:
                spaces[key] = left_null_space(C[:, unmeasured])
            D, Y = spaces[key].T @ D, spaces[key].T @ Y
        size = np.sqrt((D**2).sum(axis=1) + (Y**2).sum(axis=1))
        size = np.where(size > 0.0, size, 1.0)[:, None]
        yield _Linearised(problem, moving, unmeasured, C, D / size, Y / size, EZ)


def _grade_classes(part: _Linearised, Q: Floats, unseen: Floats) -> tuple[Bools, Bools]:
    """Return for each group: determined, checked by the balances.

    Q holds this analyte's rows of an orthonormal basis of all that the free flows can explain;
    the part of a grade's column outside it shows in the balances.
    """
    n_groups = part.problem.weight.size
    determined = part.problem.fixed | part.moving
    checked = np.zeros(n_groups, dtype=bool)
    whole = (part.D**2).sum(axis=0)
    outside = whole - ((Q.T @ part.D) ** 2).sum(axis=0)
    checked[part.moving] = outside > np.maximum(_ZERO * whole, _ZERO**2)
    follow, loose = _grade_changes(part, unseen)
    determined[part.unmeasured] = (_norm(loose) <= _ZERO) & (_norm(follow) <= _ZERO)
    return determined, checked


def _grade_changes(part: _Linearised, unseen: Floats) -> tuple[Floats, Floats]:
    """Return how unmeasured grades follow unseen flows, less sign, and can move by themselves.

    Of shape (n_unmeasured, n_unseen) and (n_unmeasured, n_loose), grades in units of their own.
    """
    C_U = part.C[:, part.unmeasured]
    if not C_U.shape[1]:
        return np.zeros((0, unseen.shape[1])), np.zeros((0, 0))
    size = np.sqrt((C_U**2).sum(axis=0))
    _, s, Vt = np.linalg.svd(C_U / size)
    rank = int((s > _ZERO * s.max(initial=0.0)).sum())
    follow = np.linalg.lstsq(C_U / size, part.EZ @ unseen, rcond=_ZERO)[0]
    return follow, Vt[rank:].T
