"""Many surveys in one database: `oretally campaign`.

Surveys as given, decisions on them, results with the version that made them; nothing is changed,
only added.

Read ``schema``, then ``store``.
"""

from oretally.io.campaign.entries import Added, Decision, SurveyEntry, author
from oretally.io.campaign.export import result_frame, to_csv, to_parquet, to_workbook
from oretally.io.campaign.given import GivenSurvey, kept_case
from oretally.io.campaign.listing import (
    listed_surveys,
    survey_list,
    survey_story,
    when,
)
from oretally.io.campaign.moments import read_moment
from oretally.io.campaign.results import (
    BALANCE,
    SUSPECTS,
    Result,
    WhoBalances,
    kept_results,
    make_results,
    missing,
    results_now,
)
from oretally.io.campaign.sources import relabelled, surveys_of
from oretally.io.campaign.spread import in_this_process, over_cluster, over_processes
from oretally.io.campaign.store import LEAVE_OUT, TAKE_BACK, Campaign, open_campaign
from oretally.io.campaign.verify import Verified, verified

__all__ = [
    "BALANCE",
    "LEAVE_OUT",
    "SUSPECTS",
    "TAKE_BACK",
    "Added",
    "Campaign",
    "Decision",
    "GivenSurvey",
    "Result",
    "SurveyEntry",
    "Verified",
    "WhoBalances",
    "author",
    "in_this_process",
    "kept_case",
    "kept_results",
    "listed_surveys",
    "make_results",
    "missing",
    "open_campaign",
    "over_cluster",
    "over_processes",
    "read_moment",
    "relabelled",
    "result_frame",
    "results_now",
    "survey_list",
    "survey_story",
    "surveys_of",
    "to_csv",
    "to_parquet",
    "to_workbook",
    "verified",
    "when",
]
