"""Circuits to draw, and what stands where in their drawing: read from the SVG, not from the layout.

``python tests/support/drawn_circuits.py`` prints how many lines cross each other, and the time.
"""

from __future__ import annotations

import re
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from xml.etree import ElementTree

import numpy as np
from numpy.typing import NDArray
from random_circuits import RandomCircuit

from oretally.flowsheet import Circuit
from oretally.io.pictures import circuit_svg, text_width

__all__ = [
    "SEEDS",
    "Drawn",
    "banks",
    "circuits",
    "labelled",
    "meetings",
    "read_svg",
    "renamed",
    "wild",
]

SEEDS = 200
_SVG = "{http://www.w3.org/2000/svg}"
_WORDS = (
    "first cleaner concentrate of bank number", "矿石", "尾矿第二段浮选", "<b>&\"x\"</b> ]]>",
    "ключ", "W" * 40, "Å/ñ (−38 µm)", "तांबा",
)  # fmt: skip
Floats = NDArray[np.float64]


def banks(lines: int, length: int) -> Circuit:
    """Return parallel lines of banks: rougher, cleaner, scavenger, their recycles to a sump."""
    streams: dict[str, tuple[str | None, str | None]] = {"ore": (None, "split"),
                                                         "water": (None, "split")}  # fmt: skip
    for i in range(lines):
        streams[f"feed {i}"] = ("split", f"sump {i}.0")
        for j in range(length):
            sump, rougher, cleaner, scavenger = (
                f"{what} {i}.{j}" for what in ("sump", "rougher", "cleaner", "scavenger")
            )
            onward = f"sump {i}.{j + 1}" if j + 1 < length else "tailings"
            streams |= {
                f"pulp {i}.{j}": (sump, rougher),
                f"rough {i}.{j}": (rougher, cleaner),
                f"rest {i}.{j}": (rougher, scavenger),
                f"clean {i}.{j}": (cleaner, "filter"),
                f"middlings {i}.{j}": (cleaner, sump),
                f"scavenged {i}.{j}": (scavenger, sump),
                f"tails {i}.{j}": (scavenger, onward),
            }
    streams |= {"cake": ("filter", None), "overflow": ("filter", None), "waste": ("tailings", None)}
    return Circuit.build(streams)


