"""Find the errors that explain a survey: tests at the balance, explanations by balancing again.

The tests are linear, at the balance itself. A gross error distorts that balance, so hypotheses are
only proposed there: those that may be likely are balanced again, and weighed by the objective that
is really left (`oretally.recon.signatures.evidence`). More are proposed at the likeliest, until it
stays so, and at the likeliest of fewer errors: errors hide each other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from oretally.flowsheet import BalanceProblem
from oretally.flowsheet.arrays import Floats
from oretally.recon.gross_errors.candidates import candidates
from oretally.recon.gross_errors.changes import Changes
from oretally.recon.gross_errors.diagnosis import Diagnosis, weighed_hypotheses
from oretally.recon.gross_errors.explanations import Posterior, explain
from oretally.recon.gross_errors.hypotheses import (
    NOTHING,
    Hypothesis,
    Proposals,
    Screen,
    likeliest,
    likeliest_of_each_number,
    standing_out,
)
from oretally.recon.kinetics import LeachEvidence, Said
from oretally.recon.propagation import LARGEST
from oretally.recon.result import ErrorRates, explained
from oretally.recon.signatures import (
    FAR,
    SCALES,
    Mixups,
    PossibleSlips,
    Signatures,
    WayTable,
    equivalent_sets,
    log_evidence,
    signatures_of,
    single_variance_known,
)
from oretally.recon.solution import Solution, lower
from oretally.recon.solver import ChangedSurvey, Refitter

__all__ = ["diagnose"]

_ROUNDS, _WIDE = 12, 4  # of proposing again; at so many hypotheses of each number of errors
_SOUND = 0.5  # probability of 'nothing is wrong' from which the balance is no distorted one
_HOPELESS = 1e10  # objective beyond which scores, half of it, have no digits left to tell by
_FACTOR = float(np.log(1000.0))  # of the likeliest, down to which hypotheses are balanced again
_EXACT = float(np.log(20.0))  # the same for those that were proposed where they hold
_FIRST, _WORK = 24, 40_000  # measurements left out at first, where that is quick; numbers in all
_FEWEST = 2  # hypotheses: with less work than for those nothing is balanced again
_OWN, _OWN_WORK = 12, 4_000  # hypotheses linearised at themselves at most; numbers in those
_SMALL, _AT_FIRST = 200, 0.5  # measurements of a small survey; share of the work at first
_MOVES, _BATCH, _FEW = 4.0, 64, 6  # log evidence that better signatures may add; at once
_AMONG, _EXCHANGES = 60, 24  # readings of a very large survey that may have been exchanged; streams


def diagnose(
    problem: BalanceProblem,
    solution: Solution,
    slips: PossibleSlips,
    *,
    rates: ErrorRates,
    n_nodes: int | None = None,
    refitter: Refitter | None = None,
    course: LeachEvidence | None = None,
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
        Of the survey, with what may be spent on balancing again.
    course : LeachEvidence, optional
        Of a leach over time, which counts beside the balances.
    """
    refitter = Refitter(problem, solution) if refitter is None else refitter.afresh()
    return _Search(problem, solution, slips, rates, n_nodes, refitter, course).found()


