"""Statistics of a laboratory, sampling error, screened metallics.

Needs no balance.
"""

from oretally.recon.laboratory.control import (
    Bias,
    Blanks,
    CarryOver,
    ControlChart,
    Standards,
    blanks,
    control_chart,
    standards,
)
from oretally.recon.laboratory.duplicates import (
    OffPair,
    PrecisionFit,
    RelativeSd,
    fit_precision,
    off_pairs,
    relative_sd,
)
from oretally.recon.laboratory.metallics import SieveFraction, WholeFraction, metallics_grade
from oretally.recon.laboratory.replicates import (
    LevelMean,
    Outlier,
    dixon,
    grubbs,
    mean_at_level,
    pooled_sd,
)
from oretally.recon.laboratory.sampling import (
    GRANULOMETRIC,
    SHAPE,
    FundamentalError,
    Ore,
    SamplingError,
    Stage,
    composition_factor,
    fundamental_error,
    liberation_factor,
    mass_needed,
    sampling_constant,
    stage_mass_needed,
)

__all__ = [
    "GRANULOMETRIC",
    "SHAPE",
    "Bias",
    "Blanks",
    "CarryOver",
    "ControlChart",
    "FundamentalError",
    "LevelMean",
    "OffPair",
    "Ore",
    "Outlier",
    "PrecisionFit",
    "RelativeSd",
    "SamplingError",
    "SieveFraction",
    "Stage",
    "Standards",
    "WholeFraction",
    "blanks",
    "composition_factor",
    "control_chart",
    "dixon",
    "fit_precision",
    "fundamental_error",
    "grubbs",
    "liberation_factor",
    "mass_needed",
    "mean_at_level",
    "metallics_grade",
    "off_pairs",
    "pooled_sd",
    "relative_sd",
    "sampling_constant",
    "stage_mass_needed",
    "standards",
]
