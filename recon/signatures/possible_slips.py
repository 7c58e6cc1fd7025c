"""Slips that may have happened to the numbers of a survey, each by itself."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from math import isfinite, log

import numpy as np

from oretally.flowsheet import Measurement, Position, Positions, Survey, Unit
from oretally.flowsheet.arrays import Bools, Floats, Ints
from oretally.flowsheet.survey import Kind, Meaning, meanings
from oretally.recon.other_surveys import UsualReading, log_usual
from oretally.recon.result import SlippedReading
from oretally.recon.signatures.slips import MULTIPLIED, Column, Meant, meant

__all__ = ["PossibleSlips", "SlipTable"]


@dataclass(frozen=True)
class PossibleSlips:
    """Slips of one survey.

    Attributes
    ----------
    survey : Survey
    places : Positions
    rate : callable
        Rate of gross errors of a measurement.
    overall : float
        Rate of gross errors of measurements in general.
    usual : mapping of (str, str) to UsualReading
        What other surveys say of the numbers, by stream and quantity; empty without any.
    """

    survey: Survey
    places: Positions
    rate: Callable[[Position], float]
    overall: float
    usual: Mapping[tuple[str, str], UsualReading] = field(default_factory=dict)

    @cached_property
    def written(self) -> Mapping[Position, Measurement]:
        """The measurement that stands at each position."""
        at = self.places.readings
        return {at[m.stream, m.quantity]: m for m in self.survey.measurements}

    @cached_property
    def meanings(self) -> Mapping[str, Meaning]:
        """What each quantity means."""
        return dict(meanings(self.survey))

    def of_stack(self, place: Position) -> bool:
        """Whether a reading is a share that was made from the masses of one stack."""
        m = self.written[place]
        sieved = m.stream in self.survey.stacks
        return sieved and self.meanings[m.quantity].kind is Kind.SHARE

    def of_weighed(self, place: Position) -> bool:
        """Return whether a dry flow was made of what was weighed wet, or of a volume of pulp."""
        return self.written[place].written is not None and not self.of_stack(place)

    def as_read(self, place: Position) -> tuple[float, float]:
        """Return value and error as they stand in the balance problem."""
        return self._as_read[place]

    @cached_property
    def _as_read(self) -> Mapping[Position, tuple[float, float]]:
        if self.survey.shared:
            variance = self.survey.own_variance
            return {p: (m.value_base, variance(m) ** 0.5) for p, m in self.written.items()}
        alike: dict[int, tuple[Unit, list[Position], list[tuple[float, float]]]] = {}
        for p, m in self.written.items():
            _, places, numbers = alike.setdefault(id(m.unit), (m.unit, [], []))
            places.append(p)
            numbers.append((m.value, m.sd))
        found: dict[Position, tuple[float, float]] = {}
        for unit, places, numbers in alike.values():
            factor = unit.factor
            base = np.array(numbers) * float(factor.numerator) / float(factor.denominator)
            value, sd = base.T.tolist()
            found.update(zip(places, zip(value, sd, strict=True), strict=True))
        return found

    def usual_of(self, place: Position) -> tuple[float, float, float, int]:
        """Return what `log_usual` is to know of a reading; 0 where other surveys say nothing."""
        m = self.written.get(place)
        own = None if m is None else self.usual.get((m.stream, m.quantity))
        value, sd = self._as_read.get(place, (0.0, 0.0))
        if own is None or not value > 0.0:
            return 0.0, 0.0, 0.0, 0
        return log(value) - own.middle, sd / value, own.spread, own.dof

    def usual_of_meant(self, values: Mapping[Position, tuple[float, float]]) -> float:
        """Return what other surveys add to the log odds that readings were meant otherwise.

        ``values`` with their stated errors, in base units; NaN of what nobody knows.
        """
        found = 0.0
        for place, (value, sd) in values.items():
            off, share, spread, dof = self.usual_of(place)
            if dof and value > 0.0:
                read, _ = self._as_read[place]
                found += float(log_usual(off, share, spread, dof, meant=value / read,
                                         meant_sd=sd / read))  # fmt: skip
        return found

    def number(self, place: Position) -> tuple[float, Unit]:
        """Return the number that was written, and its unit."""
        m = self.written[place]
        return (m.value, m.unit) if m.written is None else m.written

    def in_place_of(self, place: Position, other: Position) -> tuple[float, float]:
        """Return value and error at one position, if the number of another belonged there.

        Of one stream the number moves, into whatever unit stands there, the error in proportion. A
        share is in proportion to the mass that was written of its class.
        """
        (number, unit), (its_number, its_unit) = self.number(place), self.number(other)
        if self.written[place].stream == self.written[other].stream and unit != its_unit:
            value, sd = self.as_read(place)
            return unit.to_base(its_number), sd * its_number / number if number > 0.0 else sd
        if self.written[place].written is None and self.written[other].written is None:
            return self.as_read(other)
        (value, sd), (its_value, its_sd) = self.as_read(place), self.as_read(other)
        own, its = (u.to_base(x) for x, u in (self.number(place), self.number(other)))
        # errors of the numbers are in the same proportion to their shares
        scale = value / own
        return its * scale, its_sd * its / its_value * scale if its_value > 0.0 else sd

    def rates(self, places: Sequence[Position]) -> Floats:
        """Return the rate of gross errors of each of some numbers, shape (n_places,)."""
        return np.array([self.rate(p) for p in places], dtype=float)

    def of(self, place: Position) -> tuple[Meant, ...]:
        """Return what one reading may have been meant to be, in base units."""
        return self.table([place]).of(0)

    def table(self, places: Sequence[Position]) -> SlipTable:
        """Return what readings may have been meant to be, in base units."""
        alike: dict[tuple[int, bool, bool, bool], tuple[Unit, list[int]]] = {}
        basis, stacks = self.survey.basis.quantity, bool(self.survey.stacks)
        read = np.zeros((len(places), 3))  # value and stated error as read, number as written
        for i, place in enumerate(places):
            m = self._typed.get(place)
            # no slip of a number that nobody wrote, or that is no more than its own error: times
            # 1000, with its error, it would agree with anything
            if m is None or self._as_read[place][0] <= self._as_read[place][1]:
                continue
            number, unit = (m.value, m.unit) if m.written is None else m.written
            stack = stacks and self.of_stack(place)
            key = id(unit), m.quantity == basis and m.written is None, stack, m.written is not None
            alike.setdefault(key, (unit, []))[1].append(i)
            read[i] = *self._as_read[place], number
        rows, columns = [], list[Column]()
        for (_, dry, stack, weighed), (unit, at) in alike.items():
            value, sd, number = read[at].T
            own = sd * number / value
            found = meant(number, own, unit, containers=self.survey.containers, dry=dry)
            # of a class whose mass is not known here nothing but a factor is
            found = [c for c in found if not stack or weighed or c.kind == "decimal point"]
            columns += [
                replace(c, value=c.value * value / number, sd=c.sd * value / number) for c in found
            ]
            rows += [np.array(at, dtype=np.intp)] * len(found)
        return SlipTable.of_columns(rows, columns, read[:, 0])

    def changed(self, place: Position, value: float) -> SlippedReading:
        """Return a reading as it was written, and as it would be; ``value`` in base units."""
        m, made = self.written[place], self.of_weighed(place)
        number, unit = (m.value, m.unit) if made else self.number(place)
        fits, note = unit.from_base(value), ""
        if made:  # the dry flow is what is balanced and shown
            note = m.note
        elif m.written is not None:
            fits = number * value / m.value_base
        elif self.of_stack(place):  # the whole stack would weigh more, or less
            whole, note = unit.from_base(1.0), m.note
            fits *= whole / (whole - m.value + fits)
        known = float(f"{fits:.12g}") if isfinite(fits) else None
        return SlippedReading(m.stream, m.quantity, number, known, unit.symbol, note)

    def unit_of(self, place: Position) -> object:
        """Return what a number must share with another to be exchanged with it.

        Wet and dry masses are written in columns of their own.
        """
        return self.number(place)[1].dimension, self.of_stack(place), self.of_weighed(place)

    @cached_property
    def streams(self) -> list[str]:
        """Streams as the survey lists them."""
        return list(dict.fromkeys(m.stream for m in self.survey.measurements))

    @cached_property
    def columns(self) -> dict[str, dict[str, Position]]:
        """By quantity, where each stream's number stands, those that somebody wrote."""
        found: dict[str, dict[str, Position]] = {}
        for place, m in self._typed.items():
            if m.value > 0.0 or m.typed:
                found.setdefault(m.quantity, {})[m.stream] = place
        return found

    @cached_property
    def _typed(self) -> Mapping[Position, Measurement]:
        """Numbers that somebody wrote, or that are in proportion to one that somebody wrote."""
        return {p: m for p, m in self.written.items()
                if m.typed or m.written is not None or self.of_stack(p)}  # fmt: skip


