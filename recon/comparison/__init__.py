"""Is the difference between tests real.

Read ``compare`` first.
"""

from oretally.recon.comparison.compare import compare
from oretally.recon.comparison.in_common import BalancedTest, balanced_test
from oretally.recon.comparison.multiple_tests import POWER
from oretally.recon.comparison.repeats import MOST_TESTS
from oretally.recon.comparison.rows import Comparison, Difference, Verdict

__all__ = [
    "MOST_TESTS",
    "POWER",
    "BalancedTest",
    "Comparison",
    "Difference",
    "Verdict",
    "balanced_test",
    "compare",
]
