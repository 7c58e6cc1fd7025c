"""What the report of a balance is made of, free of any format."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import Enum, auto

from oretally.io.wording import Caution, LossReading, ResultTable, SuspectWords

__all__ = ["Block", "Boxed", "Format", "Items", "Lead", "Paragraphs", "Picture", "Section",
           "Suspects", "Terms"]  # fmt: skip

_UPRIGHT = 640.0  # a picture wider than that gets a page across [px]
_SIZE = re.compile(r'<svg [^>]*?width="([\d.]+)" height="([\d.]+)"')


class Format(Enum):
    """What draws the report: a terminal and pages to print are told less than a page to scroll."""

    TERMINAL = auto()
    PAGE = auto()
    PDF = auto()


@dataclass(frozen=True, slots=True)
class Lead:
    """What is read first: the verdict, and in further sentences what follows from it."""

    texts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Terms:
    """Words, and beside each what is said of it."""

    pairs: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Paragraphs:
    """Sentences, each a paragraph."""

    texts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Items:
    """Sentences, each an item of a list."""

    texts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Boxed:
    """A sentence that nobody must miss, and the word that marks it where there is no box."""

    word: str
    text: str


@dataclass(frozen=True, slots=True)
class Suspects:
    """Numbers that are probably wrong, the likeliest first."""

    rows: tuple[SuspectWords, ...]


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture as SVG, and what is said below it."""

    svg: str
    caption: str

    @property
    def size(self) -> tuple[float, float]:
        """Width and height, in px of CSS."""
        size = _SIZE.match(self.svg)
        if size is None:
            raise ValueError("a picture that does not say how large it is")
        return float(size[1]), float(size[2])


Block = (
    Lead
    | Terms
    | Paragraphs
    | Items
    | Boxed
    | Suspects
    | Picture
    | LossReading
    | Caution
    | ResultTable
)
"""What a section is made of; nothing of it is empty."""


@dataclass(frozen=True, slots=True)
class Section:
    """A part of the report.

    Attributes
    ----------
    key : str
        A short name to choose it by; what shows one thing of several shares it.
    heading : str
        Empty for what stands below the title.
    blocks : tuple of Block
    """

    key: str
    heading: str
    blocks: tuple[Block, ...]

    @property
    def across(self) -> bool:
        """Whether it is a drawing that needs a page across."""
        drawn = [block for block in self.blocks if isinstance(block, Picture)]
        return len(drawn) == len(self.blocks) and any(p.size[0] > _UPRIGHT for p in drawn)
