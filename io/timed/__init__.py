"""A test over time in words, tables, pictures and sheets, free of any format.

Read ``sentences`` first. Of recon it knows the rows only.
"""

from oretally.io.timed.blocks import timed_blocks
from oretally.io.timed.sentences import (
    by_the_end,
    checked_by_course,
    course_verdict,
    rate_sentences,
)
from oretally.io.timed.sheets import timed_sheets

__all__ = ["by_the_end", "checked_by_course", "course_verdict", "rate_sentences", "timed_blocks",
           "timed_sheets"]  # fmt: skip
