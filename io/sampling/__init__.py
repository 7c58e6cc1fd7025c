"""Descriptions of sampling, and the command ``sample-mass``.

Read ``request``, then ``terms``.
"""

from oretally.io.sampling.answer import sample_mass_json, sample_mass_text
from oretally.io.sampling.request import read_sample_plan
from oretally.io.sampling.terms import KEYS, SamplingTerms, read_sampling
from oretally.io.sampling.written import mass_text

__all__ = [
    "KEYS",
    "SamplingTerms",
    "mass_text",
    "read_sample_plan",
    "read_sampling",
    "sample_mass_json",
    "sample_mass_text",
]
