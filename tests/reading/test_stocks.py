"""Stocks of stockpiles and declared losses: read, balanced, told; and each message whole."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import openpyxl
import pytest

from oretally.flowsheet import InputError
from oretally.io import Case, read_case
from oretally.io.results import html_report, summary, to_json, xlsx_bytes
from oretally.io.results.document import balance_schema
from oretally.recon import Balance, reconcile

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
CIRCUIT = """\
basis = "batch"
[streams]
mined = { to = "ROM pile" }
"mill feed" = { from = "ROM pile", to = "mill" }
conc = { from = "mill" }
tails = { from = "mill" }
[nodes]
"ROM pile" = { kind = "stockpile" }
[losses]
mill = { mass = "5 t", like = "mill feed" }
[errors]
"dry mass" = { relative = 1 }
Pb = { relative = 3 }
[report]
feed = "mill feed"
"""
ROWS = """\
stream,dry mass [t],Pb [%]
mined,1200,4.1
mill feed,1150,4
conc,60,68
tails,,0.45
"""
STOCKS = """\
node,when,dry mass [t],Pb [%]
ROM pile,opening,500,3.9
ROM pile,closing,560,4
"""
FLOW = {"opening": 500.0, "in": 1200.0, "out": 1150.0, "closing": 560.0}
Texts = tuple[str, str, str | None]


def c(old: str, new: str) -> Texts:
    """Return the case with something else in its circuit."""
    assert old in CIRCUIT
    return CIRCUIT.replace(old, new), ROWS, STOCKS


def s(old: str, new: str) -> Texts:
    """Return the case with something else in its stocks."""
    assert old in STOCKS
    return CIRCUIT, ROWS, STOCKS.replace(old, new)


def _read(folder: Path, circuit: str, rows: str, stocks: str | None) -> Case:
    folder.mkdir(exist_ok=True)
    (folder / "circuit.toml").write_text(circuit, "utf-8")
    (folder / "measurements.csv").write_text(rows, "utf-8")
    if stocks is not None:
        (folder / "stocks.csv").write_text(stocks, "utf-8")
    return read_case(folder)


def _balanced(case: Case) -> Balance:
    return reconcile(case.circuit, case.survey, feed=case.feed, products=case.products)


def test_stocks_are_streams_that_are_no_feeds(tmp_path: Path) -> None:
    case = _read(tmp_path, CIRCUIT, ROWS, STOCKS)
    assert case.circuit.feeds == ("mined",)
    assert case.circuit.products == ("conc", "tails", "loss at mill")
    stocks = {s.name: (s.source, s.target) for s in case.circuit.streams if s.stock}
    assert stocks == {
        "opening stock of ROM pile": (None, "ROM pile"),
        "closing stock of ROM pile": ("ROM pile", None),
    }
    m = case.survey.measured("closing stock of ROM pile", "dry mass")
    assert m is not None
    assert m.value == 560.0
    assert m.sd == pytest.approx(5.6)
    assert str(m.place) == ("stocks.csv, cell C3, stream 'closing stock of ROM pile', dry mass")


def test_inventory_by_hand(tmp_path: Path) -> None:
    """Sums of four numbers with 1 % each; metal with 1 % and 3 %."""
    balance = _balanced(_read(tmp_path, CIRCUIT, ROWS, STOCKS))
    mass, lead = balance.inventories
    assert (mass.node, mass.quantity, mass.unit) == ("ROM pile", "dry mass", "t")
    assert {x.item: x.measured for x in mass.lines} == {**FLOW, "change": 60.0}
    sd = 0.01 * sum(v**2 for v in FLOW.values()) ** 0.5
    assert mass.unaccounted == pytest.approx(-10.0)
    assert mass.unaccounted_sd == pytest.approx(sd)
    assert mass.z == pytest.approx(-10.0 / sd)
    assert mass.explained is True
    change = next(x for x in mass.lines if x.item == "change")
    assert change.measured_sd == pytest.approx(0.01 * (500.0**2 + 560.0**2) ** 0.5)
    adjusted = {x.item: x.adjusted or 0.0 for x in mass.lines}
    assert adjusted["opening"] + adjusted["in"] == pytest.approx(
        adjusted["out"] + adjusted["closing"]
    )
    assert adjusted["change"] == pytest.approx(adjusted["closing"] - adjusted["opening"])
    metal = {"opening": 19.5, "in": 49.2, "out": 46.0, "closing": 22.4}
    assert {x.item: x.measured for x in lead.lines[:4]} == pytest.approx(metal)
    assert lead.unaccounted == pytest.approx(0.3)
    assert lead.unaccounted_sd == pytest.approx(
        (0.01**2 + 0.03**2) ** 0.5 * sum(v**2 for v in metal.values()) ** 0.5
    )


TANK = """\
basis = "batch"
water = true
[streams]
barren = { to = "tank", carries = "solution" }
pregnant = { from = "tank", carries = "solution" }
[nodes]
tank = { kind = "stockpile" }
[analytes]
Au = { unit = "g/t", dissolved = true }
[errors]
water = { relative = 1 }
"Au in solution" = { relative = 2 }
"""
TANK_ROWS = "stream,water [m3],Au in solution [mg/L]\nbarren,100,1\npregnant,90,1.2\n"
TANK_STOCKS = """\
node,when,water [m3],Au in solution [mg/L]
tank,opening,20,1.5
tank,closing,30,1.1
"""


def test_a_tank_of_solution_by_hand(tmp_path: Path) -> None:
    """Invented. Gold: 30 + 100 - 108 - 33 g, each with 1 % of its volume and 2 % of its assay."""
    balance = _balanced(_read(tmp_path, TANK, TANK_ROWS, TANK_STOCKS))
    assert {s.content.value for s in balance.circuit.streams if s.stock} == {"solution"}
    water, gold = balance.inventories  # and none of a dry mass
    assert (water.quantity, water.unit, gold.quantity, gold.unit) == ("water", "m3", "Au", "g")
    volumes = {"opening": 20.0, "in": 100.0, "out": 90.0, "closing": 30.0}
    assert {x.item: x.measured for x in water.lines} == pytest.approx({**volumes, "change": 10.0})
    assert water.unaccounted == pytest.approx(0.0, abs=1e-9)
    assert water.unaccounted_sd == pytest.approx(0.01 * sum(v**2 for v in volumes.values()) ** 0.5)
    for item in water.lines:
        assert item.adjusted is not None and item.adjusted_sd is not None
        assert item.adjusted == pytest.approx(item.measured, rel=0.01)
    metal = {"opening": 30.0, "in": 100.0, "out": 108.0, "closing": 33.0}
    assert {x.item: x.measured for x in gold.lines[:4]} == pytest.approx(metal)
    sd = (0.01**2 + 0.02**2) ** 0.5 * sum(v**2 for v in metal.values()) ** 0.5
    assert gold.unaccounted == pytest.approx(-11.0)
    assert gold.unaccounted_sd == pytest.approx(sd)
    assert sd == pytest.approx(3.4, abs=0.05)
    assert gold.z == pytest.approx(-11.0 / sd)
    assert gold.explained is False
    told = {x.item: x.adjusted or 0.0 for x in gold.lines}
    assert told["opening"] + told["in"] == pytest.approx(told["out"] + told["closing"])
    assert told["out"] == pytest.approx(
        (balance.value("pregnant", "water").adjusted or 0.0)
        * (balance.value("pregnant", "Au in solution").adjusted or 0.0)
    )


def test_a_tank_of_solution_has_no_tables_of_solids(tmp_path: Path) -> None:
    balance = _balanced(_read(tmp_path, TANK, TANK_ROWS, TANK_STOCKS))
    jsonschema.validate(json.loads(to_json(balance)), balance_schema())
    for text in (summary(balance), html_report(balance)):
        assert "Stock: opening + in - out = closing" in text
        assert "dry mass" not in text.split("What can hurt")[0].split("Cautions")[0]
        assert "Products against" not in text


def test_a_stock_of_pulp_holds_water_too(tmp_path: Path) -> None:
    """Invented: a tank of pulp. Solids, water and analyte each have their inventory."""
    circuit = TANK.replace(', carries = "solution"', "").replace(
        "water = { relative",
        '"dry mass" = { relative = 1 }\nAu = { relative = 2 }\nwater = { relative',
    )
    head = "dry mass [t],water [m3],Au [g/t],Au in solution [mg/L]\n"
    rows = f"stream,{head}barren,50,100,2,1\npregnant,45,90,1,1.2\n"
    stocks = f"node,when,{head}tank,opening,10,20,2,1.5\ntank,closing,15,30,2,1.1\n"
    mass, water, gold = _balanced(_read(tmp_path, circuit, rows, stocks)).inventories
    assert (mass.quantity, water.quantity, gold.quantity) == ("dry mass", "water", "Au")
    assert (mass.unaccounted, water.unaccounted) == pytest.approx((0.0, 0.0), abs=1e-9)
    assert gold.unaccounted == pytest.approx(20 + 30 + 100 + 100 - 45 - 108 - 30 - 33)


def test_change_in_stock_is_known_better_than_its_parts_say(tmp_path: Path) -> None:
    """Opening and closing stock, adjusted, go together: what came and went is known better."""
    rows = ROWS.replace("dry mass [t]", "dry mass [t],± dry mass [t]").replace("1200", "1200,1")
    rows = (
        rows.replace("1150", "1150,1").replace("conc,60", "conc,60,1").replace("tails,", "tails,,")
    )
    mass = _balanced(_read(tmp_path, CIRCUIT, rows, STOCKS)).inventories[0]
    sd = {x.item: x.adjusted_sd or 0.0 for x in mass.lines}
    assert sd["change"] == pytest.approx(2**0.5, rel=0.03)
    assert min(sd["opening"], sd["closing"]) > 2.0


def test_more_than_the_measurements_explain(tmp_path: Path) -> None:
    balance = _balanced(_read(tmp_path, *s("560", "480")))
    mass = balance.inventories[0]
    assert mass.unaccounted == pytest.approx(70.0)
    assert mass.explained is False
    text = summary(balance)
    assert "unaccounted loss" in text
    assert "more than the measurements explain (z +3.9)" in text


def test_one_stock_alone_gives_the_other(tmp_path: Path) -> None:
    """The closing stock was not surveyed: the balance gives it, and nothing is unaccounted for."""
    balance = _balanced(_read(tmp_path, *s("ROM pile,closing,560,4\n", "")))
    closing = balance.value("closing stock of ROM pile", "dry mass")
    assert closing.measured is None
    assert closing.adjusted == pytest.approx(550.0, abs=5.0)
    mass = balance.inventories[0]
    assert (mass.unaccounted, mass.z, mass.explained) == (None, None, None)


def _notes(folder: Path, circuit: str, rows: str, stocks: str) -> list[str]:
    """Return the notes that speak of a stock."""
    return [n for n in _balanced(_read(folder, circuit, rows, stocks)).notes
            if "stock" in n and "Held" not in n]  # fmt: skip


def test_a_closing_stock_below_nothing_is_told(tmp_path: Path) -> None:
    """500 + 1000 - 1700 t: 1 % each is 5, 10 and 17 t, together 20.3 t."""
    rows = ROWS.replace("1200", "1000").replace("1150", "1700")
    assert _notes(tmp_path, CIRCUIT, rows, STOCKS.splitlines(keepends=True)[0]
                  + "ROM pile,opening,500,3.9\n") == [
        "What was measured leaves -200 ± 20 t for the closing stock of ROM pile: 1000 ('mined') + "
        "500 ('opening stock of ROM pile') - 1700 ('mill feed'). No stock is below 0: one of these "
        "is wrong, or a stream is missing in the circuit. The balance had to move all of them: do "
        "not rely on it."
    ]  # fmt: skip


def test_an_opening_stock_below_nothing_is_told(tmp_path: Path) -> None:
    """560 + 500 - 1200 t."""
    rows = ROWS.replace("1150", "500")
    (note,) = _notes(tmp_path, CIRCUIT, rows, STOCKS.replace("ROM pile,opening,500,3.9\n", ""))
    assert note.startswith(
        "What was measured leaves -140 ± 14 t for the opening stock of ROM pile: 500 ('mill feed') "
        "+ 560 ('closing stock of ROM pile') - 1200 ('mined')."
    )


@pytest.mark.parametrize(("fed", "told"), [("1735", False), ("1750", True)])
def test_a_stock_below_nothing_within_its_error_is_not_told(
    fed: str, told: bool, tmp_path: Path
) -> None:
    """500 + 1200 less 1735 and 1750 t: -35 and -50 t, of a sd of some 22 t."""
    rows = ROWS.replace("1150", fed)
    stocks = "node,when,dry mass [t],Pb [%]\nROM pile,opening,500,3.9\n"
    found = _notes(tmp_path, CIRCUIT, rows, stocks)
    assert any("leaves" in n for n in found) is told


def test_a_closing_stock_with_less_metal_than_nothing_is_told(tmp_path: Path) -> None:
    """50 t of mass are left, but 48.4 + 19.5 - 99.0 t of lead."""
    rows = ROWS.replace("1150,4\n", "1650,6\n")
    stocks = "node,when,dry mass [t],Pb [%]\nROM pile,opening,500,3.9\n"
    (note,) = _notes(tmp_path, CIRCUIT, rows, stocks)
    assert note.startswith(
        "What was measured leaves -30.3 ± 3.5 t of Pb for the closing stock of ROM pile: 49.2 "
        "('mined') + 19.5 ('opening stock of ROM pile') - 99 ('mill feed')."
    )


OF_MINED = CIRCUIT.replace('feed = "mill feed"', 'feed = "mined"').replace(
    '[losses]\nmill = { mass = "5 t", like = "mill feed" }\n', ""
)
DRAWN = "node,when,dry mass [t],Pb [%]\nROM pile,opening,500,4.1\nROM pile,closing,300,4\n"


def test_recoveries_of_a_feed_before_the_pile_say_so(tmp_path: Path) -> None:
    rows = ROWS.replace("1200,4.1", "1000,4").replace("1150,4", "1200,4.1")
    balance = _balanced(_read(tmp_path, OF_MINED, rows, DRAWN))
    total = sum(r.recovery or 0.0 for r in balance.recoveries if r.product)
    assert total > 115.0
    line = next(x for i in balance.inventories if i.quantity == "Pb" for x in i.lines
                if x.item == "change")  # fmt: skip
    assert line.adjusted is not None and line.adjusted_sd is not None
    assert balance.notes[-1] == (
        f"Recoveries refer to 'mined', and the stock of 'ROM pile' behind it changed by "
        f"{line.adjusted:+.3g} ± {line.adjusted_sd:.2g} t of Pb: they are shares of what was fed, "
        "not of what was treated, and do not add up to 100 %. For shares of what was treated, "
        "write feed = \"mill feed\" under [report]: the stream behind 'ROM pile'."
    )


@pytest.mark.parametrize(
    ("circuit", "stocks"),
    [
        (OF_MINED.replace('feed = "mined"', 'feed = "mill feed"'), DRAWN),  # as it proposes
        (OF_MINED, DRAWN.replace("300,4", "500,4.1")),  # a stock that stays as it was
    ],
)
def test_recoveries_that_no_stock_moves(circuit: str, stocks: str, tmp_path: Path) -> None:
    feed = "1200" if 'mill feed"\n' in circuit.split("[report]")[1] else "1000"
    rows = (
        ROWS.replace("1200,4.1", "1000,4")
        .replace("1150,4", f"{feed},4")
        .replace("conc,60", "conc,52.5")
    )
    assert not [n for n in _notes(tmp_path, circuit, rows, stocks) if "Recoveries refer" in n]


def test_recoveries_before_a_pile_of_products(tmp_path: Path) -> None:
    """Invented: concentrate goes over a pile before it is shipped."""
    circuit = """\
