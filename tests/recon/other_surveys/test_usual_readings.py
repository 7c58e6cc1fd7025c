"""What the other surveys say of a number: by its definition, in any unit, and as evidence."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from campaign_cases import drawn_campaign
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from oretally.flowsheet import Basis, Circuit, Measurement, Stream, Survey, parse_unit
from oretally.flowsheet.survey import DatedSurvey
from oretally.recon import reconcile
from oretally.recon.other_surveys import UsualReadings, log_usual

_PERCENT, _KG = parse_unit("%"), parse_unit("kg")
_CIRCUIT = Circuit.from_parts((Stream("in", None, "mill"), Stream("out", "mill", None)), [])
_AT = "out", "Sn"


def _campaign(values: list[float]) -> UsualReadings:
    read = [Measurement(*_AT, v, _PERCENT, 0.03 * v) for v in values]
    return UsualReadings([
        DatedSurvey(f"S{i}", None, _CIRCUIT, Survey(Basis.BATCH, _KG, (), (m,)))
        for i, m in enumerate(read)
    ])  # fmt: skip


def test_odds_are_those_of_the_definition() -> None:
    values = [0.55, 0.19, 0.22, 0.2, 0.16, 0.24]
    own = _campaign(values).beside("S0")[_AT]
    x = np.log(0.01 * np.array(values[1:]))
    middle = np.median(x)
    spread = 1.4826 * np.median(np.abs(x - middle))

    def p(value: float, sd: float) -> float:
        scale = np.hypot(spread, sd)
        return float(stats.t.logpdf((np.log(0.01 * value) - middle) / scale, 4) - np.log(scale))

    meant, sd = 0.15, 0.03
    expected = p(meant, np.hypot(0.03, sd / meant)) - p(0.55, 0.03)
    told = own.log_odds(0.0055, 0.03 * 0.0055, 0.01 * meant, 0.01 * sd)
    assert told == pytest.approx(expected)
    assert told > 5.0  # 0.55 among 0.16 to 0.24 was meant to be 0.15


@given(st.lists(st.floats(0.1, 10.0), min_size=4, max_size=9), st.floats(1e-3, 1e3),
       st.floats(0.2, 5.0), st.floats(0.01, 2.0))  # fmt: skip
def test_units_do_not_matter_and_nothing_is_said_of_what_stays(
    values: list[float], unit: float, meant: float, sd: float
) -> None:
    own = _campaign(values).beside("S0")[_AT]
    other = _campaign([unit * v for v in values]).beside("S0")[_AT]
    read = 0.01 * values[0]
    told = own.log_odds(read, 0.03 * read, meant * read, sd * read)
    again = other.log_odds(unit * read, 0.03 * unit * read, unit * meant * read, unit * sd * read)
    assert again == pytest.approx(told, abs=1e-6)
    assert own.log_odds(read, 0.03 * read, read, 0.0) == pytest.approx(0.0, abs=1e-9)
    assert log_usual(1.0, 0.03, 0.1, 0, meant=2.0, meant_sd=0.1) == 0.0


def test_three_others_are_needed() -> None:
    assert _campaign([0.2, 0.2, 0.2]).beside("S0") == {}
    assert _AT in _campaign([0.2, 0.2, 0.2, 0.2]).beside("S0")
    assert _campaign([0.2, 0.0, 0.2, 0.2]).beside("S0") == {}  # 0 has no logarithm


def test_a_number_that_its_balance_cannot_tell_from_others_is_named() -> None:
    """Without a second analyte in the tailings; and what is sound stays so."""
    surveys = drawn_campaign(12, 6)
    feed, asked = "feed", ["concentrate", "tailings"]
    dated = surveys[4]
    kept = [m for m in dated.survey.measurements if m.quantity != "Fe"]
    wrong = [replace(m, value=2.0 * m.value) if (m.stream, m.quantity) == ("tailings", "Sn") else m
             for m in kept]  # fmt: skip
    usual = UsualReadings(surveys).beside(dated.label)
    for readings, first in ((wrong, ("tailings", "Sn")), (kept, None)):
        survey = replace(dated.survey, measurements=tuple(readings))
        found = reconcile(dated.circuit, survey, feed=feed, products=asked, usual=usual)
        named = [s.group[0][1:] for s in found.suspects if s.probability > 0.5]
        assert named == ([] if first is None else [first])
