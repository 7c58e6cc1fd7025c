"""Replicates: rows of one stream and quantity become one measurement; what is odd is noted."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean, stdev
from typing import NamedTuple

import oretally.recon.laboratory as laboratory
from oretally.flowsheet import Dimension, Fault, Measurement, Place, Unit
from oretally.flowsheet.survey import DETECTION_LIMIT, RANGE_LIMIT, SizeRule, uniform_ends
from oretally.io.files import Cell, row_names

__all__ = ["Reading", "pooled_replicates"]

_SPREAD_P = 0.01  # replicates that spread more than this are noted: chance under their errors
_EXCLUDED_P = 1e-6  # chance below which stated errors do not explain a spread at all
_TIMES = 3.0  # the least reading, below which the largest may be of the same thing
_WEIGHTS = (Dimension.MASS, Dimension.RATE)
_FEWEST = 3  # readings of which one can lie apart
_OUTSIDE = 2.0  # of their sd that readings lie outside a bound before it is said
_DIXON_MOST = 10  # readings up to which Dixon's Q is tabulated


class Reading(NamedTuple):
    """One number with its stated error; a tuple, because a large table has a million of them.

    Attributes
    ----------
    stream, quantity : str
    value, sd : float
        In ``unit``.
    unit : Unit
    error_source, note : str
        As in a `Measurement`.
    cell : Cell
        Where it was written.
    rule : SizeRule or None
        What states its error at any level; None where its sd stands for every level.
    """

    stream: str
    quantity: str
    value: float
    unit: Unit
    sd: float
    error_source: str
    note: str
    cell: Cell
    rule: SizeRule | None

    @property
    def place(self) -> Place:
        """Address of the number, with stream and quantity."""
        return self.cell.place_of(self.stream, self.quantity)

    @property
    def bounded(self) -> bool:
        """As of a `Measurement`."""
        return self.error_source in (DETECTION_LIMIT, RANGE_LIMIT)

    @property
    def measurement(self) -> Measurement:
        """The reading as the one measurement of its stream and quantity."""
        return Measurement(
            self.stream, self.quantity, self.value, self.unit, self.sd, self.error_source,
            self.note, self.place,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Replicates:
    """Readings of one stream and quantity, two or more.

    Attributes
    ----------
    members : sequence of Reading
    values : tuple of float
        In the unit of the first, as is all else.
    level : LevelMean
    """

    members: Sequence[Reading]
    values: tuple[float, ...]
    level: laboratory.LevelMean

    @classmethod
    def of(cls, members: Sequence[Reading]) -> _Replicates:
        """Return the readings with their mean, and their errors at it."""
        unit = members[0].unit
        values = tuple(_converted(m.value, m.unit, unit) for m in members)

        def sds_at(level: float) -> list[float]:
            return [m.rule.sd(level, unit) if m.rule else _converted(m.sd, m.unit, unit)
                    for m in members]  # fmt: skip

        return cls(members, values, laboratory.mean_at_level(values, sds_at))

    @property
    def unit(self) -> Unit:
        """Unit of the first."""
        return self.members[0].unit

    @property
    def measurement(self) -> Measurement:
        """The mean as one measurement."""
        first = self.members[0]
        kind = "mean" if self.level.plain else "weighted mean"
        note = f"{kind} of {len(self.members)} replicates"
        return Measurement(
            first.stream, first.quantity, self.level.mean, first.unit, self.level.sd,
            first.error_source,
            "; ".join(filter(None, (note, *dict.fromkeys(m.note for m in self.members)))),
            first.place, readings=len(self.members),
        )  # fmt: skip

    @property
    def chi_square(self) -> float:
        """Sum of squared distances from the mean, in units of stated errors."""
        pairs = zip(self.values, self.level.sds, strict=True)
        return sum(((v - self.level.mean) / sd) ** 2 for v, sd in pairs)


def _converted(value: float, unit: Unit, shown: Unit) -> float:
    """Return a value of one unit in another, digit for digit where they are the same."""
    return value if unit is shown else shown.from_base(unit.to_base(value))


def pooled_replicates(
    found: Sequence[Reading],
    faults: list[Fault],
    apart: list[str] | None = None,
    unlike: list[str] | None = None,
) -> tuple[list[Measurement], list[str]]:
    """Return one measurement for each stream and quantity, and notes on replicates.

    The mean, weighted by 1/sd^2, has the sd 1/sqrt(sum 1/sd^2). The sd of each reading is the one
    that its statement gives at the mean: '5 % of the value' is 5 % of the mean for all of them, so
    that none weighs more for having come out low. Only where all weigh the same it is called a
    mean, else a weighted mean.

    Noted are replicates that spread more than their stated errors allow, with their own sd and its
    degrees of freedom; one that lies apart from the others (Grubbs, two-sided, 5 %, with Dixon's Q
    beside it); and for each quantity with replicates of several streams their pooled sd beside the
    stated one. No reading is left out.

    Of values of which only bounds are known the narrowest bounds that all leave stand for all: they
    are no independent readings. Beside numbers they have no weight, which is said, and how far the
    numbers lie outside them. Bounds that exclude each other are added to ``faults``.

    Parameters
    ----------
    found : sequence of Reading
    faults : list of Fault
    apart : list of str, optional
        Replicates that no stated error explains are added, a sentence each: the largest is more
        than three times the least. They are probably two different things under one name.
    unlike : list of str, optional
        Masses and rates that differ by more than their stated errors explain, a sentence each,
        unless they are told in ``apart``. A stream is weighed once as a rule, so that one of them
        may belong to another stream or survey; assays are repeated.
    """
    groups: dict[tuple[str, str], list[Reading]] = defaultdict(list)
    for reading in found:
        groups[reading.stream, reading.quantity].append(reading)
    pooled, notes = list[Measurement](), list[str]()
    spreading: dict[str, list[_Replicates]] = defaultdict(list)
    for members in groups.values():
        if len(members) == 1:
            pooled.append(members[0].measurement)
            continue
        bounds = [m for m in members if m.bounded]
        readings = [m for m in members if not m.bounded] if bounds else members
        if not readings:
            pooled.append(_narrowest(bounds, faults))
            continue
        together = _Replicates.of(readings) if len(readings) > 1 else None
        mean = together.measurement if together else readings[0].measurement
        if bounds:
            within = _narrowest(bounds, faults)
            notes.append(_beside(bounds, within, mean))
            low, high = _ends(within, mean.unit)
            if apart is not None and (mean.value > _TIMES * high or _TIMES * mean.value < low):
                apart.append(_two(readings[0], bounds[0], f"{readings[0].cell.text} and "
                                  f"{bounds[0].cell.text}"))  # fmt: skip
        pooled.append(mean)
        if together:
            spreading[mean.quantity].append(together)
            two = _two_things(together)
            if apart is not None:
                apart.extend(two)
            if unlike is not None and not two:
                unlike.extend(_unlike_weights(together))
            notes.extend(_group_notes(together))
    notes.extend(_pooled_note(each) for each in spreading.values() if len(each) > 1)
    return pooled, notes


def _narrowest(bounds: Sequence[Reading], faults: list[Fault]) -> Measurement:
    """Return the bounds that hold if all do, as one value uniform between them."""
    unit, first = bounds[0].unit, bounds[0]
    lows, highs = zip(*(_ends(m, unit) for m in bounds), strict=True)
    low, high = max(lows), min(highs)
    if low >= high:
        faults.append(
            Fault(f"The replicates of {first.quantity} exclude each other: one is above "
                  f"{low:g} {unit}, another below {high:g}.", "Correct or take out what is wrong.",
                  bounds[lows.index(low)].place)
        )  # fmt: skip
        return first.measurement
    # what the lower end comes from is the upper end of another: one name for the source is enough
    kept = bounds[highs.index(high)]
    if low <= _ends(kept, unit)[0]:
        return kept.measurement
    note = f"only known to lie between {low:g} and {high:g} {unit}; taken as uniform"
    return kept._replace(
        value=(low + high) / 2.0, unit=unit, sd=(high - low) / 12.0**0.5, note=note
    ).measurement


def _ends(m: Reading | Measurement, unit: Unit) -> tuple[float, float]:
    """Return the bounds of a value in a unit."""
    low, high = uniform_ends(m.unit.to_base(m.value), m.unit.to_base(m.sd))
    return unit.from_base(low), unit.from_base(high)


def _beside(bounds: Sequence[Reading], within: Measurement, mean: Measurement) -> str:
    """Return what becomes of bounds beside readings, and whether these lie outside them."""
    unit = mean.unit
    low, high = _ends(within, unit)
    one = len(bounds) == 1
    count = "a replicate" if one else f"{len(bounds)} replicates"
    told = (
        f"{mean.quantity} of '{mean.stream}': {count} "
        f"only known to lie between {low:.3g} and {high:.3g} {unit} {'has' if one else 'have'} no "
        f"weight; the readings alone count, {mean.value:.4g} ± {mean.sd:.2g} {unit}."
    )
    outside = max(low - mean.value, mean.value - high) / mean.sd
    if outside > _OUTSIDE:
        return f"{told} They lie outside by {outside:.1f} of their ±: one or the other is wrong."
    if within.error_source == DETECTION_LIMIT:
        return f"{told} What was below detection is not in that mean, which may be too high."
    return f"{told} What was above the range is not in that mean, which may be too low."


def _group_notes(group: _Replicates) -> list[str]:
    """Return what is odd about the replicates of one stream."""
    notes: list[str] = []
    first, unit, values = group.members[0], group.unit, group.values
    spread, dof = group.chi_square, len(values) - 1
    p, apart = _chi_square_tail(spread, dof), _lying_apart(values)
    if len(set(values)) == 1 and unit.dimension is not Dimension.GRADE:
        notes.append(
            f"{first.quantity} of '{first.stream}' stands as {values[0]:g} {unit} in {len(values)} "
            f"rows, and counts as {len(values)} readings: leave it blank in the others if it was "
            "measured once."
        )
    if p >= _SPREAD_P and apart is None:
        return notes
    listed = ", ".join(f"{v:g}" for v in values)
    name = f"{first.quantity} of '{first.stream}' ({listed} {unit})"
    if p < _SPREAD_P:
        notes.append(
            f"The replicates of {name} spread more than their stated errors allow (chi-square "
            f"{spread:.1f} on {dof}, p {p:.2g}); their own sd is {stdev(values):.2g} {unit} "
            f"on {_degrees(dof)}."
        )
    if apart is not None:
        notes.append(
            f"Of the replicates of {name} {apart.value:g} lies apart from the others (Grubbs "
            f"{apart.statistic:.2f}, limit {apart.critical:.2f}{_by_dixon(values, apart)}); it "
            "was not left out."
        )
    return notes


def _two_things(group: _Replicates) -> list[str]:
    """Return that readings are farther apart than any error, with their rows."""
    least, most = min(group.values), max(group.values)
    if most <= _TIMES * least:
        return []
    if _chi_square_tail(group.chi_square, len(group.values) - 1) >= _EXCLUDED_P:
        return []
    one, other = (group.members[group.values.index(value)] for value in (least, most))
    return [_two(one, other, f"{least:g} and {most:g} {group.unit}")]


def _unlike_weights(group: _Replicates) -> list[str]:
    """Return that masses or rates of one stream differ by more than their errors, with rows."""
    p = _chi_square_tail(group.chi_square, len(group.values) - 1)
    if group.unit.dimension not in _WEIGHTS or p >= _SPREAD_P:
        return []
    first, values = group.members[0], [f"{v:g}" for v in group.values]
    listed = f"{', '.join(values[:-1])} and {values[-1]}"
    return [
        f"{len(values)} rows of '{first.stream}' give its {first.quantity} as {listed} "
        f"{group.unit} ({row_names([m.cell for m in group.members])}), more apart than their "
        f"stated errors explain (p {p:.2g}). Their mean counts: take out what is wrong."
    ]


def _two(one: Reading, other: Reading, told: str) -> str:
    return (
        f"Two rows of '{one.stream}' are probably two different things: their {one.quantity} is "
        f"{told} ({row_names([one.cell, other.cell])}). Correct the name or the number."
    )


def _by_dixon(values: Sequence[float], apart: laboratory.Outlier) -> str:
    """Return what Dixon's Q says of the reading that lies apart by Grubbs' test."""
    if len(values) > _DIXON_MOST:
        return ""
    found = laboratory.dixon(values)
    but = "" if found.flagged and found.value == apart.value else "but "
    return f"; {but}Dixon's Q {found.statistic:.2f}, limit {found.critical:.2f}"


def _pooled_note(groups: Sequence[_Replicates]) -> str:
    """Return the pooled sd of one quantity's replicates beside the stated one.

    Notes
    -----
    Pooled: the root of sum (n_i - 1) s_i^2 / sum (n_i - 1), of the readings, or of readings over
    the mean of their group where the stated errors are more nearly in proportion to the means.
    Compared by chi-square: each group's squares in units of its stated errors at its mean, with
    the sum of n_i - 1 degrees of freedom; stated errors count as known.
    """
    unit, name = groups[0].unit, groups[0].members[0].quantity
    values = [[_converted(v, g.unit, unit) for v in g.values] for g in groups]
    means = [_converted(g.level.mean, g.unit, unit) for g in groups]
    dofs = [len(g.values) - 1 for g in groups]
    stated = [_converted(fmean(sd**2 for sd in g.level.sds) ** 0.5, g.unit, unit) for g in groups]
    relative = min(means) > 0.0 and _range([s / m for s, m in zip(stated, means, strict=True)]) <= (
        _range(stated)
    )
    if relative:
        values = [[v / mean for v in each] for each, mean in zip(values, means, strict=True)]
        stated = [s / mean for s, mean in zip(stated, means, strict=True)]
    scale, symbol = (100.0, "%") if relative else (1.0, str(unit))
    found = laboratory.pooled_sd(values)
    said = (sum(d * s * s for d, s in zip(dofs, stated, strict=True)) / found.dof) ** 0.5
    spread = sum(g.chi_square for g in groups)
    p = _chi_square_tail(spread, found.dof)
    verdict = ""
    if p < _SPREAD_P:
        verdict = " They spread more than stated."
    elif p > 1.0 - _SPREAD_P:
        verdict = " They spread less than stated."
    return (
        f"Replicates of {name} ({len(groups)} groups): pooled "
        f"{'relative ' if relative else ''}sd {scale * found.sd:.2g} {symbol} on "
        f"{_degrees(found.dof)}, stated {scale * said:.2g} {symbol} (chi-square {spread:.1f} on "
        f"{found.dof}, p {p:.2g}).{verdict}"
    )


def _range(errors: Sequence[float]) -> float:
    return max(errors) / min(errors)


def _degrees(dof: int) -> str:
    return "1 degree of freedom" if dof == 1 else f"{dof} degrees of freedom"


def _lying_apart(values: Sequence[float]) -> laboratory.Outlier | None:
    """Return the reading that lies apart, if one does; three of which two are equal say nothing."""
    if len(values) < _FEWEST or (len(values) == _FEWEST and len(set(values)) < _FEWEST):
        return None
    found = laboratory.grubbs(values)
    return found if found.flagged else None


def _chi_square_tail(value: float, dof: int) -> float:
    from scipy.special import chdtrc

    return float(chdtrc(dof, value))
