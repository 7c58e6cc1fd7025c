"""Random circuits: mills in closed circuit, flotation lines, leaches, and what stands around them.

Each function adds a part of a plant at the end of a stream and returns the stream that goes on.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from sound_plants import Draft

from oretally.flowsheet.circuit import Content

__all__ = ["MOST", "UnmeasuredCase", "drawn"]

MOST = 25  # streams
UnmeasuredCase = tuple[Draft, set[str]]


def drawn(rng: np.random.Generator) -> UnmeasuredCase:
    """Return a random plant and its features; 4 to 25 streams."""
    while True:
        draft, features = _drawn(rng)
        n = len(draft.streams)
        if 4 <= n <= MOST and n * draft.size < 1600:
            return draft, features


def _drawn(rng: np.random.Generator) -> UnmeasuredCase:
    what = str(rng.choice(["grinding", "bulk", "leach", "stock"], p=[0.62, 0.16, 0.14, 0.08]))
    features = {what} if what != "grinding" else set[str]()
    milled = what == "grinding" or (what != "bulk" and rng.random() < 0.5)
    n_classes = int(rng.choice([3, 4, 5, 6, 7, 8, 12], p=[0.1, 0.15, 0.2, 0.2, 0.15, 0.15, 0.05]))
    top = float(rng.choice([300.0, 600.0, 1180.0, 2360.0]))
    openings = [round(top / 2 ** (0.5 * i)) for i in range(n_classes - 1)] if milled else []
    K = int(rng.integers(0 if milled and what == "grinding" else 1, 5 if what == "bulk" else 4))
    water = what == "leach" or bool(rng.random() < 0.3)
    gold = what == "leach"
    mineral, head = rng.uniform(1.2, 2.5, K), rng.choice([0.004, 0.01, 0.03], K)
    if gold:
        mineral[0], head[0] = 1.0, rng.uniform(1e-6, 8e-6)
    dissolved = [gold and (k == 0 or bool(rng.random() < 0.3)) for k in range(K)]
    d = Draft(rng, openings, mineral.tolist(), head.tolist(), water=water, dissolved=dissolved)
    dry = water and rng.random() < 0.3
    content = Content.DRY if dry else Content.PULP
    out = d.stream("fresh feed", None, content=content)
    if what == "stock":
        out = _pile(d, out, content)
    if dry:
        features.add("dry feed")
        pulper = d.node("pulper", "sump", out)
        d.added_water(pulper)
        out = d.stream("pulped feed", pulper)
    if milled:
        out = _mills(d, out, features)
    if water:
        features.add("water")
    if what == "leach":
        _leaching(d, out, features)
    elif what == "bulk" or rng.random() < 0.5:
        _flotation(d, out, features)
    if rng.random() < 0.15:
        _loss(d, features)
    return d, features


def _mills(d: Draft, feed: str, features: set[str]) -> str:
    n = int(d.rng.choice([1, 2, 3], p=[0.65, 0.27, 0.08]))
    features.add(f"{n} mill{'s' * (n > 1)}")
    for i in range(n):
        tag = f" {i + 1}" if n > 1 else ""
        style = d.rng.choice(["sump", "direct", "screen"], p=[0.65, 0.2, 0.15])
        if style == "screen":
            feed = _screened_mill(d, feed, tag, features)
        else:
            feed = _cycloned_mill(d, feed, tag, features, direct=style == "direct")
    return feed


def _cycloned_mill(d: Draft, feed: str, tag: str, features: set[str], *, direct: bool) -> str:
    """A mill with sump and cyclone, fed at the sump or directly; return the overflow."""
    rng, sump, cyclone, mill = d.rng, f"sump{tag}", f"cyclone{tag}", f"mill{tag}"
    d.node(sump, "sump", *([] if direct else [feed]))
    d.added_water(sump)
    d.node(cyclone, "cyclone", d.stream(f"cyclone feed{tag}", sump))
    under = d.stream(f"underflow{tag}", cyclone)
    over = d.stream(f"overflow{tag}", cyclone)
    if rng.random() < 0.2:
        box = d.node(f"divider{tag}", "divider", under)
        under = d.stream(f"ground part{tag}", box)
        d.stream(f"bypass{tag}", box, sump)
        features.add("splitter")
        if rng.random() < 0.4:
            features.add("splitter of 3")
            gravity = d.node(f"jig{tag}", "cell", d.stream(f"jig feed{tag}", box))
            d.stream(f"jig conc{tag}", gravity)
            d.stream(f"jig tails{tag}", gravity, sump)
    d.node(mill, "mill", under, *([feed] if direct else []))
    if rng.random() < 0.3:
        d.added_water(mill)
    discharge = d.stream(f"discharge{tag}", mill, sump)
    if rng.random() < 0.2:
        features.add("screen")
        d.node(f"trommel{tag}", "screen", discharge)
        d.stream(f"scats{tag}", f"trommel{tag}", None if rng.random() < 0.5 else mill)
        d.stream(f"screened{tag}", f"trommel{tag}", sump)
    return over


def _screened_mill(d: Draft, feed: str, tag: str, features: set[str]) -> str:
    """A mill whose discharge is screened; what is coarse returns."""
    features.add("screen")
    mill = d.node(f"mill{tag}", "mill", feed)
    screen = d.node(f"screen{tag}", "screen", d.stream(f"discharge{tag}", mill))
    d.stream(f"oversize{tag}", screen, mill)
    return d.stream(f"undersize{tag}", screen)


def _flotation(d: Draft, feed: str, features: set[str]) -> None:
    """Roughers, perhaps two or three beside each other, a scavenger and a cleaner that give back.

    Where water is balanced a thickener may follow.
    """
    rng = d.rng
    features.add("flotation")
    lines = int(rng.choice([1, 2, 3], p=[0.75, 0.15, 0.1]))
    if lines > 1:
        features |= {"splitter"} | ({"splitter of 3"} if lines > 2 else set())
        box = d.node("distributor", "divider", feed)
        banks = [d.stream(f"line {i + 1}", box) for i in range(lines)]
        concs, tails = list[str](), list[str]()
        for i, s in enumerate(banks):
            node = d.node(f"bank {i + 1}", "cell", s)
            concs.append(d.stream(f"conc {i + 1}", node))
            tails.append(d.stream(f"tails {i + 1}", node))
        conc = d.stream("rougher conc", d.node("conc box", "sump", *concs))
        tail = d.stream("rougher tails", d.node("tails box", "sump", *tails))
        rougher = "conc box"
    else:
        rougher = d.node("rougher", "cell", feed)
        conc, tail = d.stream("rougher conc", rougher), d.stream("rougher tails", rougher)
    back = rougher
    if rng.random() < 0.55:
        d.node("scavenger", "cell", tail)
        d.stream("scavenger conc", "scavenger", back if rng.random() < 0.8 else None)
        tail = d.stream("final tails", "scavenger")
    if rng.random() < 0.55:
        cleaner = d.node("cleaner", "cell", conc)
        conc = d.stream("cleaner conc", cleaner)
        d.stream("cleaner tails", cleaner, back if rng.random() < 0.8 else None)
        if rng.random() < 0.3:
            d.node("recleaner", "cell", conc)
            conc = d.stream("final conc", "recleaner")
            d.stream("recleaner tails", "recleaner", cleaner)
    if d.water and rng.random() < 0.5:
        _thickener(d, "thickener", str(rng.choice([conc, tail])), features)


def _thickener(d: Draft, name: str, feed: str, features: set[str], work: str = "thickener") -> str:
    """Return the thick stream; the clear one leaves."""
    features.add("thickener")
    d.node(name, work, feed)
    thick = d.stream("cake" if work == "filter" else f"{name} underflow", name)
    clear = "filtrate" if work == "filter" else f"{name} clear"
    d.stream(clear, name, None, Content.SOLUTION)
    return thick


def _leaching(d: Draft, feed: str, features: set[str]) -> None:
    """One tank or two, a thickener or a filter with wash water; solution may return."""
    rng = d.rng
    for i in range(int(rng.integers(1, 3))):
        tank = d.node(f"tank {i + 1}", "leach", feed)
        if i == 0:
            d.stream("reagent", None, tank, Content.SOLUTION)
        if rng.random() < 0.2:
            features.add("dissolving")
            d.dissolving(tank)
        feed = d.stream(f"pulp {i + 1}", tank)
    if rng.random() < 0.6:
        feed = _thickener(d, "thickener", feed, features)
    if rng.random() < 0.7:
        repulp = d.node("repulp", "sump", feed)
        d.stream("wash", None, repulp, Content.SOLUTION)
        feed = _thickener(d, "filter", d.stream("washed pulp", repulp), features, "filter")
        if rng.random() < 0.4:
            d.node("tank 1", "leach", "filtrate")


def _pile(d: Draft, feed: str, content: Content) -> str:
    """A pile between what comes and what goes on."""
    d.node("pile", "pile", feed)
    d.stream("opening stock of pile", None, "pile", content, stock=True)
    out = d.stream("reclaimed", "pile", None, content)
    d.stream("closing stock of pile", "pile", None, content, stock=True)
    return out


def _loss(d: Draft, features: set[str]) -> None:
    """A declared loss at a node, of the make of a stream there."""
    places: Sequence[str] = [n for n, work in d.work.items() if work in ("sump", "mill", "cell")]
    if places:
        node = str(d.rng.choice(places))
        met = [s.name for s in d.streams.values()
               if node in (s.source, s.target) and s.content is Content.PULP]  # fmt: skip
        if met:
            features.add("loss")
            d.losing(node, str(d.rng.choice(met)))
