"""Slips with several numbers at once: exchanges, and lines of a sheet typed too high or too low.

Exchanged are two readings, the samples of two streams under each other's names, or all numbers of
two streams. People err beside where they should be, so half of the chance belongs to neighbours:
streams or analytes that follow each other as the survey lists them. The chances are our own choice;
no source counts such slips.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations
from math import log, nan

import numpy as np

from oretally.flowsheet import Position
from oretally.flowsheet.arrays import Floats, Ints
from oretally.recon.signatures.evidence import covariance_known
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
_WIDE = 100  # readings in a mix-up that count as many
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
    """

    def __init__(self, slips: PossibleSlips, readings: Sequence[Position], unit: Floats) -> None:
        self.slips, self.readings = slips, readings
        row = {place: i for i, place in enumerate(readings)}
        # as written, and its stated error: a share as the mass it was made from
        read = [_as_written(slips, p) if p in slips.written else (nan, nan) for p in readings]
        self._read, own = np.array(read).reshape(-1, 2).T
        self._sd = np.where(np.isfinite(own), own, 1.0)
        self.unit = unit
        self._pairs, self._odds, self._pair_shifts = self._two_readings(row)
        every = (*_samples(slips, row), *_lines(slips, row))
        if sum(m.rows.size for m in every) > _WORK:
            every = tuple(m for m in every if m.near)
        self._larger = [m for m in every if (m.rows >= 0).all()]

    def __len__(self) -> int:
        return len(self._pairs) + len(self._larger)

    def __getitem__(self, number: int) -> Mixup:
        """Return a mix-up by its number."""
        if number >= len(self._pairs):
            m = self._larger[number - len(self._pairs)]
            values = {
                self.readings[i]: (nan, nan)
                if j < 0
                else self.slips.in_place_of(self.readings[i], self.readings[j])
                for i, j in zip(m.rows.tolist(), m.source.tolist(), strict=True)
            }
            return Mixup(m.kind, m.reason, values, m.log_odds)
        i, j = self._pairs[number]
        a, b = self.readings[i], self.readings[j]
        values = {a: self.slips.in_place_of(a, b), b: self.slips.in_place_of(b, a)}
        return Mixup(
            "swapped", "the two readings changed places", values, float(self._odds[number])
        )

    def rows(self, number: int) -> Ints:
        """Return the rows of the readings that a mix-up has to do with."""
        n = len(self._pairs)
        return self._pairs[number] if number < n else self._larger[number - n].rows

    def gains(self, P: Floats, r: Floats) -> list[tuple[int, float]]:
        """Return mix-ups and by how much each would raise the log evidence, the best first.

        ``P``, ``r`` are inner products of the signatures, other errors left out, shape (n, n) and
        (n,); linear.
        """
        shift, (i, j) = self._pair_shifts, self._pairs.T
        own = shift[:, 0] ** 2 * P[i, i] + shift[:, 1] ** 2 * P[j, j]
        gain = (shift * r[self._pairs]).sum(axis=1) - 0.5 * own
        gain += self._odds - shift[:, 0] * shift[:, 1] * P[i, j]
        best = np.argsort(-gain, kind="stable")[:_TOLD].tolist()
        found = [(c, float(gain[c])) for c in best]
        for c, (m, pulled) in enumerate(zip(self._larger, self._pulled(P), strict=True)):
            rows, lost, move = m.rows, m.source < 0, self._shifts[c]
            more = float(move @ r[rows] - 0.5 * move @ pulled)
            if lost.any():
                left, end = (r[rows] - pulled)[lost], rows[lost]
                more += 0.5 * float(left @ np.linalg.pinv(P[np.ix_(end, end)]) @ left)
            found.append((c + len(self._pairs), more + m.log_odds))
        return sorted(found, key=lambda pair: -pair[1])[:_TOLD]

    def _pulled(self, P: Floats) -> list[Floats]:
        """Return P times the errors of each larger mix-up, at its own rows."""
        n = len(self.readings)
        wide = [c for c, m in enumerate(self._larger) if m.rows.size > _WIDE]
        found = dict.fromkeys(wide, np.zeros(0))
        if wide:  # all at once, where taking the rows out of P would cost as much
            moves = np.zeros((len(wide), n))
            for at, c in enumerate(wide):
                moves[at, self._larger[c].rows] = self._shifts[c]
            whole = moves @ P[:n, :n]
            found = {c: whole[at, self._larger[c].rows] for at, c in enumerate(wide)}
        return [
            found[c] if c in found else P[np.ix_(m.rows, m.rows)] @ self._shifts[c]
            for c, m in enumerate(self._larger)
        ]

    def volume(self, number: int, P: Floats) -> float:
        """Return what a mix-up adds to the log evidence beside the objective and its odds.

        Stated errors move with the readings; a reading whose value nobody knows is as likely as any
        of its size. ``P``, shape (n, n), is that of the survey as read.
        """
        mixup, rows = self[number], self.rows(number)
        sd = np.array([e for _, e in mixup.values.values()])
        lost = np.isnan(sd)
        ratio = np.where(lost, 1.0, sd / self.unit[rows])
        own = np.maximum(ratio, _SHARPEST) ** 2 - 1.0
        M = np.eye(rows.size) + own[:, None] * P[np.ix_(rows, rows)]
        found = -0.5 * float(np.linalg.slogdet(M)[1])
        if lost.any():
            end = rows[lost]
            size = np.abs(self._read[end]) / self._sd[end] + 1.0
            covariance = covariance_known(P[np.ix_(end, end)], np.ones(end.size), size)
            found += 0.5 * float(np.linalg.slogdet(2.0 * np.pi * covariance)[1])
            found -= float(np.log(size).sum())
        return found

    @cached_property
    def _shifts(self) -> list[Floats]:
        """Of each larger mix-up the errors of its readings, 0 where they are unknown."""
        read = self._read
        return [
            np.where(m.source < 0, 0.0, read[m.rows] - read[m.source]) / self._sd[m.rows]
            for m in self._larger
        ]

    def _two_readings(self, row: Mapping[Position, int]) -> tuple[Ints, Floats, Floats]:
        """Return exchanges in one column and in one row.

        Pairs of rows, shape (n, 2), their log odds, and errors in stated ones, shape (n, 2).
        """
        slips = self.slips
        lines: dict[tuple[object, ...], list[Position]] = {}
        for quantity, column in slips.columns.items():
            for stream in slips.streams:
                if stream in column and column[stream] in row:
                    place, kind = column[stream], slips.unit_of(column[stream])
                    if not slips.of_stack(place) or slips.written[place].written is not None:
                        lines.setdefault(("column", quantity, kind), []).append(place)
                    lines.setdefault(("row", stream, kind), []).append(place)
        pairs, odds = [np.zeros((0, 2), dtype=np.intp)], [np.zeros(0)]
        shifts = [np.zeros((0, 2))]
        for key, places in lines.items():
            at = np.array([row[p] for p in places], dtype=np.intp)
            rate = np.array([slips.rate(p) for p in places])
            i, j = np.triu_indices(len(places), 1)
            # half of each reading's exchanges are in its column, half in its row
            chance = 0.5 * SWAPPED * (rate[i] + rate[j]) * _share(j - i, len(places))
            # in a row the numbers move as they were written, whatever their units
            scale = np.array([
                slips.number(p)[1].to_base(1.0) if key[0] == "row" else 1.0 for p in places
            ])  # fmt: skip
            read, sd = self._read[at] / scale, self._sd[at] / scale
            gap = read[i] - read[j]
            differ = (gap != 0.0) & (chance > 0.0)
            pairs.append(np.column_stack([at[i], at[j]])[differ])
            odds.append(np.log(chance[differ]))
            shifts.append(np.column_stack([gap / sd[i], -gap / sd[j]])[differ])
        return np.concatenate(pairs), np.concatenate(odds), np.concatenate(shifts)


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

    -1 where nobody knows. ``near``: of neighbours, or of a whole sheet.
    """

    kind: str
    reason: str
    rows: Ints
    source: Ints
    log_odds: float
    near: bool


def _samples(slips: PossibleSlips, row: Mapping[Position, int]) -> Iterator[_Larger]:
    """Yield exchanges of all assays of two streams, and of all numbers of theirs."""
    assays: dict[str, dict[str, int]] = {}
    flows: dict[str, dict[str, int]] = {}
    for quantity, column in slips.columns.items():
        part = flows if slips.meanings[quantity].is_flow else assays
        for stream, place in column.items():
            part.setdefault(stream, {})[quantity] = row.get(place, -1)
    streams = [s for s in slips.streams if s in assays]
    n = len(streams)
    for i, j in combinations(range(n), 2):
        a, b = streams[i], streams[j]
        chance = slips.overall * float(_share(np.array(j - i), n))
        if assays[a].keys() != assays[b].keys() or chance <= 0.0:
            continue
        one, other = list(assays[a].values()), [assays[b][q] for q in assays[a]]
        names, near = f"'{a}' and '{b}'", j - i == 1
        if len(one) > 1:  # one alone is an exchange of two readings
            yield _exchange("samples", f"the samples of {names} changed places", one, other=other,
                            chance=SAMPLES * chance, near=near)  # fmt: skip
        if a in flows and flows[a].keys() == flows.get(b, {}).keys():
            yield _exchange(
                "streams", f"all numbers of {names} changed places",
                [*one, *flows[a].values()], other=[*other, *(flows[b][q] for q in flows[a])],
                chance=STREAMS * chance, near=near,
            )  # fmt: skip


def _exchange(
    kind: str, reason: str, one: list[int], *, other: list[int], chance: float, near: bool
) -> _Larger:
    rows, source = np.array(one + other, dtype=np.intp), np.array(other + one, dtype=np.intp)
    return _Larger(kind, reason, rows, source, log(chance), near)


def _lines(slips: PossibleSlips, row: Mapping[Position, int]) -> Iterator[_Larger]:
    """Yield columns of assays typed one line too high or too low from some sample on."""
    columns = [
        [column[s] for s in slips.streams if s in column]
        for quantity, column in slips.columns.items()
        if slips.meanings[quantity].analyte is not None
        and not any(slips.of_stack(p) for p in column.values())
    ]
    columns = [places for places in columns if len(places) >= _FEWEST]
    together = len(columns) > 1 and len({len(places) for places in columns}) == 1
    for group in ([columns] if together else []) + [[places] for places in columns]:
        whole = together and len(group) > 1
        share = 0.5 if whole else 0.5 / len(columns)
        n = len(group[0])
        chance = LINES * slips.overall * share / (2 * (n - _FEWEST + 1))
        at = np.array([[row.get(p, -1) for p in places] for places in group], dtype=np.intp)
        for first in range(n - _FEWEST + 1) if chance > 0.0 else ():
            where, part = slips.written[group[0][first]].stream, at[:, first:]
            lost = np.full((len(group), 1), -1, dtype=np.intp)
            for way, moved in (("high", [lost, part[:, :-1]]), ("low", [part[:, 1:], lost])):
                reason = f"the assays from '{where}' on stand one line too {way}"
                source = np.hstack(moved).ravel()
                yield _Larger("lines", reason, part.ravel(), source, log(chance), whole)