basis = "batch"
[streams]
ore = { to = "mill" }
conc = { from = "mill", to = "shed" }
tails = { from = "mill" }
shipped = { from = "shed" }
[nodes]
shed = { kind = "stockpile" }
[errors]
"dry mass" = { relative = 1 }
Pb = { relative = 3 }
"""
    rows = "stream,dry mass [t],Pb [%]\nore,1000,4\nconc,55,65\ntails,,0.45\nshipped,20,65\n"
    stocks = "node,when,dry mass [t],Pb [%]\nshed,opening,5,65\nshed,closing,40,65\n"
    (note,) = _notes(tmp_path, circuit, rows, stocks)
    assert note.endswith(
        "For shares of what was made, name 'conc' among the products under [report]: what goes to "
        "'shed'."
    )


def test_a_declared_loss(tmp_path: Path) -> None:
    case = _read(tmp_path, CIRCUIT, ROWS, STOCKS)
    balance = _balanced(case)
    loss = balance.value("loss at mill", "dry mass")
    assert (loss.measured, loss.sd, loss.error_source) == (0.0, 5.0, "declared loss")
    assert loss.adjusted is not None and loss.adjusted >= 0.0
    assert balance.value("loss at mill", "Pb").adjusted == pytest.approx(
        balance.value("mill feed", "Pb").adjusted or 0.0
    )
    assert case.notes == (
        "'loss at mill' was not measured but declared: 0 ± 5 t, never below 0; with the grades of "
        "'mill feed'.",
    )
    assert not any(h.stream == "loss at mill" for h in balance.gross_errors.hidden)


def test_a_loss_takes_up_what_is_missing(tmp_path: Path) -> None:
    """Tails weighed 20 t short: with a loss of 0 ± 50 t next to all of it is lost."""
    rows = ROWS.replace("dry mass [t]", "dry mass [t],± dry mass [t]").replace("1200", "1200,1")
    rows = rows.replace("1150", "1150,1").replace("conc,60", "conc,60,1")
    rows = rows.replace("tails,,0.45", "tails,1070,1,0.45")
    circuit = CIRCUIT.replace('"5 t"', '"50 t"')
    balance = _balanced(_read(tmp_path, circuit, rows, STOCKS))
    assert balance.value("loss at mill", "dry mass").adjusted == pytest.approx(20.0, abs=2.0)
    assert balance.recovery("loss at mill", "Pb").recovery == pytest.approx(
        100 * 20 / 1150, abs=0.3
    )


def test_a_loss_is_never_below_zero(tmp_path: Path) -> None:
    """Tails weighed 40 t too many: the loss stops at 0, and what stands still has no grade."""
    rows = ROWS.replace("dry mass [t]", "dry mass [t],± dry mass [t]").replace("1200", "1200,9")
    rows = rows.replace("1150", "1150,9").replace("conc,60", "conc,60,1")
    rows = rows.replace("tails,,0.45", "tails,1130,9,0.45")
    balance = _balanced(_read(tmp_path, CIRCUIT, rows, STOCKS))
    assert balance.value("loss at mill", "dry mass").adjusted == 0.0
    assert balance.value("loss at mill", "Pb").adjusted is None
    assert any("'loss at mill' at 0" in note for note in balance.notes)


def test_no_loss_that_nobody_declared(tmp_path: Path) -> None:
    rest = CIRCUIT[: CIRCUIT.index("[losses]")] + CIRCUIT[CIRCUIT.index("[errors]") :]
    case = _read(tmp_path, rest, ROWS.replace("tails,,", "tails,900,"), STOCKS)
    assert not any("loss" in s.name for s in case.circuit.streams)


def test_the_metal_of_a_loss_counts_in_closures(tmp_path: Path) -> None:
    """It has the assay of the stream that it is like: without one no closure could be told."""
    rows = ROWS.replace("tails,,", "tails,1085,")
    balance = _balanced(_read(tmp_path, CIRCUIT, rows, STOCKS))
    lead = next(c for c in balance.closures if (c.node, c.quantity) == ("mill", "Pb"))
    assert lead.outflow == pytest.approx(60 * 0.68 + 1085 * 0.0045)
    rel = (0.01**2 + 0.03**2) ** 0.5
    parts = (46.0 * rel, 40.8 * rel, 1085 * 0.0045 * rel, 5 * 0.04)
    assert lead.sd == pytest.approx(sum(v**2 for v in parts) ** 0.5)


def test_the_example_in_every_form() -> None:
    balance = _balanced(read_case(EXAMPLES / "month_with_stockpile"))
    document = json.loads(to_json(balance))
    jsonschema.validate(document, balance_schema())
    assert [i["quantity"] for i in document["inventories"]] == ["dry mass", "Pb", "Ag"]
    assert document["inventories"][0]["unaccounted"] == pytest.approx(785.0)
    assert {s["name"] for s in document["circuit"]["streams"] if s["stock"]} == {
        "opening stock of ROM pile", "closing stock of ROM pile",
    }  # fmt: skip
    for text in (summary(balance), html_report(balance)):
        for word in ("opening + in - out = closing", "unaccounted loss", "declared loss",
                     "within what the measurements explain (z +1.3)"):  # fmt: skip
            assert word in text
    rows = [line.split() for line in summary(balance).splitlines()]
    assert ["opening", "stock", "of", "ROM", "pile", "stock"] in [row[:6] for row in rows]


def test_sheets_of_a_workbook(tmp_path: Path) -> None:
    """The same stocks and losses, and a message at a cell, from a workbook."""
    book = openpyxl.Workbook()
    sheets: dict[str, list[tuple[object, ...]]] = {
        "circuit": [("stream", "from", "to"), ("mined", "", "ROM pile"),
                    ("mill feed", "ROM pile", "mill"), ("conc", "mill", ""), ("tails", "mill", "")],
        "nodes": [("node", "kind"), ("ROM pile", "stockpile")],
        "losses": [("node", "mass", "like"), ("mill", "5 t", "Mill Feed")],
        "errors": [("quantity", "relative"), ("dry mass", 1), ("Pb", 3)],
        "report": [("key", "value"), ("basis", "batch"), ("feed", "mill feed")],
        "measurements": [("stream", "dry mass [t]", "Pb [%]"), ("mined", 1200, 4.1),
                         ("mill feed", 1150, 4), ("conc", 60, 68), ("tails", None, 0.45)],
        "stocks": [("node", "when", "dry mass [t]", "Pb [%]"), ("rom pile", "Opening", 500, 3.9),
                   ("ROM pile", "closing", 560, 4)],
    }  # fmt: skip
    for title, lines in sheets.items():
        sheet = book.create_sheet(title)
        for line in lines:
            sheet.append(line)
    book.remove(book.worksheets[0])
    path = tmp_path / "case.xlsx"
    book.save(path)
    one, two = read_case(path), _read(tmp_path, CIRCUIT, ROWS, STOCKS)
    assert one.circuit == two.circuit
    assert one.survey.measurements == two.survey.measurements
    book["stocks"]["B3"] = "end"
    book["losses"]["C2"] = "ore"
    book.save(path)
    with pytest.raises(InputError) as caught:
        read_case(path)
    assert "\n\n".join(map(str, caught.value.faults)) == (
        "case.xlsx, sheet 'stocks', cell B3: 'end' is neither 'opening' nor 'closing'.\n"
        "Write opening or closing.\n\n"
        "case.xlsx, sheet 'losses', cell A2: A declared loss names the stream 'ore', which there "
        "is not.\nKnown: mined, mill feed, conc, tails."
    )


# name: (circuit.toml, measurements.csv, stocks.csv, all messages)
BROKEN: dict[str, tuple[str, str, str | None, str]] = {
    "no stockpile": (
        CIRCUIT.replace('kind = "stockpile"', 'kind = "mixer"'),
        ROWS,
        STOCKS,
        "stocks.csv, cell A2: 'ROM pile' is no stockpile but a mixer: it keeps no stock.\n"
        'Write [nodes] "ROM pile" = { kind = "stockpile" }, or take the row out.',
    ),
    "other node": (
        *s("ROM pile,closing", "mill,closing"),
        "stocks.csv, cell A3: 'mill' is no stockpile but a separator: it keeps no stock.\n"
        'Write [nodes] "mill" = { kind = "stockpile" }, or take the row out.',
    ),
    "no such node": (
        *s("ROM pile,closing", "ROM pil,closing"),
        "stocks.csv, cell A3: There is no node 'ROM pil' in the circuit.\nDid you mean 'ROM pile'?",
    ),
    "when": (
        *s("closing", "closng"),
        "stocks.csv, cell B3: 'closng' is neither 'opening' nor 'closing'.\n"
        "Did you mean 'closing'?",
    ),
    "when blank": (
        *s("ROM pile,closing", "ROM pile,"),
        "stocks.csv, cell B3: The row does not say whether this is the opening or the closing "
        "stock.\n"
        "Write opening or closing.",
    ),
    "node blank": (
        *s("ROM pile,closing", ",closing"),
        "stocks.csv, cell B3: The row names no node.\nWrite the stockpile, or clear the row.",
    ),
    "twice": (
        *s("closing", "opening"),
        "stocks.csv, cell A3: The opening stock of ROM pile is there twice (also A2).\n"
        "Take one out.",
    ),
    "below zero": (
        *s("560", "-560"),
        "stocks.csv, cell C3, stream 'closing stock of ROM pile', dry mass: The dry mass is -560 "
        "t; it cannot be negative.\n"
        "No stock is below 0: write 0 for an empty pile, and leave the cell blank if nobody "
        "measured it.\nIf it was computed from what came in and went out, one of those masses is "
        "wrong.",
    ),
    "a grade below zero": (
        *s("560,4", "560,-4"),
        "stocks.csv, cell D3, stream 'closing stock of ROM pile', Pb: The grade is -4 %; it cannot "
        "be negative.\nCorrect it, or leave the cell blank if it was not measured.",
    ),
    "no file": (
        CIRCUIT,
        ROWS,
        None,
        "circuit.toml, line 8: The stockpile 'ROM pile' has no opening and no closing stock.\n"
        "Give them in stocks.csv (in a workbook the sheet stocks): node, when, dry mass [t]\n"
        "or make the node a separator.",
    ),
    "rate": (
        CIRCUIT.replace('"batch"', '"rate"')
        .replace('mass = "5 t"', 'rate = "5 t/h"')
        .replace('"dry mass"', '"dry rate"'),
        ROWS.replace("dry mass [t]", "dry rate [t/h]"),
        STOCKS,
        'stocks.csv: Stocks are masses, but this case has the basis "rate".\n'
        'Write basis = "batch" and give the masses of the whole period.',
    ),
    "no when": (
        *s("node,when,", "node,wenn,"),
        "stocks.csv: The column 'when' is missing.\n"
        "Columns: node, when (opening or closing), dry mass [t], and each analyte.",
    ),
    "unknown analyte in stocks": (
        CIRCUIT.replace("[errors]", '[analytes]\nPb = { unit = "%" }\n[errors]'),
        ROWS,
        STOCKS.replace("Pb [%]", "Zn [%]"),
        "stocks.csv, cell D1, Zn: 'Zn' is no quantity of this case.\n"
        "Quantities: dry mass, Pb. List a new one under [analytes].",
    ),
    "no error": (
        CIRCUIT.replace('"dry mass" = { relative = 1 }\n', ""),
        ROWS.replace("dry mass [t]", "dry mass [t],± dry mass [t]")
        .replace("1200", "1200,9")
        .replace("1150", "1150,9")
        .replace("conc,60", "conc,60,1")
        .replace("tails,", "tails,,"),
        STOCKS,
        "stocks.csv, cell C2, stream 'opening stock of ROM pile', dry mass: No error is stated.\n"
        "Enter it beside the value (column ± dry mass)\n"
        'or state a rule: [errors] "dry mass" = { relative = 0.5 } (a usual figure; common '
        "practice, no source).\n"
        "\n"
        "stocks.csv, cell C3, stream 'closing stock of ROM pile', dry mass: No error is stated.\n"
        "Enter it beside the value (column ± dry mass)\n"
        'or state a rule: [errors] "dry mass" = { relative = 0.5 } (a usual figure; common '
        "practice, no source).",
    ),
    "loss node": (
        *c("[losses]\nmill", "[losses]\nmil"),
        "circuit.toml, line 10: A declared loss names the node 'mil', which there is not.\n"
        "Did you mean 'mill'?",
    ),
    "loss like": (
        *c('like = "mill feed" }', 'like = "mil feed" }'),
        "circuit.toml, line 10: A declared loss names the stream 'mil feed', which there is not.\n"
        "Did you mean 'mill feed'?",
    ),
    "loss no like": (
        *c(', like = "mill feed" }', " }"),
        "circuit.toml, line 10: The loss at 'mill' does not say what is lost.\n"
        'Name the stream whose grades it has: like = "mill feed".',
    ),
    "loss no mass": (
        *c('mass = "5 t", ', ""),
        "circuit.toml, line 10: The mass of the loss at 'mill' is not stated; it is a number "
        "above 0 with its unit: one standard deviation of what may be lost.\n"
        'Write for example mass = "0.5 t".',
    ),
    "loss negative": (
        *c('"5 t"', '"-5 t"'),
        "circuit.toml, line 10: The mass of the loss at 'mill' is '-5 t'; it is a number above 0 "
        "with its unit: one standard deviation of what may be lost.\n"
        'Write for example mass = "0.5 t".',
    ),
    "loss unit": (
        *c('"5 t"', '"5 t/h"'),
        "circuit.toml, line 10: 't/h' is the unit of a mass rate, but a mass is wanted.\n"
        "Write one of: mg, g, kg, t, lb, st, lt, ozt.",
    ),
    "loss no table": (
        *c('mill = { mass = "5 t", like = "mill feed" }', 'mill = "5 t"'),
        "circuit.toml, line 10: The loss at 'mill' is not a table.\n"
        'Write { mass = "0.5 t", like = "mill feed" }.',
    ),
    "loss relative": (
        *c('mass = "5 t"', "relative = 5"),
        "circuit.toml, line 10: 'relative' is not known here.\n"
        "Known here: mass, like.\n"
        "\n"
        "circuit.toml, line 10: The mass of the loss at 'mill' is not stated; it is a number "
        "above 0 with its unit: one standard deviation of what may be lost.\n"
        'Write for example mass = "0.5 t".',
    ),
    "loss name taken": (
        *c(
            'tails = { from = "mill" }',
            'tails = { from = "mill" }\n"loss at mill" = { from = "mill" }',
        ),
        "circuit.toml, line 11: The stream 'loss at mill' is there twice; upper and lower case "
        "and spaces do not tell names apart.\n"
        "Rename one of the two, or take one out.",
    ),
    "tank without stocks": (
        TANK,
        TANK_ROWS,
        None,
        "circuit.toml, line 7: The stockpile 'tank' has no opening and no closing stock.\n"
        "Give them in stocks.csv (in a workbook the sheet stocks): node, when, water [m3]\n"
        "or make the node a separator.",
    ),
    "dry mass of a stock of solution": (
        TANK + '"dry mass" = { relative = 1 }\n',
        TANK_ROWS,
        TANK_STOCKS.replace("when,", "when,dry mass [t],")
        .replace("opening,", "opening,3,")
        .replace("closing,", "closing,,"),
        "stocks.csv, cell C2, stream 'opening stock of tank', dry mass: The stream carries water "
        "or solution without solids, so there is no dry mass of it.\n"
        "Take it out,\n"
        'or let the stream carry "pulp".',
    ),
    "loss twice": (
        *c(
            'like = "mill feed" }',
            'like = "mill feed" }\nMill = { mass = "3 t", like = "mill feed" }',
        ),
        "circuit.toml, line 11: The loss at 'mill' is declared twice.\nTake one out.",
    ),
}


@pytest.mark.parametrize("name", list(BROKEN))
def test_message(name: str, tmp_path: Path) -> None:
    circuit, rows, stocks, message = BROKEN[name]
    with pytest.raises(InputError) as caught:
        _read(tmp_path, circuit, rows, stocks)
    assert "\n\n".join(map(str, caught.value.faults)) == message


WATER_TANK = """\
basis = "batch"
water = true
[streams]
in = { to = "tank", carries = "water" }
out = { from = "tank", carries = "water" }
[nodes]
tank = { kind = "stockpile" }
[errors]
water = { relative = 1 }
"""


def test_a_stock_of_water_below_nothing_is_told(tmp_path: Path) -> None:
    """By hand: 100 + 1000 - 1500 = -400 m3, sd the root of 1 + 100 + 225."""
    rows, stocks = (
        "stream,water [m3]\nin,1000\nout,1500\n",
        "node,when,water [m3]\ntank,opening,100\n",
    )
    balance = _balanced(_read(tmp_path, WATER_TANK, rows, stocks))
    (note,) = [n for n in balance.notes if n.startswith("What was measured leaves")]
    assert note.startswith(
        "What was measured leaves -400 ± 18 m3 of water for the closing stock of tank: 1000 ('in') "
        "+ 100 ('opening stock of tank') - 1500 ('out'). No stock is below 0"
    )
    # nothing checks a number here, and yet they cannot all be right
    assert "had to be moved: chi-square" in summary(balance)
    assert "more than the stated errors explain" in " ".join(summary(balance).split())


def test_a_tank_by_volume_reads_back_from_the_result_workbook(tmp_path: Path) -> None:
    rows, stocks = (
        "stream,water [m3]\nin,1000\nout,950\n",
        "node,when,water [m3]\ntank,opening,100\n",
    )
    balance = _balanced(_read(tmp_path / "case", WATER_TANK, rows, stocks + "tank,closing,145\n"))
    (tmp_path / "result.xlsx").write_bytes(xlsx_bytes(balance))
    again = _balanced(read_case(tmp_path / "result.xlsx"))
    assert again.objective == pytest.approx(balance.objective, rel=1e-9)
    assert again.inventories == balance.inventories


def test_a_mixer_may_lose_what_a_case_declares(tmp_path: Path) -> None:
    pile = '"ROM pile" = { kind = "stockpile" }'
    circuit = CIRCUIT.replace(pile, f'{pile}\nsump = {{ kind = "mixer" }}')
    circuit = circuit.replace(
        'to = "mill" }', 'to = "sump" }\n"to mill" = { from = "sump", to = "mill" }'
    )
    circuit = circuit.replace('mill = { mass = "5 t"', 'sump = { mass = "5 t"')
    balance = _balanced(_read(tmp_path, circuit, ROWS, STOCKS))
    assert balance.converged
    assert "loss at sump" in {v.stream for v in balance.values}


def test_a_loss_that_was_refused_is_not_missed_in_the_report(tmp_path: Path) -> None:
    circuit = CIRCUIT.replace("mill = { mass", "mil = { mass")
    circuit += 'products = ["conc", "tails", "loss at mill"]\n'
    with pytest.raises(InputError) as refused:
        _read(tmp_path, circuit, ROWS, STOCKS)
    assert [f.problem for f in refused.value.faults] == [
        "A declared loss names the node 'mil', which there is not."
    ]


def test_a_loss_is_declared_or_measured(tmp_path: Path) -> None:
    with pytest.raises(InputError) as refused:
        case = _read(tmp_path, CIRCUIT, ROWS + "loss at mill,3,\n", STOCKS)
        _balanced(case)
    (fault,) = refused.value.faults
    assert fault.problem == "It is declared and measured as well."
