"""What the answers would be with a measurement left out, changed or added."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from oretally.flowsheet import Measurement, Survey, Unit
from oretally.flowsheet.quantities import meanings
from oretally.recon.balance import Balance, GlobalTest, Recovery

__all__ = [
    "Otherwise",
    "RecoveryOtherwise",
    "ValueOtherwise",
    "impossible",
    "otherwise",
    "with_measurement",
    "without_measurement",
]


_Name = tuple[str, str]  # stream and quantity


@dataclass(frozen=True, slots=True)
class RecoveryOtherwise:
    """A recovery as it is, and as it would be; in percent, None where it is not determined."""

    stream: str
    analyte: str
    recovery: float | None
    sd: float | None
    otherwise: float | None
    otherwise_sd: float | None

    @property
    def change(self) -> float | None:
        """Otherwise minus as it is, in percentage points."""
        return _difference(self.otherwise, self.recovery)


@dataclass(frozen=True, slots=True)
class ValueOtherwise:
    """An adjusted value as it is, and as it would be; None where it is not determined.

    Attributes
    ----------
    unit : str
        Of all numbers: that of the balance as it is.
    changed : bool
        Whether the measurement itself was left out, changed or added.
    """

    stream: str
    quantity: str
    unit: str
    adjusted: float | None
    sd: float | None
    otherwise: float | None
    otherwise_sd: float | None
    changed: bool

    @property
    def change(self) -> float | None:
        """Otherwise minus as it is, in ``unit``."""
        return _difference(self.otherwise, self.adjusted)


@dataclass(frozen=True, slots=True)
class Otherwise:
    """A balance beside another one with some measurements left out, changed or added.

    Attributes
    ----------
    changes : tuple of str
        What is different, in words.
    converged : bool
        Whether the other one is a balance.
    status : str
        Why it is none, in sentences; empty if it is one.
    now : GlobalTest
        Of the balance as it is.
    test : GlobalTest or None
        Of the other one; None if it is no balance.
    recoveries : tuple of RecoveryOtherwise
        To the products.
    values : tuple of ValueOtherwise
        All values of both.
    """

    changes: tuple[str, ...]
    converged: bool
    status: str
    now: GlobalTest
    test: GlobalTest | None
    recoveries: tuple[RecoveryOtherwise, ...] = ()
    values: tuple[ValueOtherwise, ...] = ()


def without_measurement(survey: Survey, stream: str, quantity: str) -> Survey:
    """Return the survey without a measurement, and without its part in shared sources."""
    kept = tuple(
        m for m in survey.measurements if (m.stream, m.quantity) != (stream, quantity)
    )  # fmt: skip
    shared = []
    for s in survey.shared:
        loadings = {
            name: size
            for name, size in s.loadings.items()
            if (name, s.quantity) != (stream, quantity)
        }
        if loadings:
            shared.append(replace(s, loadings=loadings))
    return replace(survey, measurements=kept, shared=tuple(shared))


def with_measurement(survey: Survey, measurement: Measurement) -> Survey:
    """Return the survey with a measurement, in place of one of the same stream and quantity.

    It shares no source of error with others: its sd is all of its error.
    """
    rest = without_measurement(survey, measurement.stream, measurement.quantity)
    at = next(
        (
            i
            for i, m in enumerate(survey.measurements)
            if (m.stream, m.quantity) == (measurement.stream, measurement.quantity)
        ),
        len(rest.measurements),
    )
    kept = list(rest.measurements)
    return replace(rest, measurements=(*kept[:at], measurement, *kept[at:]))


def otherwise(now: Balance, then: Balance, changes: Sequence[str]) -> Otherwise:
    """Put two balances of one circuit side by side."""
    if not then.converged:
        return impossible(
            now, f"The search for it ended without a balance: {then.status}.", changes
        )
    if not now.converged:  # no answers stand beside none
        return Otherwise(tuple(changes), True, "", now.global_test, then.global_test)
    other: dict[tuple[str, str], Recovery] = {(r.stream, r.analyte): r for r in then.recoveries}
    rows = []
    for r in now.recoveries:
        o = other.get((r.stream, r.analyte))
        if r.product:
            found = (None, None) if o is None else (o.recovery, o.sd)
            rows.append(RecoveryOtherwise(r.stream, r.analyte, r.recovery, r.sd, *found))
    return Otherwise(
        tuple(changes), True, "", now.global_test, then.global_test, tuple(rows),
        tuple(_values(now, then)),
    )  # fmt: skip


def impossible(now: Balance, status: str, changes: Sequence[str]) -> Otherwise:
    """Return a balance beside changes from which no balance follows."""
    return Otherwise(tuple(changes), False, status, now.global_test, None)


def _values(now: Balance, then: Balance) -> list[ValueOtherwise]:
    """Return the values of both, in the units of the balance as it is."""
    mine = {(v.stream, v.quantity): v for v in now.values}
    other = {(v.stream, v.quantity): v for v in then.values}
    before = {(m.stream, m.quantity): m for m in now.survey.measurements}
    after = {(m.stream, m.quantity): m for m in then.survey.measurements}
    known = {quantity: meaning.unit for quantity, meaning in meanings(now.survey).items()}

    def unit_of(name: _Name, measured: Mapping[_Name, Measurement]) -> Unit:
        return measured[name].unit if name in measured else known[name[1]]

    rows = []
    for name in dict.fromkeys((*mine, *other)):
        a, b = mine.get(name), other.get(name)
        unit, written = unit_of(name, before), unit_of(name, after)
        then_value, then_sd = (
            None if x is None else unit.from_base(written.to_base(x))
            for x in ((None, None) if b is None else (b.adjusted, b.adjusted_sd))
        )
        rows.append(
            ValueOtherwise(
                stream=name[0],
                quantity=name[1],
                unit=unit.symbol,
                adjusted=None if a is None else a.adjusted,
                sd=None if a is None else a.adjusted_sd,
                otherwise=then_value,
                otherwise_sd=then_sd,
                changed=before.get(name) != after.get(name),
            )
        )
    return rows


def _difference(then: float | None, now: float | None) -> float | None:
    return None if then is None or now is None else then - now
