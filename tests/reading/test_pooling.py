"""Replicates told to the user: pooled sd against the stated one, readings that lie apart."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import fmean, variance

import pytest

from oretally.flowsheet import ErrorRule, Fault, Measurement, Place, Unit, parse_unit
from oretally.flowsheet.survey import DETECTION_LIMIT, RANGE_LIMIT, SizeRule
from oretally.io.files import Cell
from oretally.io.measurements.replicates import Reading, pooled_replicates

_PERCENT = parse_unit("%")


def _reading(
    stream: str, quantity: str, value: float, unit: Unit, sd: float, source: str = "row",
    rule: SizeRule | None = None,
) -> Reading:  # fmt: skip
    nowhere = Cell(value, Place())
    return Reading(stream, quantity, value, unit, sd, source, "", nowhere, rule)


def _readings(
    stream: str, values: Sequence[float], *, absolute: float, quantity: str = "Sn", unit: str = "%"
) -> list[Reading]:
    return [_reading(stream, quantity, v, parse_unit(unit), absolute) for v in values]


def _relative(
    groups: dict[str, Sequence[float]], percent: float, others: Sequence[Reading] = ()
) -> tuple[list[Measurement], list[str]]:
    """Pool grades of streams, of a relative error each, after others."""
    rule = ErrorRule(percent)
    found = [_reading(stream, "Sn", v, _PERCENT, rule.sd(v, _PERCENT), rule=rule)
             for stream, values in groups.items() for v in values]  # fmt: skip
    return pooled_replicates([*others, *found], [])


FEED, CONC, TAILS = (1.00, 1.03), (30.1, 31.2, 29.9), (0.298, 0.305)
GROUPS: dict[str, Sequence[float]] = {"feed": FEED, "conc": CONC, "tails": TAILS}


def _relative_pool() -> tuple[float, int]:
    """Pooled by hand: squares of readings over their group's mean."""
    groups = [[v / fmean(each) for v in each] for each in (FEED, CONC, TAILS)]
    dof = sum(len(each) - 1 for each in groups)
    return (sum((len(g) - 1) * variance(g) for g in groups) / dof) ** 0.5, dof


def test_relative_errors_give_a_relative_sd() -> None:
    """The errors stand at the means: chi-square is 4 (2.1 / 3)^2, likewise below."""
    _, notes = _relative(GROUPS, 3)
    sd, dof = _relative_pool()
    assert dof == 4 and sd == pytest.approx(0.0210, abs=5e-5)
    assert notes == [
        "Replicates of Sn (3 groups): pooled relative sd 2.1 % on 4 degrees of freedom, stated 3 % "
        "(chi-square 2.0 on 4, p 0.74)."
    ]


def test_absolute_errors_give_an_absolute_sd_in_the_first_unit() -> None:
    """Weights in g and kg: one pool. By hand: variances 50, 200 and 50 g2 of 1, 1 and 1 dof."""
    mass = "dry mass"
    found = [*_readings("feed", (25010, 25020), absolute=9, quantity=mass, unit="g"),
             *_readings("conc", (0.400, 0.420), absolute=0.009, quantity=mass, unit="kg"),
             *_readings("tails", (24500, 24510), absolute=9, quantity=mass, unit="g")]  # fmt: skip
    _, notes = pooled_replicates(found, [])
    assert ((50 + 200 + 50) / 3) ** 0.5 == 10.0
    assert notes == [
        "Replicates of dry mass (3 groups): pooled sd 10 g on 3 degrees of freedom, stated 9 g "
        "(chi-square 3.7 on 3, p 0.3)."
    ]


@pytest.mark.parametrize(
    ("relative", "said"),
    [
        (0.5, "stated 0.5 % (chi-square 70.7 on 4, p 1.6e-14). They spread more than stated."),
        (30.0, "stated 30 % (chi-square 0.0 on 4, p 1). They spread less than stated."),
    ],
)
def test_stated_errors_that_the_replicates_deny(relative: float, said: str) -> None:
    _, notes = _relative(GROUPS, relative)
    assert notes[-1] == (
        "Replicates of Sn (3 groups): pooled relative sd 2.1 % on 4 degrees of freedom, " + said
    )


def test_one_group_is_not_pooled() -> None:
    assert _relative({"feed": FEED, "conc": (30.0,)}, 3)[1] == []


APART = {
    # limits: Grubbs 1.715, 1.481 (n = 5, 4); Dixon r10 0.710, 0.829 (Rorabacher 1991, 5 %)
    (0.805, 0.81, 0.79, 0.82, 0.95): "0.95 lies apart from the others (Grubbs 1.76, limit 1.72; "
    "Dixon's Q 0.81, limit 0.71); it was not left out.",
    (1.0, 1.01, 1.02, 1.2): "1.2 lies apart from the others (Grubbs 1.49, limit 1.48; Dixon's Q "
    "0.90, limit 0.83); it was not left out.",
}


@pytest.mark.parametrize("values", list(APART))
def test_a_reading_that_lies_apart_by_both_tests(values: tuple[float, ...]) -> None:
    pooled, notes = pooled_replicates(_readings("feed", values, absolute=0.2), [])
    listed = ", ".join(f"{v:g}" for v in values)
    assert notes == [f"Of the replicates of Sn of 'feed' ({listed} %) {APART[values]}"]
    assert pooled[0].value == pytest.approx(fmean(values))
    assert pooled[0].note == f"mean of {len(values)} replicates"


