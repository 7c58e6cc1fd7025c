"""How wide a text is at most, and names on lines that are not too wide."""

from __future__ import annotations

from functools import cache
from unicodedata import combining, east_asian_width

__all__ = ["FACE", "cut_to_width", "text_width"]

# Arial and what stands in for it have one set of widths; what comes after may be wider
FACE = "Arial, Helvetica, Liberation Sans, sans-serif"
_SIZE = 11.0  # of letters
_BOLD = 1.16  # how much wider a bold letter is, at most
# widths in em of DejaVu Sans, rounded up: of the plain faces that machines have, the widest
_NARROW, _LETTER, _CAPITAL, _BROAD, _PICTOGRAM = 0.43, 0.65, 0.8, 1.01, 1.4


def text_width(text: str, *, bold: bool = False) -> float:
    """Return a width that a text has at most in a plain sans-serif face.

    Examples
    --------
    >>> text_width("ill") < text_width("tails") < text_width("TAILS") < text_width("矿石尾矿")
    True
    """
    return _SIZE * (_BOLD if bold else 1.0) * sum(map(_em, text))


@cache
def _em(c: str) -> float:
    """Return the width of a character in em."""
    if "\U0001f000" <= c:
        return _PICTOGRAM if c < "\U00020000" else _BROAD
    if combining(c):
        return 0.0
    if c > "\u024f" or east_asian_width(c) in "WF":  # past the Latin letters
        return _BROAD
    if c in " ijlftrI.,:;'|!()[]/-\"\u00b7":
        return _NARROW
    if c in "mwMW%@\u00c6\u00e6":
        return _BROAD
    return _CAPITAL + 0.04 if c.isupper() or c in "+=<>#~^_&\u00b1\u00d7\u00f7" else _LETTER


def cut_to_width(text: str, width: float, *, bold: bool = False) -> list[str]:
    """Return a text on lines no wider than ``width``, cut at blanks where that is possible.

    Examples
    --------
    >>> cut_to_width("final tailings of the second line", 105.0)
    ['final tailings of', 'the second line']
    """
    lines = [""]
    for word in text.split(" "):
        longer = f"{lines[-1]} {word}".strip()
        if text_width(longer, bold=bold) <= width:
            lines[-1] = longer
            continue
        if lines[-1]:
            lines.append("")
        for c in word:
            if lines[-1] and text_width(lines[-1] + c, bold=bold) > width:
                lines.append("")
            lines[-1] += c
    return lines