def wild(seed: int) -> Circuit:
    """Return one of ``SEEDS`` random circuits of 2 to 60 nodes."""
    return RandomCircuit(seed, n_nodes=2 + seed * 58 // (SEEDS - 1), n_analytes=1).circuit


def renamed(circuit: Circuit, seed: int) -> Circuit:
    """Return a circuit with names in many scripts, up to 40 letters, and with markup."""
    rng = np.random.default_rng(seed)

    def name(old: str) -> str:
        word = str(rng.choice(_WORDS))
        return f"{word[: 39 - len(old)]} {old}" if rng.random() < 0.7 else old

    nodes = {node.name: name(node.name) for node in circuit.nodes}
    return Circuit(
        tuple(replace(s, name=name(s.name), source=s.source and nodes[s.source],
                      target=s.target and nodes[s.target]) for s in circuit.streams),
        tuple(replace(node, name=nodes[node.name]) for node in circuit.nodes),
    )  # fmt: skip


def labelled(circuit: Circuit) -> dict[str, list[str]]:
    """Return labels as those of a balance: name, rate and grades."""
    values = ["123.4 t/h", "Cu 12.34 %, Fe 18.41 %"]
    return {
        s: [*([s] if len(s) <= 20 else [s[:20], s[20:]]), *values] for s in circuit.stream_names
    }


@dataclass(frozen=True)
class Drawn:
    """What an SVG shows: rows of (left, top, right, bottom), and the pieces of each line.

    Attributes
    ----------
    size : pair of float
    texts, boxes : array, shape (n, 4)
    words : list of str
        Of each text.
    ways : list of array, shape (n, 2)
        The points of each line.
    tips : array, shape (n, 2)
        Where arrows end.
    """

    size: tuple[float, float]
    texts: Floats
    boxes: Floats
    words: list[str]
    ways: list[Floats]
    tips: Floats

    def pieces(self, pen: float = 1.3) -> tuple[Floats, NDArray[np.intp]]:
        """Return the pieces of all lines as thin rectangles, and the line of each."""
        rows, of = [], []
        for i, way in enumerate(self.ways):
            for a, b in zip(way, way[1:], strict=False):
                across = np.where(a == b, pen / 2.0, 0.0)
                rows.append((*(np.minimum(a, b) - across), *(np.maximum(a, b) + across)))
                of.append(i)
        return np.array(rows).reshape(-1, 4), np.array(of, dtype=np.intp)


def read_svg(svg: str) -> Drawn:
    """Read a drawing: texts as wide as the drawing reckons, from top of ascent to descent."""
    root = ElementTree.fromstring(svg)
    _, _, width, height = map(float, root.attrib["viewBox"].split())
    texts, words, ways, tips = [], [], [], []
    for text in root.iter(f"{_SVG}text"):
        said = text.text or ""
        x, y = float(text.attrib["x"]), float(text.attrib["y"])
        wide = text_width(said, bold="font-weight" in text.attrib)
        left = x - wide / 2.0 if text.attrib.get("text-anchor") == "middle" else x
        texts.append((left, y - 9.0, left + wide, y + 3.0))
        words.append(said)
    boxes = [
        (*at, at[0] + float(r.attrib["width"]), at[1] + float(r.attrib["height"]))
        for r in root.iter(f"{_SVG}rect")
        for at in [(float(r.attrib["x"]), float(r.attrib["y"]))]
    ]
    for path in root.iter(f"{_SVG}path"):
        points = np.array(re.findall(r"(-?[\d.]+) (-?[\d.]+)", path.attrib["d"]), dtype=float)
        if path.attrib["fill"] == "none":
            ways.append(points)
        else:
            tips.append(points[1])
            ways[-1] = np.vstack([ways[-1], points[1]])
    return Drawn((width, height), np.array(texts).reshape(-1, 4), np.array(boxes).reshape(-1, 4),
                 words, ways, np.array(tips).reshape(-1, 2))  # fmt: skip


def meetings(a: Floats, b: Floats) -> NDArray[np.bool_]:
    """Return which rectangles of two sets have more than an edge in common, shape (n, m)."""
    low = np.maximum(a[:, None, :2], b[None, :, :2])
    high = np.minimum(a[:, None, 2:], b[None, :, 2:])
    met: NDArray[np.bool_] = np.all(high - low > 0.15, axis=2)  # what an SVG rounds
    return met


def circuits() -> Iterator[Circuit]:
    """Yield random circuits and plants, every other one with names that are hard to draw."""
    for seed in range(SEEDS):
        yield renamed(wild(seed), seed) if seed % 2 else wild(seed)
    for lines, length in ((1, 3), (2, 2), (3, 4), (6, 1)):
        yield banks(lines, length)


def _crossed(drawn: Sequence[Drawn]) -> int:
    """Return how often lines cross lines."""
    count = 0
    for each in drawn:
        pieces, of = each.pieces(0.2)
        count += int(np.triu(meetings(pieces, pieces) & (of[:, None] != of[None, :])).sum())
    return count


if __name__ == "__main__":
    start = time.process_time()
    svgs = [circuit_svg(c, labelled(c)) for c in circuits()]
    spent = time.process_time() - start
    found = [read_svg(svg) for svg in svgs]
    streams = sum(len(each.ways) for each in found)
    print(
        f"{len(svgs)} drawings, {spent:.1f} s, {streams} streams, "
        f"{_crossed(found)} crossings of lines, widest {max(d.size[0] for d in found):.0f}"
    )
