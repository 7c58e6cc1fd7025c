"""Slips that are put right as they are tried: exchanges, lines typed too high or low, decades.

Exchanged are two readings, the samples of two streams under each other's names, or all numbers of
two streams. People err beside where they should be, so half of the chance belongs to neighbours:
streams or analytes that follow each other as the survey lists them. The chances are our own choice;
no source counts such slips.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from math import nan

import numpy as np

from oretally.flowsheet import Position
from oretally.flowsheet.arrays import Bools, Floats, Ints
from oretally.recon.propagation import SEEN
from oretally.recon.signatures.decades import decades
from oretally.recon.signatures.evidence import covariance_known
from oretally.recon.signatures.inner_products import InnerProducts
from oretally.recon.signatures.larger_mixups import (
    LargerMixup,
    lines,
    readings_in_lines,
    readings_in_samples,
    samples,
    share_of_exchanges,
    unlike_streams,
)
from oretally.recon.signatures.possible_slips import PossibleSlips
from oretally.recon.signatures.slips import SWAPPED

__all__ = ["Mixup", "Mixups"]

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
        rate = slips.rates(readings) if rate is None else rate
        self._pairs, self._odds, self._pair_shifts = self._two_readings(row, rate, among)
        self._larger: list[LargerMixup] = []
        if among is None:
            near = readings_in_samples(slips) + readings_in_lines(slips) > _WORK
            every = (*samples(slips, row, near=near), *lines(slips, row, near=near),
                     *unlike_streams(slips, row, _WORK))  # fmt: skip
            far = decades(slips, row, rate if checked is None else np.where(checked, rate, 0.0))
            self._larger = [m for m in (*every, *far) if (m.rows >= 0).all()]
        self._known: dict[int, Mixup] = {}
        if slips.usual:
            usual = [slips.usual_of_meant(self._mixup(c).values) for c in range(len(self))]
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
        if number >= len(self._pairs):
            m = self._larger[number - len(self._pairs)]
            if m.times != 1.0:
                place = self.readings[int(m.rows[0])]
                value, sd = self.slips.as_read(place)
                own = {place: (value * m.times, sd * m.times)}
                return Mixup(m.kind, m.reason, own, m.log_odds)
            values = {
                self.readings[i]: (nan, nan)
                if j < 0
                else self.slips.in_place_of(self.readings[i], self.readings[j])
                for i, j in zip(m.rows.tolist(), m.source.tolist(), strict=True)
            }
            values |= {p: self.slips.as_read(self.readings[i]) for p, i in m.elsewhere}
            return Mixup(m.kind, m.reason, values, m.log_odds)
        i, j = self._pairs[number].tolist()
        a, b = self.readings[i], self.readings[j]
        values = {a: self.slips.in_place_of(a, b), b: self.slips.in_place_of(b, a)}
        return Mixup(
            "swapped", "the two readings changed places", values, float(self._odds[number])
        )

    def of_streams(self, rows: Sequence[int], mixups: Sequence[int]) -> list[int]:
        """Return the exchanges of samples and streams without a part in some rows and mix-ups."""
        taken = {*rows, *(i for c in mixups for i in self.rows(c).tolist())}
        return [
            c for c, m in enumerate(self._larger, len(self._pairs))
            if m.kind in ("samples", "streams") and taken.isdisjoint(m.rows.tolist())
        ]  # fmt: skip

    def rows(self, number: int) -> Ints:
        """Return the rows of the readings that a mix-up has to do with."""
        n = len(self._pairs)
        return self._pairs[number] if number < n else self._larger[number - n].rows

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
            read = self._read
            gap = np.where(m.source < 0, 0.0, read[m.rows] - m.times * read[m.source])
            moves[c, m.rows] = gap / self._sd[m.rows]
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

    def _two_readings(
        self, row: Mapping[Position, int], rate: Floats, among: Sequence[int] | None
    ) -> tuple[Ints, Floats, Floats]:
        """Return exchanges in one column and in one row.

        Pairs of rows, shape (n, 2), their log odds, and errors in stated ones, shape (n, 2).
        """
        slips, looked = self.slips, np.ones(len(self.readings), dtype=bool)
        wanted = None
        if among is not None:
            looked[:] = False
            looked[among] = True
            wanted = _lines_of_two(slips, [self.readings[i] for i in among])
        together: dict[tuple[object, ...], list[int]] = {}
        scale = np.ones(len(self.readings))
        for quantity, column in slips.columns.items():
            for stream in slips.streams:
                if wanted is not None and quantity not in wanted and stream not in wanted:
                    continue
                place = column.get(stream)
                if place is None or place not in row:
                    continue
                (_, unit), stack, i = slips.number(place), slips.of_stack(place), row[place]
                scale[i] = unit.to_base(1.0)
                kind = unit.dimension, stack
                if not stack or slips.written[place].written is not None:
                    together.setdefault(("column", quantity, kind), []).append(i)
                together.setdefault(("row", stream, kind), []).append(i)
        pairs, odds = [np.zeros((0, 2), dtype=np.intp)], [np.zeros(0)]
        shifts = [np.zeros((0, 2))]
        for key, line in together.items():
            at = np.array(line, dtype=np.intp)
            some = np.flatnonzero(looked[at])
            if some.size < 2:
                continue
            one, other = _two_of(some.size)
            apart, a, b = some[other] - some[one], at[some[one]], at[some[other]]
            # half of each reading's exchanges are in its column, half in its row
            chance = 0.5 * SWAPPED * (rate[a] + rate[b]) * share_of_exchanges(apart, at.size)
            # in a row the numbers move as they were written, whatever their units
            own = scale if key[0] == "row" else np.ones(scale.size)
            gap = self._read[a] / own[a] - self._read[b] / own[b]
            differ = (gap != 0.0) & (chance > 0.0)
            pairs.append(np.column_stack([a, b])[differ])
            odds.append(np.log(chance[differ]))
            sd_a, sd_b = self._sd[a] / own[a], self._sd[b] / own[b]
            shifts.append(np.column_stack([gap / sd_a, -gap / sd_b])[differ])
        return np.concatenate(pairs), np.concatenate(odds), np.concatenate(shifts)


def _lines_of_two(slips: PossibleSlips, places: Sequence[Position]) -> set[str]:
    """Return the quantities and the streams of which two or more of the readings are."""
    written = [slips.written[p] for p in places if p in slips.written]
    return {
        name
        for names in (Counter(m.quantity for m in written), Counter(m.stream for m in written))
        for name, n in names.items()
        if n > 1
    }


@lru_cache(maxsize=8)
def _two_of(n: int) -> tuple[Ints, Ints]:
    """Return all pairs of n things, the first one first."""
    one, other = np.triu_indices(n, 1)
    return one, other


def _as_written(slips: PossibleSlips, place: Position) -> tuple[float, float]:
    """Return a number as it was written and its stated error, base units."""
    (value, sd), (number, unit) = slips.as_read(place), slips.number(place)
    written = unit.to_base(number)
    return written, sd * written / value if value > 0.0 else sd
