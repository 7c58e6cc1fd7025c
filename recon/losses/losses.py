"""Where an analyte is lost, in which sizes, what the numbers support, and which test would tell.

Each lost product (see `oretally.recon.losses.kept_and_lost`) is read against its own whole and
against the head: its coarse end, which holds about a fifth of its solids, and its finest class.

A grade differs from another if their ratio is off 1 by more than its sd times the limit of
`oretally.recon.propagation.significance.sidak_limit`. To read a loss by its ends of size is common
practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from oretally.flowsheet import Fault, InputError
from oretally.flowsheet.faults import nearest_name
from oretally.recon.answers import Answers
from oretally.recon.losses.deciding_test import (
    ALPHA,
    AssayError,
    deciding_test,
    grind_half,
    screen,
    split_finest,
    treat_again,
)
from oretally.recon.losses.grade_recovery import grade_recovery_curves
from oretally.recon.losses.kept_and_lost import LossValues
from oretally.recon.losses.missing_assay import missing_assay
from oretally.recon.losses.recovery_by_class import nodes_that_change_sizes, recovery_by_class
from oretally.recon.propagation import (
    Adjusted,
    adjusted,
    amount_at,
    joint_estimate,
    sidak_limit,
    total,
)
from oretally.recon.result import (
    COARSE_SHARE,
    LEAST_SHARE,
    DecidingTest,
    End,
    Estimate,
    KeptShare,
    Loss,
    LossEnd,
    Losses,
    LossPart,
    RecoveryBySize,
    Standing,
    TestKind,
)
from oretally.recon.sizes import SizePart, size_parts, size_recoveries

__all__ = ["MUCH_SHARE", "losses_of"]

MUCH_SHARE = 0.20
"""Share of a loss that a class between the ends must hold to be named. Our own choice."""


def losses_of(answers: Answers, lost: Sequence[str] | None = None) -> Losses:
    """Return where each analyte is lost.

    Parameters
    ----------
    answers : Answers
    lost : sequence of str, optional
        Products that are lost; by default all but the richest.

    Raises
    ------
    InputError
        If ``lost`` names what is no product, or leaves none.
    """
    if lost is not None:
        _check([answers.streams[j] for j in answers.products], lost)
    values = LossValues(answers)
    found, read, not_read = list[Loss](), dict[int, list[int]](), list[str]()
    every = dict[int, list[int]]()  # kept products, also of recoveries that are open
    recovered, by_size = list[KeptShare](), list[RecoveryBySize]()
    for k, analyte in enumerate(answers.model.survey.analytes):
        kept = values.kept(k, lost)
        if not kept:
            not_read += [analyte.name] if values.several(k) else []
            continue
        every[k] = kept
        share = values.estimate(values.share(k, kept))
        if share is not None and share[1] > max(share[0], 1.0):
            continue  # with an sd beyond all that is fed nothing is told
        rows = [_Reading(values, k, j, kept).loss() for j in values.products(k) if j not in kept]
        read[k] = values.products(k)
        classes = recovery_by_class(values, k, kept)
        by_size += [classes] if classes is not None else []
        if share is not None:
            names = tuple(answers.streams[j] for j in kept)
            percent = 100.0 * share[0], 100.0 * share[1]
            recovered.append(KeptShare(analyte.name, names, answers.reference, percent))
        some = [row for row in rows if row is not None and row.percent[0] > 0.0]
        found += sorted(some, key=lambda row: -row.percent[0])
    return Losses(
        tuple(found), tuple(not_read), size_recoveries(answers.model, answers.covariance),
        grade_recovery_curves(answers, read), tuple(lost or ()), tuple(recovered),
        tuple(by_size), nodes_that_change_sizes(values), missing_assay(values, every),
    )  # fmt: skip


def _check(products: Sequence[str], lost: Sequence[str]) -> None:
    faults = []
    for name in lost:
        if name not in products:
            near = nearest_name(name, products)
            mend = f"Did you mean '{near}'?" if near else f"Products: {', '.join(products)}."
            faults.append(Fault(f"'{name}' is given as lost, but is no product.", mend))
    if not faults and set(products) <= set(lost):
        faults.append(Fault("Every product is given as lost.", "Leave out those that are kept."))
    if faults:
        raise InputError(faults)


def _richer_between(parts: Sequence[LossPart], ends: Sequence[LossEnd]) -> tuple[LossPart, ...]:
    """Return the classes between the ends that hold much of a loss and are richer than its whole.

    Beyond chance, as many classes as are there looked at together.
    """
    at = {end.end: end.part for end in ends}
    if len(at) < len(End):
        return ()
    low, high = at[End.FINE].passed_um, at[End.COARSE].retained_um
    between = [p for p in parts if low <= p.retained_um and p.passed_um <= high]
    return tuple(
        p for p in between
        if p.of_loss is not None and p.of_loss[0] > 100.0 * MUCH_SHARE
        and p.against_loss is not None
        and _standing(p.against_loss, len(between)) is Standing.RICHER
    )  # fmt: skip


def _standing(ratio: Estimate, looked_at: int = 2) -> Standing:
    """Return how a grade stands to another, from their ratio, as one of several; of two ends."""
    value, sd = ratio
    reach = sidak_limit(ALPHA, looked_at) * sd
    if not sd > 0.0 or abs(value - 1.0) <= reach:
        return Standing.LIKE
    return Standing.RICHER if value > 1.0 else Standing.POORER


@dataclass(frozen=True)
class _Reading:
    """Reads the loss of one analyte in one product; numbers in base units."""

    values: LossValues
    k: int
    j: int
    kept: Sequence[int]

    def loss(self) -> Loss | None:
        """Return the loss; None if its share is not known."""
        values, k, j = self.values, self.k, self.j
        answers, analyte = values.answers, values.model.survey.analytes[k]
        share = values.estimate(values.share(k, [j]))
        if share is None:
            return None
        parts = size_parts(values.model, values.covariance, k=k, stream=j)
        rows, ends = tuple(self._part([part]) for part in parts), tuple(self._ends(parts))
        return Loss(
            stream=answers.streams[j], analyte=analyte.name, unit=analyte.unit.symbol,
            of=answers.reference, kept=tuple(answers.streams[i] for i in self.kept),
            percent=(100.0 * share[0], 100.0 * share[1]),
            in_solution=self._in_solution(), grade=self._shown(values.at(k, j)),
            sieved=self._cut(values.class_flows(j))
            is not None,
            parts=rows, ends=ends, between=_richer_between(rows, ends),
            tests=tuple(self._tests(parts, ends)) if values.solids(j) else (),
        )  # fmt: skip

    def _in_solution(self) -> Estimate | None:
        """Return what share of the feed's analyte the solution of the product has, in percent."""
        carriers, answers = self.values.model.carriers, self.values.answers
        water = carriers.water.get(self.j)
        if self.k not in carriers.dissolved or water is None:
            return None
        held = amount_at(answers.covariance, self.k, water)
        return self.values.estimate(100.0 * (held / answers.fed(self.k)))

    def _shown(self, grade: Adjusted) -> Estimate | None:
        """Return a grade in the analyte's unit."""
        found, unit = self.values.estimate(grade), self.values.model.survey.analytes[self.k].unit
        return None if found is None else (unit.from_base(found[0]), unit.from_base(found[1]))

    def _part(self, parts: Sequence[SizePart]) -> LossPart:
        """Return neighbouring parts of the product as one."""
        values, k = self.values, self.k
        run = (parts[0].run[0], parts[-1].run[1])
        low, high = values.model.survey.sizes.bounds(run)
        mass, answers = self._mass(parts), values.answers
        solids = values.estimate(100.0 * (mass / values.at(None, self.j)))
        label = values.model.survey.sizes.label(run)
        if not all(p.known for p in parts):
            return LossPart(label, low, high, solids, None, None, None, None, None)

        grade = self._grade(parts)
        metal = mass * grade
        of_loss, of_feed, against_loss, against_head = (
            values.estimate(part / whole) for part, whole in (
                (100.0 * metal, amount_at(values.covariance, k, self.j)),
                (100.0 * metal, answers.fed(k)),
                (grade, values.at(k, self.j)),
                (grade, answers.head(k)),
            )
        )  # fmt: skip
        return LossPart(
            label, low, high, solids, self._shown(grade), of_loss, of_feed, against_loss,
            against_head if values.solid_head else None,
        )  # fmt: skip

    def _cut(self, parts: Sequence[Adjusted]) -> int | None:
        """Return how many of the coarsest flows make the coarse end; None if none can."""
        flows = [part.value for part in parts]
        if len(flows) < 2 or not np.isfinite(flows).all() or sum(flows) <= 0.0:
            return None
        above = np.cumsum(flows)[:-1] / sum(flows)
        return int(np.argmin(np.abs(above - COARSE_SHARE))) + 1

    def _mass(self, parts: Sequence[SizePart]) -> Adjusted:
        return total(adjusted(self.values.covariance, p.flow) for p in parts)

    def _grade(self, parts: Sequence[SizePart]) -> Adjusted:
        """Return the grade of several parts together."""
        held = (amount_at(self.values.covariance, self.k, p.flow.carrier) for p in parts)
        return total(held) / self._mass(parts)

    def _coarse(self, parts: Sequence[SizePart]) -> Sequence[SizePart]:
        cut = self._cut([adjusted(self.values.covariance, part.flow) for part in parts])
        return parts[:cut] if cut is not None else []

    def _ends(self, parts: Sequence[SizePart]) -> list[LossEnd]:
        """Return the coarse and the fine end of a product, where they are known."""
        coarse, found = self._coarse(parts), []
        for end, some in ((End.COARSE, coarse), (End.FINE, parts[-1:] if coarse else [])):
            part = self._part(some) if some else None
            if part is None or part.against_loss is None or part.of_loss is None:
                continue
            standing = _standing(part.against_loss)
            matters = standing is Standing.RICHER and part.of_loss[0] >= 100.0 * LEAST_SHARE
            head = None if part.against_head is None else _standing(part.against_head)
            found.append(LossEnd(end, part, standing, head, matters))
        return found

    def _tests(self, parts: Sequence[SizePart], ends: Sequence[LossEnd]) -> list[DecidingTest]:
        """Return the tests that would tell why, the one for the greater loss first."""
        if not ends:
            return [test for test in [self._screen()] if test is not None]
        worth = [end for end in ends if end.matters]
        worth.sort(key=lambda end: -end.part.of_loss[0] if end.part.of_loss else 0.0)
        tests = [
            self._grind(parts) if end.end is End.COARSE else self._split(parts) for end in worth
        ]
        return [test for test in tests or [self._again()] if test is not None]

    def _errors(self, test: TestKind) -> AssayError:
        values = self.values
        return AssayError.of(values.stated, self.k, values.answers.streams[self.j], test=test)

    def _grind(self, parts: Sequence[SizePart]) -> DecidingTest | None:
        coarse = self._coarse(parts)
        share = self.values.share(self.k, self.kept)
        found = joint_estimate(self.values.covariance, [self._grade(coarse), share])
        if found is None:
            return None
        run, sizes = (coarse[0].run[0], coarse[-1].run[1]), self.values.model.survey.sizes
        return deciding_test(
            TestKind.GRIND_HALF, grind_half(*found), self._errors(TestKind.GRIND_HALF),
            unit=self.values.model.survey.analytes[self.k].unit, part=sizes.label(run),
            opening_um=sizes.bounds(run)[0],
        )  # fmt: skip

    def _split(self, parts: Sequence[SizePart]) -> DecidingTest | None:
        if not parts[-2].known:
            return None
        grades = [adjusted(self.values.covariance, part.grade) for part in parts[:-3:-1]]
        found = joint_estimate(self.values.covariance, grades)
        if found is None:
            return None
        return deciding_test(
            TestKind.SPLIT_FINEST, split_finest(*found), self._errors(TestKind.SPLIT_FINEST),
            unit=self.values.model.survey.analytes[self.k].unit,
            part=self.values.model.survey.sizes.label(parts[-1].run),
        )  # fmt: skip

    def _again(self) -> DecidingTest | None:
        share = self.values.share(self.k, self.kept)
        found = joint_estimate(self.values.covariance, [self.values.at(self.k, self.j), share])
        if found is None:
            return None
        unit = self.values.model.survey.analytes[self.k].unit
        errors = self._errors(TestKind.TREAT_AGAIN)
        return deciding_test(TestKind.TREAT_AGAIN, treat_again(*found), errors, unit=unit)

    def _screen(self) -> DecidingTest | None:
        """Return the screening of a product that was not sieved, or not assayed by size."""
        values, k, sizes = self.values, self.k, self.values.model.survey.sizes
        if not values.solid_head:
            return None
        head = values.answers.head(k)
        flows = values.class_flows(self.j)
        cut = self._cut(flows)
        on = total(flows[:cut]) / total(flows) if cut else COARSE_SHARE + 0.0 * head
        found = joint_estimate(values.covariance, [values.at(k, self.j), head, on])
        if found is None:
            return None
        return deciding_test(
            TestKind.SCREEN, screen(*found), self._errors(TestKind.SCREEN),
            unit=values.model.survey.analytes[k].unit,
            opening_um=None if cut is None else sizes.bounds(values.classes(self.j)[cut - 1])[0],
            coarse_percent=100.0 * float(found[0][2]),
        )  # fmt: skip
