"""How a spreadsheet shows a number: plain, as a percentage, a date, in thousands.

Where what is seen is not what is stored, a number cannot be taken as it is stored.
"""

from __future__ import annotations

import re

__all__ = ["DATE", "MIXED", "PERCENT", "PLAIN", "THOUSANDS", "UNSEEN", "format_kind"]

PLAIN, PERCENT, DATE, THOUSANDS, MIXED = "plain", "percent", "date", "thousands", "mixed"
UNSEEN = "unseen"

_LITERAL = re.compile(r'"[^"]*"|\\.|_.|\*.')  # quoted, escaped, space as wide as, filled with
_BRACKET = re.compile(r"\[(?!h+\]|m+\]|s+\])[^\]]*\]", re.IGNORECASE)  # colour, condition, locale
_DATE = re.compile(r"[dmyhs]", re.IGNORECASE)
_SCALED = re.compile(r"[0#?],+(?![0#?,])")


def format_kind(code: str) -> str:
    """Return how a number format shows numbers.

    Parameters
    ----------
    code : str
        As in ECMA-376 part 1, 18.8.31.

    Examples
    --------
    >>> [format_kind(c) for c in ("0.00", "#,##0", "0.0%", '0.0"%"', "dd/mm/yy", "[h]:mm", "0.0,")]
    ['plain', 'plain', 'percent', 'plain', 'date', 'date', 'thousands']
    >>> format_kind(";;;")
    'unseen'
    """
    if code.startswith(";"):
        return UNSEEN
    sections = _BRACKET.sub("", _LITERAL.sub("", code)).split(";")[:3]  # the fourth is for text
    kinds = {_section_kind(s) for s in sections if re.search(r"[0#dmyhs]", s, re.IGNORECASE)}
    if not kinds:
        return PLAIN
    return kinds.pop() if len(kinds) == 1 else MIXED


def _section_kind(section: str) -> str:
    if "%" in section:
        return PERCENT
    plain = re.sub("general", "", section, flags=re.IGNORECASE)
    if _DATE.search(plain):
        return DATE
    return THOUSANDS if _SCALED.search(section) else PLAIN
