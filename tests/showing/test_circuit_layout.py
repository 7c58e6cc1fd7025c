"""Layers, rows, tracks and sheets of a drawn circuit; how it stands on a page and in a PDF."""

from __future__ import annotations

import re
from collections.abc import Callable
from itertools import pairwise

import networkx as nx
import numpy as np
import pytest
from balance_cases import only_balanced
from drawn_circuits import banks, labelled, wild
from example_balances import example_balance
from hypothesis import given, settings
from hypothesis import strategies as st
from often import often

from oretally.flowsheet import Basis, Circuit, Survey
from oretally.io.pictures.layers import layers, recycle_streams
from oretally.io.pictures.layout import lay_out
from oretally.io.pictures.lettering import cut_to_width, text_width
from oretally.io.pictures.tracks import Upright, tracks
from oretally.io.results import html_report
from oretally.io.results.pdf_pages import pages
from oretally.recon import Balance

ACROSS, UPRIGHT = (842 - 68, 595 - 68), (510, 842 - 102)  # points between margins of 12 and 15 mm


def graph_of(circuit: Circuit, without: frozenset[str] = frozenset()) -> nx.MultiDiGraph[str]:
    graph: nx.MultiDiGraph[str] = nx.MultiDiGraph()
    graph.add_nodes_from(node.name for node in circuit.nodes)
    for s in circuit.streams:
        if s.source is not None and s.target is not None and s.name not in without:
            graph.add_edge(s.source, s.target, s.name)
    return graph


@given(seed=st.integers(0, 199))
@settings(max_examples=often(200))
def test_layers_are_longest_ways_without_recycles(seed: int) -> None:
    """Judged by networkx: no ring is left, none is cut twice over, layers are longest ways."""
    circuit = wild(seed)
    back, layer = recycle_streams(circuit), layers(circuit)
    rest = graph_of(circuit, back)
    assert nx.is_directed_acyclic_graph(rest)
    assert bool(back) == (not nx.is_directed_acyclic_graph(graph_of(circuit)))
    for name in back:  # each is needed: put back, it closes a ring
        assert not nx.is_directed_acyclic_graph(graph_of(circuit, back - {name}))
    for depth, names in enumerate(nx.topological_generations(rest)):
        assert all(layer[name] == depth for name in names)


def test_recycles_of_a_plant() -> None:
    """What a metallurgist calls so: middlings and scavenger concentrate, back to the sump."""
    assert recycle_streams(banks(2, 2)) == {
        f"{what} {i}.{j}" for what in ("middlings", "scavenged") for i in range(2) for j in range(2)
    }


uprights = st.builds(
    Upright,
    st.tuples(st.integers(0, 30), st.integers(0, 30)).filter(lambda ends: ends[0] != ends[1]),
    st.tuples(st.booleans(), st.booleans()),
)


@given(st.lists(uprights, min_size=1, max_size=5))
def test_tracks_keep_lines_apart_with_few_crossings(lines: list[Upright]) -> None:
    found = tracks(lines, 2.0)
    assert sorted(set(found)) == list(range(max(found) + 1))  # no track is empty
    for i, a in enumerate(lines):
        for j in range(i):
            b = lines[j]
            assert found[i] != found[j] or a.low >= b.high + 2.0 or b.low >= a.high + 2.0

    def crossings(order: tuple[int, ...]) -> int:
        return sum(lines[i].crosses(lines[j]) for k, i in enumerate(order) for j in order[k + 1 :])

    mine = crossings(tuple(sorted(range(len(lines)), key=lambda i: (found[i], -lines[i].low, i))))
    assert mine <= crossings(tuple(sorted(range(len(lines)), key=lambda i: (-lines[i].low, i))))
    if len(lines) == 2:
        assert mine == min(crossings((0, 1)), crossings((1, 0)))


@given(text=st.text("abc WM石 ", min_size=1, max_size=60), width=st.floats(15.0, 200.0))
def test_wrapped_lines_fit_and_keep_every_letter(text: str, width: float) -> None:
    lines = cut_to_width(text, width)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")
    assert all(text_width(line) <= width or len(line) == 1 for line in lines)


def test_long_circuits_are_folded_and_full() -> None:
    streams: dict[str, tuple[str | None, str | None]] = {"feed": (None, "n1")}
    for i in range(1, 25):
        streams[f"s{i}"] = (f"n{i}", f"n{i + 1}" if i < 24 else None)
    circuit = Circuit.build(streams)
    drawing = lay_out(circuit, {s: [s] for s in streams}, {n.name: [n.name] for n in circuit.nodes})
    assert drawing.width <= 1340.0  # 24 nodes in one row would need 3500
    bands = [sum(low < b.y < high for b in drawing.boxes)
             for low, high in pairwise((0.0, *drawing.folds, drawing.height))]  # fmt: skip
    assert bands == [8, 8, 8]
    straight = [line for line in drawing.lines if len(line.points) == 2]
    assert len(straight) == 24 - 2 + 1  # all but those from band to band


