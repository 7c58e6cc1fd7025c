"""What a balance answers, one by one: name, value and +- of first order, formula.

The formula gives the same answer of any other flows and grades of the circuit, many side by side.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np

from oretally.flowsheet import BalanceModel
from oretally.flowsheet.arrays import Floats
from oretally.flowsheet.circuit import Content
from oretally.recon.leach_and_stocks import leach_carriers
from oretally.recon.result import AnswerKind, Balance, BalanceAnswer
from oretally.recon.solver import Covariance

__all__ = ["Formula", "answers_of"]

Formula = Callable[[Floats, Floats], Floats]
"""Of flows (n, n_carriers) and grades (n, n_analytes, n_carriers), in base units: n answers."""
_Found = tuple[BalanceAnswer, Formula]


def answers_of(balance: Balance, model: BalanceModel, covariance: Covariance) -> tuple[_Found, ...]:
    """Return every answer that a balance gives, with its formula; recoveries first.

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


def _recoveries(balance: Balance, model: BalanceModel, covariance: Covariance) -> Iterator[_Found]:
    carriers, analytes = model.carriers, [a.name for a in balance.survey.analytes]
    number = {name: j for j, name in enumerate(carriers.streams)}
    for r in balance.recoveries:
        if r.recovery is None:
            continue
        k = analytes.index(r.analyte)
        to = carriers.whole(k, number[r.stream])
        of = carriers.wholes(k, [number[s] for s in balance.feeds])
        yield (
            BalanceAnswer(
                AnswerKind.RECOVERY, r.stream, r.analyte, r.unit, r.recovery, r.sd, r.product
            ),
            _share(k, [to], [], of),
        )


def _separations(balance: Balance, model: BalanceModel, covariance: Covariance) -> Iterator[_Found]:
    number = {name: j for j, name in enumerate(model.carriers.streams)}
    content = {s.name: s.content for s in balance.circuit.streams}
    of = model.carriers.wholes(None, [number[name] for name in balance.feeds])
    for s in balance.separations:
        to = number[s.stream]
        if content[s.stream] is Content.SOLUTION:
            continue  # it has no solids to tell a yield of
        if s.yield_percent is not None:
            yield (
                BalanceAnswer(
                    AnswerKind.YIELD, s.stream, "", "%", s.yield_percent, s.yield_sd, True
                ),
                _share(None, [to], [], of),
            )
        if s.ratio_of_concentration is not None:
            yield (
                BalanceAnswer(
                    AnswerKind.RATIO, s.stream, "", "", s.ratio_of_concentration, s.ratio_sd, True
                ),
                _share(None, of, [], [to], 1.0),
            )
        for k, (name, pair) in enumerate(s.enrichment.items()):
            if pair is not None:
                yield (
                    BalanceAnswer(AnswerKind.ENRICHMENT, s.stream, name, "", *pair, True),
                    _grades(k, to, of),
                )


def _at_leaches(balance: Balance, model: BalanceModel, covariance: Covariance) -> Iterator[_Found]:
    circuit = balance.circuit
    found = leach_carriers(model, covariance)
    for e in balance.extractions:
        c = found[e.node, e.analyte]
        if e.reconciled is not None:
            yield (
                BalanceAnswer(
                    AnswerKind.EXTRACTION,
                    e.node,
                    e.analyte,
                    "%",
                    e.reconciled,
                    e.reconciled_sd,
                    True,
                ),
                _share(c.analyte, c.ore_in, c.ore_out, c.ore_in),
            )
        if e.taken_up is not None:
            yield BalanceAnswer(
                AnswerKind.TAKEN_UP, e.node, e.analyte, "%", e.taken_up, e.taken_up_sd, True
            ), _share(c.analyte, c.takers_out, c.takers_in, [*c.takers_out, *c.liquid_out],
                      below_less=c.takers_in)  # fmt: skip
    number = {name: j for j, name in enumerate(model.carriers.streams)}
    gone = {s.source: s.name for s in circuit.streams if s.content is Content.DISSOLVED}
    for d in balance.dissolutions:
        into = [number[s.name] for s in circuit.streams
                if s.target == d.node and s.content.has_solids and not s.takes_up]  # fmt: skip
        if d.percent is not None:
            yield (
                BalanceAnswer(AnswerKind.DISSOLVED, d.node, "", "%", d.percent, d.percent_sd, True),
                _share(None, [number[gone[d.node]]], [], into),
            )


def _values(balance: Balance, model: BalanceModel, covariance: Covariance) -> Iterator[_Found]:
    survey, known = balance.survey, model.meanings
    at = {(r.stream, r.quantity): r.place for r in model.positions.rows}
    for v in balance.values:
        if v.adjusted is None:
            continue
        m = survey.measured(v.stream, v.quantity)
        unit = known[v.quantity].unit if m is None else m.unit
        k, j = at[v.stream, v.quantity]
        yield (
            BalanceAnswer(
                AnswerKind.VALUE, v.stream, v.quantity, v.unit, v.adjusted, v.adjusted_sd, False
            ),
            _value(k, j, unit.from_base(1.0)),
        )


def _value(k: int | None, j: int, size: float) -> Formula:
    def formula(flow: Floats, grade: Floats) -> Floats:
        return np.asarray(size * (flow[:, j] if k is None else grade[:, k, j]))

    return formula


def _grades(k: int, j: int, of: Sequence[int]) -> Formula:
    """Return the grade of a stream over that of several together."""
    metal, mass = _amount(k, of), _amount(None, of)

    def formula(flow: Floats, grade: Floats) -> Floats:
        if len(of) == 1:
            return _over(grade[:, k, j], grade[:, k, of[0]])
        return _over(grade[:, k, j], _over(metal(flow, grade), mass(flow, grade)))

    return formula


def _share(
    k: int | None, above: Sequence[int], less: Sequence[int], below: Sequence[int],
    size: float = 100.0, *, below_less: Sequence[int] = (),
) -> Formula:  # fmt: skip
    """Return (above - less) / (below - below_less), amounts in carriers of solids or analyte k."""
    amounts = [_amount(k, carriers) for carriers in (above, less, below, below_less)]

    def formula(flow: Floats, grade: Floats) -> Floats:
        plus, minus, whole, without = (amount(flow, grade) for amount in amounts)
        return size * _over(plus - minus, whole - without)

    return formula


def _amount(k: int | None, carriers: Sequence[int]) -> Formula:
    """Return what carriers have together, of solids or of analyte k."""

    def formula(flow: Floats, grade: Floats) -> Floats:
        F = flow[:, list(carriers)]
        # what carries nothing has no grade, and holds nothing
        held = F if k is None else np.where(F == 0.0, 0.0, F * grade[:, k, list(carriers)])
        return np.asarray(held.sum(axis=1))

    return formula


def _over(one: Floats, other: Floats) -> Floats:
    """Return a ratio: infinite over 0, and none where both are 0."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(one / other)
