"""Recoveries, yields, enrichment and ratios of concentration, with their sd.

With F the solids and f the grade of the reference stream, P and p those of another::

    recovery P p / (F f)    yield P / F    ratio of concentration F / P    enrichment p / f

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
from oretally.recon.propagation import (
    Adjusted,
    adjusted,
    amount_at,
    amount_roots,
    estimate,
    estimates,
    per_unit,
)
from oretally.recon.result import Recovery, Separation
from oretally.recon.solver import Covariance, Released, one_sided_limit

__all__ = ["Answers", "amount_share"]

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
    feed : int
        Number of the stream to which recoveries refer.
    products : tuple of int
    """

    model: BalanceModel
    covariance: Covariance
    feed: int
    products: tuple[int, ...]

    @classmethod
    def of(
        cls, model: BalanceModel, covariance: Covariance, *, feed: str, products: Sequence[str]
    ) -> Answers:
        """Return the answers for streams by name."""
        names = model.circuit.stream_names
        return cls(model, covariance, names.index(feed), tuple(map(names.index, products)))

    @cached_property
    def streams(self) -> tuple[str, ...]:
        """Names, in the order of the arrays."""
        return self.model.circuit.stream_names

    @cached_property
    def analytes(self) -> tuple[str, ...]:
        """Names, in the order of the arrays."""
        return tuple(a.name for a in self.model.survey.analytes)

    def whole(self, k: int, j: int) -> int:
        """Return the carrier of all that a stream has of an analyte, in solids and solution."""
        return self.model.carriers.whole(k, j)

    def held(self, k: int, j: int) -> Adjusted:
        """Return how much of an analyte a stream has."""
        return amount_at(self.covariance, k, self.whole(k, j))

    def recovery_of(self, k: int, j: int) -> Adjusted:
        """Return the recovery of analyte k to stream j, as a share; NaN where there is none."""
        return self.held(k, j) / self.held(k, self.feed)

    def recovery(self, k: int, j: int) -> Adjusted | None:
        """Return the recovery of analyte k to stream j, as a share; None if not determined."""
        found = self.recovery_of(k, j)
        return None if estimate(self.covariance, found) is None else found

    def recoveries(
        self, released: Mapping[Position, Released] | None = None
    ) -> tuple[Recovery, ...]:
        """Return the recovery of each analyte to every other stream that can hold it.

        Parameters
        ----------
        released : mapping of Position to Released, optional
            Balances without the bounds that grades rest on, for limits in place of errors.
        """
        carriers, free, rows = self.model.carriers, released or {}, list[Recovery]()
        for k, analyte in enumerate(self.analytes):
            held = [j for j in range(len(self.streams)) if j != self.feed and carriers.holds(k, j)]
            at, of = [self.whole(k, j) for j in held], self.whole(k, self.feed)
            told = _recovered(self.covariance, k, at, of=of)
            for j, place, (value, sd) in zip(held, at, told, strict=True):
                at_most = at_least = None
                own = free.get(Position(k, place))
                if own is not None and own.lower and value is not None:
                    sd, at_most = None, _limit(own, k, place, of=of, bound=0.0)
                elif value is not None and value > _ALL and (sd or 0.0) < 1.0 - _ALL:
                    # all of it, since the others rest on 0: it could be less
                    others = [f for at, f in free.items() if at.analyte == k]
                    limits = [_limit(f, k, place, of=of, bound=1.0) for f in dict.fromkeys(others)]
                    known = [x for x in limits if x is not None]
                    if known:
                        sd, at_least = None, min(known)
                rows.append(
                    Recovery(
                        self.streams[j], analyte, self.streams[self.feed], _percent(value),
                        _percent(sd), product=j in self.products, at_most=_percent(at_most),
                        at_least=_percent(at_least),
                    )
                )  # fmt: skip
        return tuple(rows)

    def separations(self) -> tuple[Separation, ...]:
        """Return yield, ratio of concentration and enrichment of each product."""
        every = (None, *range(len(self.analytes)))
        fed = [adjusted(self.covariance, Position(k, self.feed)) for k in every]
        own = [[adjusted(self.covariance, Position(k, j)) for k in every] for j in self.products]
        back = estimates(self.covariance, [fed[0] / of[0] for of in own])
        each = [estimates(self.covariance, [of[i] / fed[i] for of in own]) for i in range(len(fed))]
        rows = []
        for j, ratio, (pull, *enriched) in zip(
            self.products, back, zip(*each, strict=True), strict=True
        ):
            (share, share_sd), (times, times_sd) = (x or (None, None) for x in (pull, ratio))
            rows.append(
                Separation(
                    self.streams[j], self.streams[self.feed], _percent(share), _percent(share_sd),
                    times, times_sd, dict(zip(self.analytes, enriched, strict=True)),
                )
            )  # fmt: skip
        return tuple(rows)


def amount_share(covariance: Covariance, k: int | None, *, to: int, of: int) -> Adjusted | None:
    """Return what one carrier has of the solids, or of an analyte, per what another has.

    None where the other has nothing, or the balance gives no number.
    """
    share = amount_at(covariance, k, to) / amount_at(covariance, k, of)
    return share if np.isfinite(share.value) else None


def _recovered(covariance: Covariance, k: int, carriers: Sequence[int], *, of: int) -> list[_Told]:
    """Return which share of an analyte in one carrier others have, with its sd.

    None where not determined; what stands still has nothing, and no sd.
    """
    values, R = amount_roots(covariance, k, [*carriers, of])
    shares, roots = per_unit((values[:-1], R[:-1]), float(values[-1]), R[-1])
    known = np.isfinite(shares) & np.isfinite(roots).all(axis=1)
    sds = np.sqrt((roots**2).sum(axis=1))
    at = list(carriers)
    still = (covariance.solution.flow[at] == 0.0) & np.isfinite(covariance.flow_sd[at])
    none: _Told = (None, None)
    return [
        (0.0, None) if stopped else ((share, sd) if determined else none)
        for stopped, determined, share, sd in zip(
            still.tolist(), known.tolist(), shares.tolist(), sds.tolist(), strict=True
        )
    ]


def _limit(free: Released, k: int, j: int, *, of: int, bound: float) -> float | None:
    """Return the limit of a recovery that rests on 0, or on all, with the bound that holds it."""
    ((value, sd),) = _recovered(free.covariance, k, [j], of=of)
    if value is None or not sd:
        return None
    return one_sided_limit(value, sd, bound, lower=bound == 0.0)


def _percent(value: float | None) -> float | None:
    return None if value is None else 100.0 * value
