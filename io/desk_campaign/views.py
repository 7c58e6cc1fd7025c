"""The views of a campaign, as the page has them: the figures are those of the commands."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any

from oretally.flowsheet import Fault, InputError
from oretally.io.campaign import open_campaign
from oretally.io.campaign_commands import bias_of, campaign_title, trends_of_campaign
from oretally.io.campaign_views import CampaignView, bias_view, trend_view
from oretally.io.desk_campaign.surveys import judged, survey_list_rows

__all__ = ["VIEWS", "seen"]

Say = Callable[..., None]


def seen(view: str, job: Mapping[str, Any], say: Say) -> dict[str, Any]:
    """Return a view of a campaign.

    Parameters
    ----------
    view : str
        One of `VIEWS`.
    job : mapping
        'file' of the campaign; 'labels' of the surveys to judge.
    say : callable
        Told what is done, and as ``row`` what a survey comes to.

    Raises
    ------
    InputError
        If there is no such view, or the campaign cannot be read.
    """
    if view not in VIEWS:
        raise InputError([Fault(f"A campaign has no view '{view}'.", "Load the page again.")])
    return VIEWS[view](job, say)


def _list(job: Mapping[str, Any], say: Say) -> dict[str, Any]:
    rows = survey_list_rows(open_campaign(job["file"]))
    return {"title": campaign_title(job["file"]), "rows": rows}


def _surveys(job: Mapping[str, Any], say: Say) -> dict[str, Any]:
    for row in judged(open_campaign(job["file"]), job["labels"], say):
        say("balancing", row=row)
    return {}


def _trend(job: Mapping[str, Any], say: Say) -> dict[str, Any]:
    return _document(trend_view(trends_of_campaign(job["file"], say=say)))


def _bias(job: Mapping[str, Any], say: Say) -> dict[str, Any]:
    return _document(bias_view(bias_of(job["file"], say=say)))


def _document(view: CampaignView) -> dict[str, Any]:
    return {
        "lead": view.lead,
        "told": view.told,
        "notes": view.notes,
        "charts": [
            {"name": c.name, "said": c.said, "standsOut": c.stands_out, "svg": c.picture.svg,
             "caption": c.picture.caption}
            for c in view.charts
        ],
        "tables": [table.document for table in view.tables],
        "closing": view.closing,
    }  # fmt: skip


VIEWS: Mapping[str, Callable[[Mapping[str, Any], Say], dict[str, Any]]] = MappingProxyType(
    {"list": _list, "surveys": _surveys, "trend": _trend, "bias": _bias}
)
"""What can be seen of a campaign, by name."""