@pytest.mark.parametrize("seed", [0, 40, 90, 140, 199])
def test_drawings_keep_to_the_width(seed: int) -> None:
    circuit = wild(seed)
    names = {n.name: [n.name] for n in circuit.nodes}
    assert lay_out(circuit, labelled(circuit), names).width <= 1340.0


def test_main_line_is_straight() -> None:
    """Where nothing is in the way, a line has no bend."""
    circuit = Circuit.build({"feed": (None, "a"), "to b": ("a", "b"), "to c": ("b", "c"),
                             "out": ("c", None)})  # fmt: skip
    drawing = lay_out(circuit, {s: [s] for s in circuit.stream_names}, {n: [n] for n in "abc"})
    assert all(len(line.points) == 2 for line in drawing.lines)


def sizes_in_print(balance: Balance) -> list[float]:
    """Return the size of the texts of each drawing of the circuit in a PDF, in points."""
    found = []
    for part in pages(balance, (), None)["parts"]:
        wide, high = ACROSS if part["wide"] else UPRIGHT
        for block in part["blocks"]:
            if block["kind"] == "picture" and re.search("Circuit of|Where the", block["svg"]):
                # as the template scales it
                scale = min(0.75, wide / block["width"], (high - 60) / block["height"])
                found.append(11.0 * scale)
    return found


@pytest.mark.parametrize("name", ["rougher_cleaner", "leach_test", "month_with_stockpile"])
def test_printed_texts_have_six_points(name: str) -> None:
    sizes = sizes_in_print(example_balance(name))
    assert sizes and min(sizes) >= 6.0


def test_long_drawings_stand_on_several_sheets(make_survey: Callable[..., Survey]) -> None:
    """Of a plant whose drawing is higher than a page; each sheet says which it is."""
    balance = plant_balance(make_survey)
    assert min(sizes_in_print(balance)) >= 6.0
    captions = [
        block["caption"] for part in pages(balance, (), None)["parts"] for block in part["blocks"]
        if block["kind"] == "picture" and "Circuit of" in block["svg"]
    ]  # fmt: skip
    assert len(captions) > 1
    for i, caption in enumerate(captions, start=1):
        assert caption.startswith(f"Sheet {i} of {len(captions)}. Adjusted mass")
        assert caption.endswith(
            "Lines that end at an edge go on at the same place of the next sheet."
        )
    assert html_report(balance).count('aria-label="Circuit of ') == 1  # a page to scroll has one


def plant_balance(make_survey: Callable[..., Survey]) -> Balance:
    """Return the balance of two lines of two banks with every rate and grade measured."""
    circuit, rng = banks(2, 2), np.random.default_rng(3)
    names = list(circuit.stream_names)
    system, fed = np.eye(len(names)), np.zeros((len(names), 2))
    for node in circuit.nodes:
        inlets = [names.index(s) for s in circuit.inlets(node.name)]
        outlets = [names.index(s) for s in circuit.outlets(node.name)]
        system[np.ix_(outlets, inlets)] -= rng.dirichlet(np.full(len(outlets), 3.0))[:, None]
    fed[[names.index("ore"), names.index("water")]] = [[100.0, 1.0], [50.0, 0.2]]
    rate, metal = np.linalg.solve(system, fed).T
    survey = make_survey(
        {s: (f, 0.02 * f) for s, f in zip(names, rate, strict=True)},
        {
            "Cu": {
                s: (100.0 * m / f, 3.0 * m / f) for s, f, m in zip(names, rate, metal, strict=True)
            }
        },
        basis=Basis.RATE,
    )
    return only_balanced(circuit, survey, feed="ore", products=("cake", "overflow", "waste"))


def test_wide_drawings_can_be_enlarged_without_script() -> None:
    page = html_report(example_balance("rougher_cleaner"))
    boxed = re.findall(
        r'<details class="enlarge"><summary>Enlarge the drawing</summary>[^<]*</details>\s*'
        r'<div class="drawing" tabindex="0" role="group" aria-label="[^"]+" '
        r'style="--drawn: (\d+)px">'
        r'<svg [^>]*width="(\d+)"',
        page,
    )
    assert len(boxed) == 4 and all(a == b and int(a) > 700 for a, b in boxed)
    assert ".enlarge[open] + .drawing svg" in page and "<script" not in page
