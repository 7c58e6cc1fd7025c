"""What a page says, as lines: headings, sentences, captions, headers and names of rows.

Numbers are blanked out: they are held by other tests, and their last digits may differ.
"""

from __future__ import annotations

import re
from html.parser import HTMLParser

__all__ = ["page_skeleton"]

_NUMBER = re.compile(r"\d+(?:\.\d+)*(?:e[+-]?\d+)?")
_MARKS = {"h1": "# ", "h2": "## ", "caption": "table: ", "figcaption": "under it: ", "dt": "- ",
          "dd": "  ", "li": "* ", "title": "title: "}  # fmt: skip
_SILENT = {"style", "desc", "text"}


class _Skeleton(HTMLParser):
    """Collects lines; the cells of a row are one."""

    def __init__(self) -> None:
        super().__init__()
        self.lines: list[str] = []
        self.said, self.mark, self.silent = "", "", 0
        self.row: list[str] | None = None
        self.number = False  # the cell is a number

    def end(self) -> None:
        """Keep what was said since the last tag."""
        text, self.said = _NUMBER.sub("#", " ".join(self.said.split())), ""
        if self.row is not None:
            if text and not self.number:
                self.row.append(text)
        elif text:
            self.lines.append(self.mark + text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "strong":
            return
        self.end()
        if tag == "tr":
            self.row = []
        self.number = tag == "td" and ("class", "number") in attrs
        self.silent += tag in _SILENT
        self.mark = _MARKS.get(tag, "")

    def handle_endtag(self, tag: str) -> None:
        if tag == "strong":
            return
        self.end()
        if tag == "tr" and self.row is not None:
            self.lines.append("  | " + " | ".join(self.row))
            self.row = None
        self.silent -= tag in _SILENT

    def handle_data(self, data: str) -> None:
        if not self.silent:
            self.said += data


def page_skeleton(page: str) -> str:
    """Return the lines of an HTML page, without who made it."""
    parser = _Skeleton()
    parser.feed(page)
    parser.end()
    return re.sub(r" Made by oretally .*", "", "\n".join(parser.lines)) + "\n"