@dataclass(eq=False)
class _Search:
    """Hypotheses that were proposed and balanced again; rows are the same at every point."""

    problem: BalanceProblem
    solution: Solution
    slips: PossibleSlips
    rates: ErrorRates
    n_nodes: int | None
    refitter: Refitter
    course: LeachEvidence | None
    proposed: Proposals = field(default_factory=Proposals)
    balanced: dict[Hypothesis, tuple[ChangedSurvey, Solution | None]] = field(default_factory=dict)
    evidence: dict[Hypothesis, float] = field(default_factory=dict)
    own: dict[Hypothesis, Signatures] = field(default_factory=dict)
    volumes: dict[int, float] = field(default_factory=dict)
    said: dict[Hypothesis, Said] = field(default_factory=dict)
    seen: set[Hypothesis] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.first = signatures_of(self.problem, self.solution, self.n_nodes)
        self.n = len(self.first.readings)
        self.meant = self.slips.table(self.first.readings)
        self.rate = self.slips.rates(self.first.readings)
        among = standing_out(self.first)[:_AMONG] if self.n > LARGEST else None
        checked = self.solution.classes.flow_checked
        checked = np.array([k is not None or checked[j] for k, j in self.first.readings])
        unit = self.first.unit[: self.n]
        self.mixups = Mixups(self.slips, self.first.readings, unit, self.rate, among, checked)
        # a flow that is off by decades is put right, never left out: that would count it twice
        decades = np.isin(self.meant.reading, list(self.mixups.of_one))
        self.table = WayTable.of_survey(
            self.first, self.slips, self.meant.without(decades & self.meant.far(FAR, SCALES)),
            rate=self.rate, rates=self.rates,
        )  # fmt: skip
        self.exchanges = self.mixups.of_streams(())
        self.changes = Changes(self.problem, self.solution, self.mixups, self.first.nodes)
        self.balanced[NOTHING] = ChangedSurvey(self.problem, {}), self.solution
        self.own[NOTHING] = self.first
        self.few = self.refitter.quick and len(self.mixups) * self.n <= _WORK  # for all of them
        self.at_balance = equivalent_sets(self.first)

    def found(self) -> Diagnosis:
        """Propose and balance again until the likeliest hypothesis stays so."""
        hopeless = self.n <= LARGEST and self.solution.objective > _HOPELESS
        doubted = True
        if hopeless:  # nothing is proposed at a balance like that
            self._weigh(self.first, [NOTHING])
        else:
            screen, posterior = self._proposed_at(NOTHING)
            likeliest = weighed_hypotheses(self.evidence, self.proposed, NOTHING)[0][0]
            doubted = likeliest.hypothesis != NOTHING or likeliest.probability < _SOUND
        singles = self._singles() if doubted else []
        if hopeless or len(singles) >= _FEWEST:
            self._balance_alone(singles, self.first)
            best = self._best()
            bent = any(h.mixups for h in singles) or any(map(self.mixups.is_of_one, best.mixups))
            if hopeless or bent:  # what was proposed where errors bend the balance is known better
                self.proposed = Proposals()
                screen, posterior = self._proposed_at(best)
            checked = set[Hypothesis]()
            for left in reversed(range(_ROUNDS)):
                self._balance_all(screen)
                self._balance_beside_exchanges()
                best = self._best()
                if best not in checked and best != NOTHING:
                    checked.add(best)
                    self._lower(best, screen.signatures)
                if (at := self._next() if left else best) == best == screen.at:
                    break
                screen, posterior = self._proposed_at(at)
        # what a course would leave of those that were not balanced, nobody knows: as before
        less, known = 0.5 * self._said(screen.at).distance, (self.evidence, self.proposed)
        weighed, unlikely, left_out = weighed_hypotheses(*known, screen.at, less)
        return Diagnosis(
            self.at_balance, screen.groups, weighed, unlikely, self.meant, self.table, self.mixups,
            lambda h: self._sizes(h, self.own.get(h, screen.signatures)), self.evidence,
            {h: s for h, (_, s) in self.balanced.items() if s is not None}, self.said, self.course,
            posterior, left_out, len(self.balanced) - 1,
            len(self._likely(screen.at)) if doubted else 0,
        )  # fmt: skip

    def _affordable(self, some: Sequence[Hypothesis], share: float = 1.0) -> list[Hypothesis]:
        """Return the first ones that a share of all work is enough for, with what was spent."""
        quick, work = self.refitter.quick, self.refitter.work
        most = work.most_together if quick else work.most_alone
        cost = np.cumsum([self._cost(h) for h in some])
        enough = int((cost <= share * work.units - self.refitter.spent).sum())
        return list(some[: max(0, min(enough, int(share * most) + 1 - len(self.balanced)))])

    def _cost(self, h: Hypothesis) -> int:
        """Return the units of work that balancing one again takes."""
        quick, numbers = self.refitter.quick, self.problem.flow.size + self.problem.grade.size
        return numbers * (1 + len(self._starts(h))) if quick else self.refitter.work.of_one(self.n)

    def _starts(self, h: Hypothesis) -> list[Floats]:
        """Return flows to begin with besides those of the survey itself."""
        if self.n > _SMALL or h.mixups:
            return []
        best = self.balanced[self._best()][1] if self.evidence else None
        more = [] if best is None or best is self.solution else [best]
        return [self.solution.flow, *(b.flow[: self.problem.n_carriers] for b in more)]

    def _linearised_at(self, at: Hypothesis) -> Signatures:
        if at not in self.own and (solution := self.balanced[at][1]) is not None:
            self.own[at] = self.changes.signatures(at, solution, self.n_nodes)
        return self.own.get(at, self.first)

    def _proposed_at(self, at: Hypothesis) -> tuple[Screen, Posterior]:
        """Propose hypotheses where the balances are linearised at one of them."""
        signatures = self._linearised_at(at)
        self.seen.add(at)
        self._weigh(signatures, [h for h in self.balanced if h not in self.own or h == at])
        same = self.at_balance if signatures is self.first else equivalent_sets(signatures)
        # whatever is proposed may leave nothing of what the course says: its own balance will tell
        most = self.evidence[at] + 0.5 * self._said(at).distance
        screen = Screen(signatures, same, self.table, self.mixups, at, most, self.volumes)
        wrong = candidates(same, self.rate, self.rates)
        posterior = explain(same.correlations, same.statistic, wrong)
        self.proposed.update(screen.scores(posterior))
        if at != NOTHING and self.few:
            # exchanges of so much are too large for linear scores
            every = map(at.and_mixup, self.mixups.of_streams(at.mixups))
            more = [h for h in every if h not in self.balanced]
            self._balance(self._affordable(more), signatures, spare=True)
        for h in self.evidence:
            self.proposed.drop(h)
        return screen, posterior

    def _next(self) -> Hypothesis:
        """Return a hypothesis at which nothing was proposed yet, else the likeliest."""
        best = self._best()
        more = self.n <= _SMALL and bool(self._affordable([best]))
        few = more * (len(best) + (not self._explains(best)))
        fewer = likeliest_of_each_number(self.evidence, few, _WIDE)
        return next((h for h in fewer if h not in self.seen), best)

    def _balance_beside_exchanges(self) -> None:
        """Balance again each reading beside each exchange, if nothing less explains the survey."""
        less = len(best := self._best()) <= _FEWEST and self._explains(best)
        if self.few and self.n <= _SMALL and not less:
            pairs = [Hypothesis((i,), (c,)) for c in self.exchanges for i in range(self.n)]
            self.exchanges = []  # tried
            self._balance_more(pairs)

    def _balance_more(self, some: Sequence[Hypothesis]) -> None:
        """Balance some again beyond those that are proposed; only the likely of them are kept."""
        new = [h for h in some if h not in self.balanced]
        if sum(map(self._cost, new)) <= self.refitter.work.units - self.refitter.spent:
            self.refitter.careful += 0 if self.refitter.quick else len(new)
            self._balance(new, self.first, spare=self.refitter.quick)
            least = self._top - _FACTOR
            for h in [h for h in new if self.evidence.get(h, least) < least]:
                del self.balanced[h], self.evidence[h]

    def _explains(self, h: Hypothesis) -> bool:
        dof = self.solution.classes.degrees_of_freedom - len(h)
        return explained(self._objective(h), dof)

    @property
    def _top(self) -> float:
        return max(self.proposed.best, *self.evidence.values())

    def _best(self) -> Hypothesis:
        return max(self.evidence, key=lambda h: (self.evidence[h], -len(h)))

    def _singles(self) -> list[Hypothesis]:
        """Return measurements by themselves, those that stand out most first."""
        most = max(_FIRST, _WORK // max(self.n, 1)) if self.refitter.quick else self.n
        some = [Hypothesis((i,)) for i in standing_out(self.first)[:most]]
        found = self._affordable(some, _AT_FIRST)
        if self.few:  # none depends on what the distorted balance says of it
            every = [*found, *(Hypothesis((), (c,)) for c in range(len(self.mixups)))]
            if len(self._affordable(every, _AT_FIRST)) == len(every):
                found = every
        return found

    def _balance_all(self, screen: Screen) -> None:
        """Balance again what may be likely, as far as the work allows.

        What an error's size is sure of differs from balance to balance: those that are likely are
        weighed where the balances are linearised at themselves.
        """
        quick, passed = self.refitter.quick, set[Hypothesis]()
        while True:
            waiting = [h for h in self._likely(screen.at) if h not in passed]
            some = self._affordable(waiting[: _BATCH if quick else _FEW])
            if some:
                passed.update(some)
                self._balance(some, screen.signatures)
                continue
            top, settled = self._top, self._best() == screen.at
            unsure = [
                h for h in likeliest(self.evidence, top - _FACTOR - _MOVES)
                if h.rows and h not in self.own and not (settled and h.holds(screen.at))
            ]  # fmt: skip
            most = min(_OWN, max(3, _OWN_WORK // max(self.n, 1)))
            unsure = unsure[: max(0, most - len(self.own))]
            if not unsure:
                return
            for h in unsure:
                self._weigh(self._linearised_at(h), [h])

    def _likely(self, at: Hypothesis) -> list[Hypothesis]:
        """Return those that were proposed, may be likely and were not balanced, in order."""
        settled, top = at if self._best() == at else None, self._top
        return self.proposed.likely(top - _FACTOR, top - _EXACT, settled)

    def _balance(
        self, some: Sequence[Hypothesis], signatures: Signatures, *, spare: bool = False
    ) -> None:
        variants = [self.changes.under(h, signatures) for h in some]
        if self.refitter.quick:  # else each counts as what it took
            self.refitter.spent += sum(self._cost(h) for h in some)
        found: dict[int, Solution | None] = {}
        for mixed in (False, True):
            at = [i for i, h in enumerate(some) if bool(h.mixups) == mixed]
            starts = self._starts(some[at[0]]) if at else ()
            part = self.refitter.refits([variants[i] for i in at], spare, starts)
            found |= {at[i]: solution for i, solution in part.items()}
        for i, solution in found.items():
            # without a number the least can be no larger: else it was not found
            most = self.solution.objective * (1.0 + 1e-6) + 1e-6
            worse = solution is not None and not some[i].mixups and solution.objective > most
            none = solution is None or worse or self.changes.all_is_error(solution)
            self.balanced[some[i]] = variants[i], None if none else solution
        self._weigh(signatures, [some[i] for i in found])
        for i in found:
            self.proposed.add(self._put_right(some[i]))

    def _balance_alone(self, some: Sequence[Hypothesis], signatures: Signatures) -> None:
        """Balance again single errors, and flows put right of which they say that they are off."""
        self._balance(some, signatures, spare=self.refitter.quick)
        flows = [other for h in some if h in self.balanced for other in self._put_right(h)]
        self._balance(self._affordable(flows), signatures)
        if not (self.refitter.quick or self._explains(self._best())):  # else they are among those
            self._balance_more([Hypothesis((), (c,)) for c in self.exchanges[:_EXCHANGES]])

    def _put_right(self, h: Hypothesis) -> dict[Hypothesis, float]:
        """Return it with a flow put right: about as likely, its own balance will say how much."""
        found = dict[Hypothesis, float]()
        for other, c in self.changes.put_right(h, self.balanced[h][1]):
            if other not in self.balanced:
                alone = self.mixups[c].log_odds - 0.5 * self._objective(h)
                found[other] = max(self.evidence[h], alone if len(h) == 1 else -np.inf)
        return found

    def _lower(self, h: Hypothesis, signatures: Signatures) -> None:
        """Look for a lower minimum of a hypothesis by itself."""
        survey, solution = self.balanced[h]
        other = self.refitter.by_itself(survey.problem, solution.flow if solution else None)
        if other is not None and solution is not None and lower(other, solution):
            self.balanced[h] = survey, other
            self.own.pop(h, None)
            self.said.pop(h, None)
            self._weigh(signatures, [h])

    def _objective(self, h: Hypothesis) -> float:
        s = self.balanced[h][1]
        return np.inf if s is None else s.objective + self._said(h).distance

    def _said(self, h: Hypothesis) -> Said:
        """Return what the course of a test over time says of a hypothesis."""
        survey, s = self.balanced[h]
        if h not in self.said:
            self.said[h] = Said() if not (self.course and s) else self.course(survey.problem, s)
        return self.said[h]

    def _sizes(self, h: Hypothesis, signatures: Signatures) -> tuple[Floats, Floats] | None:
        """Return the errors of the rows of a hypothesis; see `Changes.sizes`."""
        survey, s = self.balanced.get(h, (None, None))
        if not (survey and s):
            return None
        return self.changes.sizes(h, survey, s, signatures, self._said(h))

    def _weigh(self, signatures: Signatures, some: Sequence[Hypothesis]) -> None:
        """Weigh what was balanced again, errors as likely as where signatures are taken."""
        good = [(h, s) for h in some if (s := self.balanced[h][1]) is not None]
        value = dict.fromkeys(some, -np.inf) | {h: -0.5 * self._objective(h) for h, _ in good}
        single = [(h, s) for h, s in good if len(h.rows) == 1 and h.rows[0] < self.n]
        if single:
            rows = np.array([h.rows[0] for h, _ in single], dtype=np.intp)
            size, most = self.changes.errors([(h, h.rows[0], s) for h, s in single], signatures)
            variance = single_variance_known(signatures.products.diagonal[rows], most)
            for c, (h, _) in enumerate(single):
                own = self.changes.error_by(h, self._said(h), h.rows[0])
                size[c], variance[c] = own or (size[c], variance[c])
            known = np.isfinite(size) & (variance > 0.0)
            more, _ = self.table.log_evidence_of(
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
            value[h] += sum(self.mixups[c].log_odds + self.volumes[c] for c in h.mixups)
        self.evidence |= value
        for h in value:
            self.proposed.drop(h)
