"""What everybody reads first: the verdict, what was recovered, the table of products, what next.

Read ``verdict`` first.
"""

from oretally.io.first_page.first_suspect import short_suspect
from oretally.io.first_page.pointers import (
    KINETICS_HEADING,
    NOTES_HEADING,
    REAGENTS_HEADING,
    in_the_report,
    pointed,
    section_in_the_report,
)
from oretally.io.first_page.product_table import Figure, ProductRows, product_rows, product_tables
from oretally.io.first_page.summary import summary_blocks
from oretally.io.first_page.verdict import (
    NOT_YET,
    SOUND,
    caution_lines,
    extracted_figures,
    kept_figures,
    kept_sentences,
    next_step,
    verdict_sentences,
)

__all__ = [
    "KINETICS_HEADING",
    "NOTES_HEADING",
    "NOT_YET",
    "REAGENTS_HEADING",
    "SOUND",
    "Figure",
    "ProductRows",
    "caution_lines",
    "extracted_figures",
    "in_the_report",
    "kept_figures",
    "kept_sentences",
    "next_step",
    "pointed",
    "product_rows",
    "product_tables",
    "section_in_the_report",
    "short_suspect",
    "summary_blocks",
    "verdict_sentences",
]
