"""The streams that a report names, against the graph: nothing in them may count twice."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from often import often
from random_circuits import RandomCircuit

from oretally.flowsheet import Circuit
from oretally.flowsheet.circuit import feed_faults, product_faults

ROUND = Circuit.build(
    {"feed": (None, "mill"), "mill product": ("mill", "cyclone"), "sands": ("cyclone", "mill"),
     "slimes": ("cyclone", None)}
)  # fmt: skip


@settings(max_examples=often(100), deadline=None)
@given(seed=st.integers(0, 10**6), several=st.booleans())
def test_what_is_accepted_holds_no_more_than_the_feeds(seed: int, several: bool) -> None:
    """In flows that balance exactly, whatever they are: no product has what another one has."""
    drawn = RandomCircuit(seed, n_nodes=5, n_analytes=0, n_feeds=2 if several else 1)
    circuit, names = drawn.circuit, drawn.circuit.stream_names
    flow = dict(zip(names, drawn.flow, strict=True))
    rng = np.random.default_rng(seed)
    feeds = circuit.feeds
    for _ in range(10):
        count = int(rng.integers(1, 4))
        products = [str(p) for p in rng.choice(names, count, replace=False)]
        if not list(product_faults(circuit, feeds, products)):
            total = sum(flow[p] for p in products)
            assert total <= sum(flow[f] for f in feeds) * (1.0 + 1e-9)
    assert not list(feed_faults(circuit, feeds))
    assert not list(product_faults(circuit, feeds, circuit.products))


def test_what_goes_round_is_no_product() -> None:
    """The circulating load may be several times the feed."""
    (fault,) = product_faults(ROUND, ["feed"], ["sands"])
    assert str(fault) == (
        "stream 'sands': The product 'sands' comes by again: it goes round in the circuit, and "
        "would count each time.\nName what leaves the round."
    )
    assert not list(product_faults(ROUND, ["feed"], ["slimes"]))


@pytest.mark.parametrize("product", ["feed", "slimes"])
def test_a_product_is_no_feed(product: str) -> None:
    assert list(feed_faults(ROUND, ["slimes"]))
    assert bool(list(product_faults(ROUND, ["feed"], [product]))) == (product == "feed")
