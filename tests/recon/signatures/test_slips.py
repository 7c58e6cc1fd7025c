"""Common slips: each is recovered, and nothing impossible is proposed."""

from __future__ import annotations

from fractions import Fraction
from math import exp, inf, isfinite, log

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from often import often
from scipy.integrate import quad

from oretally.flowsheet import Dimension, parse_unit
from oretally.recon.result import ErrorRates
from oretally.recon.signatures import SWAPPED, MeasuredReading, log_density_of_any_error, log_normal
from oretally.recon.signatures.slips import (
    CONTAINER,
    DECIMAL,
    DIGITS,
    MOISTURE,
    MOISTURE_SD,
    UNIT,
    WET,
    Undone,
    undone,
)

SHARE = 0.01  # stated error of a reading and of what the others say
CONTAINERS = {"pail": 0.85, "drum": 17.5}  # kg

# NIST SP 811 (2008), appendix B: exact
POUND, GRAIN = Fraction("0.45359237"), Fraction("0.45359237") / 7000  # kg
SHORT_TON, LONG_TON, TROY_OUNCE = 2000 * POUND, 2240 * POUND, 480 * GRAIN


def _reading(value: float, unit: str, said: float) -> MeasuredReading:
    return MeasuredReading(value, SHARE * value, parse_unit(unit), said, SHARE * said)


def _all(reading: MeasuredReading) -> list[Undone]:
    return list(undone(reading, CONTAINERS))


def _kinds(reading: MeasuredReading) -> set[str]:
    return {u.kind for u in _all(reading)}


def _assert_recovered(value: float, unit: str, truth: float, kind: str) -> Undone:
    """The likeliest proposal is of this kind, and the truth."""
    best = max(_all(_reading(value, unit, truth)), key=lambda u: u.log_odds)
    assert best.kind == kind
    assert abs(best.value - truth) <= best.sd
    return best


@pytest.mark.parametrize("power", [1, 2, 3, -1, -2, -3])
def test_decimal_point(power: int) -> None:
    """A point so many places too far to one side is put back; common practice, no source."""
    truth = 13.7
    best = _assert_recovered(truth / 10.0**power, "kg/min", truth, "decimal point")
    assert best.value == pytest.approx(truth, rel=1e-12)
    assert best.sd == pytest.approx(SHARE * truth, rel=1e-12)
    assert best.reason.endswith("left" if power > 0 else "right")
    assert ("one place" if abs(power) == 1 else f"{abs(power)} places") in best.reason


UNITS = [
    ("g/t", "ozt/st", TROY_OUNCE / SHORT_TON * 10**6), ("ppm", "ozt/st", Fraction(240, 7)),
    ("g/t", "ozt/t", TROY_OUNCE * 1000), ("ozt/st", "g/t", Fraction(7, 240)),
    ("%", "g/g", Fraction(100)), ("%", "g/t", Fraction(1, 10_000)), ("kg", "lb", POUND),
    ("t", "st", SHORT_TON / 1000), ("t", "lt", LONG_TON / 1000), ("kg", "g", Fraction(1, 1000)),
    ("g", "ozt", TROY_OUNCE * 1000), ("t/h", "t/d", Fraction(1, 24)),
    ("st/h", "t/h", 1000 / SHORT_TON), ("kg/h", "kg/min", Fraction(60)),
]  # fmt: skip


@pytest.mark.parametrize(("written", "meant", "factor"), UNITS)
def test_unit(written: str, meant: str, factor: Fraction) -> None:
    """A number in one unit given in another: NIST SP 811 (2008), exact factors."""
    number = 0.0137 if written == "%" and meant == "g/g" else 3.71
    truth = number * float(factor)
    best = _assert_recovered(number, written, truth, "unit")
    assert best.value == pytest.approx(truth, rel=1e-12)
    assert best.sd == pytest.approx(SHARE * truth, rel=1e-12)
    assert f"in {meant}, not in {written}" in best.reason


def test_troy_ounce_per_short_ton() -> None:
    """NIST SP 811: 1 ozt/st = 34.2857 g/t, 240/7 exactly by the grain."""
    assert TROY_OUNCE / SHORT_TON * 10**6 == Fraction(240, 7)
    assert float(Fraction(240, 7)) == pytest.approx(34.2857, abs=5e-5)


@pytest.mark.parametrize(
    ("read", "truth"), [(15.37, 13.57), (13.75, 13.57), (31.57, 13.57), (108.0, 180.0)]
)
def test_digits(read: float, truth: float) -> None:
    """Two neighbouring digits changed round are changed back, with the sd in proportion."""
    best = _assert_recovered(read, "kg/min", truth, "digits")
    assert best.value == truth
    assert best.sd == pytest.approx(SHARE * truth)


