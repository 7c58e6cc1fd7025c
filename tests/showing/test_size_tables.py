"""Results by size in words and tables: what is told, and how wide."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from balance_cases import only_balanced
from size_cases import (
    KG,
    SHARE,
    ground,
    screen,
)

from oretally.flowsheet import (
    Basis,
    Circuit,
    Measurement,
    Survey,
)
from oretally.flowsheet.survey import SizeGrid, class_share
from oretally.io.results import ALL, summary
from oretally.io.wording import (
    class_labels,
    class_sentence,
    cut_table,
    law_table,
    metal_table,
    p80_table,
    passing_tables,
)
from oretally.io.wording.size_tables import no_size
from oretally.recon.result import FittedLaw, SizeLaw


def _one_stack(passing: dict[float, float]) -> FittedLaw:
    """Return the fitted laws of one stream with such a cumulative passing."""
    grid = SizeGrid(tuple(sorted(passing, reverse=True)))
    edges = [1.0, *(passing[o] for o in grid.openings), 0.0]
    found = [Measurement("feed", "dry mass", 10.0, KG, 0.1)]
    for c in range(grid.n_classes):
        share = 100.0 * (edges[c] - edges[c + 1])
        found.append(Measurement("feed", class_share(grid.label((c, c))), share, SHARE, 0.5))
    circuit = Circuit.build({"feed": (None, "n"), "a": ("n", None), "b": ("n", None)})
    balance = only_balanced(circuit, Survey(Basis.BATCH, KG, (), tuple(found), sizes=grid))
    (feed,) = balance.sizes.streams
    return feed.fits[1]


def test_a_law_that_holds_is_found() -> None:
    """Rosin-Rammler with d' = 120 um and n = 0.9, exactly."""
    fit = _one_stack({d: -np.expm1(-((d / 120.0) ** 0.9)) for d in (300.0, 150.0, 75.0, 38.0)})
    assert fit.law is SizeLaw.ROSIN_RAMMLER
    assert fit.exponent is not None and fit.size_um is not None
    assert fit.exponent[0] == pytest.approx(0.9, rel=1e-5)
    assert fit.size_um[0] == pytest.approx(120.0, rel=1e-5)
    assert 0.0 < fit.size_um[1] < 10.0
    assert (fit.dof, fit.doubt, fit.reason) == (2, "", "")
    assert fit.p == pytest.approx(1.0)


def test_a_law_that_does_not_hold_is_doubted() -> None:
    fit = _one_stack({300.0: 0.95, 150.0: 0.50, 75.0: 0.49, 38.0: 0.05})
    assert fit.p is not None and fit.p < 1e-4
    assert "more than their errors explain" in fit.doubt


def test_text_leaves_classes_to_their_tables() -> None:
    balance = ground(1)
    text = summary(balance, parts=(ALL,))
    middle = text[text.index("Measured against adjusted") :]
    assert "mass in" not in middle and "um" not in middle
    assert "dry rate [t/h]" in middle
    assert re.search(r"^sizes +32 values of size classes measured; the largest move is", text, re.M)
    for caption in ("Cumulative passing [%]", "Where the metal is by size",
                    "Partition at 'cyclone'", "Cut size of the separators"):  # fmt: skip
        assert caption in text
    assert "Laws fitted" not in text


def test_the_largest_move_of_a_class_is_named() -> None:
    balance = ground(1)
    labels = class_labels(balance.survey)
    moved = [v for v in balance.values if v.carrier in labels and v.standardised is not None]
    most = max(moved, key=lambda v: abs(v.standardised or 0.0))
    said = class_sentence(balance)
    assert f"{most.quantity} of '{most.stream}'" in said
    assert f"standardised {most.standardised:+.1f}" in said


def test_why_there_is_no_p80() -> None:
    by_name = {s.stream: s for s in screen().sizes.streams}
    assert no_size(by_name["over"]) == "only 78.6 % pass 400 um"
    assert no_size(by_name["under"]) == ""
    rows = {row[0]: row for row in p80_table(screen()).rows}
    assert rows["over"] == ["over", "–", "–", "only 78.6 % pass 400 um"]
    fine = replace(by_name["under"], p80=replace(by_name["under"].p80, percent=20.0, size_um=None))
    assert no_size(fine) == "as much as 32.8 % pass 100 um"


def test_tables_by_hand() -> None:
    balance = screen()
    (brief,) = passing_tables(balance, brief=True)
    assert list(brief.header) == ["opening [um]", "feed", "over", "under"]
    assert [row[0] for row in brief.rows] == ["400", "200", "100"]
    assert [float(t) for t in brief.rows[1][1:]] == pytest.approx([60.0, 21.4, 87.9], abs=0.05)
    metal = metal_table(balance)
    assert list(metal.header) == [
        "stream", "class", "solids [%]", "±", "Pb [%]", "±", "of the Pb [%]", "±",
    ]  # fmt: skip
    assert len(metal.rows) == 12
    (cut,) = cut_table(balance, brief=True).rows
    assert cut[:2] == ["screen", "over"] and float(cut[2]) == pytest.approx(200.0, abs=0.6)
    laws = law_table(balance).rows
    assert len(laws) == 6 and {row[2] for row in laws} <= {"holds", "does not hold"}


def test_wide_tables_are_parted_evenly() -> None:
    balance = screen()
    streams = tuple(
        replace(s, stream=f"{s.stream} {i}") for i in range(4) for s in balance.sizes.streams
    )
    wide = replace(balance, sizes=replace(balance.sizes, streams=streams[:11]))
    assert [len(t.header) for t in passing_tables(wide)] == [9, 9, 7]
    assert len(passing_tables(wide, brief=True)) == 1


def test_metal_in_a_terminal_keeps_to_what_enters_and_leaves() -> None:
    balance = ground(1)
    many = replace(
        balance,
        sizes=replace(
            balance.sizes,
            streams=tuple(replace(s, classes=s.classes * 4) for s in balance.sizes.streams),
        ),
    )
    short, full = metal_table(many, brief=True), metal_table(many)
    assert {row[0] for row in short.rows} - {""} == {"overflow"}
    assert "see --html or --json" in short.caption
    assert {row[0] for row in full.rows} - {""} == {"cyclone feed", "overflow", "underflow"}
