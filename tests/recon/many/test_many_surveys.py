"""Many surveys balanced side by side: the answers of one at a time, and no survey stops another."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from balance_cases import only_balanced
from campaign_surveys import drawn
from often import NIGHTLY

from oretally.flowsheet import Circuit, InputError, NotBalanceable, Survey
from oretally.recon import reconcile, reconcile_many
from oretally.recon.many import Asked, ManyBalances, SurveyTable
from oretally.recon.many_chunk import balance_chunk
from oretally.recon.propagation import sidak_p


def _alone(circuit: Circuit, survey: Survey) -> dict[tuple[str, str, str], float] | None:
    """Return what one survey comes to by itself; None if it has no balance."""
    try:
        balance = reconcile(circuit, survey, suspects=False, trials=0)
    except (InputError, NotBalanceable):
        return None
    if not balance.converged:
        return None
    test = balance.global_test
    found = {("sum of squares", "", ""): balance.objective,
             ("degrees of freedom", "", ""): float(test.dof)}  # fmt: skip
    if test.p is not None:
        found["p", "", ""] = test.p
    for v in balance.values:
        for answer, value in (
            ("measured", v.measured), ("sd", v.sd), ("adjusted", v.adjusted),
            ("adjusted sd", v.adjusted_sd), ("standardised", v.standardised),
        ):  # fmt: skip
            if value is not None:
                found[answer, v.stream, v.quantity] = value
    for r in balance.recoveries:
        for answer, value in (("recovery", r.recovery), ("recovery sd", r.sd)):
            if value is not None:
                found[answer, r.stream, r.analyte] = value
    return found


def _row(found: ManyBalances, i: int) -> dict[tuple[str, str, str], float]:
    return {
        (name.answer, name.stream, name.quantity): float(values[i])
        for name, values in found.columns.items()
        if np.isfinite(values[i])
    }


@pytest.mark.parametrize(
    ("name", "n", "missing"),
    [("tin_table", 12, 0.15), ("rougher_cleaner", 10, 0.03), ("rougher_cleaner", 3, 0.2)]
    + [("tin_table", 200, 0.3), ("rougher_cleaner", 300, 0.12)] * NIGHTLY,
)
def test_the_answers_of_one_at_a_time(name: str, n: int, missing: float) -> None:
    circuit, surveys = drawn(name, n, missing=missing)
    found = reconcile_many(circuit, surveys)
    assert (~found.alone).sum() > n / 3  # or nothing was tried
    for i, survey in enumerate(surveys):
        own, together = _alone(circuit, survey), _row(found, i)
        if own is None:
            assert found.reason[i]
            continue
        assert together.keys() == own.keys()
        for key, value in own.items():
            # of what next to nothing checks fewer digits are left
            close = 1e-6 if key[0] == "standardised" else 1e-9
            limit = close * max(abs(value), 1e-3)
            assert abs(together[key] - value) <= limit, (i, key)


def test_a_bad_survey_stops_no_other() -> None:
    circuit, surveys = drawn("tin_table", 6, missing=0.0)
    first = surveys[2].measurements[0]
    surveys[1] = replace(surveys[1], measurements=surveys[1].measurements[1:2])  # no mass
    wild = replace(first, value=-1.0)
    surveys[2] = replace(surveys[2], measurements=(wild, *surveys[2].measurements[1:]))
    surveys[4] = replace(surveys[4], measurements=(replace(first, stream="nowhere"),))
    found = reconcile_many(circuit, surveys)
    assert [i for i, _ in found.refused] == [1, 2, 4]
    reasons = dict(found.refused)
    assert "nothing fixes the scale" in reasons[1]
    assert "at least 0" in reasons[2]
    assert "nowhere" in reasons[4]
    recovery = found.column("recovery", "concentrate", "Sn")
    assert np.isfinite(recovery[[0, 3, 5]]).all()
    assert np.isnan(recovery[[1, 2, 4]]).all()


def test_arrays_and_surveys_are_one() -> None:
    circuit, surveys = drawn("tin_table", 5, missing=0.0)
    form = surveys[0]
    value = np.array([[m.value for m in s.measurements] for s in surveys])
    sd = np.array([[m.sd for m in s.measurements] for s in surveys])
    value[3, 2] = sd[3, 2] = np.nan
    table = SurveyTable(form, value, sd)
    found = reconcile_many(circuit, table)
    again = reconcile_many(circuit, [table.survey(i) for i in range(5)])
    assert found.columns.keys() == again.columns.keys()
    for name, values in found.columns.items():
        np.testing.assert_allclose(values, again.columns[name], rtol=1e-9)
    for i, m in enumerate(form.measurements):  # to the last digit
        np.testing.assert_array_equal(found.column("measured", m.stream, m.quantity), value[:, i])
        np.testing.assert_array_equal(found.column("sd", m.stream, m.quantity), sd[:, i])
    frame = found.frame()
    assert list(frame.columns[:2]) == ["balanced", "reason"]
    assert frame["recovery of Sn in concentrate [%]"].notna().all()


def test_what_is_no_table_is_refused() -> None:
    _, surveys = drawn("tin_table", 1, missing=0.0)
    n = len(surveys[0].measurements)
    with pytest.raises(ValueError, match="a column for each"):
        SurveyTable(surveys[0], np.ones((2, n - 1)), np.ones((2, n - 1)))
    with pytest.raises(ValueError, match="error above 0"):
        SurveyTable(surveys[0], np.ones((2, n)), np.zeros((2, n)))


def test_suspects_are_those_of_one_at_a_time() -> None:
    circuit, (survey,) = drawn("tin_table", 1, missing=0.0)
    k = next(i for i, m in enumerate(survey.measurements)
             if (m.stream, m.quantity) == ("tailings", "dry mass"))  # fmt: skip
    wrong = replace(survey.measurements[k], value=survey.measurements[k].value * 1.5)
    measured = (*survey.measurements[:k], wrong, *survey.measurements[k + 1 :])
    survey = replace(survey, measurements=measured)
    found = balance_chunk(circuit, [survey], Asked(suspects=True))
    first = reconcile(circuit, survey, second_opinions=False).gross_errors.suspects[0]
    assert found.suspect[0].split(" or ")[0] == str(first.group[0])
    assert found.probability[0] == pytest.approx(first.probability, abs=1e-9)
    assert not found.alone.any()


def test_wrong_numbers_looked_for_side_by_side() -> None:
    """Whatever went wrong, with a number missing in all: the same words, and as likely.

    What drives the balance to a bound is looked at alone.
    """
    circuit, surveys = drawn("tin_table", 6, missing=0.0)
    assays = [i for i, m in enumerate(surveys[0].measurements) if m.quantity != "dry mass"][1:]
    a, b = assays[0], assays[-1]

    def spoilt(survey: Survey, values: dict[int, float]) -> Survey:
        measured = [replace(m, value=values.get(i, m.value))
                    for i, m in enumerate(survey.measurements)]  # fmt: skip
        del measured[assays[1]]
        return replace(survey, measurements=tuple(measured))

    read = [[m.value for m in survey.measurements] for survey in surveys]
    slips = [{}, {a: 10.0 * read[1][a]}, {a: read[2][b], b: read[2][a]}, {0: 1.4 * read[3][0]},
             {a: 0.7 * read[4][a], b: 1.5 * read[4][b]}, {a: 1.4 * read[5][a]}]  # fmt: skip
    wrong = [spoilt(survey, values) for survey, values in zip(surveys, slips, strict=True)]
    found = balance_chunk(circuit, wrong, Asked(suspects=True))
    assert found.looked.all()
    assert found.alone.sum() == 2
    for i, survey in enumerate(wrong):
        first = reconcile(circuit, survey, second_opinions=False).gross_errors.suspects[:1]
        words = [(" and " if s.together else " or ").join(map(str, s.group)) for s in first]
        assert found.suspect[i] == "".join(words)
        likely = [s.probability for s in first] or [np.nan]
        assert found.probability[i] == pytest.approx(likely[0], abs=1e-9, nan_ok=True)


def test_suspects_only_where_a_test_doubts() -> None:
    """Others are told to be unexamined; where it looks, it finds what one at a time finds."""
    circuit, surveys = drawn("tin_table", 12, missing=0.0)
    wrong = surveys[5].measurements[0]
    wrong = replace(wrong, value=wrong.value + 12.0 * wrong.sd)
    surveys[5] = replace(surveys[5], measurements=(wrong, *surveys[5].measurements[1:]))
    some = reconcile_many(circuit, surveys, suspects=True, below=0.01)
    assert some.looked[5]
    assert not some.looked.all()
    assert not some.alone.any()
    balances = [only_balanced(circuit, s) for s in surveys]
    for i, (survey, balance) in enumerate(zip(surveys, balances, strict=True)):
        z = [abs(v.standardised) for v in balance.values if v.standardised is not None]
        doubted = min(balance.global_test.p or 0.0, sidak_p(max(z), len(z))) < 0.01
        assert doubted == some.looked[i], survey
        found = reconcile(circuit, survey, second_opinions=False) if doubted else balance
        first = found.suspects[:1]
        assert some.suspect[i] == (" or ".join(map(str, first[0].group)) if first else "")
    every = reconcile_many(circuit, surveys, suspects=True)
    assert every.looked.all()
    assert every.suspect[some.looked].tolist() == some.suspect[some.looked].tolist()


@pytest.mark.parametrize("sd", [np.inf, np.nan])
def test_an_error_that_is_no_number_stops_no_other_survey(sd: float) -> None:
    circuit, surveys = drawn("tin_table", 3, missing=0.0)
    first = surveys[0].measurements[0]
    wrong = replace(surveys[1], measurements=(replace(first, sd=sd), *surveys[1].measurements[1:]))
    found = reconcile_many(circuit, [surveys[0], wrong, surveys[2]])
    assert list(dict(found.refused)) == [1]


@pytest.mark.parametrize("below", [-0.1, 1.5, 5.0, float("nan")])
def test_a_chance_lies_between_0_and_1(below: float) -> None:
    circuit, surveys = drawn("tin_table", 2, missing=0.0)
    with pytest.raises(InputError, match=r"lies between 0 and 1.*\n.*Give 0\.01"):
        reconcile_many(circuit, surveys, suspects=True, below=below)
