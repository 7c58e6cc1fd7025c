"""Errors that stay from survey to survey, and stated errors judged by the adjustments of many.

Read ``campaign_bias``, then ``effects``: the one measure by which errors are weighed.
"""

from oretally.recon.persistent_bias.campaign_bias import campaign_bias, judge_evidence
from oretally.recon.persistent_bias.rows import (
    CampaignBias,
    CusumRow,
    ErrorForm,
    JudgedError,
    LeftOutSurvey,
    OneTimeError,
    OtherBias,
    PersistentBias,
)
from oretally.recon.persistent_bias.stated_errors import judged_errors
from oretally.recon.persistent_bias.survey_evidence import SurveyEvidence, evidence_of

__all__ = [
    "CampaignBias",
    "CusumRow",
    "ErrorForm",
    "JudgedError",
    "LeftOutSurvey",
    "OneTimeError",
    "OtherBias",
    "PersistentBias",
    "SurveyEvidence",
    "campaign_bias",
    "evidence_of",
    "judge_evidence",
    "judged_errors",
]
