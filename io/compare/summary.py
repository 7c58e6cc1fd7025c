"""A comparison as text: the verdict first, the table second, what to know and what hurts last."""

from __future__ import annotations

import io
from textwrap import wrap

from oretally.io.compare.wording import cautions, difference_table, hazards, verdicts
from oretally.io.wording import CAUTIONS_HEADING, WIDTH, brief, defer, print_table
from oretally.recon.comparison import Comparison

__all__ = ["comparison_text"]

_SENTENCE = 104  # columns


def comparison_text(found: Comparison) -> str:
    """Return the comparison as plain text."""
    from rich.console import Console

    buffer = io.StringIO()
    console = Console(file=buffer, width=WIDTH, color_system=None, force_terminal=False)
    print_table(difference_table(found), console)
    lines = [line for verdict in verdicts(found) for line in _folded(verdict, "")]
    lines += [line.rstrip() for line in buffer.getvalue().splitlines()]
    lines += [line for caution in cautions(found) for line in _folded(caution, "- ")]
    hurts = hazards(found)
    if hurts:
        lines += ["", CAUTIONS_HEADING]
        lines += [line for caution in hurts for line in _folded(f"CAUTION {brief(caution)}", "- ")]
        lines += _folded(defer(), "")
    return "\n".join(lines) + "\n"


def _folded(sentence: str, mark: str) -> list[str]:
    return wrap(
        sentence, _SENTENCE, initial_indent=mark, subsequent_indent=" " * len(mark),
        break_on_hyphens=False, break_long_words=False,
    )  # fmt: skip
