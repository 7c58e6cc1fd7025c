"""Find the errors that explain a survey: tests at the balance, explanations by balancing again.

The tests are linear, at the balance itself. A gross error distorts that balance, so hypotheses are
only proposed there: those that may be likely are balanced again, and weighed by the objective that
is really left (`oretally.recon.signatures.evidence`). Where one of them is likelier than the point
at which they were proposed, more are proposed there, until none is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from oretally.flowsheet import BalanceProblem
from oretally.flowsheet.arrays import Floats
from oretally.recon.gross_errors.candidates import candidates, log_odds
from oretally.recon.gross_errors.changes import Changes
from oretally.recon.gross_errors.diagnosis import Diagnosis, Weighed
from oretally.recon.gross_errors.explanations import Posterior, explain
from oretally.recon.gross_errors.hypotheses import (
    NOTHING,
    Hypothesis,
    Screen,
    WayTable,
    error_covariance,
)
from oretally.recon.natural import linearised_at
from oretally.recon.result import ErrorRates
from oretally.recon.signatures import (
    ANY_SIZE,
    LOSS_UNIT,
    Evidence,
    Mixups,
    PossibleSlips,
    Signatures,
    Ways,
    equivalent_sets,
    joined_ways,
    log_evidence,
    only_pushed,
    signatures_at,
    signatures_of,
)
from oretally.recon.solution import Solution, lower
from oretally.recon.solver import Refitter, only_streams, refit

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
_GAIN = 0.1  # of the rate of losses: that something comes in unseen


def diagnose(
    problem: BalanceProblem,
    solution: Solution,
    slips: PossibleSlips,
    *,
    rates: ErrorRates,
    n_nodes: int | None = None,
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
    """
    return _Search(problem, solution, slips, rates, n_nodes).found()


