"""What comes back to a separator, per what goes on: by hand, with its ±, and as it is told."""

from __future__ import annotations

import json
from dataclasses import replace
from math import sqrt

import pytest
from balance_cases import only_balanced
from example_balances import example_balance
from size_cases import GRINDING, SHARE, TPH, grinding, screen

from oretally.flowsheet import Basis, Measurement, Survey
from oretally.flowsheet.survey import SizeGrid, class_share
from oretally.io.first_page import summary_blocks
from oretally.io.first_page.ground import ground_sentences
from oretally.io.report import Format, Paragraphs
from oretally.io.results import to_json
from oretally.recon import Balance

COARSE = {"cyclone feed": 60.0, "overflow": 20.0, "underflow": 80.0}  # % on one sieve


def one_sieve(sd: float = 1.0) -> Balance:
    """Return a circuit of which the overflow was weighed, and three streams sieved once."""
    grid = SizeGrid((100.0,))
    found = [Measurement("overflow", "dry rate", 50.0, TPH, 1.0)]
    for stream, share in COARSE.items():
        for label, value in (("+100 um", share), ("-100 um", 100.0 - share)):
            found.append(Measurement(stream, class_share(label), value, SHARE, sd))
    return only_balanced(GRINDING, Survey(Basis.RATE, TPH, (), tuple(found), sizes=grid))


def test_the_load_follows_from_one_sieve_by_hand() -> None:
    """U/O = (f - o)/(u - f), and its ± by the slopes of that (common practice, no source)."""
    (found,) = one_sieve().sizes.partitions
    assert (found.node, found.product) == ("cyclone", "underflow")
    f, o, u = (COARSE[s] / 100.0 for s in ("cyclone feed", "overflow", "underflow"))
    slopes = (1.0 / (u - f) + (f - o) / (u - f) ** 2, -1.0 / (u - f), -(f - o) / (u - f) ** 2)
    # two classes of a stack that is sieved whole are one number of it, with half the variance
    sd = 0.01 / sqrt(2.0) * sqrt(sum(s * s for s in slopes))
    assert found.circulating_load is not None
    assert found.circulating_load[0] == pytest.approx(100.0 * (f - o) / (u - f), rel=1e-6)
    assert found.circulating_load[1] == pytest.approx(100.0 * sd, rel=0.02)


def test_what_does_not_come_back_is_no_load() -> None:
    (found,) = screen().sizes.partitions
    assert found.circulating_load is None


def test_the_first_screen_of_a_grinding_circuit_says_how_fine_it_grinds() -> None:
    balance = example_balance("grinding_by_size")
    rates = {v.stream: v.adjusted for v in balance.values if v.quantity == "dry rate"}
    under, over = rates["cyclone underflow"], rates["cyclone overflow"]
    assert under is not None and over is not None
    load = 100.0 * under / over
    (row,) = json.loads(to_json(balance))["sizes"]["partitions"]
    assert row["circulating_load"]["value"] == pytest.approx(load)
    told = [text for block in summary_blocks(balance, Format.PAGE, (), across=False)
            if isinstance(block, Paragraphs) for text in block.texts]  # fmt: skip
    assert any(text.startswith("Ground: 80 % of 'cyclone overflow' passes 93.57 ± 0.75 um; "
                               f"'cyclone' cuts at 65.2 ± 1.4 um; circulating load {load:.1f} ± ")
               for text in told)  # fmt: skip


def test_nothing_is_said_of_grinding_where_no_mill_stands() -> None:
    blocks = summary_blocks(example_balance("tails_by_size"), Format.PAGE, (), across=False)
    assert not any("Ground:" in str(block) for block in blocks)


def test_where_the_overflow_alone_was_sieved_its_size_is_told_all_the_same() -> None:
    survey = grinding()
    some = [m for m in survey.measurements if m.stream == "overflow" or " in " not in m.quantity]
    balance = only_balanced(GRINDING, replace(survey, measurements=tuple(some)))
    assert balance.sizes.partitions == ()
    (told,) = ground_sentences(balance)
    assert told.startswith("Ground: 80 % of 'overflow' passes ")
