"""Slips that are put right as they are tried: exchanges, lines typed too high or low, decades.

Exchanged are two readings, the samples of two streams under each other's names, or all numbers of
two streams. People err beside where they should be, so half of the chance belongs to neighbours:
streams or analytes that follow each other as the survey lists them. The chances are our own choice;
no source counts such slips.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from math import nan
from typing import NamedTuple

import numpy as np

from oretally.flowsheet import Position
from oretally.flowsheet.arrays import Bools, Floats, Ints
from oretally.recon.propagation import SEEN
from oretally.recon.signatures.decades import decades
from oretally.recon.signatures.evidence import covariance_known
from oretally.recon.signatures.exchanges_of_two import exchanges_of_two
from oretally.recon.signatures.inner_products import InnerProducts
from oretally.recon.signatures.larger_mixups import (
    LargerMixup,
    lines,
    readings_in_lines,
    readings_in_samples,
    samples,
    unlike_streams,
)
from oretally.recon.signatures.possible_slips import PossibleSlips

__all__ = ["Mixup", "Mixups", "MovedNumber"]

_Reading = tuple[float, float]

_SHARPEST = 1e-4  # times the stated error of one reading: that of another in its place
_TOLD = 24  # mix-ups that are proposed at once
_WORK = 20_000  # readings in all larger mix-ups, beyond which only the nearest are looked at


@dataclass(frozen=True, slots=True)
class Mixup:
    """Several readings that were mixed up.

    Attributes
    ----------
    kind, reason : str
    values : mapping of Position to (float, float)
        Value and stated error as they were meant, in base units; NaN where nobody knows. Among
        them may be places that nobody measured.
    log_odds : float
        Logarithm of the odds before looking.
    """

    kind: str
    reason: str
    values: Mapping[Position, _Reading]
    log_odds: float


class MovedNumber(NamedTuple):
    """A number as it was meant: where it belongs, None where nobody knows, and its stated error."""

    place: Position | None
    value: float
    sd: float


class Mixups:
    """All that may have been mixed up in a survey, by number.

    Exchanges of two readings come first, as arrays: a large survey has tens of thousands. Of larger
    mix-ups a large survey has those of neighbours and of whole sheets alone.

    Parameters
    ----------
    slips : PossibleSlips
    readings : sequence of Position
        Measurements, in the order of the signatures.
    unit : ndarray, shape (n_readings,)
        Their stated errors, base units.
    rate : ndarray, shape (n_readings,), optional
        Their rates of gross errors, if they are known already.
    among : sequence of int, optional
        Rows of readings among which exchanges of two are looked for, and nothing larger: where all
        are too many.
    checked : ndarray of bool, shape (n_readings,), optional
        Which readings others check, all unless given: of no other can a balance say that it is off
        by decades, and rounding times decades squared is not little.
    """

    def __init__(
        self, slips: PossibleSlips, readings: Sequence[Position], unit: Floats,
        rate: Floats | None = None, among: Sequence[int] | None = None,
        checked: Bools | None = None,
    ) -> None:  # fmt: skip
        self.slips, self.readings = slips, readings
        row = {place: i for i, place in enumerate(readings)}
        # as written, and its stated error: a share as the mass it was made from
        some = set(range(len(readings)) if among is None else np.asarray(among).tolist())
        read = [
            _as_written(slips, p) if i in some and p in slips.written else (nan, nan)
            for i, p in enumerate(readings)
        ]
        self._read, own = np.array(read).reshape(-1, 2).T
        self._sd = np.where(np.isfinite(own), own, 1.0)
        self.unit = unit
        # a whole sample moves with its shares
        self._value = np.array(
            [slips.as_read(p)[0] if p in slips.written else nan for p in readings]
        )
        rate = slips.rates(readings) if rate is None else rate
        self._pairs, self._odds, self._pair_shifts = exchanges_of_two(
            slips, readings, (self._read, self._sd), rate=rate, among=among
        )
        self._larger: list[LargerMixup] = []
        if among is None:
            near = readings_in_samples(slips) + readings_in_lines(slips) > _WORK
            every = (*samples(slips, row, near=near), *lines(slips, row, near=near),
                     *unlike_streams(slips, row, _WORK))  # fmt: skip
            far = decades(slips, row, rate if checked is None else np.where(checked, rate, 0.0))
            self._larger = [m for m in (*every, *far) if (m.rows >= 0).all()]
        self._known: dict[int, Mixup] = {}
        self._undone: dict[tuple[int, ...], dict[int, MovedNumber]] = {}
        if slips.usual:
            usual = [slips.usual_of_meant(self.values((c,))) for c in range(len(self))]
            n = len(self._pairs)
            self._odds = self._odds + np.array(usual[:n])
            self._larger = [replace(m, log_odds=m.log_odds + more)
                            for m, more in zip(self._larger, usual[n:], strict=True)]  # fmt: skip

    def __len__(self) -> int:
        return len(self._pairs) + len(self._larger)

    def __getitem__(self, number: int) -> Mixup:
        """Return a mix-up by its number."""
        if number not in self._known:
            self._known[number] = self._mixup(number)
        return self._known[number]

    @cached_property
    def of_one(self) -> dict[int, tuple[int, ...]]:
        """Rows of flows that may be off by decades, and the numbers of the slips of each."""
        found: dict[int, tuple[int, ...]] = {}
        for c, m in enumerate(self._larger, len(self._pairs)):
            if m.times != 1.0:
                found[int(m.rows[0])] = (*found.get(int(m.rows[0]), ()), c)
        return found

    def is_of_one(self, number: int) -> bool:
        """Whether it is one flow that is off by decades."""
        first = len(self._pairs)
        return number >= first and self._larger[number - first].times != 1.0

    def error_of_one(self, number: int) -> tuple[float, float]:
        """Return the error of a flow that is off by decades and its sd, in stated errors."""
        i, times = int(self.rows(number)[0]), self._larger[number - len(self._pairs)].times
        return float((1.0 - times) * self._read[i] / self._sd[i]), times

    def _mixup(self, number: int) -> Mixup:
        values = self.values((number,))
        if number >= len(self._pairs):
            m = self._larger[number - len(self._pairs)]
            return Mixup(m.kind, m.reason, values, m.log_odds)
        odds = float(self._odds[number])
        return Mixup("swapped", "the two readings changed places", values, odds)

    def values(self, mixups: Sequence[int]) -> dict[Position, _Reading]:
        """Return the readings with some mix-ups undone together, as `Mixup.values`."""
        numbers = self.undone(mixups)
        left: dict[Position, _Reading] = {self.readings[i]: (nan, nan) for i in numbers}
        return left | {m.place: (m.value, m.sd) for m in numbers.values() if m.place is not None}

    def undone(self, mixups: Sequence[int]) -> Mapping[int, MovedNumber]:
        """Return by their rows the numbers that some mix-ups have to do with, all undone.

        One after the other, exchanges of two readings first: a number goes on with the sample that
        it came to.
        """
        key = tuple(mixups)
        if key not in self._undone:
            self._undone[key] = self._all_undone(key)
        return self._undone[key]

    def _all_undone(self, mixups: Sequence[int]) -> dict[int, MovedNumber]:
        found: dict[int, MovedNumber] = {}
        for i in self.with_rows((), mixups):
            found[i] = MovedNumber(self.readings[i], *self.slips.as_read(self.readings[i]))
        for c in mixups:
            moves = self._destinations(c)
            for i, (place, value, sd) in found.items():
                if place not in moves:
                    continue
                to, times = moves[place], 1.0
                if c < len(self._pairs) and to is not None:
                    value, sd = self.slips.in_place_of(to, self.readings[i])
                elif self.is_of_one(c):
                    times = self._larger[c - len(self._pairs)].times
                found[i] = MovedNumber(to, times * value, times * sd)
        return found

    def _destinations(self, number: int) -> dict[Position, Position | None]:
        """Return where what stands at a place belongs, a mix-up undone; None where nobody knows."""
        places = [self.readings[i] for i in self.rows(number).tolist()]
        if number < len(self._pairs):
            return dict(zip(places, reversed(places), strict=True))
        m = self._larger[number - len(self._pairs)]
        found: dict[Position, Position | None] = dict.fromkeys(places)
        found |= {
            self.readings[j]: p for p, j in zip(places, m.source.tolist(), strict=True) if j >= 0
        }
        return found | {self.readings[i]: p for p, i in m.elsewhere}

    def untold(self, mixups: Sequence[int]) -> frozenset[int]:
        """Return the rows of numbers that belong in no place of their own column."""
        return frozenset(
            i for i, m in self.undone(mixups).items()
            if m.place is None or m.place.analyte != self.readings[i].analyte
        )  # fmt: skip

    def beside(self, number: int, mixups: Sequence[int], *, linear: bool = False) -> bool:
        """Whether a mix-up can be undone besides others.

        They have no place in common, or one is of samples and the other of two readings or one:
        two exchanges of samples would be a third. Linear is only what comes to be with the samples
        where they belong.
        """
        few, own = self._of_few(number), self._places(number) if mixups else set()
        return all(
            (self._of_few(c) != few and (few or not linear)) or own.isdisjoint(self._places(c))
            for c in mixups
        )

    def _places(self, number: int) -> set[Position | None]:
        """Return the places that numbers leave or come to, those that nobody measured with them."""
        moves = self._destinations(number)
        return {*moves, *moves.values()} - {None}

    def _of_few(self, number: int) -> bool:
        return number < len(self._pairs) or self.is_of_one(number)

    def of_streams(self, mixups: Sequence[int]) -> list[int]:
        """Return the exchanges of samples and streams that can be undone besides some mix-ups.

        The likeliest before looking come first.
        """
        found = [
            (-m.log_odds, c) for c, m in enumerate(self._larger, len(self._pairs))
            if m.kind in ("samples", "streams") and self.beside(c, mixups)
        ]  # fmt: skip
        return [c for _, c in sorted(found)]

    def rows(self, number: int) -> Ints:
        """Return the rows of the readings that a mix-up has to do with."""
        n = len(self._pairs)
        return self._pairs[number] if number < n else self._larger[number - n].rows

    def with_rows(self, rows: Sequence[int], mixups: Sequence[int]) -> list[int]:
        """Return rows, and those of mix-ups with them, each once."""
        return list(dict.fromkeys((*rows, *(int(i) for c in mixups for i in self.rows(c)))))

    def gains(self, products: InnerProducts, r: Floats) -> list[tuple[int, float]]:
        """Return mix-ups and by how much each would raise the log evidence, the best first.

        ``products``, ``r`` are those of the signatures, other errors left out; linear.
        """
        shift, (i, j), own = self._pair_shifts, self._pairs.T, products.diagonal
        gain = (shift * r[self._pairs] - 0.5 * shift**2 * own[self._pairs]).sum(axis=1)
        gain += self._odds
        # a product of two signatures is at most that of their lengths: only these can be the best
        cross = shift[:, 0] * shift[:, 1]
        room = np.abs(cross) * np.sqrt(np.maximum(own[i], 0.0) * np.maximum(own[j], 0.0))
        some = np.arange(gain.size)
        if gain.size > _TOLD:
            least = np.partition(gain - room, -_TOLD)[-_TOLD]
            some = np.flatnonzero(gain + room >= least)
        exact = gain[some] - cross[some] * products.pairs(i[some], j[some])
        best = np.argsort(-exact, kind="stable")[:_TOLD].tolist()
        found = [(int(some[c]), float(exact[c])) for c in best]
        if self._larger:
            found += self._gains_of_larger(products, r)
        return sorted(found, key=lambda pair: -pair[1])[:_TOLD]

    def _gains_of_larger(self, products: InnerProducts, r: Floats) -> list[tuple[int, float]]:
        n, first = len(self.readings), len(self._pairs)
        moves, read = self._moves, r[:n]
        pulled = products.times(moves)
        gain = moves @ read - 0.5 * np.einsum("ci,ci->c", moves, pulled)
        gain += np.array([m.log_odds for m in self._larger])
        # rounding times decades squared is no gain: only its own balance tells of what is not seen
        unseen = products.diagonal[: len(self.readings)] <= SEEN
        gain[[m.times != 1.0 and bool(unseen[m.rows[0]]) for m in self._larger]] = -np.inf
        # readings whose values nobody knows take what is left
        for c, end in self._unknown:
            left = read[end] - pulled[c[:, None], end]
            inverse = np.linalg.pinv(products.pairs(end[:, :, None], end[:, None, :]))
            gain[c] += 0.5 * np.einsum("ci,cij,cj->c", left, inverse, left)
        return [(c + first, g) for c, g in enumerate(gain.tolist())]

    @cached_property
    def _moves(self) -> Floats:
        """Of each larger mix-up the errors of all readings, 0 where unknown: (n_larger, n)."""
        moves = np.zeros((len(self._larger), len(self.readings)))
        for c, m in enumerate(self._larger):
            read = self._value
            gap = np.where(m.source < 0, 0.0, read[m.rows] - m.times * read[m.source])
            moves[c, m.rows] = gap / self.unit[m.rows]
        return moves

    @cached_property
    def _unknown(self) -> list[tuple[Ints, Ints]]:
        """Larger mix-ups with values that nobody knows, and their rows; those of as many alike."""
        found: dict[int, list[tuple[int, Ints]]] = {}
        for c, m in enumerate(self._larger):
            end = m.rows[m.source < 0]
            if end.size:
                found.setdefault(end.size, []).append((c, end))
        return [
            (np.array([c for c, _ in part]), np.array([end for _, end in part]))
            for part in found.values()
        ]

    def volumes(self, numbers: Sequence[int], products: InnerProducts) -> Floats:
        """Return what mix-ups add to the log evidence beside the objective and their odds.

        Shape (n_numbers,). Stated errors move with the readings; one put right by decades adds
        nothing, any scale being as likely; a reading whose value nobody knows is as likely as any
        of its size, as is one where nobody measured. ``products`` are those of the survey as read.
        """
        found = np.zeros(len(numbers))
        pairs = [at for at, c in enumerate(numbers) if c < len(self._pairs)]
        if pairs:
            i, j = self._pairs[[numbers[at] for at in pairs]].T
            sd = np.array([[e for _, e in self[numbers[at]].values.values()] for at in pairs])
            own = np.maximum(sd / self.unit[np.column_stack([i, j])], _SHARPEST) ** 2 - 1.0
            square = products.diagonal
            one, other = 1.0 + own[:, 0] * square[i], 1.0 + own[:, 1] * square[j]
            both = one * other - own[:, 0] * own[:, 1] * products.pairs(i, j) ** 2
            found[pairs] = -0.5 * np.log(np.abs(both))
        for at, c in enumerate(numbers):
            if c >= len(self._pairs):
                found[at] = self._volume_of_larger(c, products)
        return found

    def _volume_of_larger(self, number: int, products: InnerProducts) -> float:
        mixup, rows = self[number], self.rows(number)
        if self.is_of_one(number):
            return 0.0  # any scale is as likely
        sd = np.array([mixup.values[self.readings[i]][1] for i in rows.tolist()])
        lost = np.isnan(sd)
        ratio = np.where(lost, 1.0, sd / self.unit[rows])
        own = np.maximum(ratio, _SHARPEST) ** 2 - 1.0
        M = np.eye(rows.size) + own[:, None] * products.at(rows)
        found = -0.5 * float(np.linalg.slogdet(M)[1])
        if lost.any():
            end = rows[lost]
            size = np.abs(self._read[end]) / self._sd[end] + 1.0
            covariance = covariance_known(products.at(end), np.ones(end.size), size)
            found += 0.5 * float(np.linalg.slogdet(2.0 * np.pi * covariance)[1])
            found -= float(np.log(size).sum())
        return found


def _as_written(slips: PossibleSlips, place: Position) -> tuple[float, float]:
    """Return a number as it was written and its stated error, base units."""
    (value, sd), (number, unit) = slips.as_read(place), slips.number(place)
    written = unit.to_base(number)
    return written, sd * written / value if value > 0.0 else sd