@dataclass(eq=False)
class _Search:
    """Hypotheses that were proposed and balanced again; rows are the same at every point."""

    problem: BalanceProblem
    solution: Solution
    slips: PossibleSlips
    rates: ErrorRates
    n_nodes: int | None
    proposed: dict[Hypothesis, float] = field(default_factory=dict)
    balanced: dict[Hypothesis, tuple[BalanceProblem, Solution | None]] = field(default_factory=dict)
    evidence: dict[Hypothesis, tuple[float, Evidence]] = field(default_factory=dict)
    own: dict[Hypothesis, Signatures] = field(default_factory=dict)
    volumes: dict[int, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.first = signatures_of(self.problem, self.solution, self.n_nodes)
        self.n = len(self.first.readings)
        self.meant = tuple(self.slips.of(p) for p in self.first.readings)
        self.ways = self._ways()
        self.table = WayTable(self.ways)
        self.mixups = Mixups(self.slips, self.first.readings, self.first.unit[: self.n])
        self.changes = Changes(self.problem, self.solution, self.mixups)
        self.refitter = Refitter(self.problem, self.solution)
        self.balanced[NOTHING] = self.problem, self.solution
        self.at_balance = equivalent_sets(self.first)

    def found(self) -> Diagnosis:
        """Propose and balance again until the likeliest hypothesis stays so."""
        screen, posterior = self._proposed_at(NOTHING)
        weighed, left_out = self._weighed(NOTHING)
        if weighed[0].hypothesis != NOTHING or weighed[0].probability < _SOUND:
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
            weighed, left_out = self._weighed(screen.at)
        return Diagnosis(
            self.at_balance,
            screen.groups,
            weighed,
            (*self.meant, *((),) * (len(self.ways) - self.n)),
            self.ways,
            self.mixups,
            {
                h: sizes
                for h in self.balanced
                if (sizes := self._sizes(h, self.own.get(h, screen.signatures))) is not None
            },
            {h: s.objective for h, (_, s) in self.balanced.items() if s is not None},
            posterior,
            left_out,
        )

    def _ways(self) -> list[Ways]:
        """Return the ways of each row: free sizes, and slips of its own."""
        shares = np.array(self.rates.shares) / sum(self.rates.shares)
        found = []
        for i, place in enumerate(self.first.readings):
            odds = float(log_odds(self.slips.rate(place))[0])
            written = place in self.slips.written
            own = shares * (ANY_SIZE if written else 1.0)
            ways = Ways.free(self.rates.widths, odds + np.log(own))
            meant = self.meant[i]
            if meant:
                value, unit = self.slips.as_read(place)[0], self.first.unit[i]
                slip = np.arange(len(meant))
                ways = joined_ways([ways, Ways.slips(
                    np.array([(value - m.value) / unit for m in meant]),
                    np.array([(m.sd / unit) ** 2 - 1.0 for m in meant]),
                    np.array([odds + m.log_chance for m in meant]), slip=slip,
                )])  # fmt: skip
            found.append(ways)
        width = [self.rates.loss_width / LOSS_UNIT]
        loss, gain = log_odds(self.rates.loss), log_odds(_GAIN * self.rates.loss)
        either = joined_ways([
            Ways.free(width, loss, 1.0), Ways.free(width, gain, -1.0),
        ])  # fmt: skip
        return found + [either] * len(self.first.nodes)

    def _signatures_at(self, at: Hypothesis) -> Signatures:
        """Return the signatures where the balances are linearised at one hypothesis."""
        solution = self.balanced[at][1]
        if at == NOTHING or solution is None:
            return self.first
        base = self.changes.mended(at, kept=True)
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
        screen = Screen(signatures, self.table, self.mixups, at, self._value(at))
        groups = screen.groups
        posterior = explain(
            groups.correlation, groups.statistic, candidates(groups, self.slips.rate, self.rates)
        )
        self.proposed |= screen.scores(posterior)
        return screen, posterior

    def _value(self, h: Hypothesis) -> float:
        """Return the log evidence: from balancing again, else as proposed."""
        return self.evidence[h][0] if h in self.evidence else self.proposed.get(h, -np.inf)

    def _best(self) -> Hypothesis:
        return max(self.evidence, key=lambda h: (self.evidence[h][0], -len(h)))

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
            values = {h: self._value(h) for h in (*self.proposed, *self.evidence)}
            top = max(values.values())
            # beside the likeliest errors so far others were proposed where these are left out
            settled = self._best() == screen.at
            near = {h for h in values if settled and h.holds(screen.at)}
            waiting = [
                h for h, v in values.items()
                if h not in self.evidence and h not in passed
                and v >= top - (_EXACT if h in near else _FACTOR)
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
                if h.rows and h not in self.own and h not in near
                and self.evidence[h][0] >= top - _FACTOR - _MOVES
            ]  # fmt: skip
            unsure.sort(key=lambda h: (-self.evidence[h][0], h.rows, h.mixups))
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
        problems = [self.changes.under(h, signatures) for h in some]
        near = [self.solution.flow]
        best = self.balanced[self._best()][1] if self.evidence else None
        if best is not None and best is not self.solution:
            near.append(best.flow[: self.problem.n_carriers])
        found: dict[int, Solution | None] = {}
        for mixed in (False, True):
            at = [i for i, h in enumerate(some) if bool(h.mixups) == mixed]
            starts = near if self.n <= _SMALL and not mixed else ()
            part = self.refitter.refits([problems[i] for i in at], spare, starts)
            found |= {at[i]: solution for i, solution in part.items()}
        for i, solution in found.items():
            # without a number the least can be no larger: else it was not found
            most = self.solution.objective * (1.0 + 1e-6) + 1e-6
            worse = solution is not None and not some[i].mixups and solution.objective > most
            self.balanced[some[i]] = problems[i], None if worse else solution
        self._weigh(signatures, [some[i] for i in found])

    def _lower(self, h: Hypothesis) -> bool:
        """Look for a lower minimum of a hypothesis by itself; tell whether there was one."""
        problem, solution = self.balanced[h]
        other = refit(problem, None if solution is None else solution.flow)
        if other is None or solution is None or not lower(other, solution):
            return False
        self.balanced[h] = problem, other
        self.own.pop(h, None)
        return True

    def _sizes(self, h: Hypothesis, signatures: Signatures) -> tuple[Floats, Floats] | None:
        """Return the errors of the rows, in units of the signatures, as balancing again has them.

        What the data do not tell is known within the larger of what was read and what the others
        say. None if there is no balance, or one in which a stream whose assay is in error stops.
        """
        problem, solution = self.balanced[h]
        if solution is None:
            return None
        most = np.full(len(h.rows), 1.0 / LOSS_UNIT)  # all that passes a node
        found = np.zeros(len(h.rows))
        lost = problem.n_carriers - sum(i >= self.n for i in h.rows)
        for at, i in enumerate(h.rows):
            if i < self.n:
                k, j = signatures.readings[i]
                said = solution.flow[j] if k is None else solution.grade[k, j]
                read = self.problem.flow[j] if k is None else self.problem.grade[k, j]
                found[at] = (read - said) / signatures.unit[i]
                most[at] = max(abs(read), abs(said)) / signatures.unit[i]
            else:
                leaves = problem.flow_balance[signatures.nodes[i - self.n], lost] < 0.0
                found[at] = (1.0 if leaves else -1.0) * solution.flow[lost] / signatures.unit[i]
                lost += 1
        if not np.isfinite(found).all():
            return None
        return found, error_covariance(signatures, h.rows, np.maximum(most, 1.0))

    def _weigh(self, signatures: Signatures, some: Sequence[Hypothesis]) -> None:
        """Weigh what was balanced again, errors as likely as where signatures are taken."""
        for h in some:
            solution = self.balanced[h][1]
            none = Evidence(-np.inf, (), ())
            if solution is None:
                self.evidence[h] = -np.inf, none
                continue
            weighed = Evidence(0.0, (), ())
            if h.rows:
                sizes = self._sizes(h, signatures)
                ways = [self.ways[i] for i in h.rows]
                weighed = none if sizes is None else log_evidence(*sizes, ways)
            more = 0.0
            for c in h.mixups:
                if c not in self.volumes:
                    self.volumes[c] = self.mixups.volume(c, self.first.P)
                more += self.mixups[c].log_odds + self.volumes[c]
            self.evidence[h] = weighed.log_odds + more - 0.5 * solution.objective, weighed

    def _weighed(self, at: Hypothesis) -> tuple[tuple[Weighed, ...], float]:
        """Return hypotheses with their probabilities, the likeliest first, and what is left out.

        Those that were not balanced again count where they were proposed beside the likeliest
        errors; elsewhere nothing is known of them.
        """
        values = {h: self._value(h) for h in dict.fromkeys((*self.evidence, *self.proposed))}
        top = max(v for h, v in values.items() if h in self.evidence)
        odds = {h: float(np.exp(min(v - top, 30.0))) for h, v in values.items() if v > top - 30.0}
        known = {h: o for h, o in odds.items() if h in self.evidence or h.holds(at)}
        total = sum(known.values())
        order = sorted(known, key=lambda h: (-known[h], len(h), h.rows, h.mixups))
        left_out = sum(o for h, o in odds.items() if h not in self.evidence)
        return (
            tuple(Weighed(h, known[h] / total) for h in order),
            left_out / sum(odds.values()),
        )
