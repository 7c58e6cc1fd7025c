"""Which errors may be behind a survey: scored where the balances are linearised, to be tried.

A hypothesis is a set of errors: readings that are wrong, by any size or by a slip of their own,
losses at nodes, and mix-ups of several readings. Scores are logarithms of evidence: minus half of
the objective that is left, with what `oretally.recon.signatures.evidence` adds.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import islice, product

import numpy as np

from oretally.flowsheet.arrays import Floats, Ints
from oretally.recon.gross_errors.explanations import Posterior
from oretally.recon.propagation import SEEN
from oretally.recon.signatures import (
    Groups,
    InnerProducts,
    Mixups,
    Signatures,
    WayTable,
    covariance_known,
)

__all__ = [
    "NOTHING", "Hypothesis", "Proposals", "Screen", "each_value", "error_covariance",
    "joint_errors", "likeliest", "likeliest_of_each_number", "standing_out",
]  # fmt: skip


_APART = 1e-7  # share of a signature that others must leave for an error to be seen beside them
_SETS, _MEMBERS = 40, 24  # sets of several errors scored with their slips; members of groups in one


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """Rows of the signatures that are in error, and mix-ups by number; in order."""

    rows: tuple[int, ...]
    mixups: tuple[int, ...] = ()

    def __len__(self) -> int:
        return len(self.rows) + len(self.mixups)

    def holds(self, other: Hypothesis) -> bool:
        """Whether all errors of another are among these."""
        return set(other.rows) <= set(self.rows) and set(other.mixups) <= set(self.mixups)

    def and_row(self, row: int) -> Hypothesis:
        """Return it with one more row."""
        return Hypothesis(tuple(sorted({*self.rows, row})), self.mixups)

    def and_mixup(self, mixup: int) -> Hypothesis:
        """Return it with one more mix-up."""
        return Hypothesis(self.rows, tuple(sorted({*self.mixups, mixup})))


NOTHING = Hypothesis(())


def likeliest_of_each_number(
    evidence: Mapping[Hypothesis, float], most: int, wide: int
) -> Iterator[Hypothesis]:
    """Yield the likeliest hypotheses of one error, of two and so on below ``most``.

    Up to ``wide`` of each number. Errors hide each other: what is likeliest of many may be far from
    what is true, when that was not proposed, and a part of the truth is likely among the few.
    """
    order = sorted(evidence, key=lambda h: (len(h), -evidence[h], h.rows, h.mixups))
    for n in range(1, most):
        yield from islice((h for h in order if len(h) == n), wide)


def standing_out(signatures: Signatures) -> list[int]:
    """Return the rows of measurements, those first that stand out most.

    A slip that drove the balance to a bound leaves no signature that can be trusted.
    """
    statistic = np.where(signatures.seen, np.abs(signatures.statistic), 0.0)
    statistic = statistic[: len(signatures.readings)]
    return [int(i) for i in np.argsort(-np.round(statistic, 9), kind="stable")]


def likeliest(evidence: Mapping[Hypothesis, float], least: float) -> list[Hypothesis]:
    """Return the hypotheses of at least so much log evidence, the likeliest first."""
    found = [(-v, h.rows, h.mixups, h) for h, v in evidence.items() if v >= least]
    return [h for *_, h in sorted(found, key=lambda each: each[:3])]


def each_value(
    values: Mapping[Hypothesis, float], of: Callable[[Floats], Floats]
) -> Iterator[tuple[Hypothesis, float]]:
    """Yield a function of the values of hypotheses."""
    return zip(values, of(np.array(list(values.values()), dtype=float)).tolist(), strict=True)


class Proposals:
    """Hypotheses with their log evidence: some by themselves, and families of one more row each.

    A family, one number for each row, is what a hypothesis comes to with that row besides; -inf
    where it is not proposed. No hypothesis is here twice: what comes later replaces what was.
    """

    def __init__(self) -> None:
        self.few: dict[Hypothesis, float] = {}
        self.families: dict[Hypothesis, Floats] = {}

    def add(self, some: Mapping[Hypothesis, float]) -> None:
        """Propose some."""
        for h in some:
            self.drop(h)
        self.few |= some

    def add_rows(self, base: Hypothesis, score: Floats) -> None:
        """Propose a hypothesis with each further row; ``score``, shape (n_rows,), may be -inf."""
        known = self.families.get(base)
        new = score.copy() if known is None else np.where(np.isfinite(score), score, known)
        for h in [h for h in self.few if len(h) == len(base) + 1]:
            i = _one_more(base, h)
            if i is not None and np.isfinite(score[i]):
                del self.few[h]
        for other, scores in self.families.items():
            if len(other) == len(base) and other != base:
                both = {*base.rows, *other.rows}
                if other.mixups == base.mixups and len(both) == len(base.rows) + 1:
                    i = next(iter(both - set(base.rows)))
                    if np.isfinite(score[i]):
                        scores[next(iter(both - set(other.rows)))] = -np.inf
        self.families[base] = new

    def update(self, other: Proposals) -> None:
        """Propose what others propose."""
        for base, score in other.families.items():
            self.add_rows(base, score)
        self.add(other.few)

    def drop(self, h: Hypothesis) -> None:
        """Propose one no more."""
        self.few.pop(h, None)
        for base, score in self.families.items():
            i = _one_more(base, h)
            if i is not None:
                score[i] = -np.inf

    def get(self, h: Hypothesis) -> float:
        """Return the log evidence of one; -inf if it is not proposed."""
        if h in self.few:
            return self.few[h]
        found = ((score, _one_more(base, h)) for base, score in self.families.items())
        return max((float(score[i]) for score, i in found if i is not None), default=-np.inf)

    @property
    def best(self) -> float:
        """The largest log evidence."""
        of_families = (float(s.max(initial=-np.inf)) for s in self.families.values())
        return max((*self.few.values(), *of_families), default=-np.inf)

    def likely(self, least: float, exact: float, beside: Hypothesis | None) -> list[Hypothesis]:
        """Return those of at least so much log evidence, the likeliest first.

        ``exact`` is the least of those that hold the errors of ``beside``: they were proposed where
        these are left out.
        """
        few = self.above(min(least, exact))
        return likeliest({
            h: v for h, v in few.items()
            if v >= (exact if beside is not None and h.holds(beside) else least)
        }, -np.inf)  # fmt: skip

    def above(self, least: float) -> dict[Hypothesis, float]:
        """Return those of at least so much log evidence."""
        found = {h: v for h, v in self.few.items() if v >= least}
        for base, score in self.families.items():
            rows = np.flatnonzero((score >= least) & np.isfinite(score))
            found |= {base.and_row(i): float(score[i]) for i in rows.tolist()}
        return found


def _one_more(base: Hypothesis, h: Hypothesis) -> int | None:
    """Return the row that one hypothesis has more than another; None if that is not all."""
    if h.mixups != base.mixups or len(h.rows) != len(base.rows) + 1:
        return None
    more = set(h.rows) - set(base.rows)
    return next(iter(more)) if len(more) == 1 else None


def joint_errors(signatures: Signatures, sets: Ints) -> tuple[Floats, Floats]:
    """Return the sizes of errors that are there together, in their units, and their covariance.

    ``sets``, shape (n_sets, n), are rows. Sizes have that shape, covariances (n_sets, n, n):
    P_TT^-1 r_T and P_TT^-1, as sourced at `oretally.recon.signatures.signatures`. What the data do
    not tell, of one error or of several apart, has a variance beyond all others.
    """
    covariance = error_covariance(signatures, sets, np.full(sets.shape, np.inf))
    return (covariance @ signatures.r[sets][:, :, None])[:, :, 0], covariance


def error_covariance(signatures: Signatures, sets: Ints, most: Floats) -> Floats:
    """Return the covariance of errors that are there together, in their units.

    ``sets`` as above; ``most``, of their shape, is the sd of what the others say where the data
    tell nothing of it.
    """
    read = (sets < len(signatures.readings)).astype(float)
    return covariance_known(signatures.products.among(sets), read, most)


@dataclass(frozen=True, eq=False)
class Screen:
    """Hypotheses scored where the balances are linearised.

    Attributes
    ----------
    signatures : Signatures
        Of the survey with the mix-ups of ``at`` undone, linearised at its balance without the rest.
    groups : Groups
        Errors that no data can tell apart there.
    table : WayTable
    mixups : Mixups
    at : Hypothesis
    value : float
        Log evidence of ``at``, from balancing again.
    volumes : mapping of int to float
        What its mix-ups add to the log evidence beside the objective and their odds.
    """

    signatures: Signatures
    groups: Groups
    table: WayTable
    mixups: Mixups
    at: Hypothesis
    value: float
    volumes: Mapping[int, float]

    @cached_property
    def objective(self) -> float:
        """Objective with no row in error."""
        r = self.signatures.r[: len(self.signatures.readings)]
        return float(r @ r)

    @cached_property
    def base(self) -> float:
        """Log evidence with no row in error, the mix-ups undone."""
        odds = sum(self.mixups[c].log_odds + self.volumes[c] for c in self.at.mixups)
        return -0.5 * self.objective + odds

    def scores(self, posterior: Posterior) -> Proposals:
        """Return the log evidence of hypotheses worth a look.

        ``posterior`` has sets of the groups, all errors of free size.
        """
        found = Proposals()
        nothing = Hypothesis((), self.at.mixups)
        found.add({nothing: self.base} | self._sets(posterior))
        evidence, _, fall = self._alone
        found.add_rows(nothing, self._told(self.base + evidence + fall))
        if self.at.rows:
            evidence, _, fall = self._weighed(*self._alone_sizes(self.at.rows))
            found.add_rows(self.at, self._told(self.value + evidence + fall))
        found.add({self.at.and_mixup(c): g for c, g in self._mixups(self.at.rows, self.value)})
        if self.at.rows and not self.at.mixups:
            found.add({Hypothesis((), (c,)): g for c, g in self._mixups((), self.base)})
        found.drop(self.at)
        return found

    def _free(self, rows: Sequence[int]) -> bool:
        """Whether the signatures tell of each of the rows where it belongs."""
        return not any(i in self._untold for i in rows)

    def _told(self, scores: Floats) -> Floats:
        """Return scores of rows, those left out of which the signatures tell nothing."""
        if self._untold:
            scores = scores.copy()
            scores[list(self._untold)] = -np.inf
        return scores

    @cached_property
    def _untold(self) -> frozenset[int]:
        return self.mixups.untold(self.at.mixups)

    def _alone_sizes(self, chosen: Sequence[int]) -> tuple[Floats, Floats]:
        """Return each error beside chosen ones, and its variance: infinite if it is not seen."""
        products, r = self._beside(tuple(chosen))
        own = products.diagonal
        # what the chosen ones leave of an error with nearly their signature is rounding
        seen = (own > SEEN) & (own > _APART * self.signatures.redundancy)
        seen[list(chosen)] = False
        variance = np.where(seen, 1.0 / np.where(seen, own, 1.0), np.inf)
        return np.where(seen, r * np.where(seen, variance, 0.0), 0.0), variance

    def _beside(self, chosen: tuple[int, ...]) -> tuple[InnerProducts, Floats]:
        """Return P and r with the chosen rows left out."""
        return self._chosen_out if chosen == self.at.rows else self.signatures.without(chosen)

    @cached_property
    def _chosen_out(self) -> tuple[InnerProducts, Floats]:
        return self.signatures.without(self.at.rows)

    def _weighed(self, size: Floats, variance: Floats) -> tuple[Floats, Floats, Floats]:
        """Return the log evidence of each row, of free size, and what half the objective falls."""
        return *self.table.log_evidence(size, variance), 0.5 * size**2 / variance

    @cached_property
    def _alone(self) -> tuple[Floats, Floats, Floats]:
        """The same of each row by itself."""
        return self._weighed(*self._alone_sizes(()))

    def _sets(self, posterior: Posterior) -> dict[Hypothesis, float]:
        """Return sets of two and more, each member of a group by itself.

        What a slip adds to a member is what it adds to it at its size in the set: alone it may have
        had to be of another size, or sign, by far.
        """
        several = [e for e in posterior.explanations if len(e.chosen) > 1][:_SETS]
        if not several:
            return {}
        alone, _, _ = self._alone
        found: dict[Hypothesis, float] = {}
        sets = [
            [
                sorted(self.groups.members[g].tolist(), key=lambda i: -alone[i])[:_MEMBERS]
                for g in e.chosen
            ]
            for e in several
        ]
        for e, members, more in zip(several, sets, self._more(sets), strict=True):
            for rows in islice(product(*members), _MEMBERS):
                if self._free(rows):
                    h = Hypothesis(tuple(sorted(rows)), self.at.mixups)
                    found[h] = self.base + e.log_odds + sum(more[i] for i in rows)
        return found

    def _more(self, sets: Sequence[Sequence[Sequence[int]]]) -> list[dict[int, float]]:
        """Return what each member of the groups of each set adds to the score of its group.

        Members of one group are as large whichever members of the others stand beside them.
        """
        groups = [(s, at) for s, members in enumerate(sets) for at in range(len(members))]
        rows = np.array([i for s, at in groups for i in sets[s][at]], dtype=np.intp)
        n = np.array([len(sets[s][at]) for s, at in groups])
        owner, size, variance = np.repeat(np.arange(n.size), n), *np.zeros((2, rows.size))
        errors = np.array([len(sets[s]) for s, _ in groups])[owner]
        for many in np.unique(errors).tolist():
            own = np.flatnonzero(errors == many)
            beside = np.array([[m[0] for m in sets[groups[g][0]]] for g in owner[own].tolist()])
            at = np.array([groups[g][1] for g in owner[own].tolist()])
            each = np.arange(own.size)
            beside[each, at] = rows[own]
            sizes, covariance = joint_errors(self.signatures, beside)
            size[own], variance[own] = sizes[each, at], covariance[each, at, at]
        known = np.isfinite(size) & (variance > 0.0)  # else nothing tells the set's errors apart
        evidence, free = self.table.log_evidence_of(
            rows, np.where(known, size, 0.0), np.where(known, variance, 1.0)
        )
        whole = np.logaddexp.reduceat(free, np.cumsum(n) - n)
        gain = np.where(known, evidence - whole[owner], -np.inf).tolist()
        found: list[dict[int, float]] = [{} for _ in sets]
        for g, i, value in zip(owner.tolist(), rows.tolist(), gain, strict=True):
            found[groups[g][0]][i] = value
        return found

    def _mixups(self, chosen: Sequence[int], value: float) -> list[tuple[int, float]]:
        """Return mix-ups and the log evidence with each, beside chosen rows."""
        products, r = self._beside(tuple(chosen))
        taken = self._untold.union(chosen)
        return [
            (c, value + gain)
            for c, gain in self.mixups.gains(products, r)
            if taken.isdisjoint(self.mixups.rows(c).tolist())
            and self.mixups.beside(c, self.at.mixups, linear=True)
        ]
