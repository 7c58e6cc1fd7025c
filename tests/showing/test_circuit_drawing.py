"""The drawn circuit: nothing covers a text, every line can be followed, the bytes stay the same.

Read from the SVG as it is written, on random circuits and on plants.
"""

from __future__ import annotations

import re
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from drawn_circuits import SEEDS, Drawn, banks, labelled, meetings, read_svg, renamed, wild
from example_balances import example_balance
from hypothesis import given, settings
from hypothesis import strategies as st
from often import NIGHTLY, often

from oretally.flowsheet import Circuit
from oretally.flowsheet.foreign_text import unreadable_character
from oretally.io.pictures import balance_labels, circuit_sheets, circuit_svg, flow_svg, text_width
from oretally.io.pictures.circuit import measured_labels

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
PARTS = 10
PLANTS = [(1, 3), (2, 2), (3, 4), (6, 1)]


def assert_readable(drawn: Drawn, pen: float = 1.3) -> None:
    """Texts meet neither each other nor lines; nodes neither each other; all is on the sheet."""
    width, height = drawn.size
    pieces, of = drawn.pieces(pen)
    for rows in (drawn.texts, drawn.boxes, pieces):
        assert rows[:, :2].min() >= 0.0
        assert rows[:, 2].max() <= width and rows[:, 3].max() <= height
    for rows in (drawn.texts, drawn.boxes):
        assert meetings(rows, rows).sum() == len(rows)  # each with itself
    held = meetings(drawn.texts, drawn.boxes)
    inside = np.all(drawn.texts[:, None, :2] >= drawn.boxes[None, :, :2], axis=2) & np.all(
        drawn.texts[:, None, 2:] <= drawn.boxes[None, :, 2:], axis=2
    )
    assert (held <= inside).all()  # a node's own texts lie within it, others keep out
    assert not meetings(drawn.texts, pieces).any()
    assert not meetings(drawn.boxes, pieces).any()


def assert_followed(drawn: Drawn, count: int) -> None:
    """Each stream has one line with one arrow, and shares no piece of its way with another."""
    assert len(drawn.ways) == len(drawn.tips) == count
    for way, tip in zip(drawn.ways, drawn.tips, strict=True):
        assert ((way[1:] == way[:-1]).any(axis=1)).all()  # level and upright pieces only
        assert way[-1, 1] == way[-2, 1] == tip[1] and way[-1, 0] == tip[0]
        assert tip[0] - way[-3 if len(way) > 2 else 0, 0] >= 10.0  # there is room for the arrow
    pieces, of = drawn.pieces(1.0)
    level = pieces[:, 3] - pieces[:, 1] < pieces[:, 2] - pieces[:, 0]
    for rows, lines in ((pieces[level], of[level]), (pieces[~level], of[~level])):
        assert not (meetings(rows, rows) & (lines[:, None] != lines[None, :])).any()


@pytest.mark.parametrize("part", range(PARTS))
def test_random_circuits_can_be_read(part: int) -> None:
    """Of 2 to 60 nodes; every other one has names in many scripts, long, or with markup."""
    for seed in range(part, often(SEEDS), PARTS):
        circuit = renamed(wild(seed), seed) if seed // PARTS % 2 else wild(seed)
        drawn = read_svg(circuit_svg(circuit, labelled(circuit)))
        assert_readable(drawn)
        assert_followed(drawn, len(circuit.streams))


@pytest.mark.parametrize(("lines", "length"), PLANTS)
def test_plants_can_be_read(lines: int, length: int) -> None:
    for circuit in (banks(lines, length), renamed(banks(lines, length), lines)):
        drawn = read_svg(circuit_svg(circuit, labelled(circuit)))
        assert_readable(drawn)
        assert_followed(drawn, len(circuit.streams))


# what a circuit may be named, and what XML can hold
names = st.text(
    st.characters(exclude_categories=("Cc", "Cs", "Cn", "Co", "Zl", "Zp", "Zs")),
    min_size=1,
    max_size=40,
).filter(lambda name: not unreadable_character(name, name=True))


