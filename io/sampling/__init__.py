"""Descriptions of sampling, and the command ``sample-mass``.

Read ``request``, then ``terms``.
"""

from typing import TYPE_CHECKING

from oretally.flowsheet.late_names import late_names

if TYPE_CHECKING:
    from oretally.io.sampling.answer import sample_mass_json, sample_mass_text
    from oretally.io.sampling.request import SAMPLE_KEYS, read_sample_plan
    from oretally.io.sampling.terms import STAGE_KEYS, SamplingTerms, read_sampling
    from oretally.io.sampling.written import KEYS, mass_text
else:
    __getattr__ = late_names(__name__, {
        "answer": "sample_mass_json sample_mass_text",
        "request": "SAMPLE_KEYS read_sample_plan",
        "terms": "STAGE_KEYS SamplingTerms read_sampling",
        "written": "KEYS mass_text",
    })  # fmt: skip

__all__ = [
    "KEYS",
    "SAMPLE_KEYS",
    "STAGE_KEYS",
    "SamplingTerms",
    "mass_text",
    "read_sample_plan",
    "read_sampling",
    "sample_mass_json",
    "sample_mass_text",
]