def test_dixon_may_disagree() -> None:
    """Two readings far out hide each other from Dixon's Q: said in the same note."""
    values = (1.0, 1.01, 1.02, 1.0, 1.02, 1.01, 1.0, 1.01, 1.3, 1.5)
    _, notes = pooled_replicates(_readings("feed", values, absolute=0.3), [])
    assert notes == [
        "Of the replicates of Sn of 'feed' (1, 1.01, 1.02, 1, 1.02, 1.01, 1, 1.01, 1.3, 1.5 %) "
        "1.5 lies apart from the others (Grubbs 2.40, limit 2.29; but Dixon's Q 0.40, limit 0.47); "
        "it was not left out."
    ]


def test_beyond_ten_readings_dixon_is_silent() -> None:
    values = (*(1.0, 1.01, 1.02) * 4, 1.3)
    _, notes = pooled_replicates(_readings("feed", values, absolute=0.3), [])
    assert len(notes) == 1 and "Grubbs" in notes[0] and "Dixon" not in notes[0]


def _between(low: float, high: float, source: str = DETECTION_LIMIT) -> Reading:
    """A value uniform between bounds, GUM (JCGM 100:2008) 4.3.7."""
    return _reading("tails", "Sn", (low + high) / 2.0, _PERCENT, (high - low) / 12**0.5, source)


def test_bounds_beside_readings_have_no_weight() -> None:
    """'<0.02' beside 0.50 and 0.51: with weight 1/sd^2 it would have made 0.02 of them."""
    found = [_between(0.0, 0.02), *_readings("tails", (0.5, 0.51), absolute=0.02)]
    (pooled,), notes = pooled_replicates(found, [])
    assert (pooled.value, pooled.sd) == pytest.approx((0.505, 0.02 / 2**0.5))
    assert not pooled.bounded
    assert notes == [
        "Sn of 'tails': a replicate only known to lie between 0 and 0.02 % has no weight; the "
        "readings alone count, 0.505 ± 0.014 %. They lie outside by 34.3 of their ±: one or the "
        "other is wrong."
    ]


def test_what_was_below_detection_is_missing_from_the_mean() -> None:
    found = [_between(0.0, 0.5), *_readings("tails", (0.6,), absolute=0.1), _between(0.0, 0.5)]
    (pooled,), notes = pooled_replicates(found, [])
    assert (pooled.value, pooled.sd, pooled.bounded) == (0.6, 0.1, False)
    assert notes == [
        "Sn of 'tails': 2 replicates only known to lie between 0 and 0.5 % have no weight; the "
        "readings alone count, 0.6 ± 0.1 %. What was below detection is not in that mean, which "
        "may be too high."
    ]
    above = [_between(10.0, 80.0, RANGE_LIMIT), *_readings("tails", (9.5,), absolute=0.3)]
    assert pooled_replicates(above, [])[1][0].endswith(
        "What was above the range is not in that mean, which may be too low."
    )


@pytest.mark.parametrize("limits", [(0.5, 0.5, 0.5), (0.7, 0.5), (0.5, 2.0, 0.9)])
def test_bounds_are_no_independent_readings(limits: tuple[float, ...]) -> None:
    """However often '<0.5' is read, it is one bound, and the narrowest holds."""
    (pooled,), notes = pooled_replicates([_between(0.0, limit) for limit in limits], [])
    assert (pooled.value, pooled.sd) == pytest.approx((0.25, 0.5 / 12**0.5))
    assert pooled.bounded and notes == []


def test_bounds_in_several_units_and_from_both_sides() -> None:
    ppm = parse_unit("ppm")
    low = _reading("tails", "Sn", 1000.0, ppm, 2000.0 / 12**0.5, DETECTION_LIMIT)
    (pooled,), _ = pooled_replicates([_between(0.0, 0.5), low], [])
    assert pooled.unit.to_base(pooled.value) == pytest.approx(0.001)
    (both,), _ = pooled_replicates([_between(0.1, 80.0, RANGE_LIMIT), _between(0.0, 0.5)], [])
    assert both.bounds == pytest.approx((0.1, 0.5))
    assert both.note == "only known to lie between 0.1 and 0.5 %; taken as uniform"


def test_bounds_that_exclude_each_other() -> None:
    faults: list[Fault] = []
    pooled_replicates([_between(10.0, 80.0, RANGE_LIMIT), _between(0.0, 0.5)], faults)
    assert [str(f) for f in faults] == [
        "stream 'tails', Sn: The replicates of Sn exclude each other: one is above 10 %, another "
        "below 0.5.\n"
        "Correct or take out what is wrong."
    ]


def test_bounds_have_no_spread() -> None:
    """'<0.02' beside numbers says nothing of how they spread."""
    below = _reading("tails", "Sn", 0.01, _PERCENT, 0.02 / 12**0.5, DETECTION_LIMIT)
    pooled, notes = _relative({"tails": (0.5, 0.51), "feed": (1.0, 1.02)}, 3, [below])
    assert not pooled[0].bounded
    assert notes[1:] == [
        "Replicates of Sn (2 groups): pooled relative sd 1.4 % on 2 degrees of freedom, stated 3 % "
        "(chi-square 0.4 on 2, p 0.8)."
    ]
    assert pooled_replicates([below, below], [])[0][0].bounded
