"""Sums of a period: what is in them, what is missing, and what errors that stay make of their ±."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest
from shift_surveys import CLOSING, OPENING, Mill, mill_circuit

from oretally.flowsheet import (
    Analyte,
    Basis,
    Circuit,
    ErrorPart,
    Measurement,
    NotBalanceable,
    Survey,
    parse_unit,
)
from oretally.flowsheet.survey import DatedSurvey, with_measurement, without_measurement
from oretally.recon.periods import (
    FED,
    LOST,
    PRODUCED,
    STOCK_CHANGE,
    Period,
    PeriodAmount,
    balance_period,
    coupled,
)
from oretally.recon.periods.measured import MeasuredShifts

PRODUCTS = ["concentrate", "tailings"]
WIDE = {"belt scale": "campaign", "laboratory": "campaign"}


def _row(found: Period, item: str, quantity: str = "Pb", part: int | None = None) -> PeriodAmount:
    own = found.whole if part is None else found.parts[part]
    return next(a for a in own.amounts if (a.item, a.quantity) == (item, quantity))


@pytest.fixture(scope="module")
def week() -> Period:
    surveys = Mill(6, over=WIDE, missing=[(1, "feed", "Pb")]).surveys(2)
    return balance_period(surveys, name="first days", by="day", feed="feed", products=PRODUCTS)


def test_parts_add_up_to_the_whole(week: Period) -> None:
    assert [p.name for p in week.parts] == ["2026-03-02", "2026-03-03"]
    assert [len(p.labels) for p in week.parts] == [3, 3]
    for item in (FED, PRODUCED, LOST, STOCK_CHANGE):
        parts = [_row(week, item, part=i).check_out for i in range(2)]
        whole = _row(week, item).check_out
        assert whole is not None
        assert sum(x for x in parts if x is not None) == pytest.approx(whole, rel=1e-12)


def test_check_out_balances_and_check_in_is_the_sum_as_given(week: Period) -> None:
    ore = _row(week, FED).check_out or 0.0
    made, lost = (_row(week, item).check_out or 0.0 for item in (PRODUCED, LOST))
    assert made + lost == pytest.approx(ore, rel=1e-9)
    surveys = [s for s in Mill(6, over=WIDE).surveys(2) if s.label != "S2"]
    read = [{m.quantity: m.value for m in s.survey.measurements if m.stream == "feed"}
            for s in surveys]  # fmt: skip
    by_hand = sum(x["dry mass"] * x["Pb"] / 100.0 for x in read)
    fed = _row(week, FED)
    assert fed.not_in == ("S2",)
    assert fed.not_out == ()
    assert fed.check_in == pytest.approx(by_hand, rel=1e-12)


def test_errors_that_stay_do_not_average_out(week: Period) -> None:
    made = _row(week, PRODUCED)
    assert made.check_out_sd is not None
    assert made.apart_sd is not None
    assert made.check_out_sd > 1.5 * made.apart_sd
    assert sum(s.share for s in made.shares) == pytest.approx(1.0)
    assert made.shares[0].source == "laboratory"
    assert made.shares[0].shared
    assert week.between_surveys == ("belt scale", "laboratory")
    # a recovery is a ratio: a laboratory that reads high cancels
    recovery = next(r for r in week.whole.recoveries if r.kept)
    assert all(s.share < 0.2 for s in recovery.shares if s.source == "laboratory")


def test_unaccounted_is_what_went_in_less_out_less_growth() -> None:
    surveys = Mill(4).surveys(4)
    found = balance_period(surveys, feed="feed", products=PRODUCTS)
    row = next(u for u in found.unaccounted if (u.where, u.quantity) == ("pile", "dry mass"))

    def of(survey: DatedSurvey, stream: str) -> float:
        m = survey.survey.measured(stream, "dry mass")
        assert m is not None
        return m.value

    by_hand = of(surveys[0], OPENING) - of(surveys[-1], CLOSING)
    by_hand += sum(of(s, "ore") - of(s, "feed") for s in surveys)
    assert row.amount == pytest.approx(by_hand)
    squares = [(0.02 * v) ** 2 for v in (1500.0, 1500.0, *([320.0] * 8))]
    assert row.sd == pytest.approx(sum(squares) ** 0.5, rel=0.1)
    assert row.explained
    # 300 t of ore that nobody weighed out
    m = surveys[1].survey.measured("ore", "dry mass")
    assert m is not None
    wrong = with_measurement(surveys[1].survey, replace(m, value=m.value + 600.0))
    surveys[1] = replace(surveys[1], survey=wrong)
    found = balance_period(surveys, feed="feed", products=PRODUCTS)
    row = next(u for u in found.unaccounted if (u.where, u.quantity) == ("pile", "dry mass"))
    assert row.explained is False
    assert found.test.consistent is False


def test_a_gap_is_told_and_no_stock_handed_on_over_it() -> None:
    surveys = [s for s in Mill(5, stocks=range(6)).surveys(1) if s.label != "S3"]
    found = balance_period(surveys, feed="feed", products=PRODUCTS)
    (gap,) = found.gaps
    assert (gap.before, gap.after, gap.missing) == ("S2", "S4", 1)
    assert found.handed_on == 2
    assert found.whole.labels == ("S1", "S2", "S4", "S5")
    stood = balance_period(surveys, stood_still=True, feed="feed", products=PRODUCTS)
    assert stood.handed_on == 3
    assert stood.test.dof == found.test.dof + 2


def _missing_in(surveys: list[DatedSurvey], begin: datetime, end: datetime) -> list[str]:
    found = balance_period(surveys, begin=begin, end=end, feed="feed", products=PRODUCTS)
    assert found.n_missing == sum(len(g.about) for g in found.gaps)
    return [f"{time:%d %H}" for g in found.gaps for time in g.about]


def test_a_shift_missing_at_an_edge_of_the_period_is_told() -> None:
    """Shifts of 8 hours from 06:00 on: the first of a day, the last, one at the campaign's end."""
    mill = Mill(9, stocks=range(10)).surveys(1)
    assert mill[0].time is not None
    day = mill[0].time.replace(hour=0)
    days = [day + timedelta(days=k) for k in range(5)]
    first, second, third = mill[:3], mill[3:6], mill[6:]
    assert [s.time.hour for s in first if s.time] == [6, 14, 22]
    assert _missing_in(mill, days[1], days[2]) == []
    assert _missing_in(mill, days[0], days[3]) == []
    assert _missing_in([*first, *second[1:], *third], days[1], days[2]) == ["03 06"]
    assert _missing_in([*first, *second[:2], *third], days[1], days[2]) == ["03 22"]
    assert _missing_in([*first, second[1], *third], days[1], days[2]) == ["03 06", "03 22"]
    assert _missing_in(mill[1:8], days[0], days[3]) == ["02 06", "04 22"]
    assert _missing_in(mill, days[0], days[4]) == ["05 06", "05 14", "05 22"]
    # a shift later than its time is none missing; three surveys are no rhythm of one day
    late = replace(third[0], time=days[2] + timedelta(hours=9))
    assert _missing_in([*first, *second, late, *third[1:]], days[2], days[3]) == []
    assert _missing_in(mill[:2], days[0], days[1]) == []