@settings(max_examples=25)
@given(
    given_names=st.lists(names, min_size=30, max_size=30, unique_by=str.casefold),
    seed=st.integers(0, 40),
)
def test_any_names_can_be_read(given_names: list[str], seed: int) -> None:
    circuit = wild(seed)
    called = dict(zip([n.name for n in circuit.nodes], given_names, strict=False))
    streams = {
        f"{given_names[i % 30]} {i}": (s.source and called[s.source], s.target and called[s.target])
        for i, s in enumerate(circuit.streams)
    }
    drawn = read_svg(circuit_svg(Circuit.build(streams)))
    assert_readable(drawn)
    shown = "".join(drawn.words).replace(" ", "")
    assert all("".join(name.split()) in shown for name in streams)


def test_texts_that_lie_on_each_other_are_found() -> None:
    """The judge of these tests: it sees a text moved, a text that is too long, a line moved."""
    svg = circuit_svg(banks(1, 1))
    assert_readable(read_svg(svg))
    first, second = re.findall(r'<text x="[\d.]+" y="[\d.]+"', svg)[-2:]
    spoilt = [
        svg.replace(second, first),
        svg.replace(">waste<", f">{'waste' * 30}<"),
        re.sub(r'(<path d="M[\d.]+ )([\d.]+)', lambda m: f"{m[1]}{float(m[2]) - 12.0:.1f}", svg),
    ]
    for each in spoilt:
        with pytest.raises(AssertionError):
            assert_readable(read_svg(each))


def test_the_same_bytes() -> None:
    circuit = renamed(wild(120), 1)
    assert circuit_svg(circuit, labelled(circuit)) == circuit_svg(circuit, labelled(circuit))


@pytest.mark.parametrize("name", sorted(p.parent.name for p in EXAMPLES.glob("*/circuit.toml")))
def test_examples_can_be_read(name: str) -> None:
    if not (EXAMPLES / name / "circuit.toml").is_file():
        pytest.skip("holds no circuit of its own")
    balance = example_balance(name)
    for labels in (balance_labels(balance), measured_labels(balance.survey), {}):
        drawn = read_svg(circuit_svg(balance.circuit, labels))
        assert_readable(drawn)
        assert_followed(drawn, len(balance.circuit.streams))
    for analyte in balance.survey.analytes:
        assert_readable(read_svg(flow_svg(balance, analyte.name)))


def test_flow_runs_from_left_to_right() -> None:
    """Feeds are to the left of what they enter; products end at one edge, their names beyond it."""
    balance = example_balance("rougher_cleaner")
    drawn = read_svg(circuit_svg(balance.circuit, balance_labels(balance)))
    place = dict(zip(drawn.words, drawn.texts, strict=True))
    assert place["fresh feed"][2] < place["conditioner"][0] < place["rougher"][0]
    assert place["rougher"][0] < place["scavenger"][0]
    tips = {name: drawn.tips[balance.circuit.stream_names.index(name)] for name in balance.products}
    assert len({tip[0] for tip in tips.values()}) == 1
    assert max(way[:, 0].max() for way in drawn.ways) == next(iter(tips.values()))[0]
    for name, (x, y) in tips.items():
        left, top, _, _ = place[name]
        assert 0.0 < left - x < 10.0 and abs(y - top) < 50.0


def test_labels_say_what_was_found() -> None:
    """Name, rate, at most three grades; recoveries at the products; no more digits than count."""
    balance = example_balance("rougher_cleaner")
    labels = balance_labels(balance)
    assert labels["rougher conc"] == [
        "rougher conc",
        "7.85 t/h",
        "Cu 12.27 %, Fe 18.40 %",
        "Au 9.74 g/t",
    ]
    cu = balance.recovery("final conc", "Cu").recovery
    assert labels["final conc"][:3] == ["final conc", "2.812 t/h", f"Cu 27.40 %, rec. {cu:.2f} %"]
    for lines in labels.values():
        assert all(
            len(re.sub(r"^0\.0*|\D", "", n)) <= 5 for n in re.findall(r"[\d.]+", " ".join(lines))
        )
        assert len(re.findall("Cu|Fe|Au", " ".join(lines))) <= 3
    leach = balance_labels(example_balance("leach_test"))
    assert leach["tails"][1:4] == ["solids 52.05 kg", "water 14.94 kg", "77.70 % solids"]
    assert leach["pregnant solution"][1].startswith("water")


