"""What streams hold: metal in mass, per mass of feed and in money, against hand computation."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from dataclasses import replace
from html import unescape
from pathlib import Path

import numpy as np
import openpyxl
import pytest
from balance_cases import only_balanced

from oretally.flowsheet import Circuit, Fault, InputError, Place, Survey, balance_problem
from oretally.io.case import read_case
from oretally.io.definition import Price, read_metal_prices
from oretally.io.definition.metal_prices import PriceRow
from oretally.io.forms import entry_workbook, make_case
from oretally.io.results import ALL, html_report, summary, to_json, xlsx_bytes
from oretally.io.results.document import balance_document
from oretally.io.wording import (
    MONEY_CAUTION,
    amount_table,
    price_sheet,
    worth_sheet,
    worth_table,
)
from oretally.recon import Balance
from oretally.recon.solver import prepare

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
TIN = Price("Sn", 25.0, "EUR", "25 EUR/kg")


@pytest.fixture(scope="module")
def balance(two_products: Circuit, make_survey: Callable[..., Survey]) -> Balance:
    survey = make_survey(
        {"feed": (25.0, 0.1), "conc": (0.42, 0.002), "tails": (24.58, 0.1)},
        {"Sn": {"feed": (1.0, 0.03), "conc": (31.0, 0.4), "tails": (0.487, 0.01)}},
    )
    return only_balanced(two_products, survey)


def test_amounts_add_up(balance: Balance) -> None:
    held = {a.stream: a for a in balance.amounts}
    assert held["conc"].amount + held["tails"].amount == pytest.approx(held["feed"].amount)
    feed = balance.value("feed", "dry mass").adjusted
    assert feed is not None
    for a in balance.amounts:
        assert a.per_feed == pytest.approx(a.amount / feed)
    grade = balance.value("feed", "Sn")
    assert held["feed"].per_feed == pytest.approx((grade.adjusted or 0.0) / 100.0)
    assert held["feed"].per_feed_sd == pytest.approx((grade.adjusted_sd or 0.0) / 100.0)


def test_sd_of_amounts_by_simulation(balance: Balance) -> None:
    """2,000 surveys drawn around the balance; the sd of an sd is 1.6 %, four of these allowed."""
    problem = balance_problem(balance.circuit, balance.survey)
    rng = np.random.default_rng(8)
    exact = prepare(problem).solve()
    flows = exact.flow + problem.flow_sd * rng.standard_normal((2000, 3))
    grades = exact.grade + problem.grade_sd * rng.standard_normal((2000, 1, 3))
    found = prepare(problem).solve_many(flows, grades)
    assert found.converged.all()
    held = found.flow * found.grade[:, 0]
    per = held / found.flow[:, [0]]
    for j, a in enumerate(balance.amounts):
        assert a.sd == pytest.approx(held[:, j].std(ddof=1), rel=4.0 / 4000**0.5)
        assert a.per_feed_sd == pytest.approx(per[:, j].std(ddof=1), rel=4.0 / 4000**0.5)


def test_sd_of_totals_by_simulation(
    three_products: Circuit, make_survey: Callable[..., Survey]
) -> None:
    """Two metals, three products: their sums are known better or worse than parts on their own.

    2,000 surveys as above. The sd of independent parts would be wrong by more than is allowed.
    """
    survey = make_survey(
        {"feed": (100.0, 2.0), "a": (4.0, 0.2), "b": (6.0, 0.1), "c": (90.0, 2.0)},
        {
            "Pb": {"feed": (3.0, 0.05), "a": (60.0, 1.0), "b": (2.0, 0.1), "c": (0.55, 0.03)},
            "Zn": {"feed": (4.0, 0.05), "a": (6.0, 0.2), "b": (50.0, 1.0), "c": (0.85, 0.05)},
        },
    )
    prices = {"Pb": 2.0, "Zn": 3.0}
    found = only_balanced(three_products, survey, prices=prices)
    totals = {t.name: t for t in found.worth}
    assert list(totals) == ["feed", "a", "b", "c", "all that is kept", "all that is not kept"]
    problem = balance_problem(found.circuit, survey)
    exact, rng = prepare(problem).solve(), np.random.default_rng(9)
    flows = exact.flow + problem.flow_sd * rng.standard_normal((2000, 4))
    grades = exact.grade + problem.grade_sd * rng.standard_normal((2000, 2, 4))
    drawn = prepare(problem).solve_many(flows, grades)
    assert drawn.converged.all()
    worth = np.einsum("k,sj,skj->skj", [2.0, 3.0], drawn.flow, drawn.grade)
    # kept are Pb in a and Zn in b
    kept = worth[:, 0, 1] + worth[:, 1, 2]
    lost = worth[:, :, 1:].sum(axis=(1, 2)) - kept
    sums = {"feed": worth[:, :, 0].sum(1), "a": worth[:, :, 1].sum(1), "b": worth[:, :, 2].sum(1),
            "c": worth[:, :, 3].sum(1), "all that is kept": kept,
            "all that is not kept": lost}  # fmt: skip
    for name, money in sums.items():
        total, per = totals[name], money / drawn.flow[:, 0]
        assert total.analytes == ("Pb", "Zn")
        assert total.worth == pytest.approx(money.mean(), rel=0.01)
        assert total.sd == pytest.approx(money.std(ddof=1), rel=4.0 / 4000**0.5)
        assert total.per_feed == pytest.approx(per.mean(), rel=0.01)
        assert total.per_feed_sd == pytest.approx(per.std(ddof=1), rel=4.0 / 4000**0.5)
    parts = [a.sd * prices[a.analyte] for a in found.amounts if a.stream == "feed"]
    assert sum(sd**2 for sd in parts) ** 0.5 < 0.9 * totals["feed"].sd
    assert totals["all that is kept"].worth + totals["all that is not kept"].worth == pytest.approx(
        totals["feed"].worth
    )


@pytest.fixture(scope="module")
def three_products() -> Circuit:
    return Circuit.build(
        {"feed": (None, "mill"), "a": ("mill", None), "b": ("mill", None), "c": ("mill", None)}
    )


def test_one_metal_has_no_totals_of_single_streams(balance: Balance) -> None:
    found = only_balanced(balance.circuit, balance.survey, prices={"Sn": 25.0})
    assert found.worth == ()
    assert balance.worth == ()


def test_tables(balance: Balance) -> None:
    table = amount_table(balance)
    assert [row[:3] for row in table.rows] == [
        ["feed", "Sn [g]", "fed"], ["conc", "Sn [g]", "kept"], ["tails", "Sn [g]", "not kept"]
    ]  # fmt: skip
    worth = worth_table(balance, [TIN])
    assert worth.caption == "Metal at the stated prices (Sn 25 EUR/kg)"
    assert worth.header[3] == "worth [EUR]"
    assert worth.header[5] == "per t of feed [EUR/t]"
    conc = next(a for a in balance.amounts if a.stream == "conc")
    row = next(r for r in worth.rows if r[0] == "conc")
    assert float(row[3]) == pytest.approx(25.0 * conc.amount, rel=0.01)
    assert float(row[4]) == pytest.approx(25.0 * conc.sd, rel=0.05)
    assert conc.per_feed is not None and conc.per_feed_sd is not None
    assert float(row[5]) == pytest.approx(25_000.0 * conc.per_feed, rel=0.01)
    assert float(row[6]) == pytest.approx(25_000.0 * conc.per_feed_sd, rel=0.05)


def test_no_money_where_there_is_no_balance(balance: Balance) -> None:
    failed = replace(balance, converged=False)
    assert worth_table(failed, [TIN]).rows == []
    assert balance_document(failed, [TIN])["worth"]["rows"] == []


def test_money_never_stands_without_its_caution(balance: Balance) -> None:
    """In each form in which it is shown; and no money where no price is stated."""
    flat = " ".join(summary(balance, [TIN], parts=(ALL,)).split())
    assert MONEY_CAUTION in flat and "worth [EUR]" in flat
    screen = " ".join(summary(balance, [TIN]).split())
    assert screen.count("EUR") == 2 and "not kept (no valuation)." in screen
    html = unescape(html_report(balance, [TIN]))
    assert MONEY_CAUTION in html and "worth [EUR]" in html
    assert MONEY_CAUTION in to_json(balance, [TIN])
    assert list(worth_sheet(balance, [TIN])[2])[-1] == (MONEY_CAUTION,)
    for text in (summary(balance, parts=(ALL,)), html_report(balance)):
        assert "worth [" not in text and "prices" not in text
    assert balance_document(balance)["worth"] is None


def test_amounts_in_the_summary_where_they_are_few() -> None:
    """Nine rows of amounts are left to report and JSON, unless prices ask for them."""
    case = read_case(EXAMPLES / "rougher_cleaner")
    found = only_balanced(case.circuit, case.survey, feed=case.feed, products=case.products)
    assert "What feed and products hold" not in summary(found, parts=(ALL,))
    assert "What feed and products hold" in html_report(found)
    priced = summary(found, [Price("Cu", 9.0, "EUR", "9 EUR/kg")], parts=(ALL,))
    assert "What feed and products hold" in priced


def test_prices_in_any_mass(balance: Balance) -> None:
    faults: list[Fault] = []
    rows = [PriceRow("sn", "2 EUR/ozt", Place())]
    (price,) = read_metal_prices(rows, balance.survey.analytes, faults)
    assert not faults
    # the troy ounce: NIST Handbook 44, appendix C, as the table of units has it
    assert price.per_kg == pytest.approx(2.0 / 0.0311034768)
    assert (price.analyte, price.currency, price.written) == ("Sn", "EUR", "2 EUR/ozt")


@pytest.mark.parametrize(
    ("written", "per_kg", "currency"),
    [("24 EUR/kg", 24.0, "EUR"), ("24€/kg", 24.0, "€"), (" 9.1e3  USD / t ", 9.1, "USD"),
     ("+3.5 $/lb", 3.5 / 0.45359237, "$")],
)  # fmt: skip
def test_spellings(written: str, per_kg: float, currency: str, balance: Balance) -> None:
    faults: list[Fault] = []
    rows = [PriceRow("Sn", written, Place())]
    (price,) = read_metal_prices(rows, balance.survey.analytes, faults)
    assert not faults
    assert price.per_kg == pytest.approx(per_kg, rel=1e-14)
    assert price.currency == currency


CIRCUIT = """title = "Invented: two metals"
basis = "rate"
[streams]
feed = { to = "mill" }
conc = { from = "mill" }
tails = { from = "mill" }
[errors]
"dry rate" = { relative = 1 }
Sn = { relative = 3 }
Au = { relative = 5 }
"""
ROWS = """stream,dry rate [t/h],Sn [%],Au [g/t]
feed,10,1,1.1
conc,0.2,31,40
tails,9.8,0.4,0.3
"""


def _folder(path: Path, prices: str) -> Path:
    (path / "circuit.toml").write_text(CIRCUIT + prices, "utf-8")
    (path / "measurements.csv").write_text(ROWS, "utf-8")
    return path


def _said(path: Path) -> str:
    with pytest.raises(InputError) as refused:
        read_case(path)
    return str(refused.value)


HOW = 'Write for example "24 EUR/kg".'
MASSES = "Write one of: mg, g, kg, t, lb, st, lt, ozt."
NO_PRICE = "it is a number above 0, a currency and a mass."
BAD = {
    "Sn = 24": f"The price is '24'; {NO_PRICE}\n{HOW}",
    "Sn = 0": f"The price is '0'; {NO_PRICE}\n{HOW}",
    "Sn = true": f"The price is 'True'; {NO_PRICE}\n{HOW}",
    'Sn = ""': f"There is no price.\n{HOW}",
    'Sn = "EUR 24/kg"': f"The price is 'EUR 24/kg'; {NO_PRICE}\n{HOW}",
    'Sn = "24 EUR"': f"The price is '24 EUR'; {NO_PRICE}\n{HOW}",
    'Sn = "24/kg"': f"The price is '24/kg'; {NO_PRICE}\n{HOW}",
    'Sn = "24 5/kg"': f"The price is '24 5/kg'; {NO_PRICE}\n{HOW}",
    'Sn = "24,5 EUR/kg"': f"The price is '24,5 EUR/kg'; {NO_PRICE} Decimals stand behind a "
                          f"point.\n{HOW}",
    'Sn = "0 EUR/kg"': f"The price is '0 EUR/kg'; {NO_PRICE}\n{HOW}",
    'Sn = "-3 EUR/kg"': f"The price is '-3 EUR/kg'; {NO_PRICE}\n{HOW}",
    "Sn = { EUR = 24 }": f"The price of 'Sn' is not a text.\n{HOW}",
    'Sn = ["24 EUR/kg"]': f"The price of 'Sn' is not a text.\n{HOW}",
    'Sn = "24 EUR/oz"': "'oz' can be read in two ways: troy ounce 31.1035 g, avoirdupois ounce "
                        "28.3495 g.\nWrite ozt for troy ounces, ozav for avoirdupois ounces.",
    'Sn = "24 EUR/ton"': "'ton' can be read in three ways: t = 1000 kg, st = 907.185 kg, lt = "
                         "1016.047 kg.\nWrite t (tonne), st (short ton) or lt (long ton).",
    'Sn = "24 EUR/m3"': f"'m3' is the unit of a volume, but a mass is wanted.\n{MASSES}",
    'Sn = "24 EUR/mtu"': f"'mtu' is not a unit known here.\n{MASSES}",
}  # fmt: skip


@pytest.mark.parametrize("line", list(BAD))
def test_bad_prices(line: str, tmp_path: Path) -> None:
    said = _said(_folder(tmp_path, f"[prices]\n{line}\n"))
    assert said == f"circuit.toml, line 12, Sn: {BAD[line]}"


@pytest.mark.parametrize("price", ["1e999 EUR/kg", "1e300 EUR/kg"])
def test_a_price_beyond_all(price: str, tmp_path: Path) -> None:
    said = _said(_folder(tmp_path, f'[prices]\nSn = "{price}"\n'))
    assert f"The number of 'Sn' is {price}; numbers are 0, or between 1e-12 and 1e+15." in said
    assert said.startswith("circuit.toml, line 12")


def test_all_bad_prices_at_once(tmp_path: Path) -> None:
    prices = '[prices]\nSn2 = "2 EUR/kg"\nPb = "2 EUR/kg"\nSn = "2 EUR/kg"\nsn = "3 EUR/kg"\n'
    said = _said(_folder(tmp_path, prices + 'Au = "60 USD/g"\n'))
    assert said == (
        "circuit.toml, line 12, Sn2: 'Sn2' is no analyte of this case.\nDid you mean 'Sn'?\n\n"
        "circuit.toml, line 13, Pb: 'Pb' is no analyte of this case.\nAnalytes: Sn, Au.\n\n"
        "circuit.toml, line 15, sn: This price is stated twice.\nTake one out.\n\n"
        "circuit.toml, line 12: Prices are in EUR and USD; they cannot be added up.\n"
        "State all in one currency."
    )


def test_prices_are_a_table(tmp_path: Path) -> None:
    said = _said(_folder(tmp_path, "").parent / _put_first(tmp_path, 'prices = "24 EUR/kg"\n'))
    assert said == (
        "circuit.toml, line 1: 'prices' must be a table.\nWrite [prices] and its entries below."
    )


def _put_first(folder: Path, line: str) -> str:
    (folder / "circuit.toml").write_text(line + CIRCUIT, "utf-8")
    return folder.name


def _workbook(path: Path, *rows: tuple[object, ...]) -> Path:
    """Return a workbook with a sheet 'prices'."""
    folder = path / "folder"
    folder.mkdir()
    case = read_case(_folder(folder, ""))
    found = only_balanced(case.circuit, case.survey, feed=case.feed)
    book_path = path / "case.xlsx"
    book_path.write_bytes(xlsx_bytes(found))
    book = openpyxl.load_workbook(book_path)
    sheet = book.create_sheet("prices")
    for row in rows:
        sheet.append(row)
    book.save(book_path)
    return book_path


def test_prices_from_a_sheet(tmp_path: Path) -> None:
    path = _workbook(
        tmp_path, ("Analyte", "PRICE"), ("sn", "24 EUR/kg"), (), ("Au", "60000 EUR/kg")
    )
    assert [(p.analyte, p.per_kg) for p in read_case(path).prices] == [("Sn", 24.0), ("Au", 6e4)]


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ([("analyte", "price"), ("Sn", 24)],
         f"case.xlsx, sheet 'prices', cell A2, Sn: The price is '24'; {NO_PRICE}\n{HOW}"),
        ([("analyte", "price"), ("Sn", None)],
         f"case.xlsx, sheet 'prices', cell A2, Sn: There is no price.\n{HOW}"),
        ([("analyte", "price"), (None, "24 EUR/kg")],
         "case.xlsx, sheet 'prices', cell A2: The column 'analyte' is blank in this row.\n"
         "Fill it in, or clear the row."),
        ([("quantity", "price"), ("Sn", "24 EUR/kg")],
         "case.xlsx, sheet 'prices', cell A1: 'quantity' is not a column here.\n"
         "Columns: analyte, price.\n\n"
         "case.xlsx, sheet 'prices': The column 'analyte' is missing.\nColumns: analyte, price."),
    ],
)  # fmt: skip
def test_bad_sheets(rows: list[tuple[object, ...]], said: str, tmp_path: Path) -> None:
    assert _said(_workbook(tmp_path, *rows)) == said


def test_prices_come_back_from_the_result(tmp_path: Path) -> None:
    case = read_case(_folder(tmp_path, '[prices]\nAu = "2600 USD/ozt"\nSn = "1.1e4 usd/lt"\n'))
    prices = {p.analyte: p.per_kg for p in case.prices}
    found = only_balanced(case.circuit, case.survey, feed=case.feed, prices=prices)
    path = tmp_path / "result.xlsx"
    path.write_bytes(xlsx_bytes(found, case.prices))
    again = read_case(path)
    assert again.prices == case.prices
    assert price_sheet(again.prices) == price_sheet(case.prices)
    sheet = openpyxl.load_workbook(path)["worth"]
    assert [cell.value for cell in sheet[1]] == [
        "stream", "analyte", "standing", "worth [USD/h]", "sd", "per t of feed [USD/t]", "sd"
    ]  # fmt: skip
    rows = list(sheet.iter_rows(min_row=2, values_only=True))
    assert ("feed", "Sn + Au", "together") in [row[:3] for row in rows]
    assert rows[-1][0] == MONEY_CAUTION


def test_prices_of_a_case_go_into_its_workbooks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A copy of a case as a workbook, and the workbook to type into."""
    text = '[prices]\nSn = "24 EUR/kg"\n'
    folder = _folder(tmp_path, text)
    assert tomllib.loads(CIRCUIT + text)["prices"] == {"Sn": "24 EUR/kg"}
    monkeypatch.setattr("oretally.io.forms.new_case._source", lambda _: folder)
    make_case(tmp_path / "copy.xlsx", "tin_table")
    assert read_case(tmp_path / "copy.xlsx").prices == read_case(folder).prices
    from oretally.io.case import read_unmeasured

    (tmp_path / "entry.xlsx").write_bytes(entry_workbook(read_unmeasured(folder)))
    sheet = openpyxl.load_workbook(tmp_path / "entry.xlsx")["prices"]
    assert list(sheet.values) == [("analyte", "price"), ("Sn", "24 EUR/kg")]
