"""Numbers far from the same of all other surveys: found unchecked, and rarely where nothing is."""

from __future__ import annotations

import numpy as np
import pytest
from often import often
from scipy import stats

from oretally.flowsheet import Basis, Circuit, Measurement, Stream, Survey, parse_unit
from oretally.flowsheet.survey import DECLARED_LOSS, DETECTION_LIMIT, PROPAGATED, DatedSurvey
from oretally.recon.other_surveys import far_from_others

_PERCENT, _KG = parse_unit("%"), parse_unit("kg")
_CIRCUIT = Circuit.from_parts((Stream("in", None, "mill"), Stream("out", "mill", None)), [])


def campaign(table: np.ndarray, **changes: object) -> list[DatedSurvey]:
    """Return surveys, a row each, whose grades g0, g1, ... of 'out' are those of the table."""
    found = []
    for i, row in enumerate(table):
        read = tuple(
            Measurement("out", f"g{j}", float(v), _PERCENT, 0.01 * float(v), **changes)  # type: ignore[arg-type]
            for j, v in enumerate(row)
        )
        survey = Survey(Basis.BATCH, _KG, (), read)
        found.append(DatedSurvey(f"S{i + 1}", None, _CIRCUIT, survey))
    return found


def far(surveys: list[DatedSurvey], *labels: str) -> list[tuple[str, str]]:
    own = labels or tuple(s.label for s in surveys)
    return [(f.label, f.quantity) for f in far_from_others(surveys, own)]


def test_chance_is_that_of_one_more_value_of_the_others() -> None:
    values = np.array([0.22, 0.19, 0.21, 0.18, 0.24, 0.35])
    (found,) = far_from_others(campaign(values[:, None]), ["S6"], alpha=0.2)
    x = np.log(values[:5])
    t = (np.log(0.35) - x.mean()) / (x.std(ddof=1) * (1.0 + 1.0 / 5.0) ** 0.5)
    assert found.p == pytest.approx(2.0 * stats.t.sf(t, 4))
    assert found.others == pytest.approx((5, 0.18, 0.24))
    assert (found.label, found.measured, found.unit) == ("S6", 0.35, "%")


def test_a_slip_is_found_and_only_where_it_is_asked_for() -> None:
    table = np.exp(np.random.default_rng(4).normal(0.0, 0.08, (9, 5)))
    assert far(campaign(table)) == []
    table[6, 2] *= 10.0
    assert far(campaign(table)) == [("S7", "g2")] == far(campaign(table), "S7")
    assert far(campaign(table), "S1", "S8") == []
    table[2, 4] /= 10.0
    assert sorted(far(campaign(table))) == [("S3", "g4"), ("S7", "g2")]


def test_what_says_nothing() -> None:
    four = np.array([[1.0], [1.0], [1.01], [50.0]])
    assert far(campaign(four)) == []  # three others are too few
    same = np.array([[1.0], [1.0], [1.0], [1.0], [1.0], [1.01]])
    assert far(campaign(same)) == []  # they agree by rounding: the stated error is 1 %
    assert far(campaign(np.array([*same[:5], [2.0]]))) == [("S6", "g0")]
    assert far(campaign(np.array([*same[:5], [0.0]]))) == []
    assert far(campaign(np.array([*same[:5], [2.0]]), error_source=DETECTION_LIMIT)) == []
    assert far(campaign(np.array([*same[:5], [2.0]]), error_source=DECLARED_LOSS)) == []
    assert far([]) == []


def test_what_was_made_of_measured_numbers_is_held_against_the_others_too() -> None:
    """A dry mass of a wet one, ten times what the others come to."""
    fed = np.array([1930.0, 2096.0, 2010.0, 1985.0, 2044.0, 21028.0])
    assert far(campaign(fed[:, None], error_source=PROPAGATED)) == [("S6", "g0")]


@pytest.mark.parametrize(("n", "quantities"), [(5, 8), (12, 14)])
def test_false_alarms_are_as_rare_as_stated(n: int, quantities: int) -> None:
    rng, draws = np.random.default_rng(7), often(2000)
    table = np.exp(rng.normal(0.0, 0.1, (draws, n, quantities)))
    alarms = sum(bool(far(campaign(one))) for one in table)
    assert stats.binomtest(alarms, draws, 0.01).pvalue > 0.001
