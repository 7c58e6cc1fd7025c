"""Screened metallics: the grade of a sample whose coarse metal was sieved out and assayed apart.

References
----------
JCGM 100:2008 (GUM): eq. 10, first-order propagation for independent inputs; 4.2.3 and table E.1,
sd of a mean. Cited from memory. C. and J.J. Beringer, A Text-book of Assaying, 9th ed. (1904):
assays of ores with metallic grains; looked up.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["Contribution", "MetallicsGrade", "SieveFraction", "WholeFraction", "metallics_grade"]


@dataclass(frozen=True, slots=True)
class SieveFraction:
    """What stayed on the sieve, or what went through it.

    Attributes
    ----------
    mass_kg : float
        Dry mass of the whole fraction, not of the aliquot. [kg]
    assays : tuple of float
        Mass fraction of the metal (0.525 % is 0.00525), one number for each replicate aliquot of
        about the same mass.
    assay_sd : float or None
        One standard deviation of a single assay [mass fraction]; None to take it from the
        scatter of the replicates.
    mass_sd_kg : float
        One standard deviation of the mass. [kg]

    Raises
    ------
    ValueError
        If a value is out of its range, or nothing says how far the assays scatter.
    """

    mass_kg: float
    assays: tuple[float, ...]
    assay_sd: float | None = None
    mass_sd_kg: float = 0.0

    def __post_init__(self) -> None:
        if not (self.mass_kg > 0.0 and math.isfinite(self.mass_kg)):
            raise ValueError(
                f"the mass of a sieve fraction is {self.mass_kg:g} kg: it must be a finite number "
                "above 0. Give the dry mass of the fraction; if nothing stayed on the sieve, "
                "average the assays of the rest."
            )
        if not (self.mass_sd_kg >= 0.0 and math.isfinite(self.mass_sd_kg)):
            raise ValueError(
                f"the sd of the mass of a sieve fraction is {self.mass_sd_kg:g} kg: it must be a "
                "finite number not below 0. Give one standard deviation, 0 if the mass counts as "
                "exact."
            )
        if not self.assays:
            raise ValueError("a sieve fraction has no assay. Give one at least.")
        for value in self.assays:
            if not 0.0 <= value <= 1.0:
                raise ValueError(
                    f"the assay of a sieve fraction is {value:g}: it must be a number from 0 to 1. "
                    "Give a mass fraction (0.525 % is 0.00525, 1 g/t is 1e-6)."
                )
        if self.assay_sd is None:
            self._check_scatter()
        elif not (self.assay_sd >= 0.0 and math.isfinite(self.assay_sd)):
            raise ValueError(
                f"the sd of the assays of a sieve fraction is {self.assay_sd:g}: it must be a "
                "finite number not below 0. Give one standard deviation of a single assay, as a "
                "mass fraction."
            )

    def _check_scatter(self) -> None:
        """Refuse assays without an sd whose replicates do not give one either."""
        found = "are all equal" if len(self.assays) > 1 else "have no replicate"
        if len(set(self.assays)) == 1:
            raise ValueError(
                f"the assays of a sieve fraction {found}, so they do not say how far they scatter. "
                "Give the sd of a single assay, at least that of its last digit."
            )

    @property
    def grade(self) -> float:
        """Mean of the assays, a mass fraction."""
        return math.fsum(self.assays) / len(self.assays)

    @property
    def grade_sd(self) -> float:
        """Standard deviation of the mean of the assays, a mass fraction.

        The sd of one assay, stated or from the scatter (divisor n - 1), over sqrt(n): GUM,
        4.2.3. Of few replicates the scatter is itself uncertain: of two, by 76 % (table E.1).
        """
        n = len(self.assays)
        sd = self.assay_sd
        if sd is None:
            mean = self.grade
            sd = math.sqrt(math.fsum((x - mean) ** 2 for x in self.assays) / (n - 1))
        return sd / math.sqrt(n)


@dataclass(frozen=True, slots=True)
class WholeFraction:
    """What stayed on the sieve, used up in the assay: the metal found in it is what it held.

    Attributes
    ----------
    mass_kg : float
        Dry mass of the fraction. [kg]
    metal_kg : float
        Metal found in it. [kg]
    metal_sd_kg : float
        One standard deviation of that. [kg]
    mass_sd_kg : float
        One standard deviation of the mass; the metal does not depend on it. [kg]

    Raises
    ------
    ValueError
        If a value is out of its range.
    """

    mass_kg: float
    metal_kg: float
    metal_sd_kg: float
    mass_sd_kg: float = 0.0

    def __post_init__(self) -> None:
        if not (self.mass_kg > 0.0 and math.isfinite(self.mass_kg)):
            raise ValueError(
                f"the mass of a sieve fraction is {self.mass_kg:g} kg: it must be a finite number "
                "above 0. Give its dry mass."
            )
        if not 0.0 <= self.metal_kg <= self.mass_kg:
            raise ValueError(
                f"the metal in a sieve fraction of {self.mass_kg:g} kg is {self.metal_kg:g} kg: it "
                "must be a number from 0 to the mass. Give both in kg."
            )
        for name, sd in (("metal", self.metal_sd_kg), ("mass", self.mass_sd_kg)):
            if not (sd >= 0.0 and math.isfinite(sd)):
                raise ValueError(
                    f"the sd of the {name} of a sieve fraction is {sd:g} kg: it must be a finite "
                    "number not below 0. Give one standard deviation."
                )

    @property
    def grade(self) -> float:
        """Metal over mass, a mass fraction."""
        return self.metal_kg / self.mass_kg


@dataclass(frozen=True, slots=True)
class Contribution:
    """What one input adds to the sd of the grade: |slope| times the sd of the input.

    Attributes
    ----------
    source : str
        'plus mass', 'plus grade' ('plus metal' of a fraction used up in the assay), 'minus mass'
        or 'minus grade'.
    sd : float
        Its part; the squares of all add up to that of the grade. [mass fraction]
    """

    source: str
    sd: float


@dataclass(frozen=True, slots=True)
class MetallicsGrade:
    """The grade of the whole sample.

    Attributes
    ----------
    grade, sd : float
        Weighted mean and its standard deviation. [mass fraction]
    plus_share : float or None
        Share of the metal that stayed on the sieve; None where there is no metal. [1]
    contributions : tuple of Contribution
        What each input adds to the sd.
    """

    grade: float
    sd: float
    plus_share: float | None
    contributions: tuple[Contribution, ...]


def metallics_grade(plus: SieveFraction | WholeFraction, minus: SieveFraction) -> MetallicsGrade:
    """Return the grade of a sample from what stayed on the sieve and what went through it.

    Parameters
    ----------
    plus : SieveFraction or WholeFraction
        On the sieve, usually used up in the assay.
    minus : SieveFraction
        Through it, assayed in aliquots.

    Returns
    -------
    MetallicsGrade
        Of this sample. How well the sample stands for its lot is another error, often larger:
        ``oretally.recon.laboratory.sampling``.

    Notes
    -----
    g = (M+ g+ + M- g-) / (M+ + M-), with slopes M+/M by g+ and (g+ - g)/M by M+, likewise for the
    other; the products of slopes and sds add as squares (GUM, eq. 10). All four inputs are taken
    as independent: weigh both fractions, rather than one and the whole; an error that all assays
    share, of the calibration, does not become less by replicates and is not in here unless
    ``assay_sd`` and the number of assays say so.

    Of a fraction used up in the assay the metal Q+ is what was found: g = (Q+ + M- g-) / (M+ + M-),
    with slopes 1/M by Q+ and -g/M by M+.

    Examples
    --------
    >>> plus = SieveFraction(0.001, (0.842,), assay_sd=0.002)
    >>> minus = SieveFraction(0.399, (0.00521, 0.00527, 0.00527))
    >>> found = metallics_grade(plus, minus)
    >>> f"{100 * found.grade:.4f} +- {100 * found.sd:.4f} %, {found.plus_share:.3f} on the sieve"
    '0.7342 +- 0.0021 %, 0.287 on the sieve'
    """
    mass = plus.mass_kg + minus.mass_kg
    metal = plus.mass_kg * plus.grade + minus.mass_kg * minus.grade
    grade = metal / mass
    parts = []
    for name, part in (("plus", plus), ("minus", minus)):
        if isinstance(part, WholeFraction):
            by_mass, source = grade / mass * part.mass_sd_kg, f"{name} metal"
            by_assay = part.metal_sd_kg / mass
        else:
            by_mass = abs(part.grade - grade) / mass * part.mass_sd_kg
            by_assay, source = part.mass_kg / mass * part.grade_sd, f"{name} grade"
        parts += [Contribution(f"{name} mass", by_mass), Contribution(source, by_assay)]
    return MetallicsGrade(
        grade=grade,
        sd=math.hypot(*(c.sd for c in parts)),
        plus_share=plus.mass_kg * plus.grade / metal if metal > 0.0 else None,
        contributions=tuple(parts),
    )