@dataclass(frozen=True, eq=False)
class SlipTable:
    """What readings were meant to be, if a slip happened to them: one row a slip, by reading.

    Attributes
    ----------
    reading : ndarray of int, shape (n_slips,)
    value, sd, log_chance : ndarray, shape (n_slips,)
        As in `oretally.recon.signatures.slips.Meant`, base units.
    number : ndarray of int, shape (n_slips,)
        Of each slip among those of its reading.
    starts : ndarray of int, shape (n_readings + 1,)
        Where the slips of each reading begin.
    read : ndarray, shape (n_slips,)
        The reading as it stands.
    """

    reading: Ints
    value: Floats
    sd: Floats
    log_chance: Floats
    number: Ints
    starts: Ints
    read: Floats
    _words: tuple[Sequence[tuple[str, str]], Ints]

    @classmethod
    def of_columns(cls, rows: Sequence[Ints], columns: Sequence[Column], read: Floats) -> SlipTable:
        """Return the slips of readings from columns of them, rows being those of each."""
        none = np.zeros(0)
        reading = np.concatenate([none.astype(np.intp), *rows])
        at = np.repeat(np.arange(len(columns)), [len(c.value) for c in columns])
        value = np.concatenate([none, *(c.value for c in columns)])
        order = np.argsort(reading, kind="stable")
        order = order[np.isfinite(value[order])]
        reading = reading[order]
        starts = np.searchsorted(reading, np.arange(read.size + 1))
        return cls(
            reading, value[order], np.concatenate([none, *(c.sd for c in columns)])[order],
            np.concatenate([none, *(c.log_chance for c in columns)])[order],
            np.arange(order.size) - starts[reading], starts, read[reading],
            ([(c.kind, c.reason) for c in columns], at[order]),
        )  # fmt: skip

    def far(self, times: float, kinds: Sequence[str]) -> Bools:
        """Return which slips of some kinds take a reading so many times up or down, (n_slips,)."""
        away = np.abs(np.log(self.value / self.read)) >= np.log(times)
        return np.asarray(away & self._of_kinds(kinds))

    @property
    def scale(self) -> Floats:
        """Logarithm of how many times the reading what was meant is, where its error moves too."""
        return np.where(self._of_kinds(MULTIPLIED), np.log(self.value / self.read), 0.0)

    def _of_kinds(self, kinds: Sequence[str]) -> Bools:
        words, column = self._words
        return np.array([name in kinds for name, _ in words], dtype=bool)[column]

    def without(self, some: Bools) -> SlipTable:
        """Return it as if some slips, of that shape, never happened."""
        return replace(self, log_chance=np.where(some, -np.inf, self.log_chance))

    def of(self, i: int) -> tuple[Meant, ...]:
        """Return the slips of one reading."""
        words, column = self._words
        some = slice(self.starts[i], self.starts[i + 1])
        parts = (column[some], self.value[some], self.sd[some], self.log_chance[some])
        return tuple(
            Meant(words[c][0], words[c][1], value, sd, chance)
            for c, value, sd, chance in zip(*(p.tolist() for p in parts), strict=True)
        )