@pytest.mark.parametrize(("name", "unit"), [("pail", "kg"), ("drum", "kg"), ("pail", "g")])
def test_container(name: str, unit: str) -> None:
    """The mass of a container not taken off, whatever the unit of the reading."""
    empty = CONTAINERS[name] * (1000.0 if unit == "g" else 1.0)
    truth = 2.5 * empty
    best = _assert_recovered(truth + empty, unit, truth, "container")
    assert f"'{name}'" in best.reason
    assert best.value == pytest.approx(truth, rel=1e-12)
    rate = MeasuredReading(truth + empty, 1.0, parse_unit("kg/h"), truth, 1.0)
    grade = MeasuredReading(3.0, 0.1, parse_unit("%"), 2.15, 0.1)
    assert "container" not in _kinds(rate) | _kinds(grade)


@pytest.mark.parametrize("moisture", [0.08, 0.12, 0.2, 0.24])
@pytest.mark.parametrize("unit", ["kg/min", "g"])
def test_wet_mass(unit: str, moisture: float) -> None:
    """A wet mass given as dry, at a moisture that occurs and stands out of the errors."""
    truth = 135.7
    best = _assert_recovered(truth / (1.0 - moisture), unit, truth, "wet mass")
    assert best.value == truth
    assert f"{100.0 * moisture:.2g} % moisture" in best.reason


@pytest.mark.parametrize("moisture", [-0.1, 0.0, 0.005])
def test_no_wet_mass(moisture: float) -> None:
    """A mass that is no heavier than it should be was not wet."""
    assert "wet mass" not in _kinds(_reading(135.7 / (1.0 - moisture), "t/h", 135.7))
    assert "wet mass" not in _kinds(_reading(13.57 / (1.0 - moisture), "%", 13.57))


@pytest.mark.parametrize("moisture", [0.02, 0.4])
def test_moistures_that_hardly_occur(moisture: float) -> None:
    """They are far less likely than the usual one; our own choice, no source."""

    def odds(m: float) -> float:
        reading = MeasuredReading(100.0 / (1.0 - m), 1e-3, parse_unit("t"), 100.0, 1e-3)
        return next(u.log_odds for u in _all(reading) if u.kind == "wet mass")

    assert odds(moisture) < odds(MOISTURE) - 1.5


@pytest.mark.parametrize(
    ("slip", "factor", "chance"),
    [("one place too far to the left", 10.0, 0.35 * DECIMAL), ("in kg/h", 1.0 / 60.0, UNIT)],
)
def test_density_of_a_factor(slip: str, factor: float, chance: float) -> None:
    """The density over readings integrates to the chance of the slip, whatever its factor."""

    def density(value: float) -> float:
        reading = MeasuredReading(value, 0.01 / factor, parse_unit("kg/min"), 3.0, 0.02)
        return sum(exp(u.log_odds) for u in _all(reading) if slip in u.reason)

    inside = quad(density, 2.5 / factor, 3.5 / factor, points=[3.0 / factor], epsrel=1e-10)[0]
    assert inside == pytest.approx(chance, rel=1e-6)


def test_wet_mass_density() -> None:
    """Moisture is normal: the density over readings of one dry mass integrates to its chance."""

    def density(value: float) -> float:
        reading = MeasuredReading(value, 1e-9, parse_unit("t/h"), 100.0, 1e-9)
        return sum(exp(u.log_odds) for u in _all(reading) if u.kind == "wet mass")

    low, high = (100.0 / (1.0 - MOISTURE - k * MOISTURE_SD) for k in (-2.0, 5.0))
    inside = quad(density, low, high, epsrel=1e-10)[0]
    # the readings spread as the moistures do, but for the bend of 1/(1 - moisture)
    assert inside == pytest.approx(0.977 * WET, rel=0.03)


UNITS_OF_READINGS = ["%", "g/g", "g/t", "ppb", "ozt/st", "kg", "g", "t", "lb", "t/h", "kg/min"]
NUMBERS = st.builds(lambda n, places: n / 10.0**places, st.integers(1, 10**7), st.integers(0, 4))


