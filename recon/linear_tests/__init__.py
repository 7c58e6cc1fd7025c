"""What is told of errors where the balances are linear, without a search.

Other methods that name wrong numbers, whether stated errors are believable, errors that could go
unseen, and what measurement would tell errors apart. Read ``other_methods``.
"""

from oretally.recon.linear_tests.other_methods import HUBER, Robust, eliminate
from oretally.recon.linear_tests.reliability import hidden_errors
from oretally.recon.linear_tests.tie_breakers import best_measurements
from oretally.recon.linear_tests.variance_factors import CONFIDENCE, variance_factors

__all__ = [
    "CONFIDENCE",
    "HUBER",
    "Robust",
    "best_measurements",
    "eliminate",
    "hidden_errors",
    "variance_factors",
]
