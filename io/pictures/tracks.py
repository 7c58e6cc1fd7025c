"""Where upright lines run in the channel between two columns, each with room of its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["Upright", "tracks"]


@dataclass(frozen=True, slots=True)
class Upright:
    """A line from one height to another, and to which side it goes on at each of them.

    Attributes
    ----------
    ends : pair of float
        Heights.
    right : pair of bool
        Whether it comes from, or goes to, the right there; else the left.
    """

    ends: tuple[float, float]
    right: tuple[bool, bool]

    @property
    def low(self) -> float:
        """The upper end."""
        return min(self.ends)

    @property
    def high(self) -> float:
        """The lower end."""
        return max(self.ends)

    def crosses(self, other: Upright) -> int:
        """Return how often the two cross where this one stands to the left of the other."""
        mine = sum(
            other.low < y < other.high for y, right in zip(self.ends, self.right, strict=True)
            if right
        )  # fmt: skip
        return mine + sum(
            self.low < y < self.high for y, right in zip(other.ends, other.right, strict=True)
            if not right
        )  # fmt: skip


def tracks(uprights: Sequence[Upright], apart: float) -> list[int]:
    """Return the track of each line, 0 being the leftmost.

    Lines of one track are at least ``apart`` from each other. Neighbours change places as long as
    that takes crossings away.
    """
    order = sorted(range(len(uprights)), key=lambda i: (-uprights[i].low, i))
    moved = True
    while moved:  # every change takes crossings away, so there is an end
        moved = False
        for k in range(len(order) - 1):
            a, b = uprights[order[k]], uprights[order[k + 1]]
            if b.crosses(a) < a.crosses(b):
                order[k], order[k + 1] = order[k + 1], order[k]
                moved = True
    found = [0] * len(uprights)
    placed: list[tuple[float, float, int]] = []  # what each keeps free, and the next track
    for i in order:
        low, high = uprights[i].low, uprights[i].high
        found[i] = max([t for top, end, t in placed if top < high and low < end], default=0)
        placed.append((low - apart, high + apart, found[i] + 1))
    return found
