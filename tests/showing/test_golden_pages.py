"""The page says what it said: every heading, sentence, table and row of three examples.

So does the first sheet of the workbook, of three others: every cell and every chart.

After a change that is meant: PYTHONPATH=tests/support python tests/showing/test_golden_pages.py
"""

from __future__ import annotations

from dataclasses import replace
from io import BytesIO
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from example_balances import example_balance
from often import NIGHTLY
from page_skeleton import page_skeleton
from sheet_tables import sheet_text

from oretally.io.report import Format, Section
from oretally.io.results import html, html_report, xlsx_bytes
from oretally.io.results.outline import outline

GOLDEN = Path(__file__).resolve().parent / "golden"
NAMES = ("rougher_cleaner", "grinding_by_size", "leach_test")
SHEETS = ("tin_table", "wrong_head", "leach_test")


def _golden(name: str) -> Path:
    return GOLDEN / f"{name}.page.txt"


@pytest.mark.parametrize("name", NAMES)
def test_page_says_what_it_said(name: str) -> None:
    assert page_skeleton(html_report(example_balance(name))) == _golden(name).read_text("utf-8")


@pytest.mark.parametrize("name", NAMES)
def test_nothing_can_go_missing(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without any one block of the outline the page is another; by day, every third is tried."""
    golden = _golden(name).read_text("utf-8")
    whole = outline(example_balance(name), Format.PAGE)
    assert sum(len(section.blocks) for section in whole) > 25
    blocks = [(i, j) for i, section in enumerate(whole) for j in range(len(section.blocks))]
    for i, j in blocks if NIGHTLY else blocks[NAMES.index(name) :: len(NAMES)]:
        section = whole[i]
        kept = replace(section, blocks=section.blocks[:j] + section.blocks[j + 1 :])
        less = [*whole[:i], kept, *whole[i + 1 :]]

        def lacking(*_: Any, less: list[Section] = less, **__: Any) -> list[Section]:
            return less

        monkeypatch.setattr(html, "outline", lacking)
        assert page_skeleton(html_report(example_balance(name))) != golden, (section.key, j)


def _first_sheet(name: str) -> str:
    return sheet_text(
        openpyxl.load_workbook(BytesIO(xlsx_bytes(example_balance(name)))).worksheets[0]
    )


def _golden_sheet(name: str) -> Path:
    return GOLDEN / f"{name}.sheet.txt"


@pytest.mark.parametrize("name", SHEETS)
def test_first_sheet_says_what_it_said(name: str) -> None:
    assert _first_sheet(name) == _golden_sheet(name).read_text("utf-8")


if __name__ == "__main__":
    for each in SHEETS:
        _golden_sheet(each).write_text(_first_sheet(each), "utf-8")
    for each in NAMES:
        _golden(each).write_text(page_skeleton(html_report(example_balance(each))), "utf-8")
