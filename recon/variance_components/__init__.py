"""How large several sources of error are, from what they leave together: restricted likelihood.

Knows no balance. Read ``restricted_likelihood``, then ``mixed_models``.
"""

from oretally.recon.variance_components.likelihood_limits import (
    VarianceLimits,
    chance_of_value,
    variance_limits,
)
from oretally.recon.variance_components.mixed_models import mixed_model
from oretally.recon.variance_components.restricted_likelihood import (
    Components,
    Contrasts,
    fitted_components,
)
from oretally.recon.variance_components.told_apart import inseparable

__all__ = [
    "Components",
    "Contrasts",
    "VarianceLimits",
    "chance_of_value",
    "fitted_components",
    "inseparable",
    "mixed_model",
    "variance_limits",
]
