"""The first screen of a command: what can be read at once on a small terminal."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import wrap

__all__ = ["SCREEN_COLUMNS", "first_screen", "narrow"]

_LINES, SCREEN_COLUMNS = 30, 80
"""Of a first screen."""


def narrow(
    sentence: str, first: str = "", rest: str | None = None, *, columns: int = SCREEN_COLUMNS
) -> list[str]:
    """Return a sentence as lines of a first screen, the others indented as `wrapped` does.

    Examples
    --------
    >>> narrow("Nothing speaks against this batch.", "Sn  ")
    ['Sn  Nothing speaks against this batch.']
    """
    indent = " " * len(first) if rest is None else rest
    # a number stays with its error and its unit
    kept = sentence.replace(" ± ", "\u00a0±\u00a0").replace(" %", "\u00a0%")
    lines = wrap(kept, min(columns, SCREEN_COLUMNS), initial_indent=first, subsequent_indent=indent,
                 break_on_hyphens=False, break_long_words=False)  # fmt: skip
    return [line.replace("\u00a0", " ") for line in lines] or [first.rstrip()]


def first_screen(drafts: Sequence[Sequence[str]], where: str) -> str:
    """Return the fullest draft that fits, with a last line that says where the rest is.

    Parameters
    ----------
    drafts : sequence of sequence of str
        Lines, the fullest draft first. Of the last, if even that is too long, the first lines.
    where : str
        How to see all.
    """
    end = ["", *narrow(where)]
    most = _LINES - len(end)
    lines = next((draft for draft in drafts if len(draft) <= most), drafts[-1])
    if len(lines) > most:
        lines = [*lines[: most - 1], f"... and {len(lines) - most + 1} more lines."]
    return "\n".join([*lines, *end]) + "\n"
