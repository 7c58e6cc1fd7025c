"""Campaigns of a small plant drawn about a truth: what was true, read with errors, part left out.

Three nodes, seven streams, two recycles; surveys leave out what mills leave out: about one assay in
eight, the weighing of the tailings in half of the surveys.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from oretally.flowsheet import Analyte, Basis, Circuit, Measurement, Survey, parse_unit
from oretally.flowsheet.survey import DatedSurvey

Floats = NDArray[np.float64]
Name = tuple[str, str]

CIRCUIT = Circuit.build({
    "feed": (None, "rougher"),
    "rougher conc": ("rougher", "cleaner"),
    "rougher tails": ("rougher", "scavenger"),
    "scavenger conc": ("scavenger", "rougher"),
    "cleaner tails": ("cleaner", "rougher"),
    "concentrate": ("cleaner", None),
    "tailings": ("scavenger", None),
})  # fmt: skip
PERCENT, RATE = parse_unit("%"), parse_unit("t/h")
FLOW_SD, GRADE_SD = 0.01, 0.015
_START = datetime(2025, 1, 6, 7)


def true_survey(rng: np.random.Generator) -> dict[Name, float]:
    """Return one truth: rates in t/h, grades in percent."""
    feed = 20.0 * (1.0 + 0.05 * rng.standard_normal())
    head = {"Sn": 0.8 * np.exp(0.1 * rng.standard_normal()), "Fe": 12.0}
    rate, metal = {"feed": feed}, {"feed": {a: feed * g for a, g in head.items()}}
    pull = {
        "rougher": (0.10, {"Sn": 0.75, "Fe": 0.14}),
        "scavenger": (0.06, {"Sn": 0.4, "Fe": 0.08}),
        "cleaner": (0.30, {"Sn": 0.85, "Fe": 0.2}),
    }
    back = dict.fromkeys(("scavenger conc", "cleaner tails"), 0.0)
    back_metal = {s: dict.fromkeys(head, 0.0) for s in back}
    for _ in range(200):
        into = feed + sum(back.values())
        rate["rougher conc"] = pull["rougher"][0] * into
        rate["rougher tails"] = into - rate["rougher conc"]
        rate["scavenger conc"] = pull["scavenger"][0] * rate["rougher tails"]
        rate["tailings"] = rate["rougher tails"] - rate["scavenger conc"]
        rate["concentrate"] = pull["cleaner"][0] * rate["rougher conc"]
        rate["cleaner tails"] = rate["rougher conc"] - rate["concentrate"]
        for a in head:
            m = metal["feed"][a] + sum(each[a] for each in back_metal.values())
            rc = pull["rougher"][1][a] * m
            sc = pull["scavenger"][1][a] * (m - rc)
            co = pull["cleaner"][1][a] * rc
            for s, value in (("rougher conc", rc), ("rougher tails", m - rc), ("concentrate", co),
                             ("scavenger conc", sc), ("tailings", m - rc - sc),
                             ("cleaner tails", rc - co)):  # fmt: skip
                metal.setdefault(s, {})[a] = value
        for s in back:
            back[s] = rate[s]
            back_metal[s] = dict(metal[s])
    truth = {(s, "dry rate"): float(v) for s, v in rate.items()}
    truth |= {(s, a): float(100.0 * metal[s][a] / rate[s] / 100.0) for s in rate for a in head}
    return truth


def drawn_campaign(
    n: int, seed: int, *,
    factor: Callable[[int, Name], float] = lambda _i, _name: 1.0,
    real_sd: Mapping[Name, float] | None = None,
    kind: Callable[[int], str] = lambda _i: "",
) -> list[DatedSurvey]:  # fmt: skip
    """Draw a campaign.

    ``factor`` is what a reading is multiplied with, by survey and name: 1.02 reads 2 % high.
    ``real_sd`` has errors that are not as stated, as multiples of the stated.
    """
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(n):
        truth, readings = true_survey(rng), list[Measurement]()
        for name, value in truth.items():
            stream, quantity = name
            is_flow = quantity == "dry rate"
            share = (FLOW_SD if is_flow else GRADE_SD) * (real_sd or {}).get(name, 1.0)
            read = value * factor(i, name) * (1.0 + share * rng.standard_normal())
            skip = rng.random()
            if is_flow and stream not in ("feed", "concentrate", "tailings"):
                continue
            if skip < (0.5 if name == ("tailings", "dry rate") else 0.0 if is_flow else 0.12):
                continue
            sd = (FLOW_SD if is_flow else GRADE_SD) * read  # as a rule states it
            unit = RATE if is_flow else PERCENT
            readings.append(Measurement(stream, quantity, read, unit, sd))
        analytes = (Analyte("Sn", PERCENT), Analyte("Fe", PERCENT))
        survey = Survey(Basis.RATE, RATE, analytes, tuple(readings))
        time = _START + timedelta(days=i)
        rows.append(DatedSurvey(f"survey {i + 1}", time, CIRCUIT, survey, kind(i)))
    return rows


def reads_high(where: Name, percent: float, since: int) -> Callable[[int, Name], float]:
    """Return the factor of a measurement that reads so much high from survey ``since`` on."""
    return lambda i, name: 1.0 + percent / 100.0 if name == where and i + 1 >= since else 1.0
