"""Fits as rows of a result: in percent and per unit of time, the preferred curve first."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from oretally.flowsheet.arrays import Floats
from oretally.recon.kinetics.rate_fit import best_of, fit_rates
from oretally.recon.kinetics.rate_models import curve
from oretally.recon.result import CurveParameter, RateCurve, RateFit, RateModel

__all__ = ["fitted_curves", "rate_curves"]

_POINTS = 61  # of a curve that is drawn


def fitted_curves(time: Floats, share: Floats, covariance: Floats) -> list[RateFit]:
    """Return all curves fitted to shares of a whole against time, the preferred first.

    Curves that are not determined come last. Where the values are too few for AICc, curves of
    as many parameters stand in the order of their chi-square.
    """
    fits = [fit_rates(model, time, share, covariance) for model in RateModel]
    ranked = [fit for fit, _ in best_of(fits)]
    rest = [fit for fit in fits if not any(fit is other for other in ranked)]
    rest.sort(key=lambda fit: (not fit.determined, len(fit.model.names), fit.chi_square))
    return [*ranked, *rest]


def rate_curves(fits: Sequence[RateFit], unit: str) -> tuple[RateCurve, ...]:
    """Return fits to shares as rows in percent, in their order.

    ``unit`` is that of the times.
    """
    weights = {id(fit): weight for fit, weight in best_of(list(fits))}
    return tuple(_row(fit, unit, weights.get(id(fit))) for fit in fits)


def _row(fit: RateFit, unit: str, weight: float | None) -> RateCurve:
    values = np.array([p.value for p in fit.parameters.values()])
    parameters = []
    for name, p in fit.parameters.items():
        scale, of = (1.0, f"1/{unit}") if name.endswith("rate") else (100.0, "%")
        ends = (
            None if x is None or not fit.determined else scale * x
            for x in (p.value, p.sd, p.low, p.high)
        )
        parameters.append(CurveParameter(name, of, *ends))
    drawn: tuple[tuple[float, float], ...] = ()
    if fit.determined:
        t = np.linspace(0.0, fit.time[-1], _POINTS)
        y = 100.0 * curve(fit.model, values, t, fit.whole)[0]
        drawn = tuple(zip(t.tolist(), y.tolist(), strict=True))
    return RateCurve(
        fit.model, tuple(parameters),
        tuple(tuple(float(x) if np.isfinite(x) else None for x in row) for row in fit.correlation),
        float(fit.chi_square) if np.isfinite(fit.chi_square) else None, fit.dof, fit.p, fit.aicc,
        weight, fit.determined, fit.reason, drawn,
    )  # fmt: skip
