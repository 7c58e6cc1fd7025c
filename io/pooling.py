"""Replicates: rows of one stream and quantity become one measurement; what is odd is noted."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from statistics import stdev

from oretally.flowsheet import Measurement
from oretally.recon.replicates import Outlier, grubbs

__all__ = ["pooled_replicates"]

_SPREAD_P = 0.01  # replicates that spread more than this are noted: chance under their errors
_FEWEST = 3  # readings of which one can lie apart


def pooled_replicates(found: Sequence[Measurement]) -> tuple[list[Measurement], list[str]]:
    """Return one measurement for each stream and quantity, and notes on replicates.

    The mean, weighted by 1/sd^2, has the sd 1/sqrt(sum 1/sd^2). Noted are replicates that spread
    more than their stated errors allow, with their own sd and its degrees of freedom, and one that
    lies apart from the others (Grubbs, two-sided, 5 %); none is left out.
    """
    groups: dict[tuple[str, str], list[Measurement]] = defaultdict(list)
    for m in found:
        groups[m.stream, m.quantity].append(m)
    pooled, notes = [], []
    for members in groups.values():
        if len(members) == 1:
            pooled.append(members[0])
            continue
        unit = members[0].unit
        values = [unit.from_base(m.value_base) for m in members]
        sds = [unit.from_base(m.sd_base) for m in members]
        weights = [sd**-2.0 for sd in sds]
        total = sum(weights)
        mean = sum(w * v for w, v in zip(weights, values, strict=True)) / total
        spread = sum(((v - mean) / sd) ** 2 for v, sd in zip(values, sds, strict=True))
        first = members[0]
        note = f"mean of {len(members)} replicates"
        pooled.append(
            Measurement(
                first.stream, first.quantity, mean, unit, total**-0.5, first.error_source,
                "; ".join(filter(None, (note, *dict.fromkeys(m.note for m in members)))),
                first.place,
            )
        )  # fmt: skip
        listed = ", ".join(f"{v:g}" for v in values)
        name = f"{first.quantity} of '{first.stream}' ({listed} {unit})"
        p = _chi_square_tail(spread, len(members) - 1)
        if p < _SPREAD_P:
            own = stdev(values)
            notes.append(
                f"The replicates of {name} spread more than their stated errors allow (chi-square "
                f"{spread:.1f} on {len(members) - 1}, p {p:.2g}); their own sd is {own:.2g} {unit} "
                f"on {len(members) - 1} degrees of freedom."
            )
        apart = _lying_apart(values)
        if apart is not None:
            notes.append(
                f"Of the replicates of {name} {apart.value:g} lies apart from the others (Grubbs "
                f"{apart.statistic:.2f}, limit {apart.critical:.2f}); it was not left out."
            )
    return pooled, notes


def _lying_apart(values: Sequence[float]) -> Outlier | None:
    """Return the reading that lies apart, if one does; three of which two are equal say nothing."""
    if len(values) < _FEWEST or (len(values) == _FEWEST and len(set(values)) < _FEWEST):
        return None
    found = grubbs(values)
    return found if found.flagged else None


def _chi_square_tail(value: float, dof: int) -> float:
    from scipy.special import chdtrc

    return float(chdtrc(dof, value))
