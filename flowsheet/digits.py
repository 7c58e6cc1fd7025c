"""Numbers with sensible digits: as many as their standard deviation leaves meaning."""

from __future__ import annotations

import math

__all__ = [
    "DASH",
    "chance_percent",
    "format_chance",
    "format_chi_square",
    "format_number",
    "format_p",
    "format_with_sd",
]

_NOTHING = 1e-8  # an sd below this share of the value comes from rounding, or from a bound
_ROUNDING = 1e-9  # a sum of squared adjustments below it
DASH = "–"  # stands for a number that there is none of


def format_with_sd(value: float | None, sd: float | None) -> tuple[str, str]:
    """Return value and sd as text, the sd with two significant digits, the value to the same place.

    Examples
    --------
    >>> format_with_sd(84.3376, 0.6731)
    ('84.34', '0.67')
    >>> format_with_sd(25400.0, 53.0)
    ('25400', '53')
    >>> format_with_sd(1234567.0, 25000.0)
    ('1235000', '25000')
    >>> format_with_sd(0.000123, None)
    ('0.000123', '–')
    >>> format_with_sd(None, None)
    ('–', '–')
    """
    if value is None or not math.isfinite(value):
        return DASH, DASH
    if sd is None or not math.isfinite(sd) or sd <= _NOTHING * abs(value):
        return format_number(value), DASH
    places = 1 - math.floor(math.log10(float(f"{sd:.1e}")))
    if abs(value) >= 1e9 or places > 9:
        return f"{value:.4g}", f"{sd:.2g}"
    if places >= 0:
        return f"{_unsigned_zero(round(value, places)):.{places}f}", f"{sd:.{places}f}"
    return f"{_unsigned_zero(round(value, places)):.0f}", f"{round(sd, places):.0f}"


def _unsigned_zero(value: float) -> float:
    return value + 0.0  # -0.0 + 0.0 is 0.0


def format_number(value: float | None, digits: int = 4) -> str:
    """Return a number with at most ``digits`` significant digits, without an exponent if it can.

    Examples
    --------
    >>> format_number(12.34567), format_number(0.0), format_number(98765.0), format_number(None)
    ('12.35', '0', '98765', '–')
    """
    if value is None or not math.isfinite(value):
        return DASH
    if value == 0.0:
        return "0"
    size = math.floor(math.log10(abs(value)))
    if size >= 9 or size < -6:
        return f"{value:.{digits - 1}e}"
    places = max(digits - 1 - size, 0)
    text = f"{value:.{places}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def format_chi_square(value: float) -> str:
    """Return a sum of squares in units of the stated errors as text; what is rounding is 0.

    Examples
    --------
    >>> format_chi_square(3.2), format_chi_square(4.8e-27)
    ('3.2', '0')
    """
    return format_number(value if value > _ROUNDING else 0.0)


def format_p(p: float | None) -> str:
    """Return a probability as text.

    Examples
    --------
    >>> format_p(0.7706), format_p(3e-9), format_p(None)
    ('0.77', 'below 0.0001', '–')
    """
    if p is None:
        return DASH
    return "below 0.0001" if p < 1e-4 else f"{p:.2g}"


def chance_percent(probability: float | None) -> str:
    """Return a probability in percent, with no more certainty than there is.

    Examples
    --------
    >>> chance_percent(0.9987), chance_percent(0.642), chance_percent(0.003), chance_percent(None)
    ('>99', '64', '<1', '–')
    """
    if probability is None:
        return DASH
    if probability > 0.99:
        return ">99"
    return "<1" if probability < 0.01 else f"{100.0 * probability:.0f}"


def format_chance(probability: float | None) -> str:
    """Return the same in words; empty for None.

    Examples
    --------
    >>> format_chance(0.9987), format_chance(0.642), format_chance(0.003), format_chance(None)
    ('above 99 %', '64 %', 'below 1 %', '')
    """
    if probability is None:
        return ""
    words = chance_percent(probability).replace(">", "above ").replace("<", "below ")
    return f"{words} %"
