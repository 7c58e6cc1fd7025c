"""Find the errors that explain a survey: tests at the balance, explanations by balancing again.

The tests are linear, at the balance itself. A gross error distorts that balance, so hypotheses are
only proposed there: those that may be likely are balanced again, and weighed by the objective that
is really left (`oretally.recon.signatures.evidence`). Where one of them is likelier than the point
at which they were proposed, more are proposed there, until none is.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from oretally.flowsheet import BalanceProblem
from oretally.flowsheet.arrays import Floats, Ints
from oretally.recon.gross_errors.candidates import candidates
from oretally.recon.gross_errors.changes import Changes
from oretally.recon.gross_errors.diagnosis import Diagnosis, Weighed, in_order
from oretally.recon.gross_errors.explanations import Posterior, explain
from oretally.recon.gross_errors.hypotheses import (
    NOTHING,
    Hypothesis,
    Proposals,
    Screen,
    error_covariance,
)
from oretally.recon.natural import linearised_at
from oretally.recon.propagation import LARGEST
from oretally.recon.result import ErrorRates
from oretally.recon.signatures import (
    LOSS_UNIT,
    Mixups,
    PossibleSlips,
    Signatures,
    WayTable,
    equivalent_sets,
    log_evidence,
    only_pushed,
    signatures_at,
    signatures_of,
    single_variance_known,
)
from oretally.recon.solution import Solution, lower
from oretally.recon.solver import ChangedSurvey, Refitter, only_streams, refit

__all__ = ["diagnose"]

_ROUNDS = 8  # of proposing again
_SOUND = 0.5  # probability of 'nothing is wrong' from which the balance is no distorted one
_FACTOR = float(np.log(1000.0))  # of the likeliest, down to which hypotheses are balanced again
_EXACT = float(np.log(20.0))  # the same for those that were proposed where they hold
_QUICK, _SLOW = 600, 24  # hypotheses balanced again at most: side by side, one by one
_WORK = 40_000  # numbers in those that are balanced at first, as far as that allows the fewest
_OWN, _OWN_WORK = 12, 4_000  # hypotheses linearised at themselves at most; numbers in those
_SMALL = 200  # measurements, up to which each is balanced from several first flows
_MOVES = 4.0  # log evidence that better signatures may add
_BATCH, _FEW = 64, 6  # at once
_FIRST = 24  # measurements left out one by one at first, where that is not quick
_LIKELY = 1e-4  # probability from which a hypothesis of a family stands by itself
_AMONG = 60  # readings of a very large survey that may have been exchanged: the most doubtful


def diagnose(
    problem: BalanceProblem,
    solution: Solution,
    slips: PossibleSlips,
    *,
    rates: ErrorRates,
    n_nodes: int | None = None,
    refitter: Refitter | None = None,
) -> Diagnosis:
    """Compare explanations of a survey.

    Parameters
    ----------
    problem : BalanceProblem
    solution : Solution
        Its minimum.
    slips : PossibleSlips
        What may have happened to the readings, and how often each is wrong.
    rates : ErrorRates
    n_nodes : int, optional
        Balances of nodes; see `oretally.recon.signatures.signatures.signatures_at`.
    refitter : Refitter, optional
        Of the survey, if there is one already.
    """
    refitter = Refitter(problem, solution) if refitter is None else refitter.afresh()
    return _Search(problem, solution, slips, rates, n_nodes, refitter).found()


@dataclass(eq=False)
class _Search:
    """Hypotheses that were proposed and balanced again; rows are the same at every point."""

    problem: BalanceProblem
    solution: Solution
    slips: PossibleSlips
    rates: ErrorRates
    n_nodes: int | None
    refitter: Refitter
    proposed: Proposals = field(default_factory=Proposals)
    balanced: dict[Hypothesis, tuple[ChangedSurvey, Solution | None]] = field(default_factory=dict)
    evidence: dict[Hypothesis, float] = field(default_factory=dict)
    own: dict[Hypothesis, Signatures] = field(default_factory=dict)
    volumes: dict[int, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.first = signatures_of(self.problem, self.solution, self.n_nodes)
        self.n = len(self.first.readings)
        self.meant = self.slips.table(self.first.readings)
        self.rate = self.slips.rates(self.first.readings)
        self.table = WayTable.of_survey(
            self.first, self.slips, self.meant, rate=self.rate, rates=self.rates
        )
        among = None
        if self.n > LARGEST:
            order = np.argsort(-np.abs(self.first.statistic[: self.n]), kind="stable")
            among = order[:_AMONG].tolist()
        self.mixups = Mixups(
            self.slips, self.first.readings, self.first.unit[: self.n], self.rate, among
        )
        self.changes = Changes(self.problem, self.solution, self.mixups)
        self.balanced[NOTHING] = ChangedSurvey(self.problem, {}), self.solution
        self.at_balance = equivalent_sets(self.first)
        readings = self.first.readings
        self.column = np.array([-1 if k is None else k for k, _ in readings], dtype=np.intp)
        self.carrier = np.array([j for _, j in readings], dtype=np.intp)

    def found(self) -> Diagnosis:
        """Propose and balance again until the likeliest hypothesis stays so."""
        screen, posterior = self._proposed_at(NOTHING)
        weighed, unlikely, left_out = self._weighed(NOTHING)
        doubted = weighed[0].hypothesis != NOTHING or weighed[0].probability < _SOUND
        if doubted and self.n <= LARGEST:
            self._balance(self._singles(), screen.signatures, spare=self.refitter.quick)
            checked = set[Hypothesis]()
            for _ in range(_ROUNDS):
                self._balance_all(screen)
                best = self._best()
                if best not in checked and best != NOTHING:
                    checked.add(best)
                    if self._lower(best):
                        self._weigh(screen.signatures, [best])
                if best == screen.at:
                    break
                screen, posterior = self._proposed_at(best)
            weighed, unlikely, left_out = self._weighed(screen.at)
        return Diagnosis(
            self.at_balance,
            screen.groups,
            weighed,
            unlikely,
            self.meant,
            self.table,
            self.mixups,
            lambda h: self._sizes(h, self.own.get(h, screen.signatures)),
            {h: s.objective for h, (_, s) in self.balanced.items() if s is not None},
            posterior,
            left_out,
        )

    def _signatures_at(self, at: Hypothesis) -> Signatures:
        """Return the signatures where the balances are linearised at one hypothesis."""
        solution = self.balanced[at][1]
        if at == NOTHING or solution is None:
            return self.first
        base = self.changes.mended(at)
        point = only_streams(only_pushed(solution), self.problem.n_carriers)
        reduced, classes = self.solution.reduced, self.solution.classes
        if at.mixups or len(self.problem.proportion):
            reduced = linearised_at(base, point.flow)
            classes = reduced.classes
        return signatures_at(base, reduced, point, classes=classes, n_nodes=self.n_nodes)

    def _proposed_at(self, at: Hypothesis) -> tuple[Screen, Posterior]:
        """Propose hypotheses where the balances are linearised at one of them."""
        signatures = self.own[at] if at in self.own else self._signatures_at(at)
        self.own[at] = signatures
        self._weigh(signatures, [h for h in self.balanced if h not in self.own or h == at])
        same = self.at_balance if signatures is self.first else equivalent_sets(signatures)
        screen = Screen(signatures, same, self.table, self.mixups, at, self._value(at))
        posterior = explain(
            same.correlations, same.statistic, candidates(same, self.rate, self.rates)
        )
        self.proposed.update(screen.scores(posterior))
        for h in self.evidence:
            self.proposed.drop(h)
        return screen, posterior

    def _value(self, h: Hypothesis) -> float:
        """Return the log evidence: from balancing again, else as proposed."""
        return self.evidence[h] if h in self.evidence else self.proposed.get(h)

    def _best(self) -> Hypothesis:
        top = max(self.evidence.values())
        return min((h for h, v in self.evidence.items() if v == top), key=len)

    def _singles(self) -> list[Hypothesis]:
        """Return measurements by themselves, those that stand out most first.

        A slip that drove the balance to a bound leaves no signature that can be trusted.
        """
        statistic = np.where(self.first.seen, np.abs(self.first.statistic), 0.0)[: self.n]
        order = np.argsort(-np.round(statistic, 9), kind="stable")
        most = _FIRST // 2
        if self.refitter.quick:
            most = min(_QUICK // 2, max(_FIRST, _WORK // max(self.n, 1)))
        found = [Hypothesis((int(i),)) for i in order[:most]]
        if self.refitter.quick and len(self.mixups) * self.n <= _WORK:
            # few enough: none depends on what the distorted balance says of it
            found += [Hypothesis((), (c,)) for c in range(len(self.mixups))]
        return found

    def _balance_all(self, screen: Screen) -> None:
        """Balance again what may be likely, as far as the work allows.

        What an error's size is sure of differs from balance to balance: those that are likely are
        weighed where the balances are linearised at themselves.
        """
        quick, passed = self.refitter.quick, set[Hypothesis]()
        while True:
            top = max(self.proposed.best, *self.evidence.values())
            # beside the likeliest errors so far others were proposed where these are left out
            settled = self._best() == screen.at
            values = self.proposed.above(top - max(_EXACT, _FACTOR))
            waiting = [
                h for h, v in values.items()
                if h not in passed
                and v >= top - (_EXACT if settled and h.holds(screen.at) else _FACTOR)
            ]  # fmt: skip
            left = (_QUICK if quick else _SLOW) - len(self.balanced)
            if waiting and left > 0:
                waiting.sort(key=lambda h: (-values[h], h.rows, h.mixups))
                some = waiting[: min(left, _BATCH if quick else _FEW)]
                passed.update(some)
                self._balance(some, screen.signatures)
                continue
            unsure = [
                h for h in self.evidence
                if h.rows and h not in self.own and not (settled and h.holds(screen.at))
                and self.evidence[h] >= top - _FACTOR - _MOVES
            ]  # fmt: skip
            unsure.sort(key=lambda h: (-self.evidence[h], h.rows, h.mixups))
            most = min(_OWN, max(3, _OWN_WORK // max(self.n, 1)))
            unsure = unsure[: max(0, most - len(self.own))]
            if not unsure:
                return
            for h in unsure:
                self.own[h] = self._signatures_at(h)
                self._weigh(self.own[h], [h])

    def _balance(
        self, some: Sequence[Hypothesis], signatures: Signatures, *, spare: bool = False
    ) -> None:
        variants = [self.changes.under(h, signatures) for h in some]
        near = [self.solution.flow]
        best = self.balanced[self._best()][1] if self.evidence else None
        if best is not None and best is not self.solution:
            near.append(best.flow[: self.problem.n_carriers])
        found: dict[int, Solution | None] = {}
        for mixed in (False, True):
            at = [i for i, h in enumerate(some) if bool(h.mixups) == mixed]
            starts = near if self.n <= _SMALL and not mixed else ()
            part = self.refitter.refits([variants[i] for i in at], spare, starts)
            found |= {at[i]: solution for i, solution in part.items()}
        for i, solution in found.items():
            # without a number the least can be no larger: else it was not found
            most = self.solution.objective * (1.0 + 1e-6) + 1e-6
            worse = solution is not None and not some[i].mixups and solution.objective > most
            self.balanced[some[i]] = variants[i], None if worse else solution
        self._weigh(signatures, [some[i] for i in found])

    def _lower(self, h: Hypothesis) -> bool:
        """Look for a lower minimum of a hypothesis by itself; tell whether there was one."""
        survey, solution = self.balanced[h]
        other = refit(survey.problem, None if solution is None else solution.flow)
        if other is None or solution is None or not lower(other, solution):
            return False
        self.balanced[h] = survey, other
        self.own.pop(h, None)
        return True

    def _sizes(self, h: Hypothesis, signatures: Signatures) -> tuple[Floats, Floats] | None:
        """Return the errors of the rows, in units of the signatures, as balancing again has them.

        What the data do not tell is known within the larger of what was read and what the others
        say. None if it was not balanced, or has none, or one in which a stream whose assay is in
        error stops.
        """
        survey, solution = self.balanced.get(h, (None, None))
        if survey is None or solution is None:
            return None
        rows = np.array(h.rows, dtype=np.intp)
        found, most = np.zeros(rows.size), np.full(rows.size, 1.0 / LOSS_UNIT)  # all that passes
        read = rows < self.n
        found[read], most[read] = self._errors(rows[read], [solution] * int(read.sum()), signatures)
        lost = self.problem.n_carriers
        for at in np.flatnonzero(~read).tolist():
            i = h.rows[at]
            leaves = survey.losses[signatures.nodes[i - self.n]][1] >= 0.0
            found[at] = (1.0 if leaves else -1.0) * solution.flow[lost] / signatures.unit[i]
            lost += 1
        if not np.isfinite(found).all():
            return None
        return found, error_covariance(signatures, h.rows, most)

    def _errors(
        self, rows: Ints, solutions: Sequence[Solution], signatures: Signatures
    ) -> tuple[Floats, Floats]:
        """Return the error of each reading in its solution, and the most that its sd can be."""
        k, j, unit = self.column[rows], self.carrier[rows], signatures.unit[rows]
        said = np.array([
            s.flow[c] if a < 0 else s.grade[a, c]
            for s, a, c in zip(solutions, k.tolist(), j.tolist(), strict=True)
        ])  # fmt: skip
        read = np.where(k < 0, self.problem.flow[j], 0.0)
        of_grade = k >= 0
        read[of_grade] = self.problem.grade[k[of_grade], j[of_grade]]
        return (read - said) / unit, np.maximum(np.maximum(abs(read), abs(said)) / unit, 1.0)

    def _weigh(self, signatures: Signatures, some: Sequence[Hypothesis]) -> None:
        """Weigh what was balanced again, errors as likely as where signatures are taken."""
        good = [(h, s) for h in some if (s := self.balanced[h][1]) is not None]
        value = dict.fromkeys(some, -np.inf) | {h: -0.5 * s.objective for h, s in good}
        single = [(h, s) for h, s in good if len(h.rows) == 1 and h.rows[0] < self.n]
        if single:
            rows = np.array([h.rows[0] for h, _ in single], dtype=np.intp)
            size, most = self._errors(rows, [s for _, s in single], signatures)
            variance = single_variance_known(signatures.products.diagonal[rows], most)
            known = np.isfinite(size) & (variance > 0.0)
            more = self.table.log_evidence_of(
                rows, np.where(known, size, 0.0), np.where(known, variance, 1.0)
            )
            for (h, _), gain in zip(single, np.where(known, more, -np.inf).tolist(), strict=True):
                value[h] += gain
        for h, _ in good:
            if len(h.rows) > 1 or (h.rows and h.rows[0] >= self.n):
                sizes = self._sizes(h, signatures)
                ways = [self.table[i] for i in h.rows]
                value[h] += -np.inf if sizes is None else log_evidence(*sizes, ways).log_odds
        new = [c for h, _ in good for c in h.mixups if c not in self.volumes]
        volumes = self.mixups.volumes(new, self.first.products)
        self.volumes |= zip(new, volumes.tolist(), strict=True)
        for h, _ in good:
            for c in h.mixups:
                value[h] += self.mixups[c].log_odds + self.volumes[c]
        self.evidence |= value
        for h in value:
            self.proposed.drop(h)

    def _weighed(
        self, at: Hypothesis
    ) -> tuple[tuple[Weighed, ...], dict[Hypothesis, Floats], float]:
        """Return hypotheses with their probabilities, the likeliest first, and what is left out.

        Those that were not balanced again count where they were proposed beside the likeliest
        errors; elsewhere nothing is known of them. Those of a family that are not likely are left
        in it.
        """
        top = max(self.evidence.values())

        def odds(value: Floats) -> Floats:
            return np.where(value > top - 30.0, np.exp(np.minimum(value - top, 30.0)), 0.0)

        few = self.proposed.few
        found = {h: o for h, o in _each(self.evidence, odds) if o > 0.0}
        proposed = {h: o for h, o in _each(few, odds) if o > 0.0}
        known = found | {h: o for h, o in proposed.items() if h.holds(at)}
        out, total = sum(proposed.values()), sum(known.values())
        families = {}
        for base, score in self.proposed.families.items():
            own = odds(score)
            out += float(own.sum())
            missing = set(at.rows) - set(base.rows)
            if missing or not base.holds(Hypothesis((), at.mixups)):
                beside = np.zeros(own.size)
                if len(missing) == 1 and base.holds(Hypothesis((), at.mixups)):
                    beside[list(missing)] = own[list(missing)]
                own = beside
            total += float(own.sum())
            families[base] = own
        for base, own in families.items():
            for i in np.flatnonzero(own > _LIKELY * total).tolist():
                known[base.and_row(i)] = float(own[i])
                own[i] = 0.0
        weighed = (Weighed(h, o / total) for h, o in known.items())
        return (
            tuple(sorted(weighed, key=in_order)),
            {base: own / total for base, own in families.items()},
            out / (out + sum(found.values())),
        )


def _each(
    values: dict[Hypothesis, float], of: Callable[[Floats], Floats]
) -> Iterator[tuple[Hypothesis, float]]:
    """Yield a function of the values of hypotheses."""
    return zip(values, of(np.array(list(values.values()), dtype=float)).tolist(), strict=True)
