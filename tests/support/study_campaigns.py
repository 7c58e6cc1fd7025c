"""A study of simulated campaigns: false alarms, delays, stated errors judged, the ± of a month.

python tests/support/study_campaigns.py sound|delay|errors|months [--campaigns N] [--json FILE]

sound: campaigns of 24 surveys without any error that stays, each survey drawn and balanced: how
often something is told all the same. delay: a scale that reads 1, 2 or 3 % high from the 31st
survey on, looked at after every survey: how many it takes until it is named. errors: campaigns of
100 surveys, balanced, the errors of one measurement twice as large as stated: which are proposed.
months: twelve shifts whose scale and laboratory have one error each: the stated ± of the metal
produced and of the recovery against the scatter about the truth, with these errors and without.
"""

from __future__ import annotations

import argparse
import json
from collections import defaultdict
from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np
from campaign_cases import drawn_campaign
from numpy.typing import NDArray
from redrawn_evidence import campaign_evidence, redrawn
from shift_surveys import Mill

from oretally.flowsheet.survey import DatedSurvey
from oretally.recon.dated_balances import DatedBalance, balanced_in_time, in_time
from oretally.recon.periods import PRODUCED, balance_period
from oretally.recon.persistent_bias import CampaignBias, evidence_of, judge_evidence
from oretally.recon.persistent_bias.search import Search
from oretally.recon.result import ErrorPlace
from oretally.recon.trends import SeriesReader, Trend, trends_of

Floats = NDArray[np.float64]
Row = Mapping[str, float]

FEED = ErrorPlace("measurement", "feed", "dry rate")
WISHFUL = "tailings", "Fe"
SIZES = (1.0, 2.0, 3.0)  # percent
_BEGUN, _LAST = 30, 90  # surveys before the error, and in all
_SHIFTS = 12
_OVER = {"belt scale": "campaign", "laboratory": "campaign"}


def sound_campaign(seed: int) -> Row:
    """Return what is told of a campaign without any error that stays: 1 where anything is."""
    bias, trends = _judged(drawn_campaign(24, seed))
    return {
        "error that stays (5 %)": bool(bias.biases),
        "number wrong once (1 %)": bool(bias.one_time),
        "stated error (5 %)": any(e.wrong for e in bias.errors),
        "all adjustments (5 %)": bias.p < bias.alpha,
        "change over time (5 %)": any(t.change is not None for t in trends),
        "off its aim (5 %)": any(t.off_aim is not None and t.off_aim < bias.alpha for t in trends),
    }


def _judged(surveys: list[DatedSurvey]) -> tuple[CampaignBias, tuple[Trend, ...]]:
    timeline = in_time(surveys)
    found = [b for b in balanced_in_time(timeline) if isinstance(b, DatedBalance)]
    reader = SeriesReader(timeline, "feed", ("concentrate", "tailings"))
    for balance in found:
        reader.read(balance)
    evidence = [e for e in map(evidence_of, found) if e.dof > 0]
    labels = tuple(s.label for s in timeline.surveys)
    bias = judge_evidence(evidence, labels, np.array(timeline.time))
    return bias, trends_of(reader.series())


class Delays:
    """Looks at campaigns of the same signatures after every survey; what it drew serves again."""

    def __init__(self) -> None:
        self.surveys = campaign_evidence(_LAST)
        self.begun = sum(s.number < _BEGUN for s in self.surveys)
        self.searches: dict[int, Search] = {}

    def campaign(self, seed: int) -> Row:
        """Return surveys until the scale is named, by size of its error; NaN where it never is."""
        return {f"{size:.0f} %": self._delay(seed, size) for size in SIZES}

    def _delay(self, seed: int, size: float) -> float:
        drawn = redrawn(
            self.surveys, np.random.default_rng(seed),
            bias=lambda i, p: size if p == FEED and i >= self.begun else 0.0,
        )  # fmt: skip
        for n in range(self.begun + 1, len(drawn) + 1):
            if n not in self.searches:
                time = np.array([float(s.number) for s in self.surveys[:n]])
                self.searches[n] = Search(self.surveys[:n], time, 0.05)
            search = self.searches[n]
            search.surveys = drawn[:n]
            for i, survey in enumerate(search.surveys):
                search.stack.put(i, survey)
            search.own, search.sees = search.stack.own, search.stack.sees
            effects = search.found().effects
            if any(search.stack.candidates[e.candidate].place == FEED for e in effects):
                return float(self.surveys[n - 1].number + 1 - _BEGUN)
        return np.nan


