"""Recovery by size over a whole circuit: by hand, by what must add up, and where it is not told."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from io import BytesIO

import jsonschema
import numpy as np
import pytest
from balance_cases import only_balanced
from loss_cases import KG, PERCENT, SHARE, loss_case
from openpyxl import load_workbook

from oretally.flowsheet import Analyte, Basis, Circuit, Measurement, Survey
from oretally.flowsheet.survey import SizeGrid, class_grade, class_share
from oretally.io.results import html_report, summary, to_json, xlsx_bytes
from oretally.io.results.document import balance_schema
from oretally.io.wording import (
    loss_by_size,
    loss_tables,
    recovery_by_size_tables,
    size_recovery_tables,
)
from oretally.recon import Balance
from oretally.recon.result import RecoveryBySize

GRID = SizeGrid((150.0, 38.0))
# kg of solids and of Pb in +150, -150+38 and -38 um
CONC = ((0.4, 2.0, 1.6), (0.10, 1.20, 0.50))
SCAV = ((0.6, 3.0, 2.4), (0.20, 1.80, 0.70))
TAILS = ((39.0, 25.0, 26.0), (0.70, 0.20, 0.80))
_Classes = tuple[Sequence[float], Sequence[float]]


def _sum(*streams: _Classes) -> _Classes:
    solids, metal = (np.sum([s[i] for s in streams], axis=0).tolist() for i in (0, 1))
    return solids, metal


FEED = _sum(CONC, SCAV, TAILS)


def _survey(streams: Mapping[str, _Classes], sized: Sequence[str]) -> Survey:
    """Return true numbers with errors as stated; only some streams by size."""
    found = []
    for name, (solids, metal) in streams.items():
        w, m = sum(solids), sum(metal)
        found += [Measurement(name, "dry mass", w, KG, 0.005 * w),
                  Measurement(name, "Pb", 100.0 * m / w, PERCENT, 2.0 * m / w)]  # fmt: skip
        for c in range(len(solids)) if name in sized else ():
            label, x = GRID.label((c, c)), 100.0 * metal[c] / solids[c]
            y = 100.0 * solids[c] / w
            found += [
                Measurement(name, class_share(label), y, SHARE, 0.02 * y + 0.1),
                Measurement(name, class_grade("Pb", label), x, PERCENT, 0.03 * x),
            ]
    return Survey(Basis.BATCH, KG, (Analyte("Pb", PERCENT),), tuple(found), "Invented: a cell",
                  sizes=GRID)  # fmt: skip


CELL = Circuit.build({"feed": (None, "cell"), "conc": ("cell", None), "tails": ("cell", None)})
BANK = Circuit.build({
    "feed": (None, "rougher"), "conc": ("rougher", None), "rough tails": ("rougher", "scavenger"),
    "scav conc": ("scavenger", None), "tails": ("scavenger", None),
})  # fmt: skip
BANK_STREAMS = {"feed": FEED, "conc": CONC, "scav conc": SCAV, "tails": TAILS}


def _cell(*sized: str) -> Balance:
    streams = {"feed": _sum(CONC, TAILS), "conc": CONC, "tails": TAILS}
    return only_balanced(CELL, _survey(streams, sized or ("feed", "conc", "tails")))


def _only(balance: Balance) -> RecoveryBySize:
    (found,) = balance.losses.by_size
    return found


def test_by_hand() -> None:
    found = _only(_cell())
    assert (found.analyte, found.of, found.kept, found.lost) == (
        "Pb",
        "feed",
        ("conc",),
        ("tails",),
    )
    fed, won, lost = (np.array(x) for x in (_sum(CONC, TAILS)[1], CONC[1], TAILS[1]))
    expected = (100.0 * fed / fed.sum(), 100.0 * won / fed, 100.0 * lost / fed.sum())
    for c, row in enumerate(found.classes):
        told = [pair[0] for pair in (row.of_feed, row.recovery, row.lost) if pair is not None]
        assert told == pytest.approx([column[c] for column in expected])
    assert [row.label for row in found.classes] == ["+150 um", "-150+38 um", "-38 um"]


@pytest.mark.parametrize(
    "sized", [("feed", "tails"), ("conc", "tails"), ("feed", "conc"), ("feed", "conc", "tails")]
)
def test_classes_add_up_to_the_recovery_of_all(sized: tuple[str, ...]) -> None:
    """Two of three streams by size give the third, and shares weighted by the feed the whole."""
    balance = _cell(*sized)
    rows = _only(balance).classes
    of_feed, recovery, lost = (
        np.array([pair[0] for pair in column if pair is not None])
        for column in zip(*((r.of_feed, r.recovery, r.lost) for r in rows), strict=True)
    )
    kept, gone = (balance.recovery(name, "Pb").recovery for name in ("conc", "tails"))
    assert of_feed.sum() == pytest.approx(100.0)
    assert of_feed @ recovery / 100.0 == pytest.approx(kept)
    assert lost.sum() == pytest.approx(gone)


def test_products_that_only_together_are_known() -> None:
    """Nobody sieved the concentrates: what both have by size is what the tails leave."""
    balance = only_balanced(BANK, _survey(BANK_STREAMS, ("feed", "tails")), lost=["tails"])
    found = _only(balance)
    assert found.kept == ("conc", "scav conc")
    won = 100.0 * (np.array(CONC[1]) + SCAV[1]) / FEED[1]
    assert [row.recovery[0] for row in found.classes if row.recovery] == pytest.approx(won)
    both = only_balanced(BANK, _survey(BANK_STREAMS, tuple(BANK_STREAMS)), lost=["tails"])
    # a node that is not the whole circuit has a table of its own
    first, second = size_recovery_tables(both)
    assert first.header == ["class", "Pb to conc", "±"] and "'rougher'" in first.caption
    assert "'scavenger'" in second.caption
    for less, more in zip(found.classes, _only(both).classes, strict=True):
        assert less.recovery is not None and more.recovery is not None
        assert 0.0 < more.recovery[1] <= less.recovery[1]  # more numbers tell it better


def test_a_product_that_is_not_sized_leaves_its_share_open() -> None:
    """Of two lost products one has no sizes: the recovery is known, what each lost is not."""
    balance = only_balanced(
        BANK, _survey(BANK_STREAMS, ("feed", "conc")), lost=["tails", "scav conc"]
    )
    rows = _only(balance).classes
    assert all(row.recovery is not None and row.lost is not None for row in rows)
    # with products left out of the report nothing says what the rest has by size
    part = only_balanced(BANK, _survey(BANK_STREAMS, ("feed", "conc")), products=["conc", "tails"])
    assert all(row.recovery is not None and row.lost is None for row in _only(part).classes)
    table = recovery_by_size_tables(part)[0]
    assert {tuple(row[-2:]) for row in table.rows} == {("–", "–")}


def test_nothing_is_told_where_the_feed_has_no_sizes() -> None:
    assert loss_case("coarse").losses.by_size == ()


def test_behind_a_mill_only_the_loss_is_told() -> None:
    milled = Circuit.build(
        {"ore": (None, "mill"), "feed": ("mill", "cell"), "conc": ("cell", None),
         "tails": ("cell", None)}, {"mill": "mill"},
    )  # fmt: skip
    survey = _survey({"feed": _sum(CONC, TAILS), "conc": CONC, "tails": TAILS}, ("feed", "tails"))
    balance = only_balanced(milled, survey)
    assert balance.losses.by_size == () and balance.losses.sizes_change_at == ("mill",)
    (table,) = loss_tables(balance)
    assert table.below == (
        "Recovery by size is not told: between feed and products, at 'mill', grains come into a "
        "class and leave it.",
    )
    assert " ".join(table.below) in " ".join(summary(balance, parts=("losses",)).split())
    # behind the mill a class is the same grains again
    assert _only(only_balanced(milled, survey, feed="feed")).of == "feed"


def test_every_format_has_it() -> None:
    balance = _cell()
    (table,) = recovery_by_size_tables(balance)
    assert table.caption == "Recovery by size: Pb of 'feed' to 'conc'"
    assert table.caption in summary(balance, parts=("losses",))
    assert table.caption.replace("'", "&#39;") in html_report(balance)
    document = json.loads(to_json(balance))
    jsonschema.Draft202012Validator(balance_schema()).validate(document)
    (found,) = document["losses"]["recovery_of_feed_by_size"]
    assert [row["recovery"]["value"] for row in found["classes"]] == [
        row.recovery[0] for row in _only(balance).classes if row.recovery is not None
    ]
    cells = [cell for row in load_workbook(BytesIO(xlsx_bytes(balance)))["not kept"].values
             for cell in row]  # fmt: skip
    assert "Recovery by size, of what is fed" in cells and 12.5 in [
        round(cell, 3) for cell in cells if isinstance(cell, float)
    ]


def test_the_first_screen_says_in_which_sizes_it_is() -> None:
    balance = _cell()
    line = loss_by_size(balance)
    assert line.startswith("47.06 ± ") and "of the Pb in 'tails' is finer than 38 um; of" in line
    assert line.endswith("% is recovered.") and " 38.5 ± " in line  # 0.5 of 1.3 kg
    assert line in " ".join(summary(balance).split())
    assert loss_by_size(loss_case("even")) == ""
    assert loss_by_size(loss_case("fine")).endswith("% of the Sn in 'tails' is finer than 38 um.")
