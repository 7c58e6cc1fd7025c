"""Tests over time: rate and plateau of curves fitted to values against time, which of them holds.

Read ``rate_fit`` first, then ``timed_products``.
"""

from oretally.recon.kinetics.course_suspects import with_timed_suspects
from oretally.recon.kinetics.leach_evidence import LeachEvidence, Said
from oretally.recon.kinetics.over_time import OverTime
from oretally.recon.kinetics.rate_cone import RateCone, chance_of
from oretally.recon.kinetics.rate_fit import best_of, fit_rates
from oretally.recon.kinetics.rate_models import curve
from oretally.recon.kinetics.rate_rows import rate_curves
from oretally.recon.kinetics.read_over_time import over_time
from oretally.recon.kinetics.timed_leach import TimedLeach, timed_leach
from oretally.recon.kinetics.timed_products import timed_products
from oretally.recon.kinetics.timed_test import TimedTest

__all__ = ["LeachEvidence", "OverTime", "RateCone", "Said", "TimedLeach", "TimedTest", "best_of",
           "chance_of", "curve", "fit_rates", "over_time", "rate_curves", "timed_leach",
           "timed_products", "with_timed_suspects"]  # fmt: skip
