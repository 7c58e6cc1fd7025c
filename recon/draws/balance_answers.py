"""What a balance answers, one by one: name, value and +- of first order, formula.

The formula gives the same answer of any other flows and grades of the circuit, many side by side.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from oretally.flowsheet import BalanceModel
from oretally.flowsheet.arrays import Floats
from oretally.flowsheet.circuit import Content
from oretally.recon.leach_and_stocks import leach_carriers
from oretally.recon.result import Balance
from oretally.recon.solver import Covariance

__all__ = ["AnswerKind", "BalanceAnswer", "Formula", "answer_name", "answers_of"]

Formula = Callable[[Floats, Floats], Floats]
"""Of flows (n, n_carriers) and grades (n, n_analytes, n_carriers), in base units: n answers."""


class AnswerKind(StrEnum):
    """What an answer is."""

    RECOVERY = "recovery"
    YIELD = "yield"
    RATIO = "ratio of concentration"
    ENRICHMENT = "enrichment"
    EXTRACTION = "extraction"
    TAKEN_UP = "taken up"
    DISSOLVED = "dissolved solids"
    VALUE = "value"


@dataclass(frozen=True, slots=True)
class BalanceAnswer:
    """One answer of a balance.

    Attributes
    ----------
    kind : AnswerKind
    of : str
        Stream; of what happens at a leach its node.
    quantity : str
        Analyte or quantity; empty for yield, ratio of concentration and solids that dissolve.
    unit : str
        Empty for a ratio.
    value, sd : float
        Adjusted, and its sd to first order; the latter None where there is none.
    product : bool
        Whether it is of a reported product, or of a leach.
    formula : Formula
    """

    kind: AnswerKind
    of: str
    quantity: str
    unit: str
    value: float
    sd: float | None
    product: bool
    formula: Formula

    @property
    def name(self) -> str:
        """Return it in a few words."""
        return answer_name(self.kind, self.of, self.quantity)


def answer_name(kind: AnswerKind, of: str, quantity: str = "") -> str:
    """Return an answer in a few words.

    Examples
    --------
    >>> answer_name(AnswerKind.RECOVERY, "conc", "Sn"), answer_name(AnswerKind.YIELD, "conc")
    ("recovery of Sn to 'conc'", "yield of 'conc'")
    """
    return {
        AnswerKind.RECOVERY: f"recovery of {quantity} to '{of}'",
        AnswerKind.YIELD: f"yield of '{of}'",
        AnswerKind.RATIO: f"ratio of concentration of '{of}'",
        AnswerKind.ENRICHMENT: f"enrichment of {quantity} in '{of}'",
        AnswerKind.EXTRACTION: f"extraction of {quantity} at '{of}'",
        AnswerKind.TAKEN_UP: f"share of {quantity} taken up at '{of}'",
        AnswerKind.DISSOLVED: f"share of solids dissolved at '{of}'",
        AnswerKind.VALUE: f"{quantity} of '{of}'",
    }[kind]


def answers_of(
    balance: Balance, model: BalanceModel, covariance: Covariance
) -> tuple[BalanceAnswer, ...]:
    """Return every answer that a balance gives, recoveries first and single values last.

    Parameters
    ----------
    balance : Balance
    model : BalanceModel
        Of its circuit and survey.
    covariance : Covariance
        Of its adjusted values.
    """
    parts = (_recoveries, _separations, _at_leaches, _values)
    return tuple(a for part in parts for a in part(balance, model, covariance))


def _recoveries(
    balance: Balance, model: BalanceModel, covariance: Covariance
) -> Iterator[BalanceAnswer]:
    carriers, analytes = model.carriers, [a.name for a in balance.survey.analytes]
    number = {name: j for j, name in enumerate(carriers.streams)}
    for r in balance.recoveries:
        if r.recovery is None:
            continue
        k = analytes.index(r.analyte)
        to, of = (carriers.whole(k, number[s]) for s in (r.stream, r.of))
        yield BalanceAnswer(
            AnswerKind.RECOVERY, r.stream, r.analyte, r.unit, r.recovery, r.sd, r.product,
            _share(k, [to], [], [of]),
        )  # fmt: skip


def _separations(
    balance: Balance, model: BalanceModel, covariance: Covariance
) -> Iterator[BalanceAnswer]:
    number = {name: j for j, name in enumerate(model.carriers.streams)}
    content = {s.name: s.content for s in balance.circuit.streams}
    for s in balance.separations:
        to, of = number[s.stream], number[s.of]
        if content[s.stream] is Content.SOLUTION:
            continue  # it has no solids to tell a yield of
        if s.yield_percent is not None:
            yield BalanceAnswer(AnswerKind.YIELD, s.stream, "", "%", s.yield_percent, s.yield_sd,
                                True, _share(None, [to], [], [of]))  # fmt: skip
        if s.ratio_of_concentration is not None:
            yield BalanceAnswer(
                AnswerKind.RATIO, s.stream, "", "", s.ratio_of_concentration, s.ratio_sd, True,
                _share(None, [of], [], [to], 1.0),
            )  # fmt: skip
        for k, (name, pair) in enumerate(s.enrichment.items()):
            if pair is not None:
                yield BalanceAnswer(AnswerKind.ENRICHMENT, s.stream, name, "", *pair, True,
                                    _grades(k, to, of))  # fmt: skip


def _at_leaches(
    balance: Balance, model: BalanceModel, covariance: Covariance
) -> Iterator[BalanceAnswer]:
    circuit = balance.circuit
    found = leach_carriers(model, covariance)
    for e in balance.extractions:
        c = found[e.node, e.analyte]
        if e.reconciled is not None:
            yield BalanceAnswer(
                AnswerKind.EXTRACTION, e.node, e.analyte, "%", e.reconciled, e.reconciled_sd, True,
                _share(c.analyte, c.ore_in, c.ore_out, c.ore_in),
            )  # fmt: skip
        if e.taken_up is not None:
            yield BalanceAnswer(
                AnswerKind.TAKEN_UP, e.node, e.analyte, "%", e.taken_up, e.taken_up_sd, True,
                _share(c.analyte, c.takers_out, c.takers_in, [*c.takers_out, *c.liquid_out],
                       below_less=c.takers_in),
            )  # fmt: skip
    number = {name: j for j, name in enumerate(model.carriers.streams)}
    gone = {s.source: s.name for s in circuit.streams if s.content is Content.DISSOLVED}
    for d in balance.dissolutions:
        into = [number[s.name] for s in circuit.streams
                if s.target == d.node and s.content.has_solids and not s.takes_up]  # fmt: skip
        if d.percent is not None:
            yield BalanceAnswer(
                AnswerKind.DISSOLVED, d.node, "", "%", d.percent, d.percent_sd, True,
                _share(None, [number[gone[d.node]]], [], into),
            )  # fmt: skip


def _values(
    balance: Balance, model: BalanceModel, covariance: Covariance
) -> Iterator[BalanceAnswer]:
    survey, known = balance.survey, model.meanings
    at = {(r.stream, r.quantity): r.place for r in model.positions.rows}
    for v in balance.values:
        if v.adjusted is None:
            continue
        m = survey.measured(v.stream, v.quantity)
        unit = known[v.quantity].unit if m is None else m.unit
        k, j = at[v.stream, v.quantity]
        yield BalanceAnswer(
            AnswerKind.VALUE, v.stream, v.quantity, v.unit, v.adjusted, v.adjusted_sd, False,
            _value(k, j, unit.from_base(1.0)),
        )  # fmt: skip


def _value(k: int | None, j: int, size: float) -> Formula:
    def formula(flow: Floats, grade: Floats) -> Floats:
        return np.asarray(size * (flow[:, j] if k is None else grade[:, k, j]))

    return formula


def _grades(k: int, j: int, of: int) -> Formula:
    def formula(flow: Floats, grade: Floats) -> Floats:
        return _over(grade[:, k, j], grade[:, k, of])

    return formula


def _share(
    k: int | None, above: Sequence[int], less: Sequence[int], below: Sequence[int],
    size: float = 100.0, *, below_less: Sequence[int] = (),
) -> Formula:  # fmt: skip
    """Return (above - less) / (below - below_less), amounts in carriers of solids or analyte k."""

    def formula(flow: Floats, grade: Floats) -> Floats:
        def amount(carriers: Sequence[int]) -> Floats:
            F = flow[:, list(carriers)]
            # what carries nothing has no grade, and holds nothing
            held = F if k is None else np.where(F == 0.0, 0.0, F * grade[:, k, list(carriers)])
            return np.asarray(held.sum(axis=1))

        return size * _over(amount(above) - amount(less), amount(below) - amount(below_less))

    return formula


def _over(one: Floats, other: Floats) -> Floats:
    """Return a ratio: infinite over 0, and none where both are 0."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(one / other)
