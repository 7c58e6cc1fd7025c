"""What the reader must know of stocks: one that cannot be, and what they do to recoveries."""

from __future__ import annotations

from collections.abc import Sequence

from oretally.flowsheet import BalanceModel, Circuit, NodeKind, Stream, Survey
from oretally.flowsheet.circuit import reference_name
from oretally.flowsheet.digits import format_number, format_with_sd
from oretally.flowsheet.survey import amount_unit
from oretally.recon.answers import total_amount
from oretally.recon.propagation import total
from oretally.recon.result import Inventory, Recovery

__all__ = ["impossible_stocks", "stock_notes"]

_SURE = 1.96  # sd that a stock lies below 0: two-sided, 5 %, as for what is unaccounted for
_APART = 1.0  # percent of the feed's analyte by which a stock changes before it is told


def impossible_stocks(model: BalanceModel) -> tuple[str, ...]:
    """Return which stocks the measurements would put below 0, in whole sentences."""
    circuit, found = model.circuit, list[str]()
    for node in circuit.nodes:
        if node.kind is not NodeKind.STOCKPILE:
            continue
        met = [s for s in circuit.streams if node.name in (s.source, s.target)]
        if any(s.stock for s in met):
            found += _below_nothing(model.survey, node.name, met)
    return tuple(found)


def stock_notes(
    circuit: Circuit, feeds: Sequence[str], *, recoveries: Sequence[Recovery],
    inventories: Sequence[Inventory],
) -> tuple[str, ...]:  # fmt: skip
    """Return that recoveries do not add up to 100 %, because a stock behind a feed changed."""
    behind = circuit.nodes_behind(feeds)
    shares = {(r.stream, r.analyte): r.recovery for r in recoveries}
    notes = []
    for node in dict.fromkeys(i.node for i in inventories if i.node in behind):
        met = [s for s in circuit.streams if node in (s.source, s.target)]
        changes = []
        for i in inventories:
            line = next(line for line in i.lines if line.item == "change")
            own = [shares.get((s.name, i.quantity)) for s in met if s.stock]
            if i.node != node or line.adjusted is None or line.adjusted_sd is None:
                continue
            if len(own) < 2 or None in own:
                continue
            if abs((own[0] or 0.0) - (own[1] or 0.0)) > _APART:
                value, by = format_with_sd(line.adjusted, line.adjusted_sd)
                sign = "+" if line.adjusted > 0.0 else ""
                changes.append(f"{sign}{value} ± {by} {i.unit} of {i.quantity}")
        if changes:
            notes.append(
                f"Recoveries refer to '{reference_name(feeds)}', and the stock of '{node}' behind "
                f"it changed by {', '.join(changes)}: they are shares of what was fed, not of what "
                f"was treated, and do not add up to 100 %. {_mend(circuit, node, behind)}"
            )
    return tuple(notes)


def _below_nothing(survey: Survey, node: str, met: Sequence[Stream]) -> list[str]:
    """Return that what was measured leaves less than nothing for the stock that was not."""
    flows = (survey.basis.quantity, *(["water"] if survey.water else []))
    for quantity in (*flows, *(a.name for a in survey.analytes)):
        known = {s.name: total_amount(survey, [s], quantity) for s in met}
        left = [s for s in met if known[s.name] is None]
        if len(left) != 1 or not left[0].stock:
            continue
        # the opening stock is what is missing below the outlets, the closing one what is left
        sign = 1.0 if left[0].target == node else -1.0
        parts = [((-sign if s.target == node else sign), s.name, known[s.name]) for s in met]
        whole = total(w * amount for w, _, amount in parts if amount is not None)
        sd = float(survey.variance(whole.slopes) ** 0.5)
        if whole.value >= -_SURE * sd:
            continue
        amounts = [amount.value for _, _, amount in parts if amount is not None]
        unit = amount_unit(survey, quantity, max(map(abs, amounts)))
        if quantity in flows:
            own = [survey.measured(s.name, quantity) for s in met]
            unit = next((m.unit for m in own if m is not None), unit)
        terms = [
            f"{'+' if w > 0.0 else '-'} {format_number(unit.from_base(amount.value))} ('{name}')"
            for w, name, amount in sorted(parts, key=lambda part: -part[0])
            if amount is not None and amount.value != 0.0
        ]
        of = "" if quantity == survey.basis.quantity else f" of {quantity}"
        size = " ± ".join(format_with_sd(unit.from_base(whole.value), unit.from_base(sd)))
        return [
            f"What was measured leaves {size} {unit}{of} for the {left[0].name}: "
            f"{' '.join(terms).removeprefix('+ ')}. No stock is below 0: one of these is wrong, or "
            "a stream is missing in the circuit. The balance had to move all of them: do not rely "
            "on it."
        ]
    return []


def _mend(circuit: Circuit, node: str, behind: frozenset[str]) -> str:
    """Return to which stream recoveries may refer instead."""
    out = [s for s in circuit.streams if s.source == node and not s.stock]
    into = [s for s in circuit.streams if s.target == node and not s.stock]
    treated = [s.name for s in out if s.target is not None]
    if len(treated) == 1:
        return (f"For shares of what was treated, write feed = \"{treated[0]}\" under [report]: "
                f"the stream behind '{node}'.")  # fmt: skip
    made = [s.name for s in into if s.source in behind]
    if not treated and made:
        return (f"For shares of what was made, name {', '.join(map(repr, made))} among the "
                f"products under [report]: what goes to '{node}'.")  # fmt: skip
    return f"For shares of what was treated, sum what leaves '{node}'."
