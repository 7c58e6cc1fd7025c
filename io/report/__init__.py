"""A report as sections, free of any format; a page drawn from them.

Read ``blocks``, then ``page``.
"""

from oretally.io.report.blocks import (
    Block,
    Boxed,
    Format,
    Items,
    Lead,
    Paragraphs,
    Picture,
    Section,
    Suspects,
    Terms,
)
from oretally.io.report.commands_named import with_file_named
from oretally.io.report.first_screen import SCREEN_COLUMNS, first_screen, narrow
from oretally.io.report.page import page, template

__all__ = [
    "SCREEN_COLUMNS",
    "Block",
    "Boxed",
    "Format",
    "Items",
    "Lead",
    "Paragraphs",
    "Picture",
    "Section",
    "Suspects",
    "Terms",
    "first_screen",
    "narrow",
    "page",
    "template",
    "with_file_named",
]