def test_stands_alone_and_has_a_name() -> None:
    circuit = renamed(banks(2, 1), 3)
    root = ElementTree.fromstring(circuit_svg(circuit))
    title = f"Circuit of {len(circuit.nodes)} nodes and {len(circuit.streams)} streams"
    assert root.attrib["role"] == "img" and root.attrib["aria-label"] == title
    said = {child.tag.split("}")[1]: child.text or "" for child in root if "}" in child.tag}
    assert said["title"] == title
    for s in circuit.streams:
        assert f"{s.name}: from {s.source or 'outside'} to {s.target or 'outside'}" in said["desc"]


def test_black_on_white() -> None:
    """Nothing of the circuit is told by colour: dark ink, white nodes, and no other paint."""
    svg = circuit_svg(banks(2, 1))
    paints = set(re.findall(r'(?:fill|stroke)="([^"]+)"', svg)) - {"none"}
    white = paints & {"#ffffff"}
    assert white and all(
        sum(int(paint[i : i + 2], 16) for i in (1, 3, 5)) / 3.0 < 110.0 for paint in paints - white
    )


@pytest.mark.parametrize("seed", range(0, often(SEEDS), 23 if NIGHTLY else 8))
def test_sheets_are_the_drawing(seed: int) -> None:
    """Sheets are not too high, no text is cut or lost, and lines go on where they were cut."""
    circuit = renamed(wild(seed), seed)
    whole = circuit_svg(circuit, labelled(circuit))
    sheets = circuit_sheets(circuit, labelled(circuit), 700.0)
    views = [list(map(float, re.findall('viewBox="([^"]+)"', s)[0].split())) for s in sheets]
    assert views[0][1] == 0.0 and all(v[3] <= 701.0 for v in views)
    assert all(abs(a[1] + a[3] - b[1]) <= 1.0 for a, b in zip(views, views[1:], strict=False))
    texts = [t for s in sheets for t in re.findall("<text.*?</text>", s)]
    assert sorted(texts) == sorted(re.findall("<text.*?</text>", whole))
    for sheet, (_, top, _, high) in zip(sheets, views, strict=True):
        for y in map(float, re.findall(r'<text x="[^"]+" y="([^"]+)"', sheet)):
            assert top + 9.0 <= y + 1.0 and y + 3.0 <= top + high + 1.0
    assert sum(map(_length, sheets)) == pytest.approx(_length(whole), rel=1e-3)


def _length(svg: str) -> float:
    """Return how long all lines of a drawing are."""
    total = 0.0
    for path in re.findall(r'<path d="([^"Z]+)" fill="none"', svg):
        points = np.array(re.findall(r"(-?[\d.]+) (-?[\d.]+)", path), dtype=float)
        total += float(np.abs(np.diff(points, axis=0)).sum())
    return total


def test_widths_are_safe() -> None:
    """Against the advance widths of DejaVu Sans 2.37, the widest of the common plain faces [em]."""
    advances = {
        "tails": 0.392 + 0.613 + 0.278 + 0.278 + 0.521,
        "0123456789": 6.36,
        "mwMW%@": 0.974 + 0.818 + 0.863 + 0.989 + 0.950 + 1.0,
        "ABCDEFGHKLNOPQRSTUVXYZ": 0.684 + 0.686 + 0.698 + 0.770 + 0.632 + 0.575 + 0.775 + 0.752
        + 0.656 + 0.557 + 0.748 + 0.787 + 0.603 + 0.787 + 0.695 + 0.635 + 0.611 + 0.732 + 0.684
        + 0.685 + 0.611 + 0.685,
        "±": 0.838,
        "矿石": 2.0,
    }  # fmt: skip
    for text, em in advances.items():
        assert em * 11.0 <= text_width(text) <= 1.35 * em * 11.0
