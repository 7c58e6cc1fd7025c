"""Is the difference between tests real.

Read ``compare`` first.
"""

from oretally.recon.comparison.compare import NothingInCommon, compare
from oretally.recon.comparison.in_common import BalancedTest, InCommon, balanced_test, same_reading
from oretally.recon.comparison.multiple_tests import TESTS_POWER
from oretally.recon.comparison.repeats import MOST_TESTS
from oretally.recon.comparison.rows import Comparison, Difference, LeftOut, Verdict

__all__ = [
    "MOST_TESTS",
    "TESTS_POWER",
    "BalancedTest",
    "Comparison",
    "Difference",
    "InCommon",
    "LeftOut",
    "NothingInCommon",
    "Verdict",
    "balanced_test",
    "compare",
    "same_reading",
]