def test_nothing_is_missing_where_the_period_is_open_or_the_plant_stood_still() -> None:
    surveys = Mill(6, stocks=range(7)).surveys(1)
    time = surveys[0].time
    assert time is not None
    found = balance_period(surveys, begin=time - timedelta(days=2), feed="feed", products=PRODUCTS)
    (edge,) = found.gaps
    assert (edge.before, edge.after, edge.missing) == ("", "S1", 6)
    assert found.interrupted == () and found.handed_on == 5
    still = balance_period(surveys, begin=time - timedelta(days=2), feed="feed",
                           products=PRODUCTS, stood_still=True)  # fmt: skip
    assert still.n_missing == 0
    assert balance_period(surveys, feed="feed", products=PRODUCTS).gaps == ()


def test_one_reading_on_both_sides_counts_once() -> None:
    surveys = Mill(2, stocks=(0, 1, 2)).surveys(3)
    one = surveys[0].survey
    other = surveys[1].survey
    for quantity in ("dry mass", "Pb"):
        m = one.measured(CLOSING, quantity)
        assert m is not None
        other = with_measurement(other, replace(m, stream=OPENING))
    surveys[1] = replace(surveys[1], survey=other)
    found = balance_period(surveys, feed="feed", products=PRODUCTS)
    assert {o.quantity for o in found.once} == {"dry mass", "Pb"}
    bare = other
    for quantity in ("dry mass", "Pb"):
        bare = without_measurement(bare, OPENING, quantity)
    surveys[1] = replace(surveys[1], survey=bare)
    alone = balance_period(surveys, feed="feed", products=PRODUCTS)
    assert found.test == alone.test
    assert _row(found, PRODUCED).check_out == _row(alone, PRODUCED).check_out


