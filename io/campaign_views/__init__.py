"""What a campaign says over time, as text, page, PDF, workbook and JSON.

Read ``pages``, then ``trend_words`` and ``bias_words``.
"""

from oretally.io.campaign_views.bias_words import bias_sentence
from oretally.io.campaign_views.pages import (
    CampaignReport,
    CampaignView,
    Chart,
    bias_report,
    bias_view,
    trend_report,
    trend_view,
)
from oretally.io.campaign_views.trend_words import CampaignTrends

__all__ = [
    "CampaignReport",
    "CampaignTrends",
    "CampaignView",
    "Chart",
    "bias_report",
    "bias_sentence",
    "bias_view",
    "trend_report",
    "trend_view",
]
