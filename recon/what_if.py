"""What the answers would be with a measurement left out, changed or added."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from oretally.flowsheet import Measurement, Unit
from oretally.flowsheet.survey import meanings
from oretally.recon.result import Balance, Recovery, RecoveryChange, ValueChange, WhatIf

__all__ = ["impossible", "otherwise"]


_Name = tuple[str, str]  # stream and quantity


def otherwise(now: Balance, then: Balance, changes: Sequence[str]) -> WhatIf:
    """Put two balances of one circuit side by side."""
    if not then.converged:
        return impossible(
            now, f"The search for it ended without a balance: {then.status}.", changes
        )
    if not now.converged:  # no answers stand beside none
        return WhatIf(tuple(changes), True, "", now.global_test, then.global_test)
    other: dict[tuple[str, str], Recovery] = {(r.stream, r.analyte): r for r in then.recoveries}
    rows = []
    for r in now.recoveries:
        o = other.get((r.stream, r.analyte))
        if r.product:
            found = (None, None) if o is None else (o.recovery, o.sd)
            rows.append(RecoveryChange(r.stream, r.analyte, r.recovery, r.sd, *found))
    return WhatIf(
        tuple(changes), True, "", now.global_test, then.global_test, tuple(rows),
        tuple(_values(now, then)),
    )  # fmt: skip


def impossible(now: Balance, status: str, changes: Sequence[str]) -> WhatIf:
    """Return a balance beside changes from which no balance follows."""
    return WhatIf(tuple(changes), False, status, now.global_test, None)


def _values(now: Balance, then: Balance) -> list[ValueChange]:
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
            ValueChange(
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