@settings(derandomize=True, deadline=None, max_examples=often(300, 0.4))
@given(value=NUMBERS, said=NUMBERS, unit=st.sampled_from(UNITS_OF_READINGS))
def test_proposals_are_possible(value: float, said: float, unit: str) -> None:
    """Every proposal is finite and positive, with an sd above 0; no grade exceeds 100 %."""
    reading = _reading(value, unit, said)
    grade = reading.unit.dimension is Dimension.GRADE
    largest = float(1 / reading.unit.factor) if grade else inf
    for u in _all(reading):
        assert 0.0 < u.value <= largest
        assert isfinite(u.value)
        assert 0.0 < u.sd < inf
        assert isfinite(u.log_odds)
        assert u.value != value


def test_no_grade_above_the_whole() -> None:
    """15 %: no point moved to make 150 %; 95 % in place of 59 %, but not 15 g/g."""
    assert {round(u.value, 9) for u in _all(_reading(15.0, "%", 50.0))} == {
        1.5, 0.15, 0.015, 0.0015, 51.0
    }  # fmt: skip
    assert max(u.value for u in _all(_reading(59.0, "%", 95.0))) == 95.0
    assert 150.0 in {u.value for u in _all(_reading(15.0, "kg", 150.0))}


def _exchanged(number: str) -> set[float]:
    """Return the number with each pair of neighbouring digits exchanged, the point in its place."""
    point = number.find(".") if "." in number else len(number)
    digits = number.replace(".", "")
    found = set()
    for i in range(len(digits) - 1):
        new = digits[:i] + digits[i + 1] + digits[i] + digits[i + 2 :]
        if new.startswith("0") and point > 1 and not digits.startswith("0"):
            continue  # nobody means 05
        found.add(float(f"{new[:point]}.{new[point:]}"))
    return found - {float(number), 0.0}


@settings(derandomize=True, deadline=None, max_examples=often(300, 0.4))
@given(n=st.integers(1, 10**7), places=st.integers(0, 4))
def test_only_neighbouring_digits(n: int, places: int) -> None:
    """The proposals are all exchanges of neighbouring digits, by strings, and share the chance."""
    whole, rest = divmod(n, 10**places)
    number = f"{whole}.{rest:0{places}d}".rstrip("0").rstrip(".") if places else str(n)
    reading = _reading(float(number), "t/h", 3.0)
    found = [u for u in _all(reading) if u.kind == "digits"]
    assert {u.value for u in found} == _exchanged(number)
    assert len(found) == len(_exchanged(number))
    chances = [exp(u.log_odds - log_normal(u.value - 3.0, u.sd, SHARE * 3.0)) for u in found]
    assert chances == pytest.approx([DIGITS / max(len(found), 1)] * len(found), rel=1e-6)


@pytest.mark.parametrize("number", ["0.000012", "0.0000345", "12345678901", "33.333333333333336"])
def test_only_digits_that_were_written(number: str) -> None:
    """Very small and large numbers, and of more than ten digits: their own digits only."""
    reading = _reading(float(number), "t/h", float(number))
    assert {u.value for u in _all(reading) if u.kind == "digits"} <= _exchanged(number)


@pytest.mark.parametrize("unit", ["kg", "t/h"])
def test_reading_of_zero(unit: str) -> None:
    """Nothing was read where the others say something: no slip, and no error."""
    assert _all(MeasuredReading(0.0, 0.1, parse_unit(unit), 5.0, 0.05)) == []
    nothing = MeasuredReading(0.0, 0.1, parse_unit(unit), 0.0, 0.05)
    assert isfinite(log_density_of_any_error(nothing, ErrorRates()))


@pytest.mark.parametrize("sd", [0.05, 0.5])
def test_error_of_any_size(sd: float) -> None:
    """The density over values integrates to the share of no named slip, and its far tail.

    The tail 0.01 / (|value| + said + sd) adds 0.02 log(1 + end / (said + sd)) from -end to end.
    """
    said, end = 50.0, 20_000.0
    rest = 1.0 - (DECIMAL + UNIT + DIGITS + CONTAINER + WET + SWAPPED)
    assert 0.0 < rest < 1.0

    def density(value: float) -> float:
        reading = MeasuredReading(value, sd, parse_unit("t/h"), said, sd)
        return exp(log_density_of_any_error(reading, ErrorRates()))

    cuts = sorted({said + s * b * sd for b in (0.0, 20.0, 200.0, 4000.0) for s in (-1.0, 1.0)})
    edges = [-end, *sorted({*cuts, 0.0}), end]
    pieces = zip(edges[:-1], edges[1:], strict=True)
    total = sum(quad(density, a, b, epsrel=1e-9, limit=200)[0] for a, b in pieces)
    assert total == pytest.approx(rest * (1.0 + 0.02 * log(1.0 + end / (said + sd))), rel=1e-6)
