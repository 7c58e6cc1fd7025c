"""What went in, less what came out and what the stock grew by, as measured over the whole period.

More than 1.96 of its sd is more than the stated errors explain (two-sided, 5 %), as for one survey.
A stock that is handed on within the period counts on neither side; a loss that the case declares
was not measured and is none of it.
"""

from __future__ import annotations

from collections.abc import Iterator

from oretally.flowsheet import Circuit, NodeKind
from oretally.recon.periods.measured import GivenSum
from oretally.recon.periods.rows import Unaccounted
from oretally.recon.periods.totals import Totals
from oretally.recon.propagation import total

__all__ = ["WHOLE", "unaccounted"]

WHOLE = "the whole circuit"
_EXPLAINED = 1.96
_TOLD = 3  # numbers that are missing, told one by one


def unaccounted(totals: Totals) -> tuple[Unaccounted, ...]:
    """Return it for each stockpile and for the whole circuit, and for each quantity.

    Of the whole only analytes: its masses are not all weighed as a rule, and what was not is taken
    by difference.
    """
    rows, shifts = list[Unaccounted](), totals.shifts
    flow = shifts[0].survey.basis.quantity
    piles = dict.fromkeys(n.name for s in shifts for n in s.circuit.nodes
                          if n.kind is NodeKind.STOCKPILE)  # fmt: skip
    for node in piles:
        for quantity in (flow, *totals.analytes):
            rows.append(_row(totals, node, quantity))
    rows += [_row(totals, "", analyte) for analyte in totals.analytes]
    return tuple(rows)


def _row(totals: Totals, node: str, quantity: str) -> Unaccounted:
    """Return the row of a stockpile, or of the whole circuit if none is named."""
    parts, into, missing = list[GivenSum](), list[GivenSum](), list[str]()
    for t, shift in enumerate(totals.shifts):
        for stream, sign in _crossing(totals, t, node):
            # around a pile all is weighed: by difference it would always close
            found = totals.measured.amount(t, stream, quantity, weighed=bool(node))
            if found is None:
                missing.append(f"{quantity} of '{stream}' in '{shift.label}'")
                continue
            parts.append(sign * found)
            if sign > 0.0:
                into.append(found)
    where = node or WHOLE
    if missing or not parts:
        unit = totals.unit_of(quantity, 0.0)
        more = [f"and {len(missing) - _TOLD} more"] if len(missing) > _TOLD else []
        return Unaccounted(where, quantity, unit.symbol, None, None, None, None,
                           (*missing[:_TOLD], *more))  # fmt: skip
    gap, entered = total(parts), total(into).value
    sd = totals.measured.variance(gap) ** 0.5
    gap, sd, entered = gap * totals.hours, sd * totals.hours, entered * totals.hours
    unit = totals.unit_of(quantity, entered)
    return Unaccounted(
        where, quantity, unit.symbol, unit.from_base(gap.value), unit.from_base(sd),
        100.0 * gap.value / entered if entered > 0.0 else None,
        abs(gap.value) <= _EXPLAINED * sd,
    )  # fmt: skip


def _crossing(totals: Totals, t: int, node: str) -> Iterator[tuple[str, float]]:
    """Yield the streams that enter (+1) or leave (-1) in a shift, stocks not handed on included."""
    circuit: Circuit = totals.shifts[t].circuit
    links = totals.joint.coupled.links
    found_before = {link.node for link in links if link.after == t}
    handed_on = {link.node for link in links if link.before == t}
    for s in circuit.streams:
        if s.declared:
            continue
        if s.stock:
            pile, opening = (s.target, True) if s.target else (s.source, False)
            if pile not in (found_before if opening else handed_on) and node in ("", pile):
                yield s.name, 1.0 if opening else -1.0
        elif node and node in (s.source, s.target):
            yield s.name, 1.0 if s.target == node else -1.0
        elif not node and (s.source is None or s.target is None):
            yield s.name, 1.0 if s.source is None else -1.0
