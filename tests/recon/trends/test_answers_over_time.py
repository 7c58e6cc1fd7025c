"""The answers of balanced surveys as series."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from balance_cases import only_balanced
from campaign_cases import CIRCUIT, drawn_campaign
from size_cases import GRINDING, grinding

from oretally.flowsheet.survey import DatedSurvey, SharedSource
from oretally.recon.dated_balances import DatedBalance, balanced_in_time, in_time
from oretally.recon.trends import (
    HEADS,
    AnswerSeries,
    SeriesReader,
    StandardInBatch,
    series_of_standards,
)


def _series(surveys: list[DatedSurvey]) -> dict[str, AnswerSeries]:
    timeline = in_time(surveys)
    reader = SeriesReader(timeline, "feed", ["concentrate", "tailings"])
    for balance in balanced_in_time(timeline):
        assert isinstance(balance, DatedBalance)
        reader.read(balance)
    return {s.name: s for s in reader.series()}


def test_values_and_errors_are_those_of_one_balance() -> None:
    surveys = drawn_campaign(2, 1)
    found = _series(surveys)
    for i, dated in enumerate(surveys):
        balance = only_balanced(dated.circuit, dated.survey, products=["concentrate", "tailings"])
        told, own = found["recovery of Sn to concentrate"], balance.recovery("concentrate", "Sn")
        assert told.value[i] == pytest.approx(own.recovery)
        assert told.sd[i] == pytest.approx(own.sd)
        grade = balance.value("feed", "Sn")
        assert found["grade of Sn in feed"].value[i] == pytest.approx(grade.adjusted)
        for head in balance.heads:
            if head.assayed is not None:
                row = found.get(f"calculated less assayed head, {head.analyte} of feed")
                if row is not None and dated.label in row.labels:
                    at = row.labels.index(dated.label)
                    assert row.subject == HEADS and head.z is not None
                    assert row.value[at] / row.sd[at] == pytest.approx(head.z)


def test_a_recovery_that_mirrors_another_is_no_second_answer() -> None:
    names = _series(drawn_campaign(2, 1))
    assert "recovery of Sn to concentrate" in names
    assert "recovery of Sn to tailings" not in names


def test_a_source_that_surveys_share_is_kept_apart() -> None:
    surveys, plain = [], drawn_campaign(2, 2)
    for dated in plain:
        m = dated.survey.measured("concentrate", "Sn")
        feed = dated.survey.measured("feed", "Sn")
        loads = {x.stream: 0.5 * x.sd_base for x in (m, feed) if x is not None}
        shared = (SharedSource("laboratory", "Sn", loads),)
        surveys.append(replace(dated, survey=replace(dated.survey, shared=shared)))
    with_source, without = _series(surveys), _series(plain)
    row, other = (s["grade of Sn in concentrate"] for s in (with_source, without))
    ((source, moved),) = row.common.items()
    assert source == "laboratory: Sn"
    for dated, by in zip(surveys, moved, strict=True):
        assert dated.survey.measured("concentrate", "Sn") is None or by != 0.0
    assert other.common == {}


def test_order_is_that_of_time_if_all_have_one() -> None:
    surveys = drawn_campaign(4, 3)
    mixed = [surveys[2], surveys[0], surveys[3], surveys[1]]
    assert [s.label for s in in_time(mixed).surveys] == [s.label for s in surveys]
    assert in_time(mixed).time == pytest.approx([0.0, 1.0, 2.0, 3.0])
    mixed[1] = replace(mixed[1], time=None)
    assert in_time(mixed).surveys == tuple(mixed)
    assert in_time(mixed).clock == "surveys"
    aware = [replace(surveys[0], time=datetime(2026, 1, 1, tzinfo=UTC)), surveys[1]]
    assert in_time(aware).surveys == tuple(aware)
    at_once = [replace(s, time=surveys[0].time) for s in surveys]
    assert in_time(at_once).time == (0.0, 1.0, 2.0, 3.0)
    assert in_time([]).surveys == ()


def test_a_standard_in_each_batch() -> None:
    rows = [
        StandardInBatch(i, f"s{i}", float(i), "Sn", "OX1", (1.02, 1.04), 1.0, 0.005, 0.02)
        for i in range(3)
    ]  # fmt: skip
    rows.append(StandardInBatch(0, "s0", 0.0, "Sn", "OX2", (0.5,), 0.5, 0.0, None))
    (series,) = series_of_standards(rows, "days")
    assert series.value == pytest.approx([3.0] * 3)
    assert series.sd == pytest.approx([2.0 / 2.0**0.5] * 3)
    assert series.common["certificate of OX1"] == pytest.approx((0.5,) * 3)


def test_the_circuit_is_as_the_cases_say() -> None:
    assert CIRCUIT.feeds == ("feed",)


def test_fineness_and_circulating_load_are_those_of_one_balance() -> None:
    surveys = [DatedSurvey(f"S{i}", None, GRINDING, grinding(i)) for i in (1, 2, 3)]
    timeline = in_time(surveys)
    reader = SeriesReader(timeline)
    for balance in balanced_in_time(timeline):
        assert isinstance(balance, DatedBalance)
        reader.read(balance)
    found = {s.name: s for s in reader.series()}
    names = [name for name in found if name.startswith(("P80", "circulating"))]
    assert names == ["P80 of overflow", "circulating load at cyclone"]
    for i, dated in enumerate(surveys):
        sizes = only_balanced(dated.circuit, dated.survey).sizes
        for stream in sizes.streams:
            told = found.get(f"P80 of {stream.stream}")
            if told is not None:
                assert told.unit == "um" and told.value[i] == pytest.approx(stream.p80.size_um)
                assert told.sd[i] == pytest.approx(stream.p80.sd_um)
        for part in sizes.partitions:
            load = part.circulating_load
            assert load is not None
            told = found[f"circulating load at {part.node}"]
            assert (told.unit, told.value[i], told.sd[i]) == ("%", *map(pytest.approx, load))
