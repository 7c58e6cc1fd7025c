"""Gy's fundamental sampling error: the least error that crushing and splitting an ore can leave.

Only the random choice of particles counts, with correct splitting. Segregation, the cutter, lost
dust and the assay add to it.

References
----------
P.M. Gy, Sampling of Particulate Materials: Theory and Practice, 2nd ed. (1982); F.F. Pitard,
Pierre Gy's Sampling Theory and Sampling Practice, 2nd ed. (1993). Cited from memory. The formula
as in B.A. Wills' worksheet (1982, 2005), looked up.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["GRANULOMETRIC", "SHAPE", "FundamentalError", "Ore", "Stage", "composition_factor",
    "fundamental_error", "liberation_factor", "mass_needed", "sampling_constant",
    "stage_mass_needed"]  # fmt: skip

SHAPE = 0.5  # of most ores; a sphere has pi/6
GRANULOMETRIC = 0.25  # all sizes below the top size
_WEIGHED = 0.01  # of the mass: weighing and dust between two stages; more is a split not stated


@dataclass(frozen=True, slots=True)
class Ore:
    """An ore as Gy's formula sees it: one mineral that carries the analyte, and gangue.

    Attributes
    ----------
    grade : float
        Mass fraction of the analyte in the ore (5 % is 0.05).
    mineral_grade : float
        Mass fraction of the same analyte in the mineral.
    mineral_density, gangue_density : float
        Density of the grains. [g/cm3, the same as kg/L]
    liberation_um : float
        Top size below which the mineral's grains are free. [um]
    shape : float
        Gy's f, volume of a particle over the cube of its size. Common values, from memory: 0.5
        for most ores, 0.2 for flaky gold.

    A ValueError refuses values out of range, and an ore richer than its mineral.
    """

    grade: float
    mineral_grade: float
    mineral_density: float
    gangue_density: float
    liberation_um: float
    shape: float = SHAPE

    def __post_init__(self) -> None:
        for name, fraction in (("ore", self.grade), ("mineral", self.mineral_grade)):
            mend = "Give a mass fraction (5 % is 0.05)."
            _within(f"grade of the {name}", fraction, 1.0, "", mend)
        if self.grade > self.mineral_grade:
            raise ValueError(
                f"the grade of the ore, {self.grade:g}, is above that of its mineral, "
                f"{self.mineral_grade:g}. Give both for the same analyte, as mass fractions."
            )
        for name, density in (("mineral", self.mineral_density), ("gangue", self.gangue_density)):
            mend = "Give that of the grains, for example 2.65 for quartz."
            _within(f"density of the {name}", density, math.inf, " g/cm3", mend)
        mend = "Give the top size below which the mineral is free, in um."
        _within("liberation size", self.liberation_um, math.inf, " um", mend)
        _within("shape factor", self.shape, 1.0, "", "Most ores have 0.5, flaky gold 0.2.")


@dataclass(frozen=True, slots=True)
class Stage:
    """One stage: a lot of a top size, of which a sample is kept.

    Attributes
    ----------
    top_size_um : float
        Opening that 95 % of the mass passes. [um]
    lot_kg : float
        Dry mass before the split; ``math.inf`` for a lot far larger than the sample. [kg]
    sample_kg : float
        Dry mass kept. [kg]
    granulometric : float
        Gy's g. Common values, from memory: 0.25 for all sizes below the top size, 0.5 for a
        narrow range, 1 for particles of one size.

    A ValueError refuses values out of range, and a sample heavier than its lot.
    """

    top_size_um: float
    lot_kg: float
    sample_kg: float
    granulometric: float = GRANULOMETRIC

    def __post_init__(self) -> None:
        _size(self.top_size_um, self.granulometric)
        _within("mass of the sample", self.sample_kg, math.inf, " kg", "Give its dry mass.")
        _lot(self.lot_kg)
        if self.sample_kg > self.lot_kg:
            raise ValueError(
                f"the sample, {self.sample_kg:g} kg, is heavier than its lot, {self.lot_kg:g} kg. "
                "Give the dry mass before the split as the lot, the mass kept as the sample."
            )


@dataclass(frozen=True, slots=True)
class FundamentalError:
    """What the choice of particles alone adds to the error of a grade.

    Attributes
    ----------
    grade : float
        Mass fraction of the analyte in the ore.
    stage_variances : tuple of float
        Relative variance of each stage, in the order of work.
    """

    grade: float
    stage_variances: tuple[float, ...]

    @property
    def relative_sd(self) -> float:
        """Standard deviation over the grade, all stages together; 0.02 is 2 %."""
        return math.sqrt(math.fsum(self.stage_variances))

    @property
    def sd(self) -> float:
        """Standard deviation of the grade, a mass fraction."""
        return self.grade * self.relative_sd

    @property
    def shares(self) -> tuple[float, ...]:
        """Share of each stage in the variance, 0 to 1; all 0 where there is no error."""
        whole = math.fsum(self.stage_variances)
        return tuple(v / whole if whole > 0.0 else 0.0 for v in self.stage_variances)


def composition_factor(ore: Ore) -> float:
    """Return Gy's mineralogical factor m in g/cm3.

    (1 - a)/a [(1 - a) r + a t], with a = grade / grade of the mineral (the mass fraction of the
    mineral), r and t the densities of mineral and gangue. Source: the module's references.
    """
    a = ore.grade / ore.mineral_grade
    return (1.0 - a) / a * ((1.0 - a) * ore.mineral_density + a * ore.gangue_density)


def liberation_factor(ore: Ore, top_size_um: float) -> float:
    """Return Gy's l = sqrt(L/d), 1 where the top size d [um] is at most the liberation size L.

    Source: the module's references. Fits gold badly: Francois-Bongarcon fits another exponent to
    tests of the ore (cited from memory). A ValueError refuses a top size not above 0.
    """
    _size(top_size_um, GRANULOMETRIC)
    return min(1.0, math.sqrt(ore.liberation_um / top_size_um))


def sampling_constant(ore: Ore, top_size_um: float, g: float = GRANULOMETRIC) -> float:
    """Return Gy's C = f g l m in g/cm3, at a top size in um.

    A ValueError refuses a top size not above 0 and a g outside 0 to 1.

    Examples
    --------
    >>> lead = Ore(0.05, 0.866, 7.5, 2.65, liberation_um=150.0)
    >>> round(sampling_constant(lead, 25_000.0), 4)
    1.1409
    """
    _size(top_size_um, g)
    return ore.shape * g * liberation_factor(ore, top_size_um) * composition_factor(ore)


def fundamental_error(ore: Ore, stages: Sequence[Stage]) -> FundamentalError:
    """Return the error of the grade of the last sample, as an estimate of the first lot's.

    A ValueError refuses no stage at all, a stage coarser than the one before, and a lot that is
    not the sample of the one before, within 1 %.

    Notes
    -----
    Relative variance of a stage: C d^3 (1/sample - 1/lot), with d in cm and masses in g; stages
    add. Source: the module's references. To first order: where the relative sd exceeds some 0.2,
    errors are skew, and most results low (cited from memory).

    Examples
    --------
    >>> lead = Ore(0.05, 0.866, 7.5, 2.65, liberation_um=150.0)
    >>> stages = Stage(10_000.0, 1000.0, 50.0), Stage(1000.0, 50.0, 0.5)
    >>> round(100 * fundamental_error(lead, stages).relative_sd, 2)
    0.68
    """
    if not stages:
        raise ValueError("no stage of sampling is given. Give one at least, coarsest first.")
    for i, (before, after) in enumerate(zip(stages, stages[1:], strict=False), start=2):
        if after.top_size_um > before.top_size_um:
            raise ValueError(
                f"the top size of stage {i}, {after.top_size_um:g} um, is above that of the stage "
                f"before, {before.top_size_um:g} um. Give the stages in the order of work."
            )
        if abs(after.lot_kg - before.sample_kg) > _WEIGHED * before.sample_kg:
            raise ValueError(
                f"the lot of stage {i}, {after.lot_kg:g} kg, is not the sample of the stage "
                f"before, {before.sample_kg:g} kg. Give a split between them as a stage of its own."
            )
    K = [_per_mass(ore, stage.top_size_um, stage.granulometric) for stage in stages]
    masses = [1.0 / stage.sample_kg - 1.0 / stage.lot_kg for stage in stages]
    return FundamentalError(ore.grade, tuple(k * m for k, m in zip(K, masses, strict=True)))


def mass_needed(
    ore: Ore, top_size_um: float, relative_sd: float,
    *, lot_kg: float = math.inf, g: float = GRANULOMETRIC,
) -> float:  # fmt: skip
    """Return the sample mass in kg that leaves a given relative sd in one stage.

    Never more than the lot; no safety factor is in it: C d^3 / (s^2 + C d^3 / lot), the formula
    of ``fundamental_error`` solved for the sample. A ValueError refuses values out of range.

    Parameters
    ----------
    ore : Ore
    top_size_um, lot_kg, g : float
        As in ``Stage``, where g is called granulometric.
    relative_sd : float
        One standard deviation over the grade (2 % is 0.02), of this stage alone.
    """
    mend = "Give one standard deviation over the grade (2 % is 0.02)."
    _within("relative sd", relative_sd, math.inf, "", mend)
    _lot(lot_kg)
    K = _per_mass(ore, top_size_um, g)
    return min(lot_kg, K / (relative_sd**2 + K / lot_kg))


def stage_mass_needed(
    ore: Ore, stages: Sequence[Stage], index: int, *, relative_sd: float
) -> float | None:
    """Return the mass in kg to keep at one stage, others as they are, for a relative sd of all.

    None if even its whole lot would not do: then other stages must change, or the top sizes.

    Parameters
    ----------
    ore : Ore
    stages : sequence of Stage
        As in ``fundamental_error``.
    index : int
        The stage to change, counted from 0.
    relative_sd : float
        One standard deviation over the grade (2 % is 0.02), of all stages together.

    Notes
    -----
    What is kept here is the lot of the next stage, so its mass m enters as (K - K') / m, with K
    and K' = C d^3 of this stage and the next (0 after the last): the sum of the variances in
    ``fundamental_error``, put in order.
    """
    mend = "Give one standard deviation over the grade (2 % is 0.02)."
    _within("relative sd", relative_sd, math.inf, "", mend)
    found, stage = fundamental_error(ore, stages), stages[index]
    K = [_per_mass(ore, s.top_size_um, s.granulometric) for s in stages[index : index + 2]]
    slope = K[0] - (K[1] if len(K) > 1 else 0.0)
    others = math.fsum((*found.stage_variances, -slope / stage.sample_kg))
    rest = relative_sd**2 - others
    if slope <= 0.0 or rest <= 0.0 or slope / rest > stage.lot_kg:
        return None
    return slope / rest


def _per_mass(ore: Ore, top_size_um: float, g: float) -> float:
    """Return C d^3 in kg: the relative variance of a sample of 1 kg from an endless lot."""
    return sampling_constant(ore, top_size_um, g) * (top_size_um * 1e-4) ** 3 * 1e-3


def _within(name: str, value: float, top: float, unit: str, mend: str) -> None:
    """Refuse what is not a number above 0 and at most ``top``, or not finite."""
    if not (0.0 < value <= top and math.isfinite(value)):
        most = "" if math.isinf(top) else f" and at most {top:g}"
        allowed = f"it must be a finite number above 0{most}"
        raise ValueError(f"the {name} is {value:g}{unit}: {allowed}. {mend}")


def _size(top_size_um: float, g: float) -> None:
    mend = "Give the opening that 95 % of the mass passes, in um."
    _within("top size", top_size_um, math.inf, " um", mend)
    _within("granulometric factor", g, 1.0, "", "With all sizes below the top size it is 0.25.")


def _lot(lot_kg: float) -> None:
    if lot_kg != math.inf:
        _within("mass of the lot", lot_kg, math.inf, " kg", "Give its dry mass, or math.inf.")
