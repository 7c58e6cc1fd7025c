"""Find the errors that explain a survey: tests at the balance, explanations by balancing again.

The tests are linear, at the balance itself. A gross error distorts that balance, so hypotheses are
only proposed there: those that may be likely are balanced again, and weighed by the objective that
is really left (`oretally.recon.signatures.evidence`). More are proposed at the likeliest, until it
stays so, and at the likeliest of fewer errors: errors hide each other.
"""

from __future__ import annotations

from collections.abc import Generator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TypeVar

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
from oretally.recon.gross_errors.weighing import Weighing
from oretally.recon.kinetics import LeachEvidence
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
    signatures_of,
)
from oretally.recon.solution import Solution, lower
from oretally.recon.solver import Refits, Refitter, refits_together

__all__ = ["SuspectSearch", "diagnose", "diagnose_together"]

_T = TypeVar("_T")
_Refitted = Mapping[int, Solution | None]
_Steps = Generator[Refits, _Refitted, _T]

_ROUNDS = 12  # of proposing again
_WIDE = 4  # hypotheses of each number of errors at which more are proposed
_SOUND = 0.5  # probability of 'nothing is wrong' from which the balance is no distorted one
_HOPELESS = 1e10  # objective beyond which scores, half of it, have no digits left to tell by
_FACTOR = float(np.log(1000.0))  # of the likeliest, down to which hypotheses are balanced again
_EXACT = float(np.log(20.0))  # the same for those that were proposed where they hold
_FIRST = 24  # measurements left out one by one at first, where that is quick
_WORK = 40_000  # numbers in those that are balanced at first, as far as that allows the fewest
_FEWEST = 2  # hypotheses: with less work than for those nothing is balanced again
_OWN, _OWN_WORK = 12, 4_000  # hypotheses linearised at themselves at most; numbers in those
_SMALL = 200  # measurements, up to which each has several first flows, and `_WIDE` counts
_AT_FIRST = 0.5  # share of the work for what is balanced at first
_MOVES = 4.0  # log evidence that better signatures may add
_BATCH, _FEW = 64, 6  # at once
_AMONG = 60  # readings of a very large survey that may have been exchanged: the most doubtful
_EXCHANGES = 24  # of streams, each tried alone where balancing again is not quick


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
    refitter = Refitter(problem, solution) if refitter is None else refitter
    search = SuspectSearch(problem, solution, slips, rates, n_nodes, refitter, course)
    return diagnose_together([search])[0]


def diagnose_together(searches: Sequence[SuspectSearch]) -> list[Diagnosis]:
    """Compare explanations of several surveys: what they want balanced again, side by side."""
    steps = {i: search.found() for i, search in enumerate(searches)}
    answers, found = dict[int, _Refitted](), dict[int, Diagnosis]()
    while steps:
        asked: dict[int, Refits] = {}
        for i, step in list(steps.items()):
            try:
                asked[i] = step.send(answers[i]) if i in answers else next(step)
            except StopIteration as end:
                found[i] = end.value
                del steps[i]
        refitted = refits_together([(searches[i].refitter, each) for i, each in asked.items()])
        answers = dict(zip(asked, refitted, strict=True))
    return [found[i] for i in range(len(searches))]


