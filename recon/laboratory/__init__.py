"""Statistics of a laboratory, sampling error, screened metallics.

Needs no balance.

Read ``control`` first.
"""

from typing import TYPE_CHECKING

from oretally.flowsheet.late_names import late_names

if TYPE_CHECKING:
    from oretally.recon.laboratory.control import (
        Bias,
        Blanks,
        CarryOver,
        Concern,
        ConcernKind,
        ControlChart,
        Standards,
        blanks,
        concerns,
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
        Interlaboratory,
        LevelMean,
        Outlier,
        RobustMean,
        algorithm_a,
        dixon,
        grubbs,
        huber_proposal_2,
        interlaboratory,
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
else:
    __getattr__ = late_names(__name__, {
        "control": (
            "Bias Blanks CarryOver Concern ConcernKind ControlChart Standards blanks concerns "
            "control_chart standards"
        ),
        "duplicates": "OffPair PrecisionFit RelativeSd fit_precision off_pairs relative_sd",
        "metallics": "SieveFraction WholeFraction metallics_grade",
        "replicates": (
            "Interlaboratory LevelMean Outlier RobustMean algorithm_a dixon grubbs "
            "huber_proposal_2 interlaboratory mean_at_level pooled_sd"
        ),
        "sampling": (
            "GRANULOMETRIC SHAPE FundamentalError Ore SamplingError Stage composition_factor "
            "fundamental_error liberation_factor mass_needed sampling_constant "
            "stage_mass_needed"
        ),
    })  # fmt: skip

__all__ = [
    "GRANULOMETRIC",
    "SHAPE",
    "Bias",
    "Blanks",
    "CarryOver",
    "Concern",
    "ConcernKind",
    "ControlChart",
    "FundamentalError",
    "Interlaboratory",
    "LevelMean",
    "OffPair",
    "Ore",
    "Outlier",
    "PrecisionFit",
    "RelativeSd",
    "RobustMean",
    "SamplingError",
    "SieveFraction",
    "Stage",
    "Standards",
    "WholeFraction",
    "algorithm_a",
    "blanks",
    "composition_factor",
    "concerns",
    "control_chart",
    "dixon",
    "fit_precision",
    "fundamental_error",
    "grubbs",
    "huber_proposal_2",
    "interlaboratory",
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
