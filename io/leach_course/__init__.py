"""What a balance says of a leach over time, as sentences, tables and sheets, free of any format.

Read ``words`` first.
"""

from oretally.io.leach_course.sheets import EXTRACTION_SHEET, REAGENTS_SHEET, course_sheets
from oretally.io.leach_course.words import (
    brief_sentences,
    course_sentences,
    course_table,
    extraction_curve_table,
    reagent_sentences,
    reagent_table,
)

__all__ = [
    "EXTRACTION_SHEET",
    "REAGENTS_SHEET",
    "brief_sentences",
    "course_sentences",
    "course_sheets",
    "course_table",
    "extraction_curve_table",
    "reagent_sentences",
    "reagent_table",
]