@dataclass(eq=False)
class SuspectSearch:
    """Hypotheses that were proposed and balanced again; rows are the same at every point.

    See `diagnose` for what it is given. It asks for what is to be balanced again, so that several
    searches can be answered together.
    """

    problem: BalanceProblem
    solution: Solution
    slips: PossibleSlips
    rates: ErrorRates
    n_nodes: int | None
    refitter: Refitter
    course: LeachEvidence | None = None
    proposed: Proposals = field(default_factory=Proposals)
    seen: set[Hypothesis] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.refitter = self.refitter.afresh()
        self.first = signatures_of(self.problem, self.solution, self.n_nodes)
        self.n = len(self.first.readings)
        self.meant = self.slips.table(self.first.readings)
        self.rate = self.slips.rates(self.first.readings)
        among = standing_out(self.first)[:_AMONG] if self.n > LARGEST else None
        flows = self.solution.classes.flow_checked
        checked = np.array([k is not None or flows[j] for k, j in self.first.readings])
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
        self.known = Weighing(self.changes, self.first, self.n_nodes, self.table, self.course)
        self.few = self.refitter.quick and len(self.mixups) * self.n <= _WORK  # for all of them
        self.at_balance = equivalent_sets(self.first)

    def found(self) -> _Steps[Diagnosis]:
        """Propose and balance again until the likeliest hypothesis stays so."""
        hopeless = self.n <= LARGEST and self.solution.objective > _HOPELESS
        doubted = True
        if hopeless:  # nothing is proposed at a balance like that
            self._weigh(self.first, [NOTHING])
        else:
            screen, posterior = yield from self._proposed_at(NOTHING)
            first = weighed_hypotheses(self.known.evidence, self.proposed, NOTHING)[0][0]
            doubted = first.hypothesis != NOTHING or first.probability < _SOUND
        singles = self._singles() if doubted else []
        if hopeless or len(singles) >= _FEWEST:
            yield from self._balance_alone(singles, self.first)
            best = self.known.best
            bent = any(h.mixups for h in singles) or any(map(self.mixups.is_of_one, best.mixups))
            if hopeless or bent:  # what was proposed where errors bend the balance is known better
                self.proposed = Proposals()
                screen, posterior = yield from self._proposed_at(best)
            checked = set[Hypothesis]()
            for left in reversed(range(_ROUNDS)):
                yield from self._balance_all(screen)
                yield from self._balance_beside_exchanges()
                best = self.known.best
                if best not in checked and best != NOTHING:
                    checked.add(best)
                    if self._lower(best):
                        self._weigh(screen.signatures, [best])
                if (at := self._next() if left else best) == best == screen.at:
                    break
                screen, posterior = yield from self._proposed_at(at)
        # what a course would leave of those that were not balanced, nobody knows: as before
        known = self.known
        weighed, unlikely, left_out = weighed_hypotheses(
            known.evidence, self.proposed, screen.at, 0.5 * known.said_of(screen.at).distance
        )
        return Diagnosis(
            self.at_balance, screen.groups, weighed, unlikely, self.meant, self.table, self.mixups,
            lambda h: known.sizes(h, known.own.get(h, screen.signatures)), known.evidence,
            {h: s for h, (_, s) in known.balanced.items() if s is not None}, known.said,
            self.course, posterior, left_out, len(known.balanced) - 1,
            len(self._likely(screen.at)) if doubted else 0,
        )  # fmt: skip

    def _affordable(self, some: Sequence[Hypothesis], share: float = 1.0) -> list[Hypothesis]:
        """Return the first ones that a share of all work is enough for, with what was spent."""
        quick, work = self.refitter.quick, self.refitter.work
        most = work.most_together if quick else work.most_alone
        cost = np.cumsum([self._cost(h) for h in some])
        enough = int((cost <= share * work.units - self.refitter.spent).sum())
        return list(some[: max(0, min(enough, int(share * most) + 1 - len(self.known.balanced)))])

    def _cost(self, h: Hypothesis) -> int:
        """Return the units of work that balancing one again takes."""
        if not self.refitter.quick:
            return self.refitter.work.of_one(self.n)
        numbers = self.problem.flow.size + self.problem.grade.size
        return numbers * (1 + len(self._starts(h)))

    def _starts(self, h: Hypothesis) -> list[Floats]:
        """Return flows to begin with besides those of the survey itself."""
        if self.n > _SMALL or h.mixups:
            return []
        best = self.known.solution(self.known.best) if self.known.evidence else None
        more = [] if best is None or best is self.solution else [best]
        return [self.solution.flow, *(b.flow[: self.problem.n_carriers] for b in more)]

    def _proposed_at(self, at: Hypothesis) -> _Steps[tuple[Screen, Posterior]]:
        """Propose hypotheses where the balances are linearised at one of them."""
        signatures = self.known.linearised_at(at)
        self.seen.add(at)
        self._weigh(
            signatures, [h for h in self.known.balanced if h not in self.known.own or h == at]
        )
        same = self.at_balance if signatures is self.first else equivalent_sets(signatures)
        # whatever is proposed may leave nothing of what the course says: its own balance will tell
        most = self.known.evidence[at] + 0.5 * self.known.said_of(at).distance
        screen = Screen(signatures, same, self.table, self.mixups, at, most, self.known.volumes)
        wrong = candidates(same, self.rate, self.rates)
        posterior = explain(same.correlations, same.statistic, wrong)
        self.proposed.update(screen.scores(posterior))
        if at != NOTHING and self.few:
            # exchanges of so much are too large for linear scores
            every = map(at.and_mixup, self.mixups.of_streams(at.mixups))
            more = [h for h in every if h not in self.known.balanced]
            yield from self._balance(self._affordable(more), signatures, spare=True)
        for h in self.known.evidence:
            self.proposed.drop(h)
        return screen, posterior

    def _next(self) -> Hypothesis:
        """Return a hypothesis at which nothing was proposed yet, else the likeliest."""
        known, best = self.known.evidence, self.known.best
        more = self.n <= _SMALL and bool(self._affordable([best]))
        few = more * (len(best) + (not self._explains(best)))
        fewer = likeliest_of_each_number(known, few, _WIDE)
        return next((h for h in fewer if h not in self.seen and known[h] > -np.inf), best)

    def _balance_beside_exchanges(self) -> _Steps[None]:
        """Balance again each reading beside each exchange, if nothing less explains the survey."""
        less = len(best := self.known.best) <= _FEWEST and self._explains(best)
        if self.few and self.n <= _SMALL and not less:
            pairs = [Hypothesis((i,), (c,)) for c in self.exchanges for i in range(self.n)]
            self.exchanges = []  # tried
            yield from self._balance_more(pairs)

    def _balance_more(self, some: Sequence[Hypothesis]) -> _Steps[None]:
        """Balance some again beyond those that are proposed; only the likely of them are kept."""
        new = [h for h in some if h not in self.known.balanced]
        if sum(map(self._cost, new)) <= self.refitter.work.units - self.refitter.spent:
            self.refitter.careful += 0 if self.refitter.quick else len(new)
            yield from self._balance(new, self.first, spare=self.refitter.quick)
            evidence, least = self.known.evidence, self._top - _FACTOR
            for h in [h for h in new if evidence.get(h, least) < least]:
                self.known.forget(h)

    def _explains(self, h: Hypothesis) -> bool:
        dof = self.solution.classes.degrees_of_freedom - len(h)
        return explained(self.known.objective(h), dof)

    @property
    def _top(self) -> float:
        return max(self.proposed.best, *self.known.evidence.values())

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

    def _balance_all(self, screen: Screen) -> _Steps[None]:
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
                yield from self._balance(some, screen.signatures)
                continue
            top, settled = self._top, self.known.best == screen.at
            unsure = [
                h for h in likeliest(self.known.evidence, top - _FACTOR - _MOVES)
                if h.rows and h not in self.known.own and not (settled and h.holds(screen.at))
            ]  # fmt: skip
            most = min(_OWN, max(3, _OWN_WORK // max(self.n, 1)))
            unsure = unsure[: max(0, most - len(self.known.own))]
            if not unsure:
                return
            self._weigh_each([(self.known.linearised_at(h), [h]) for h in unsure])

    def _likely(self, at: Hypothesis) -> list[Hypothesis]:
        """Return those that were proposed, may be likely and were not balanced, in order."""
        settled, top = at if self.known.best == at else None, self._top
        return self.proposed.likely(top - _FACTOR, top - _EXACT, settled)

    def _balance(
        self, some: Sequence[Hypothesis], signatures: Signatures, *, spare: bool = False
    ) -> _Steps[None]:
        """Balance again and weigh, those with a balance of their own."""
        variants = [self.changes.under(h, signatures) for h in some]
        if self.refitter.quick:  # else each counts as what it took
            self.refitter.spent += sum(self._cost(h) for h in some)
        found: dict[int, Solution | None] = {}
        for mixed in (False, True):
            at = [i for i, h in enumerate(some) if bool(h.mixups) == mixed]
            if at:
                asked = Refits([variants[i] for i in at], spare, self._starts(some[at[0]]))
                part = yield asked
                found |= {at[i]: solution for i, solution in part.items()}
        for i, solution in found.items():
            # without a number the least can be no larger: else it was not found
            most = self.solution.objective * (1.0 + 1e-6) + 1e-6
            worse = solution is not None and not some[i].mixups and solution.objective > most
            none = solution is None or worse or self.changes.all_is_error(solution)
            self.known.balanced[some[i]] = variants[i], None if none else solution
        self._weigh(signatures, [some[i] for i in found])
        for i in found:
            self.proposed.add(self._put_right(some[i]))

    def _balance_alone(self, some: Sequence[Hypothesis], signatures: Signatures) -> _Steps[None]:
        """Balance again single errors, and flows put right of which they say that they are off."""
        yield from self._balance(some, signatures, spare=self.refitter.quick)
        flows = [other for h in some if h in self.known.balanced for other in self._put_right(h)]
        yield from self._balance(self._affordable(flows), signatures)
        if not (self.refitter.quick or self._explains(self.known.best)):  # else they are of those
            yield from self._balance_more(
                [Hypothesis((), (c,)) for c in self.exchanges[:_EXCHANGES]]
            )

    def _put_right(self, h: Hypothesis) -> dict[Hypothesis, float]:
        """Return it with a flow put right: about as likely, its own balance will say how much."""
        solution, found = self.known.solution(h), dict[Hypothesis, float]()
        for other, c in self.changes.put_right(h, solution):
            if other not in self.known.balanced:
                alone = self.mixups[c].log_odds - 0.5 * self.known.objective(h)
                found[other] = max(self.known.evidence[h], alone if len(h) == 1 else -np.inf)
        return found

    def _lower(self, h: Hypothesis) -> bool:
        """Look for a lower minimum of a hypothesis by itself; tell whether there was one."""
        survey, solution = self.known.balanced[h]
        other = self.refitter.by_itself(survey.problem, solution.flow if solution else None)
        if other is None or solution is None or not lower(other, solution):
            return False
        self.known.replace(h, other)
        return True

    def _weigh(self, signatures: Signatures, some: Sequence[Hypothesis]) -> None:
        self._weigh_each([(signatures, some)])

    def _weigh_each(self, parts: Sequence[tuple[Signatures, Sequence[Hypothesis]]]) -> None:
        """Weigh what was balanced again: it is proposed no more."""
        self.known.weigh(parts)
        for _, some in parts:
            for h in some:
                self.proposed.drop(h)
