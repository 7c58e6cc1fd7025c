"""The manual as one HTML file: no network, no script; the same program gives the same bytes."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import partial
from html import escape
from importlib.metadata import version
from importlib.resources import files
from itertools import groupby
from typing import TYPE_CHECKING

from oretally.io.manual.topics import Topic
from oretally.io.report import template

if TYPE_CHECKING:
    from markdown_it import MarkdownIt
    from markdown_it.token import Token

__all__ = ["drawn", "manual_page", "manual_style"]

_CLOSING = (
    "Results describe the samples that were weighed and assayed. They are no resource statement, "
    "valuation or settlement. Follow your local codes, and leave licensed work to those who are "
    "licensed."
)


def manual_style() -> str:
    """Return how the manual looks, as CSS."""
    return files("oretally.io").joinpath("templates/manual.css").read_text("utf-8")


def manual_page(topics: Sequence[Topic], style_file: str = "") -> str:
    """Return all topics as one HTML document.

    Parameters
    ----------
    topics : sequence of Topic
    style_file : str, optional
        Where a server keeps `manual_style`; the page has it within if empty, and needs no file.
    """
    names = frozenset(topic.name for topic in topics)
    parts = [(part, list(members)) for part, members in groupby(topics, key=lambda t: t.part)]
    draw = partial(drawn, names=names)
    return template("manual.html.j2").render(
        parts=parts,
        drawn=draw,
        closing=_CLOSING,
        version=version("oretally"),
        style=manual_style(),
        style_file=style_file,
    )


def drawn(topic: Topic, names: frozenset[str]) -> str:
    """Return one topic as HTML: raw HTML in it is shown, not taken, and pictures are put in."""
    from markdown_it import MarkdownIt

    parser = MarkdownIt("commonmark", {"html": False}).enable("table")
    tokens = parser.parse(topic.body)
    for i, token in enumerate(tokens):
        if token.type in ("heading_open", "heading_close"):
            token.tag = f"h{int(token.tag[1]) + 1}"
        if token.type == "heading_open":
            token.attrs["id"] = f"{topic.name}-{_anchor(tokens[i + 1].content)}"
        if token.attrs.pop("style", "") == "text-align:right":  # a policy may forbid styles within
            token.attrs["class"] = "right"
        for inner in token.children or ():
            if inner.type == "link_open":
                _aim(inner, names)
    return _with_boxes(_rendered(parser, tokens))


def _anchor(heading: str) -> str:
    """Return a heading as the end of an address.

    Examples
    --------
    >>> _anchor("2. Type the `numbers`")
    '2-type-the-numbers'
    """
    return "-".join(re.findall(r"[^\W_]+", heading.casefold()))


def _aim(link: Token, names: frozenset[str]) -> None:
    """Turn a link to another page into one within the document."""
    target = str(link.attrs.get("href", ""))
    name = target.removesuffix(".md")
    if target.endswith(".md") and name in names:
        link.attrs["href"] = f"#{name}"


def _rendered(parser: MarkdownIt, tokens: Sequence[Token]) -> str:
    """Return the HTML of tokens; a fence that names a file says so above it."""
    found: list[str] = []
    for group, members in groupby(tokens, key=lambda token: token.type == "fence"):
        if not group:
            found.append(parser.renderer.render(list(members), parser.options, {}))
            continue
        for token in members:
            language, _, file = token.info.strip().partition(" ")
            if file:
                found.append(f'<p class="named">{escape(file)}</p>')
            label = file or ("typed, and answered" if language == "console" else language or "text")
            found.append(
                f'<pre tabindex="0" role="region" aria-label="{escape(label)}">'
                f"<code>{escape(token.content)}</code></pre>\n"
            )
    return "".join(found)


def _with_boxes(html: str) -> str:
    """Let wide tables scroll by themselves, and put pictures into the page."""
    box = '<div class="wide" tabindex="0" role="group" aria-label="table">'
    html = html.replace("<table>", f"{box}<table>").replace("</table>", "</table></div>")
    return re.sub(r'<p><img src="([\w-]+\.svg)" alt="([^"]*)" /></p>', _picture, html)


def _picture(found: re.Match[str]) -> str:
    svg = files("oretally.io.manual").joinpath(found[1]).read_text("utf-8")
    return f"<figure>{svg}<figcaption>{found[2]}</figcaption></figure>"
