"""What everybody reads first: the verdict, what was recovered, the table of products, what next.

Read ``verdict`` first.
"""

from oretally.io.first_page.first_suspect import short_suspect
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
    "NOT_YET",
    "SOUND",
    "Figure",
    "ProductRows",
    "caution_lines",
    "extracted_figures",
    "kept_figures",
    "kept_sentences",
    "next_step",
    "product_rows",
    "product_tables",
    "short_suspect",
    "summary_blocks",
    "verdict_sentences",
]
