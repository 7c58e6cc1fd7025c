"""The manual in a terminal: Markdown as plain text, wrapped to the width there is."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator, Sequence
from itertools import groupby

from oretally.io.manual.topics import Topic

__all__ = ["contents_text", "topic_text"]

_LINK = re.compile(r"\[([^\]]+)\]\(([^)]+)\)")
_PICTURE = re.compile(r"!\[[^\]]*\]\([^)]+\)")
_ITEM = re.compile(r"(\s*)([-*]|\d+\.)\s+(.*)")
_FENCE = re.compile(r"```.*?^```$", re.DOTALL | re.MULTILINE)
_INDENT = "    "
_WIDEST = 92  # longer lines are hard to read


def contents_text(topics: Sequence[Topic], width: int) -> str:
    """Return the list of topics, by part."""
    lines = ["The manual of oretally. Read a page: oretally help PAGE. All of them as one page to",
             "open in a browser: oretally help --html FILE.", ""]  # fmt: skip
    longest = max(len(topic.name) for topic in topics) + 2
    for part, members in groupby(topics, key=lambda topic: topic.part):
        lines.append(part)
        for topic in members:
            lines += textwrap.wrap(
                f"{topic.name:{longest}}{topic.title}", width,
                initial_indent="  ", subsequent_indent=" " * (longest + 2),
            )  # fmt: skip
        lines.append("")
    return "\n".join(lines[:-1]) + "\n"


def topic_text(topic: Topic, width: int) -> str:
    """Return one topic as text of at most ``width`` columns, but for what is shown as it stands."""
    width = min(width, _WIDEST)
    blocks = [topic.title + "\n" + "=" * min(len(topic.title), width)]
    for kind, text in _blocks(topic.body):
        blocks.append(_shown(kind, text, width))
    return "\n\n".join(block for block in blocks if block)


def _blocks(text: str) -> Iterator[tuple[str, str]]:
    """Yield ('shown', lines between fences) and ('prose', paragraph)."""
    at = 0
    for fence in _FENCE.finditer(text):
        yield from _paragraphs(text[at : fence.start()])
        inside = fence[0].split("\n")[1:-1]
        yield "shown", "\n".join(inside)
        at = fence.end()
    yield from _paragraphs(text[at:])


def _paragraphs(text: str) -> Iterator[tuple[str, str]]:
    for paragraph in re.split(r"\n\s*\n", text.strip("\n")):
        if paragraph.strip():
            yield "prose", paragraph


def _shown(kind: str, text: str, width: int) -> str:
    if kind == "shown":
        return textwrap.indent(text, _INDENT)
    if text.startswith("#"):
        title = _plain(text.lstrip("# "))
        return title + "\n" + "-" * len(title)
    if text.startswith("|"):
        return _table(text.split("\n"), width)
    if _ITEM.match(text):
        return "\n".join(_item(line, width) for line in text.split("\n"))
    return textwrap.fill(_plain(" ".join(text.split("\n"))), width, break_on_hyphens=False)


def _item(line: str, width: int) -> str:
    found = _ITEM.match(line)
    if found is None:
        return textwrap.fill(_plain(line.strip()), width, initial_indent="  ",
                             subsequent_indent="  ")  # fmt: skip
    indent, mark, text = found.groups()
    return textwrap.fill(
        _plain(text), width, initial_indent=f"{indent}{mark} ",
        subsequent_indent=indent + " " * (len(mark) + 1), break_on_hyphens=False,
    )  # fmt: skip


def _table(lines: Sequence[str], width: int) -> str:
    """Return a table as its first column with the rest below: any width holds it."""
    rows = [[_plain(cell.strip().replace("\\|", "|")) for cell in _cells(line)] for line in lines]
    header, body = rows[0], rows[2:]
    widths = [max(len(row[j]) for row in (header, *body)) for j in range(len(header))]
    if sum(widths) + 2 * (len(widths) - 1) <= width:
        return "\n".join(
            "  ".join(f"{cell:{w}}" for cell, w in zip(row, widths, strict=True)).rstrip()
            for row in (header, *body)
        )
    found = []
    for row in body:
        rest = row[1:] if len(row) == 2 else [
            f"{title}: {cell}" for title, cell in zip(header[1:], row[1:], strict=True) if cell
        ]  # fmt: skip
        found.append(row[0])
        found += [
            textwrap.fill(cell, width, initial_indent=_INDENT, subsequent_indent=_INDENT,
                          break_on_hyphens=False)
            for cell in rest if cell
        ]  # fmt: skip
    return "\n".join(found)


def _cells(line: str) -> list[str]:
    return re.split(r"(?<!\\)\|", line.strip().removeprefix("|").removesuffix("|"))


def _plain(text: str) -> str:
    """Return a line of Markdown without its marks; a link to a page says how to read it."""
    text = _PICTURE.sub("", text)
    text = _LINK.sub(_link, text)
    return text.replace("**", "").replace("`", "")


def _link(found: re.Match[str]) -> str:
    page = found[2].removesuffix(".md")
    if page == found[2]:
        return f"{found[1]} ({page})"
    said = f"oretally help {page}"
    return said if found[1] == page else f"{found[1]} ({said})"
