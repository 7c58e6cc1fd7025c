"""Sums over shifts: fed, produced, lost, in stock; as measured and as balanced.

A sum as balanced is over the shifts whose measurements determine it; one as measured over those
where every number was measured. Which are missing is told with each.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from oretally.flowsheet import Circuit, NodeKind, Position, Unit, parse_unit
from oretally.flowsheet.arrays import Floats
from oretally.flowsheet.survey import amount_unit
from oretally.recon.periods.joint import (
    Effects,
    JointBalance,
    Jointly,
    ShiftPlace,
    ShiftReading,
    own_parts,
)
from oretally.recon.periods.measured import GivenSum, MeasuredShifts
from oretally.recon.periods.rows import (
    CLOSING_STOCK,
    FED,
    LOST,
    OPENING_STOCK,
    PRODUCED,
    STOCK_CHANGE,
    PeriodAmount,
    PeriodPart,
    PeriodRecovery,
    PeriodShare,
)
from oretally.recon.periods.shifts import Coupled, Source
from oretally.recon.propagation import Derived, total

__all__ = ["Totals"]

_PRECIOUS = frozenset(("au", "ag", "pt", "pd", "rh"))  # sold by the troy ounce
_NO_GAIN = 1e-9  # relative: an sd that is rounding
_NONE = 1e-12  # a share that is rounding


@dataclass(frozen=True)
class _Asked:
    """One sum that is asked for: as balanced and as measured, in base units.

    Attributes
    ----------
    out : Jointly or None
    not_out : tuple of int
        Shifts that are missing in it.
    """

    out: Jointly | None
    not_out: tuple[int, ...]
    given: GivenSum | None
    not_in: tuple[int, ...]
    by_difference: bool = False


class Totals:
    """Sums over shifts that were balanced together.

    Parameters
    ----------
    joint : JointBalance
    feeds, products : sequence of str
        Streams to which recoveries refer, and among which they are shared.
    lost : sequence of str
        Products that count as lost; if none, all but the richest, analyte by analyte.
    hours : float
        How long each shift ran, for rates; 1 for masses.
    """

    def __init__(
        self, joint: JointBalance, *, feeds: Sequence[str], products: Sequence[str],
        lost: Sequence[str] = (), hours: float = 1.0,
    ) -> None:  # fmt: skip
        self.joint, self.hours = joint, hours
        self.feeds, self.products, self.lost = tuple(feeds), tuple(products), frozenset(lost)
        self.shifts = joint.coupled.shifts
        self.measured = MeasuredShifts(joint.coupled)

    def parts(self, groups: Mapping[str, Sequence[int]]) -> list[PeriodPart]:
        """Return amounts and recoveries of several groups of shifts.

        Of the first it is told where the variance comes from.
        """
        asked = {name: self._asked(list(own)) for name, own in groups.items()}
        flat = [a for one in asked.values() for a in one.values()]
        known = [a.out for a in flat if a.out is not None]
        effects, apart = self.joint.effects(known), self.joint.effects(known, apart=True)
        rows = iter(range(len(known)))
        at = {id(a): next(rows) for a in flat if a.out is not None}
        first = asked[next(iter(groups))]
        told = _Told(self, effects, apart, at, frozenset(id(a) for a in first.values()))
        return [
            PeriodPart(
                name, tuple(self.shifts[t].label for t in own),
                tuple(told.amount(key, a, asked[name]) for key, a in asked[name].items()
                      if key[0] != "recovery"),
                tuple(told.recovery(key, a) for key, a in asked[name].items()
                      if key[0] == "recovery"),
            )
            for name, own in groups.items()
        ]  # fmt: skip

    def _asked(self, own: list[int]) -> dict[tuple[str, str, str], _Asked]:
        """Return the sums of some shifts by item, place and quantity."""
        survey = self.shifts[own[0]].survey
        found: dict[tuple[str, str, str], _Asked] = {}
        for quantity in (survey.basis.quantity, *self.analytes):
            for stream in self.feeds:
                found[FED, stream, quantity] = self._sum(own, [stream], quantity)
            for stream in self.products:
                item = PRODUCED if self.is_kept(stream, quantity) else LOST
                found[item, stream, quantity] = self._sum(own, [stream], quantity)
            for node in self._piles(own):
                found |= self._stocks(own, node, quantity)
        for analyte in self.analytes:
            for stream in self.products:
                found["recovery", stream, analyte] = self._recovered(own, stream, analyte)
        return found

    @cached_property
    def analytes(self) -> tuple[str, ...]:
        """Analytes of any shift, in their order."""
        return tuple(dict.fromkeys(a.name for s in self.shifts for a in s.survey.analytes))

    def is_kept(self, stream: str, quantity: str) -> bool:
        """Tell whether a product is kept: of solids, what is kept for any analyte."""
        if self.lost:
            return stream not in self.lost
        if quantity not in self.analytes:
            return any(self.is_kept(stream, a) for a in self.analytes) or not self.analytes
        return stream == self._richest.get(quantity)

    @cached_property
    def _richest(self) -> Mapping[str, str]:
        """The richest product of each analyte, over all shifts that tell."""
        found = {}
        for analyte in self.analytes:
            grades = {}
            for stream in self.products:
                metal, mass = (self._all(stream, q) for q in (analyte, ""))
                if np.isfinite(metal) and mass > 0.0:
                    grades[stream] = metal / mass
            if grades:
                found[analyte] = max(grades, key=lambda s: grades[s])
        return found

    def _all(self, stream: str, quantity: str) -> float:
        values = [self.adjusted(t, stream, quantity) for t in range(len(self.shifts))]
        return float(np.nansum([np.nan if v is None else v.value for v in values]))

    def adjusted(self, t: int, stream: str, quantity: str) -> Jointly | None:
        """Return the adjusted amount of a stream in a shift; solids if ``quantity`` is none of it.

        None if the stream, or the analyte, is not in the shift; 0 of what stands still.
        """
        shift = self.shifts[t]
        names, carriers = shift.circuit.stream_names, shift.model.carriers
        numbers = {a.name: k for k, a in enumerate(shift.survey.analytes)}
        if stream not in names or (quantity in self.analytes and quantity not in numbers):
            return None
        j, k = names.index(stream), numbers.get(quantity)
        place = ShiftPlace(t, Position(None, j if k is None else carriers.whole(k, j)))
        flow = Derived(self.joint.value(place), {place: 1.0})
        if k is None or flow.value == 0.0:
            return flow
        of = ShiftPlace(t, Position(k, place.at.carrier))
        return flow * Derived(self.joint.value(of), {of: 1.0})

    def _determined(self, found: Sequence[Jointly]) -> list[bool]:
        return [bool(x) for x in self.joint.determined(found)] if found else []

    @cached_property
    def _known(self) -> Mapping[tuple[int, str, str], Jointly]:
        """Amounts of streams in shifts that the measurements determine."""
        flow = self.shifts[0].survey.basis.quantity
        asked: dict[tuple[int, str, str], Jointly] = {}
        for t, shift in enumerate(self.shifts):
            stocks = [s.name for s in shift.circuit.streams if s.stock]
            met = {
                s.name for n in self._piles([t]) for s in shift.circuit.streams
                if n in (s.source, s.target)
            }  # fmt: skip
            for stream in dict.fromkeys((*self.feeds, *self.products, *stocks, *sorted(met))):
                for quantity in (flow, *self.analytes):
                    found = self.adjusted(t, stream, quantity)
                    if found is not None:
                        asked[t, stream, quantity] = found
        keep = self._determined([*asked.values()])
        return {key: x for (key, x), yes in zip(asked.items(), keep, strict=True) if yes}

    def _sum(self, own: Sequence[int], streams: Sequence[str], quantity: str) -> _Asked:
        """Return what streams had together, over the shifts where that is known of all."""
        every = {t: [self._known.get((t, s, quantity)) for s in streams] for t in own}
        known = {t: [x for x in of if x is not None] for t, of in every.items()}
        good = [t for t in own if len(known[t]) == len(streams)]
        out = total(x for t in good for x in known[t]) * self.hours if good else None
        given = {t: [self.measured.amount(t, s, quantity) for s in streams] for t in own}
        there = [t for t in own if all(x is not None for x in given[t])]
        as_given = total(x for t in there for x in given[t] if x is not None) * self.hours
        return _Asked(
            out, tuple(t for t in own if t not in good),
            as_given if there else None, tuple(t for t in own if t not in there),
            any(self.measured.by_difference(t, s, quantity) for t in there for s in streams),
        )  # fmt: skip

    def _recovered(self, own: Sequence[int], stream: str, analyte: str) -> _Asked:
        """Return what a product has of an analyte per what was fed, over shifts that have both."""
        both = self._sum(own, [*self.feeds, stream], analyte)
        out = given = None
        good = [t for t in own if t not in both.not_out]
        there = [t for t in own if t not in both.not_in]
        if good:
            made, fed = self._sum(good, [stream], analyte), self._sum(good, self.feeds, analyte)
            if made.out is not None and fed.out is not None and fed.out.value > 0.0:
                out = made.out / fed.out
        if there:
            made, fed = self._sum(there, [stream], analyte), self._sum(there, self.feeds, analyte)
            if made.given is not None and fed.given is not None and fed.given.value > 0.0:
                given = made.given / fed.given
        return _Asked(out, both.not_out, given, both.not_in)

    def _piles(self, own: Sequence[int]) -> list[str]:
        """Return the stockpiles of some shifts that have stocks."""
        found = dict.fromkeys(
            n.name for t in own for n in self.shifts[t].circuit.nodes
            if n.kind is NodeKind.STOCKPILE
        )  # fmt: skip
        return [
            n for n in found if any(_stock(self.shifts[t].circuit, n, opening=True) for t in own)
        ]

    def _stocks(
        self, own: Sequence[int], node: str, quantity: str
    ) -> dict[tuple[str, str, str], _Asked]:
        """Return the first opening stock, the last closing stock, and what the stock grew by."""
        found: dict[tuple[str, str, str], _Asked] = {}
        ends = ((OPENING_STOCK, own[0], True), (CLOSING_STOCK, own[-1], False))
        for item, t, opening in ends:
            name = _stock(self.shifts[t].circuit, node, opening=opening)
            asked = self._sum([t], [name], quantity) if name else _Asked(None, (t,), None, (t,))
            found[item, node, quantity] = asked
        first, last = found[OPENING_STOCK, node, quantity], found[CLOSING_STOCK, node, quantity]
        out, unknown = self._grown(own, node, quantity)
        at_ends = out is None
        if first.out is not None and last.out is not None:
            out = out or last.out - first.out
        given = None
        if first.given is not None and last.given is not None:
            given = last.given - first.given
        missing = tuple(dict.fromkeys((*first.not_in, *last.not_in)))
        lost = unknown if out else tuple(own)
        found[STOCK_CHANGE, node, quantity] = _Asked(out, lost, given, missing, at_ends)
        return found

    def _grown(
        self, own: Sequence[int], node: str, quantity: str
    ) -> tuple[Jointly | None, tuple[int, ...]]:
        """Return what went to a pile less what left it, and the shifts where that is not known.

        None if any shift is missing, also one that nobody surveyed. No stock need be known for it.
        """
        parts, missing = list[Jointly](), dict[int, None]()
        for t in own:
            for s in self.shifts[t].circuit.streams:
                if s.stock or node not in (s.source, s.target):
                    continue
                found = self._known.get((t, s.name, quantity))
                if found is None:
                    missing[t] = None
                    continue
                parts.append(found if s.target == node else -1.0 * found)
        gap = missing or set(self.joint.coupled.cut).intersection(own[1:])
        return total(parts) * self.hours if parts and not gap else None, tuple(missing)

    def unit_of(self, quantity: str, largest: float) -> Unit:
        """Return the unit in which amounts of a quantity are shown: masses, also of rates."""
        unit = amount_unit(self.shifts[0].survey, quantity, largest)
        return parse_unit(unit.symbol.partition("/")[0])


@dataclass(frozen=True)
class _Told:
    """Turns sums into rows; those of ``explained`` are told where their variance comes from."""

    totals: Totals
    effects: Effects
    apart: Effects
    at: Mapping[int, int]
    explained: frozenset[int]

    def amount(
        self, key: tuple[str, str, str], asked: _Asked, group: Mapping[tuple[str, str, str], _Asked]
    ) -> PeriodAmount:
        """Return the row of an amount; all of one quantity and group are in one unit."""
        item, where, quantity = key
        values = [x.value for (_, _, q), a in group.items() if q == quantity
                  for x in (a.out, a.given) if x is not None]  # fmt: skip
        unit = self.totals.unit_of(quantity, max((abs(v) for v in values), default=0.0))
        value, sd, apart = self.out(asked)
        given, given_sd = self.given(asked)
        precious = quantity.casefold() in _PRECIOUS and unit.symbol != "ozt"
        ounces = parse_unit("ozt").from_base(unit.to_base(1.0)) if precious else None

        def shown(x: float | None) -> float | None:
            return None if x is None else unit.from_base(x)

        return PeriodAmount(
            item, where, quantity, unit.symbol, shown(given), shown(given_sd),
            self.labels(asked.not_in), asked.by_difference, shown(value), shown(sd), shown(apart),
            self.labels(asked.not_out), ounces, self.shares(asked),
        )  # fmt: skip

    def recovery(self, key: tuple[str, str, str], asked: _Asked) -> PeriodRecovery:
        """Return the row of a recovery, in percent."""
        _, stream, analyte = key
        percent = [None if x is None else 100.0 * x for x in (*self.given(asked), *self.out(asked))]
        return PeriodRecovery(
            stream, analyte, self.totals.is_kept(stream, analyte), percent[0], percent[1],
            self.labels(asked.not_in), percent[2], percent[3], percent[4],
            self.labels(asked.not_out), self.shares(asked),
        )  # fmt: skip

    def labels(self, shifts: Sequence[int]) -> tuple[str, ...]:
        return tuple(self.totals.shifts[t].label for t in shifts)

    def given(self, asked: _Asked) -> tuple[float | None, float | None]:
        """Return a sum as measured and its sd."""
        if asked.given is None:
            return None, None
        return asked.given.value, self.totals.measured.variance(asked.given) ** 0.5

    def out(self, asked: _Asked) -> tuple[float | None, float | None, float | None]:
        """Return a sum as balanced, its sd, and that sd if shifts shared no error."""
        if asked.out is None:
            return None, None, None
        i = self.at[id(asked)]
        sds = float(self.effects.sd[i]), float(self.apart.sd[i])
        if not np.isfinite(sds[0]):
            return None, None, None
        return asked.out.value, sds[0], sds[1] if np.isfinite(sds[1]) else None

    def shares(self, asked: _Asked) -> tuple[PeriodShare, ...]:
        """Return what each source adds to the variance."""
        if asked.out is None or id(asked) not in self.explained:
            return ()
        i = self.at[id(asked)]
        if not self.effects.determined[i] or not self.effects.sd[i] > _NO_GAIN * abs(
            asked.out.value
        ):
            return ()
        return _shares_of(self.totals.joint.coupled, self.effects.errors, self.effects.moved[i])


def _stock(circuit: Circuit, node: str, *, opening: bool) -> str | None:
    for s in circuit.streams:
        if s.stock and (s.target if opening else s.source) == node:
            return s.name
    return None


def _shares_of(
    coupled: Coupled, errors: Sequence[ShiftReading | Source], moved: Floats
) -> tuple[PeriodShare, ...]:
    """Return the shares of the variance of one answer, the largest first.

    ``moved``, of shape (n_errors,), is what plus one sd of each error does to it. What the readings
    of one stream and quantity add is told together over all shifts, and what a source of one name
    adds, over its quantities and spans.
    """
    wide = {key.name for key, own in coupled.sources.items() if len({t for t, _ in own}) > 1}
    found: dict[tuple[str, str, bool], float] = {}
    squares = (moved**2).tolist()
    whole = sum(squares)
    for error, square in zip(errors, squares, strict=True):
        if isinstance(error, Source):
            quantities = {key.quantity for key in coupled.sources if key.name == error.name}
            parts = [((error.name, " and ".join(sorted(quantities)), error.name in wide), square)]
        else:
            of = f"{error.quantity} of '{error.stream}'"
            shift = coupled.shifts[error.shift]
            parts = [((name, of, False), square * share) for name, share in own_parts(shift, error)]
        for key, part in parts:
            found[key] = found.get(key, 0.0) + part
    order = sorted(found.items(), key=lambda item: (-round(item[1] / whole, 9), item[0]))
    return tuple(
        PeriodShare(source, of, shared, square / whole)
        for (source, of, shared), square in order
        if square > _NONE * whole
    )
