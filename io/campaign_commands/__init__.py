"""The work of the commands of `oretally campaign FILE`, to the text that they print.

Read ``adding_surveys`` first.
"""

from typing import TYPE_CHECKING

from oretally.flowsheet.late_names import late_names

if TYPE_CHECKING:
    from oretally.io.campaign_commands.adding_surveys import added_text
    from oretally.io.campaign_commands.certificates import certified_text
    from oretally.io.campaign_commands.file_first import FileFirst
    from oretally.io.campaign_commands.one_survey import (
        balanced_survey,
        noted_decision,
        shown_survey,
        usual_readings,
    )
    from oretally.io.campaign_commands.over_time import bias_of, campaign_title, trends_of_campaign
    from oretally.io.campaign_commands.results_text import (
        balanced_text,
        exported_files,
        verified_text,
    )
else:
    __getattr__ = late_names(__name__, {
        "adding_surveys": "added_text",
        "certificates": "certified_text",
        "file_first": "FileFirst",
        "one_survey": "balanced_survey noted_decision shown_survey usual_readings",
        "over_time": "bias_of campaign_title trends_of_campaign",
        "results_text": "balanced_text exported_files verified_text",
    })  # fmt: skip

__all__ = [
    "FileFirst",
    "added_text",
    "balanced_survey",
    "balanced_text",
    "bias_of",
    "campaign_title",
    "certified_text",
    "exported_files",
    "noted_decision",
    "shown_survey",
    "trends_of_campaign",
    "usual_readings",
    "verified_text",
]
