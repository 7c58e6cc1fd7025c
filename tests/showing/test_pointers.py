"""Where more stands is said in the words of the surface: options are words of the terminal."""

from __future__ import annotations

import io
import json
from dataclasses import replace

import openpyxl
import pytest
from example_balances import example_balance

from oretally.io.first_page import in_the_report, pointed
from oretally.io.report import Format, Paragraphs
from oretally.io.results import html_report, summary, xlsx_bytes
from oretally.io.results.outline import outline
from oretally.io.results.pdf_pages import pages
from oretally.recon import Balance
from oretally.recon.result import BEYOND_BOUNDS


@pytest.fixture(scope="module")
def told() -> Balance:
    """A leach over time of which no curve holds, and two readings beyond what was reported."""
    balance = example_balance("bottle_roll_times")
    more = tuple(f"Au of '{s}' lies {BEYOND_BOUNDS}." for s in ("a", "b"))
    errors = replace(balance.gross_errors, suspects=())
    return replace(balance, notes=(*balance.notes, *more), gross_errors=errors)


def _words(balance: Balance) -> str:
    return " ".join(summary(balance).split())


def test_the_terminal_names_the_option(told: Balance) -> None:
    assert "see --show kinetics." in _words(told)


def test_no_other_surface_does(told: Balance) -> None:
    html = html_report(told)
    pdf = json.dumps(pages(told, (), None), ensure_ascii=False)
    book = openpyxl.load_workbook(io.BytesIO(xlsx_bytes(told)))
    cells = "\n".join(str(c) for row in book["summary"].values for c in row if c is not None)
    for shown in (html, pdf, cells):
        assert "--show" not in shown
    assert "see &#39;Over time&#39; below." in html or "see 'Over time' below." in html
    assert "see 'Over time' below." in pdf
    assert "see the sheet 'extraction over time'." in cells
    assert "extraction over time" in book.sheetnames


@pytest.mark.parametrize("shown", [Format.PAGE, Format.PDF])
def test_what_is_pointed_to_is_there(told: Balance, shown: Format) -> None:
    sections = outline(told, shown)
    headings = {s.heading for s in sections}
    texts = [t for s in sections for b in s.blocks if isinstance(b, Paragraphs) for t in b.texts]
    pointing = [t for t in texts if "' below" in t]
    assert pointing
    for text in pointing:
        assert any(f"'{heading}' below" in text for heading in headings), text


def test_only_parts_with_a_heading_are_put_in_other_words() -> None:
    assert pointed("3 more: --show cautions.", str.upper) == "3 more: --show cautions."
    assert in_the_report("see --show reagents.") == "see 'Reagents' below."
    assert in_the_report("Nothing to see.") == "Nothing to see."
