"""What a campaign says over time, as text, page, PDF, workbook and JSON.

Read ``pages``, then ``trend_words`` and ``bias_words``.
"""

from oretally.io.campaign_views.document import bias_json, trend_json
from oretally.io.campaign_views.pages import (
    CampaignView,
    Chart,
    bias_page,
    bias_pdf,
    bias_text,
    bias_view,
    trend_page,
    trend_pdf,
    trend_text,
    trend_view,
)
from oretally.io.campaign_views.trend_words import CampaignTrends
from oretally.io.campaign_views.workbooks import bias_workbook, trend_workbook

__all__ = [
    "CampaignTrends",
    "CampaignView",
    "Chart",
    "bias_json",
    "bias_page",
    "bias_pdf",
    "bias_text",
    "bias_view",
    "bias_workbook",
    "trend_json",
    "trend_page",
    "trend_pdf",
    "trend_text",
    "trend_view",
    "trend_workbook",
]