def judged_campaign(seed: int) -> Row:
    """Return stated errors as they should be, in stated errors, as a hundred surveys tell."""
    bias, _ = _judged(drawn_campaign(100, seed, real_sd={WISHFUL: 2.0}))
    return {" + ".join(map(str, e.places)): e.factor for e in bias.errors}


def simulated_month(seed: int) -> Row:
    """Return how far a month is from the truth in its stated sd, with shared errors and without."""
    mill = Mill(_SHIFTS, over=_OVER, missing=[(1, "feed", "Pb"), (2, "ore", "dry mass")])
    found = balance_period(
        mill.surveys(1000 + seed), feed="feed", products=["concentrate", "tailings"]
    ).whole
    made, fed = (mill.total(stream, "Pb") / 1000.0 for stream in ("concentrate", "feed"))
    metal = next(a for a in found.amounts if (a.item, a.quantity) == (PRODUCED, "Pb"))
    kept = next(r for r in found.recoveries if r.kept)
    share = 100.0 * made / fed
    return {
        "metal produced": _in_sds(metal.check_out, made, metal.check_out_sd),
        "the same, shared errors ignored": _in_sds(metal.check_out, made, metal.apart_sd),
        "recovery": _in_sds(kept.check_out, share, kept.check_out_sd),
    }


def _in_sds(found: float | None, truth: float, sd: float | None) -> float:
    if found is None or sd is None:
        raise ValueError("a simulated month has all its answers")
    return (found - truth) / sd


def told(study: str, rows: list[Row]) -> str:
    """Return what a study comes to."""
    every: dict[str, list[float]] = defaultdict(list)
    for row in rows:
        for name, value in row.items():
            every[name].append(value)
    lines = [f"{study}: {len(rows)} campaigns"]
    for name, values in every.items():
        x = np.array(values, dtype=float)
        lines.append(f"  {name:44s} {_line(study, x)}")
    return "\n".join(lines)


def _line(study: str, x: Floats) -> str:
    n = x.size
    if study == "sound":
        share = float(x.mean())
        return f"{x.sum():.0f}: {100 * share:.1f} ± {100 * (share * (1 - share) / n) ** 0.5:.1f} %"
    if study == "delay":
        # in order: those that are never named stand last
        low, middle, high = np.quantile(np.nan_to_num(x, nan=np.inf), (0.25, 0.5, 0.75),
                                        method="inverted_cdf")  # fmt: skip
        return f"median {middle:.0f} surveys ({low:.0f} to {high:.0f}), never {np.isnan(x).sum()}"
    if study == "errors":
        # of variances, which hold no root of what came out as 0
        mean = float((x**2).mean() ** 0.5)
        sd = float((x**2).std(ddof=1)) / n**0.5 / (2.0 * mean)
        return f"{mean:.3f} ± {sd:.3f}, one campaign scatters by {x.std(ddof=1):.3f}"
    # of squares about the truth: chi-square with n degrees of freedom
    scatter = float((x**2).mean() ** 0.5)
    return f"± stated per scatter: {1 / scatter:.3f} ± {1 / scatter / (2 * n) ** 0.5:.3f}"


def _rows(study: str, n: int) -> Iterator[Row]:
    of = {"sound": sound_campaign, "errors": judged_campaign, "months": simulated_month}
    one = of.get(study) or Delays().campaign
    return map(one, range(n))


def main() -> None:
    """Study so many campaigns; what is known so far is printed after every fiftieth."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("study", choices=("sound", "delay", "errors", "months"))
    parser.add_argument("--campaigns", type=int, default=500)
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    rows: list[Row] = []
    for row in _rows(asked.study, asked.campaigns):
        rows.append(row)
        if len(rows) % 50 == 0 or len(rows) == asked.campaigns:
            print(told(asked.study, rows), flush=True)
    if asked.json is not None:
        asked.json.write_text(json.dumps([{k: float(v) for k, v in r.items()} for r in rows]))


if __name__ == "__main__":
    main()
