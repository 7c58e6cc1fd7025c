"""The report as the pages of a PDF: the sections of the outline, tables cut to the page.

Plain dicts and lists: the template `report.typ` turns them into pages, and their texts into text.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from importlib.metadata import version
from itertools import groupby
from typing import Any

from oretally.io.definition import Price
from oretally.io.report import (
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
from oretally.io.results.outline import FRONT, outline
from oretally.io.wording import CLOSING, Caution, LossReading, ResultTable, Simulated
from oretally.recon.result import Balance, WhatIf

__all__ = ["page_tables", "pages", "section_pages"]

_BRIEF = 560.0  # px of height that drawings may have on a first page that stands upright
_FRONT_PT = 190.0  # points that verdict and products take on a page across
_DIGIT_SPACE, _POINT_SPACE = "\u2007", "\u2008"  # as wide as a digit, and as a point
_WIDTH = 505.0  # points between the margins
_DIGIT, _GAP = 3.9, 6.5  # points of a character of a table, and between its columns
_LONGEST_WORD = 26  # characters of a cell of words before it is set on more lines
_Block = dict[str, Any]


def pages(
    balance: Balance, prices: Sequence[Price] = (), otherwise: WhatIf | None = None, *,
    simulated: Simulated | None = None, brief: bool = False,
) -> dict[str, Any]:  # fmt: skip
    """Return title and parts of the report; each part is pages upright, or one across.

    ``brief`` leaves all out but what everybody reads.
    """
    sections = outline(balance, Format.PDF, prices=prices, otherwise=otherwise, simulated=simulated)
    circuit = next((s for s in sections if s.key == "circuit"), None)
    one = circuit is not None and circuit.across and len(circuit.blocks) == 1
    if brief:
        sections = [s for s in sections if s.key in FRONT and _on_one_page(s)]
        flows = [s for s in sections if s.key == "flows"]
        high = sum(p.size[1] for s in (circuit, *flows[:1]) if s for p in _drawings(s))
        sections = [s for s in sections if s not in flows[1 if high <= _BRIEF and not one else 0 :]]

    def turned(section: Section) -> bool:
        # the first page goes across with the circuit
        return section.across or (one and section.key in ("summary", "what-if"))

    parts = list[_Block]()
    for wide, run in groupby(sections, turned):
        blocks = [block for section in run for block in _section(section)]
        if not parts:  # below the summary: a page of its own would hold nothing else
            end = next((i for i, b in enumerate(blocks) if b["kind"] == "heading"), len(blocks))
            blocks.insert(end, _words([CLOSING]))
        # a drawing leaves room for what stands above it on its page
        shared = wide and blocks[0]["kind"] == "lead"
        parts.append({"wide": wide, "beside": _FRONT_PT if shared else 0.0, "blocks": blocks})
    return {
        "title": balance.survey.title or "Mass and metal balance",
        "version": f"oretally {version('oretally')}",
        "parts": parts,
    }


def section_pages(title: str, sections: Sequence[Section]) -> dict[str, Any]:
    """Return title and parts of a report of any sections, all upright."""
    blocks = [block for section in sections for block in _section(section)]
    end = next((i for i, b in enumerate(blocks) if b["kind"] == "heading"), len(blocks))
    blocks.insert(end, _words([CLOSING]))
    return {
        "title": title,
        "version": f"oretally {version('oretally')}",
        "parts": [{"wide": False, "beside": 0.0, "blocks": blocks}],
    }


def _on_one_page(section: Section) -> bool:
    """Tell whether no drawing of a section goes on on a further sheet."""
    return len(_drawings(section)) <= 1


def _drawings(section: Section) -> list[Picture]:
    return [block for block in section.blocks if isinstance(block, Picture)]


def _words(texts: Sequence[str]) -> _Block:
    return {"kind": "words", "texts": texts}


def _section(section: Section) -> Iterator[_Block]:
    if section.heading:
        yield {"kind": "heading", "text": section.heading}
    for block in section.blocks:
        yield from _blocks(block)


def _blocks(block: Block) -> Iterator[_Block]:
    """Yield a block of the outline as blocks of the template."""
    match block:
        case Lead():
            yield {"kind": "lead", "text": " ".join(block.texts)}
        case Terms():
            yield {"kind": "terms", "pairs": block.pairs}
        case Paragraphs():
            yield _words(block.texts)
        case Items():
            yield {"kind": "list", "texts": block.texts}
        case Boxed():
            yield {"kind": "boxed", "text": block.text}
        case Suspects():
            for s in block.rows:
                yield _words([f"{s.chance}: {s.head}" if s.chance else s.head])
                yield {"kind": "list", "texts": s.details}
        case LossReading():
            yield {"kind": "strong", "text": f"{', '.join(block.analytes)} in {block.stream}"}
            yield {"kind": "list", "texts": [*block.sentences, *block.tests]}
        case Caution():
            yield {"kind": "caution", "title": block.title, "because": block.because,
                   "hurts": block.hurts, "usual": block.usual}  # fmt: skip
        case Picture():
            width, height = block.size
            yield {"kind": "picture", "svg": block.svg, "caption": block.caption, "width": width,
                   "height": height}  # fmt: skip
        case ResultTable():
            yield from page_tables([block])


def page_tables(tables: Iterable[ResultTable]) -> list[_Block]:
    """Return tables and what is said of them, wide ones in several parts, each with its names."""
    found = []
    for table in tables:
        kinds = table.kinds
        columns = [
            [_padded(text) for text in column] if kind == "number" else column
            for column, kind in zip(table.columns, kinds, strict=True)
        ]
        runs = _runs(table, columns)
        for i, run in enumerate(runs):
            found.append({
                "kind": "table",
                "caption": table.caption + (f" ({i + 1} of {len(runs)})" if len(runs) > 1 else ""),
                "kinds": [kinds[j] for j in run],
                "header": [table.header[j] for j in run],
                "rows": list(zip(*(columns[j] for j in run), strict=True)),
            })  # fmt: skip
        said = [*table.below, *table.legend]
        if said:
            found.append(_words(said))
    return found


def _padded(number: str) -> str:
    """Return a number, padded with blanks, with blanks as wide as what they stand for."""
    bare = number.rstrip(" ")
    blanks = _DIGIT_SPACE * (len(number) - len(bare))
    return bare + (blanks if "." in bare or not blanks else _POINT_SPACE + blanks[1:])


def _runs(table: ResultTable, columns: Sequence[Sequence[str]]) -> list[list[int]]:
    """Return the columns of each part of a table: its names, and numbers as many as fit."""
    widths = []
    for head, column, kind in zip(table.header, columns, table.kinds, strict=True):
        longest = max((len(text) for text in column), default=0)
        word = max((len(text) for text in head.split()), default=0)
        if kind != "number":
            longest = min(max(longest, len(head)), _LONGEST_WORD)
        widths.append(_GAP + _DIGIT * max(longest, word))
    names = list(range(table.words))
    numbers = [j for j, kind in enumerate(table.kinds) if kind == "number"]
    last = [j for j in range(len(columns)) if j not in (*names, *numbers)]
    room = _WIDTH - sum(widths[j] for j in (*names, *last))
    # a number and its error stay together
    pairs = [numbers[i : i + 1 + _has_error(table, numbers, i)] for i in _starts(table, numbers)]
    runs: list[list[int]] = [[]]
    for pair in pairs:
        if runs[-1] and sum(widths[j] for j in (*runs[-1], *pair)) > room:
            runs.append([])
        runs[-1] += pair
    return [[*names, *run, *last] for run in runs]


def _has_error(table: ResultTable, numbers: Sequence[int], i: int) -> bool:
    return i + 1 < len(numbers) and table.header[numbers[i + 1]].startswith("±")


def _starts(table: ResultTable, numbers: Sequence[int]) -> list[int]:
    return [i for i, j in enumerate(numbers) if i == 0 or not table.header[j].startswith("±")]
