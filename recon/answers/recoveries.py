"""Recoveries, yields, enrichment and ratios of concentration, with their sd.

With F the solids and f the grade of the reference, P and p those of another stream::

    recovery P p / (F f)    yield P / F    ratio of concentration F / P    enrichment p / f

The reference is the feed, or all feeds together: F their sum, F f the sum of what each has.

References
----------
B.A. Wills and T.J. Napier-Munn, Mineral Processing Technology, 7th ed. (2006), chapter 1: recovery,
ratio of concentration, enrichment ratio. JCGM 100:2008 (GUM), eq. 13: their sd. Cited from memory.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from oretally.flowsheet import BalanceModel, Position
from oretally.flowsheet.circuit import reference_name
from oretally.recon.propagation import (
    Adjusted,
    adjusted,
    amount_at,
    amount_roots,
    estimate,
    estimates,
    per_unit,
    total,
)
from oretally.recon.result import Estimate, Recovery, Separation
from oretally.recon.solver import Covariance, Released, one_sided_limit

__all__ = ["Answers"]

_NOTHING_LEFT = 100.0  # times: below, limits can still be drawn for a rough ratio

_Told = tuple[float | None, float | None]


_ALL = 1.0 - 1e-9  # a recovery above it is all


@dataclass(frozen=True)
class Answers:
    """Answers computed from adjusted values.

    Attributes
    ----------
    model : BalanceModel
    covariance : Covariance
        Of its adjusted values.
    feeds : tuple of int
        Numbers of the streams to which recoveries refer, all together.
    products : tuple of int
    """

    model: BalanceModel
    covariance: Covariance
    feeds: tuple[int, ...]
    products: tuple[int, ...]

    @classmethod
    def of(
        cls, model: BalanceModel, covariance: Covariance, *, feeds: Sequence[str],
        products: Sequence[str],
    ) -> Answers:  # fmt: skip
        """Return the answers for streams by name."""
        at = model.circuit.stream_names.index
        return cls(model, covariance, tuple(map(at, feeds)), tuple(map(at, products)))

    @cached_property
    def streams(self) -> tuple[str, ...]:
        """Names, in the order of the arrays."""
        return self.model.circuit.stream_names

    @cached_property
    def analytes(self) -> tuple[str, ...]:
        """Names, in the order of the arrays."""
        return tuple(a.name for a in self.model.survey.analytes)

    @cached_property
    def reference(self) -> str:
        """What the streams to which recoveries refer are called together."""
        return reference_name([self.streams[j] for j in self.feeds])

    def is_reference(self, j: int) -> bool:
        """Return whether a stream is all to which recoveries refer, so that it has none."""
        return self.feeds == (j,)

    def whole(self, k: int, j: int) -> int:
        """Return the carrier of all that a stream has of an analyte, in solids and solution."""
        return self.model.carriers.whole(k, j)

    def held(self, k: int, j: int) -> Adjusted:
        """Return how much of an analyte a stream has."""
        return amount_at(self.covariance, k, self.whole(k, j))

    def fed(self, k: int | None) -> Adjusted:
        """Return how much the feeds have together, of solids or of an analyte."""
        every = _carrying(self.covariance, self._feeding(k))
        return total(amount_at(self.covariance, k, j) for j in every)

    def head(self, k: int | None) -> Adjusted:
        """Return the flow of the feeds together, or the grade of all their solids."""
        if len(self.feeds) == 1:
            return adjusted(self.covariance, Position(k, self.feeds[0]))
        if k is None:
            return self.fed(None)
        every = _carrying(self.covariance, self._feeding(None))
        return total(amount_at(self.covariance, k, j) for j in every) / self.fed(None)

    def _feeding(self, k: int | None) -> list[int]:
        """Return the carriers of all that the feeds have, of solids or of an analyte."""
        return self.model.carriers.wholes(k, self.feeds)

    def recovery_of(self, k: int, j: int) -> Adjusted:
        """Return the recovery of analyte k to stream j, as a share; NaN where there is none."""
        return self.held(k, j) / self.fed(k)

    def recovery(self, k: int, j: int) -> Adjusted | None:
        """Return the recovery of analyte k to stream j, as a share; None if not determined."""
        found = self.recovery_of(k, j)
        return None if estimate(self.covariance, found) is None else found

    def recoveries(
        self, released: Mapping[Position, Released] | None = None
    ) -> tuple[Recovery, ...]:
        """Return the recovery of each analyte to every other stream that can hold it.

        Of several feeds, the share that each brings is there too.

        Parameters
        ----------
        released : mapping of Position to Released, optional
            Balances without the bounds that grades rest on, for limits in place of errors.
        """
        carriers, free, rows = self.model.carriers, released or {}, list[Recovery]()
        for k, analyte in enumerate(self.analytes):
            held = [j for j in range(len(self.streams))
                    if not self.is_reference(j) and carriers.holds(k, j)]  # fmt: skip
            at, of = [self.whole(k, j) for j in held], self._feeding(k)
            told = _recovered(self.covariance, k, at, of=of)
            same = self.covariance.held is self.covariance
            as_held = told if same else _recovered(self.covariance.held, k, at, of=of)
            for j, place, (value, sd), (_, left) in zip(held, at, told, as_held, strict=True):
                at_most = at_least = None
                own = free.get(Position(k, place))
                if own is not None and own.lower and value is not None:
                    sd, at_most = None, _limit(own, k, place, of=of, bound=0.0)
                elif value is not None and value > _ALL and (left or 0.0) < 1.0 - _ALL:
                    # all of it, since the others rest on 0: it could be less
                    others = [f for at, f in free.items() if at.analyte == k]
                    limits = [_limit(f, k, place, of=of, bound=1.0) for f in dict.fromkeys(others)]
                    known = [x for x in limits if x is not None]
                    if known:
                        sd, at_least = None, min(known)
                rows.append(
                    Recovery(
                        self.streams[j], analyte, self.reference, _percent(value),
                        _percent(sd), product=j in self.products, at_most=_percent(at_most),
                        at_least=_percent(at_least),
                    )
                )  # fmt: skip
        return tuple(rows)

    def separations(self) -> tuple[Separation, ...]:
        """Return yield, ratio of concentration and enrichment of each product.

        With an sd beyond a hundred times itself, and that of the feed, which is 1, it is not told.
        """
        every = (None, *range(len(self.analytes)))
        fed = [self.head(k) for k in every]
        own = [[adjusted(self.covariance, Position(k, j)) for k in every] for j in self.products]
        back = estimates(self.covariance, [fed[0] / of[0] for of in own])
        each = [estimates(self.covariance, [of[i] / fed[i] for of in own]) for i in range(len(fed))]
        rows = []
        for j, ratio, (pull, *enriched) in zip(
            self.products, back, zip(*each, strict=True), strict=True
        ):
            ratio, *enriched = (_told(x) for x in (ratio, *enriched))
            (share, share_sd), (times, times_sd) = (x or (None, None) for x in (pull, ratio))
            rows.append(
                Separation(
                    self.streams[j], self.reference, _percent(share), _percent(share_sd),
                    times, times_sd, dict(zip(self.analytes, enriched, strict=True)),
                )
            )  # fmt: skip
        return tuple(rows)


def _told(ratio: Estimate | None) -> Estimate | None:
    """Return a ratio with its sd; None where that leaves nothing of it."""
    if ratio is None or ratio[1] is None:
        return ratio
    return ratio if ratio[1] <= _NOTHING_LEFT * max(abs(ratio[0]), 1.0) else None


def _carrying(covariance: Covariance, carriers: Sequence[int]) -> Sequence[int]:
    """Return which of several carry anything: what stands still has no grade, and holds nothing."""
    if len(carriers) == 1:
        return carriers
    flow, sd = covariance.solution.flow, covariance.flow_sd
    return [j for j in carriers if flow[j] != 0.0 or not np.isfinite(sd[j])] or carriers


def _recovered(
    covariance: Covariance, k: int, carriers: Sequence[int], *, of: Sequence[int]
) -> list[_Told]:
    """Return which share of an analyte in some carriers together others have, with its sd.

    None where not determined; what stands still has nothing, and no sd.
    """
    n = len(carriers)
    values, R = amount_roots(covariance, k, [*carriers, *_carrying(covariance, of)])
    shares, roots = per_unit((values[:n], R[:n]), float(values[n:].sum()), R[n:].sum(axis=0))
    sds = np.sqrt((roots**2).sum(axis=1))
    # with an sd beyond all that is fed nothing is told; NaN compares as False
    known = np.isfinite(shares) & (sds <= np.maximum(shares, 1.0))
    at = list(carriers)
    still = (covariance.solution.flow[at] == 0.0) & np.isfinite(covariance.flow_sd[at])
    none: _Told = (None, None)
    return [
        (0.0, None) if stopped else ((share, sd) if determined else none)
        for stopped, determined, share, sd in zip(
            still.tolist(), known.tolist(), shares.tolist(), sds.tolist(), strict=True
        )
    ]


def _limit(free: Released, k: int, j: int, *, of: Sequence[int], bound: float) -> float | None:
    """Return the limit of a recovery that rests on 0, or on all, with the bound that holds it."""
    ((value, sd),) = _recovered(free.covariance, k, [j], of=of)
    if value is None or not sd:
        return None
    return one_sided_limit(value, sd, bound, lower=bound == 0.0)


def _percent(value: float | None) -> float | None:
    return None if value is None else 100.0 * value
