"""Trends and errors that stay as JSON, by the schemas oretally.trend/1 and oretally.bias/1."""

from __future__ import annotations

from typing import Any

from oretally.io.campaign_views.bias_words import bias_verdict, error_sentences
from oretally.io.campaign_views.trend_words import (
    CampaignTrends,
    disagreeing_sentences,
    trend_sentences,
)
from oretally.io.json_rows import JsonRows, document_text
from oretally.recon.persistent_bias import CampaignBias, JudgedError
from oretally.recon.trends import Cusum, Ewma, Rules, Trend

__all__ = ["BIAS_SCHEMA", "TREND_SCHEMA", "bias_json", "trend_json"]

TREND_SCHEMA, BIAS_SCHEMA = "oretally.trend/1", "oretally.bias/1"


def _arrays(row: Cusum | Ewma, names: str) -> dict[str, Any]:
    return {name: getattr(row, name).tolist() for name in names.split()}


def _trend(t: Trend) -> dict[str, Any]:
    s = t.series
    return {
        **_rows.keys(s, "name subject stream quantity unit clock aim"),
        "level": {"value": t.level[0], "sd": t.level[1]},
        **_rows.keys(t, "scatter neighbours p off_aim change rules"),
        "surveys": [
            {"survey": label, "time": time, "value": value, "sd": sd, "centre": centre,
             "sd_about_centre": limit, "ewma": average + centre, "cusum_up": up, "cusum_down": down}
            for label, time, value, sd, centre, limit, average, up, down in zip(
                s.labels, s.time, s.value, s.sd, t.centre.tolist(), t.limit.tolist(),
                t.average.average.tolist(), t.sums.up.tolist(), t.sums.down.tolist(), strict=True)
        ],
    }  # fmt: skip


def _judged(e: JudgedError) -> dict[str, Any]:
    return _rows.keys(
        e, "places unit stated factor factor_sd low high p p_together n_surveys proposed=wrong"
    )


_rows = JsonRows({
    Trend: _trend, JudgedError: _judged, Rules: "beyond_3 run_on_one_side two_of_three",
    Cusum: lambda c: {**_arrays(c, "up down"), "decision": c.decision, "signal": c.signal,
                      "began": c.began},
})  # fmt: skip


def trend_json(found: CampaignTrends) -> str:
    """Return trends as JSON text."""
    document = {
        "schema": TREND_SCHEMA,
        **_rows.keys(found, "title n_surveys alpha"),
        "told": [*trend_sentences(found), *disagreeing_sentences(found)],
        **_rows.keys(found, "trends kinds left_out notes"),
    }
    return document_text(document) + "\n"


def bias_json(found: CampaignBias, title: str) -> str:
    """Return errors that stay, and stated errors judged, as JSON text."""
    document = {
        "schema": BIAS_SCHEMA,
        "title": title,
        "told": [bias_verdict(found), *error_sentences(found)],
        **_rows.keys(
            found,
            "labels n_used alpha statistic dof p factor biases one_time errors unjudged unseen "
            "cusums left_out",
        ),
        "detectable": [
            {"place": _rows(place), "size": size, "unit": unit}
            for place, size, unit in found.detectable
        ],
    }
    return document_text(document) + "\n"
