"""Slips with several numbers at once: exchanges, and lines of a sheet typed too high or too low.

Exchanged are two readings, the samples of two streams under each other's names, or all numbers of
two streams. People err beside where they should be, so half of the chance belongs to neighbours:
streams or analytes that follow each other as the survey lists them. The chances are our own choice;
no source counts such slips.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import combinations
from math import comb, log, nan

import numpy as np

from oretally.flowsheet import Position
from oretally.flowsheet.arrays import Floats, Ints
from oretally.recon.signatures.evidence import covariance_known
from oretally.recon.signatures.inner_products import InnerProducts
from oretally.recon.signatures.possible_slips import PossibleSlips
from oretally.recon.signatures.slips import SWAPPED

__all__ = ["Mixup", "Mixups"]

_Reading = tuple[float, float]

SAMPLES, STREAMS, LINES = 0.25, 0.10, 0.02
"""Chances that samples, or all numbers, of two streams are exchanged, or lines shifted: of each
stream, as a share of the rate of wrong numbers."""
_NEXT = 0.5  # of the chance of an exchange, that it is with a neighbour
_FEWEST = 4  # lines in a shift: two are an exchange, three nobody miscounts
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
        Value and stated error as they were meant, in base units; NaN where nobody knows.
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
    """

    def __init__(
        self, slips: PossibleSlips, readings: Sequence[Position], unit: Floats,
        rate: Floats | None = None, among: Sequence[int] | None = None,
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
        self._larger: list[_Larger] = []
        if among is None:
            near = _readings_in_samples(slips) + _readings_in_lines(slips) > _WORK
            every = (*_samples(slips, row, near=near), *_lines(slips, row, near=near))
            self._larger = [m for m in every if (m.rows >= 0).all()]
        self._known: dict[int, Mixup] = {}

    def __len__(self) -> int:
        return len(self._pairs) + len(self._larger)

    def __getitem__(self, number: int) -> Mixup:
        """Return a mix-up by its number."""
        if number not in self._known:
            self._known[number] = self._mixup(number)
        return self._known[number]

    def _mixup(self, number: int) -> Mixup:
        if number >= len(self._pairs):
            m = self._larger[number - len(self._pairs)]
            values = {
                self.readings[i]: (nan, nan)
                if j < 0
                else self.slips.in_place_of(self.readings[i], self.readings[j])
                for i, j in zip(m.rows.tolist(), m.source.tolist(), strict=True)
            }
            return Mixup(m.kind, m.reason, values, m.log_odds)
        i, j = self._pairs[number].tolist()
        a, b = self.readings[i], self.readings[j]
        values = {a: self.slips.in_place_of(a, b), b: self.slips.in_place_of(b, a)}
        return Mixup(
            "swapped", "the two readings changed places", values, float(self._odds[number])
        )

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
            gap = np.where(m.source < 0, 0.0, read[m.rows] - read[m.source])
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

        Shape (n_numbers,). Stated errors move with the readings; a reading whose value nobody knows
        is as likely as any of its size. ``products`` are those of the survey as read.
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
        sd = np.array([e for _, e in mixup.values.values()])
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
        lines: dict[tuple[object, ...], list[int]] = {}
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
                    lines.setdefault(("column", quantity, kind), []).append(i)
                lines.setdefault(("row", stream, kind), []).append(i)
        pairs, odds = [np.zeros((0, 2), dtype=np.intp)], [np.zeros(0)]
        shifts = [np.zeros((0, 2))]
        for key, line in lines.items():
            at = np.array(line, dtype=np.intp)
            some = np.flatnonzero(looked[at])
            if some.size < 2:
                continue
            one, other = _two_of(some.size)
            apart, a, b = some[other] - some[one], at[some[one]], at[some[other]]
            # half of each reading's exchanges are in its column, half in its row
            chance = 0.5 * SWAPPED * (rate[a] + rate[b]) * _share(apart, at.size)
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


def _share(apart: Ints, n: int) -> Floats:
    """Return the share of the exchanges of one of n in a row that are with one so far apart."""
    if n <= 3:
        return np.full(apart.shape, 1.0 / max(n - 1, 1))
    return np.where(apart == 1, 0.5 * _NEXT, 0.0) + (1.0 - _NEXT) / (n - 1)


def _as_written(slips: PossibleSlips, place: Position) -> tuple[float, float]:
    """Return a number as it was written and its stated error, base units."""
    (value, sd), (number, unit) = slips.as_read(place), slips.number(place)
    written = unit.to_base(number)
    return written, sd * written / value if value > 0.0 else sd


@dataclass(frozen=True, eq=False)
class _Larger:
    """A mix-up of more than two readings: rows, and those of the readings that belong there.

    -1 where nobody knows.
    """

    kind: str
    reason: str
    rows: Ints
    source: Ints
    log_odds: float


def _numbers_of(
    slips: PossibleSlips,
) -> tuple[dict[str, dict[str, Position]], dict[str, dict[str, Position]]]:
    """Return where the assays and the flows of each stream stand, by quantity."""
    assays: dict[str, dict[str, Position]] = {}
    flows: dict[str, dict[str, Position]] = {}
    for quantity, column in slips.columns.items():
        part = flows if slips.meanings[quantity].is_flow else assays
        for stream, place in column.items():
            part.setdefault(stream, {})[quantity] = place
    return assays, flows


def _readings_in_samples(slips: PossibleSlips) -> int:
    """Return how many readings all exchanges of samples and streams have to do with."""
    if slips.overall <= 0.0:
        return 0
    assays, flows = _numbers_of(slips)
    of_samples = Counter(frozenset(a) for a in assays.values())
    of_streams = Counter(
        (frozenset(a), frozenset(flows[s])) for s, a in assays.items() if s in flows
    )
    found = sum(2 * len(a) * comb(n, 2) for a, n in of_samples.items() if len(a) > 1)
    return found + sum(2 * (len(a) + len(f)) * comb(n, 2) for (a, f), n in of_streams.items())


def _samples(slips: PossibleSlips, row: Mapping[Position, int], *, near: bool) -> Iterator[_Larger]:
    """Yield exchanges of all assays of two streams, and of all numbers of theirs.

    With ``near`` of neighbours alone.
    """
    assays, flows = _numbers_of(slips)
    streams = [s for s in slips.streams if s in assays]
    n = len(streams)
    every = zip(range(n - 1), range(1, n), strict=True) if near else combinations(range(n), 2)
    for i, j in every:
        a, b = streams[i], streams[j]
        chance = slips.overall * float(_share(np.array(j - i), n))
        if assays[a].keys() != assays[b].keys() or chance <= 0.0:
            continue
        one = [row.get(p, -1) for p in assays[a].values()]
        other = [row.get(assays[b][q], -1) for q in assays[a]]
        names = f"'{a}' and '{b}'"
        if len(one) > 1:  # one alone is an exchange of two readings
            yield _exchange("samples", f"the samples of {names} changed places", one, other=other,
                            chance=SAMPLES * chance)  # fmt: skip
        if a in flows and flows[a].keys() == flows.get(b, {}).keys():
            one = [*one, *(row.get(p, -1) for p in flows[a].values())]
            other = [*other, *(row.get(flows[b][q], -1) for q in flows[a])]
            yield _exchange("streams", f"all numbers of {names} changed places", one, other=other,
                            chance=STREAMS * chance)  # fmt: skip


def _exchange(
    kind: str, reason: str, one: list[int], *, other: list[int], chance: float
) -> _Larger:
    rows, source = np.array(one + other, dtype=np.intp), np.array(other + one, dtype=np.intp)
    return _Larger(kind, reason, rows, source, log(chance))


def _columns_of_assays(slips: PossibleSlips) -> list[list[list[Position]]]:
    """Return columns of assays in which a line can be missed: all together, then each by itself."""
    columns = [
        [column[s] for s in slips.streams if s in column]
        for quantity, column in slips.columns.items()
        if slips.meanings[quantity].analyte is not None
        and not any(slips.of_stack(p) for p in column.values())
    ]
    columns = [places for places in columns if len(places) >= _FEWEST]
    together = len(columns) > 1 and len({len(places) for places in columns}) == 1
    return ([columns] if together else []) + [[places] for places in columns]


def _readings_in_lines(slips: PossibleSlips) -> int:
    """Return how many readings all shifts of lines have to do with."""
    if slips.overall <= 0.0:
        return 0
    ends = ((len(group), len(group[0])) for group in _columns_of_assays(slips))
    return sum(2 * c * (n * (n + 1) - _FEWEST * (_FEWEST - 1)) // 2 for c, n in ends)


def _lines(slips: PossibleSlips, row: Mapping[Position, int], *, near: bool) -> Iterator[_Larger]:
    """Yield columns of assays typed one line too high or too low from some sample on.

    With ``near`` whole sheets alone.
    """
    groups = _columns_of_assays(slips)
    single = sum(len(group) == 1 for group in groups)
    for group in groups:
        whole = len(group) > 1
        if near and not whole:
            continue
        share = 0.5 if whole else 0.5 / single
        n = len(group[0])
        chance = LINES * slips.overall * share / (2 * (n - _FEWEST + 1))
        at = np.array([[row.get(p, -1) for p in places] for places in group], dtype=np.intp)
        for first in range(n - _FEWEST + 1) if chance > 0.0 else ():
            where, part = slips.written[group[0][first]].stream, at[:, first:]
            lost = np.full((len(group), 1), -1, dtype=np.intp)
            for way, moved in (("high", [lost, part[:, :-1]]), ("low", [part[:, 1:], lost])):
                reason = f"the assays from '{where}' on stand one line too {way}"
                source = np.hstack(moved).ravel()
                yield _Larger("lines", reason, part.ravel(), source, log(chance))
