"""Dry solids in wet material and in pulp, with first-order propagation of the errors.

References
----------
B.A. Wills and T.J. Napier-Munn, Mineral Processing Technology, 7th ed. (2006), chapter 3 (pulp
density and percent solids); JCGM 100:2008 (GUM), equation 10. Cited from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

__all__ = [
    "WATER_DENSITY",
    "SlurryValue",
    "dry_from_density",
    "dry_from_solids",
    "dry_from_wet",
    "propagated",
    "pulp_density",
    "solids_share",
]

WATER_DENSITY = 1000.0  # density of water [kg/m3]
_STEP = 1e-6  # relative, of the numerical derivatives: the functions are smooth


@dataclass(frozen=True, slots=True)
class SlurryValue:
    """A value and its standard deviation, in one unit.

    ``slopes`` are the derivatives of a computed value with respect to its inputs.
    """

    value: float
    sd: float
    slopes: tuple[float, ...] = ()


def solids_share(pulp: float, solids: float) -> float:
    """Return the mass share of solids in a pulp from densities of pulp and solids, kg/m3.

    Examples
    --------
    >>> round(100 * solids_share(1400.0, 2650.0), 2)
    45.89
    """
    return solids * (pulp - WATER_DENSITY) / (pulp * (solids - WATER_DENSITY))


def pulp_density(share: float, solids: float) -> float:
    """Return the density of a pulp from the mass share and the density of its solids, kg/m3.

    Examples
    --------
    >>> round(pulp_density(0.65, 2600.0), 1)
    1666.7
    """
    return 1.0 / (share / solids + (1.0 - share) / WATER_DENSITY)


def dry_from_wet(wet: SlurryValue, moisture: SlurryValue) -> SlurryValue:
    """Return the dry mass or rate; the moisture is a share of the wet mass."""
    return propagated(lambda w, m: w * (1.0 - m), (wet, moisture))


def dry_from_solids(volume: SlurryValue, share: SlurryValue, solids: SlurryValue) -> SlurryValue:
    """Return the dry mass or rate in a volume of pulp [m3] with a mass share of solids."""
    return propagated(lambda v, c, s: v * c * pulp_density(c, s), (volume, share, solids))


def dry_from_density(volume: SlurryValue, pulp: SlurryValue, solids: SlurryValue) -> SlurryValue:
    """Return the dry mass or rate in a volume of pulp [m3], from the densities in kg/m3."""
    return propagated(lambda v, p, s: v * p * solids_share(p, s), (volume, pulp, solids))


def propagated(function: Callable[..., float], inputs: Sequence[SlurryValue]) -> SlurryValue:
    """Return a function of independent estimates, with its first-order sd."""
    values = [x.value for x in inputs]
    slopes = []
    for i, x in enumerate(inputs):
        step = _STEP * (abs(x.value) or 1.0)
        up, down = ([*values[:i], x.value + s, *values[i + 1 :]] for s in (step, -step))
        slopes.append((function(*up) - function(*down)) / (2.0 * step))
    variance = sum((slope * x.sd) ** 2 for slope, x in zip(slopes, inputs, strict=True))
    return SlurryValue(function(*values), variance**0.5, tuple(slopes))