def test_surveys_without_time_or_balance_are_left_out_with_the_reason() -> None:
    surveys = Mill(3).surveys(3)
    nothing = replace(surveys[1].survey, measurements=(), shared=())
    surveys[1] = replace(surveys[1], survey=nothing)
    surveys.append(replace(surveys[0], label="?", time=None))
    found = balance_period(surveys, feed="feed", products=PRODUCTS)
    assert [x.label for x in found.left_out] == ["?", "S2"]
    assert "No dry mass was measured" in found.left_out[1].reason
    assert found.whole.labels == ("S1", "S3")
    assert found.handed_on == 0  # nobody knows what S2 left


def test_a_scale_that_nothing_else_shares_can_be_declared_one() -> None:
    surveys = []
    for s in Mill(4).surveys(5):
        rows = []
        for m in s.survey.measurements:
            if (m.stream, m.quantity) == ("feed", "dry mass"):
                parts = (ErrorPart("stated error", m.sd), ErrorPart("belt scale", 0.03 * m.value))
                m = replace(m, sd=float(np.hypot(m.sd, 0.03 * m.value)), parts=parts)
            rows.append(m)
        surveys.append(replace(s, survey=replace(s.survey, measurements=tuple(rows))))
    apart = balance_period(surveys, feed="feed", products=PRODUCTS)
    one = balance_period(surveys, common=["belt scale"], feed="feed", products=PRODUCTS)
    assert one.between_surveys == ("belt scale",)
    assert apart.between_surveys == ()
    before, after = (_row(p, FED, "dry mass").check_in_sd or 0.0 for p in (apart, one))
    assert after > 1.4 * before
    before, after = (_row(p, FED, "dry mass").check_out_sd or 0.0 for p in (apart, one))
    assert after > before


def test_variance_of_sums_as_measured_has_the_shared_errors() -> None:
    together = coupled(Mill(3, own=0.02, size=0.015, over={"belt scale": "campaign"}).surveys(1))
    measured = MeasuredShifts(together)
    parts = [measured.amount(t, "feed", "dry mass") for t in range(3)]
    whole = parts[0]
    assert whole is not None
    for part in parts[1:]:
        assert part is not None
        whole = whole + part
    truth = [310e3] * 3  # about
    own = sum((0.02 * v) ** 2 for v in truth)
    together_ = (0.015 * sum(truth)) ** 2
    assert measured.variance(whole) == pytest.approx(own + together_, rel=0.15)


def test_rates_need_hours_and_gold_has_ounces() -> None:
    rate, gram = parse_unit("t/h"), parse_unit("g/t")
    circuit = Circuit.build({"feed": (None, "mill"), "concentrate": ("mill", None),
                             "tailings": ("mill", None)})  # fmt: skip
    rows = (
        Measurement("feed", "dry rate", 10.0, rate, 0.1),
        Measurement("concentrate", "dry rate", 0.2, rate, 0.002),
        Measurement("feed", "Au", 3.0, gram, 0.1),
        Measurement("concentrate", "Au", 120.0, gram, 3.0),
        Measurement("tailings", "Au", 0.61, gram, 0.02),
    )
    survey = Survey(Basis.RATE, rate, (Analyte("Au", gram),), rows)
    surveys = [
        DatedSurvey(f"S{t}", datetime(2026, 3, 1) + timedelta(hours=8 * t), circuit, survey)
        for t in range(3)
    ]
    with pytest.raises(NotBalanceable, match="has rates"):
        balance_period(surveys)
    found = balance_period(surveys, hours=8.0)
    fed, made = _row(found, FED, "dry rate"), _row(found, PRODUCED, "Au")
    assert fed.unit == "t"
    assert fed.check_in == pytest.approx(240.0)
    assert made.unit == "g"
    assert made.check_in == pytest.approx(576.0)
    assert made.ounces == pytest.approx(1.0 / 31.1034768)
    assert fed.ounces is None


def test_products_are_kept_by_analyte_unless_it_is_said() -> None:
    surveys = Mill(2, analytes=("Pb", "Ag")).surveys(1)
    found = balance_period(surveys, feed="feed", products=PRODUCTS, lost=["concentrate"])
    assert {a.where for a in found.whole.amounts if a.item == LOST} == {"concentrate"}
    assert mill_circuit().products == ("concentrate", "tailings")


def test_an_empty_period_says_so() -> None:
    with pytest.raises(NotBalanceable, match="no survey in the period 2025"):
        balance_period(Mill(2).surveys(1), name="2025", end=datetime(2026, 1, 1))
