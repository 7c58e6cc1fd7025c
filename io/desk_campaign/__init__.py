"""What the page shows of a campaign: its surveys, what changes over time, what is off.

Nothing is written to it here. Read ``views`` first.
"""

from typing import TYPE_CHECKING

from oretally.flowsheet.late_names import late_names

if TYPE_CHECKING:
    from oretally.io.desk_campaign.surveys import survey_taken_out
    from oretally.io.desk_campaign.views import VIEWS, seen
else:
    __getattr__ = late_names(__name__, {
        "surveys": "survey_taken_out",
        "views": "VIEWS seen",
    })  # fmt: skip

__all__ = ["VIEWS", "seen", "survey_taken_out"]
