"""What is shown: JSON by its schema, workbook, report, drawings."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import jsonschema
import openpyxl
import pytest
from balance_cases import only_balanced
from example_balances import example_balance

from oretally.flowsheet import Circuit, Survey
from oretally.io.case import read_case
from oretally.io.pictures import balance_labels, circuit_svg, flow_svg
from oretally.io.results import ALL, html_report, summary, to_json, xlsx_bytes
from oretally.io.results.document import balance_document, balance_schema
from oretally.io.wording import Terminal
from oretally.recon import Balance, reconcile

CASES = ("tin_table", "rougher_cleaner", "wrong_assay")
SUSPICIOUS = ("swapped_assays", "ounces_as_grams", "wet_as_dry")
NASTY = ('=1+1', '@SUM(A1)', '+a', '-b', '<b>&"x"</b>', "a very long name of a stream, indeed so",
         "ключ", "{{ 7*7 }}")  # fmt: skip


@pytest.fixture(scope="module")
def nasty() -> Balance:
    """Return a balance whose names try to be formulas, markup and templates."""
    balance = example_balance("tin_table")
    names = dict(zip(balance.circuit.stream_names, NASTY[4:], strict=True))
    circuit = Circuit.from_parts(
        [replace(s, name=names[s.name], source=s.source and NASTY[0], target=s.target and NASTY[0])
         for s in balance.circuit.streams]
    )  # fmt: skip
    survey = replace(
        balance.survey,
        title=NASTY[1],
        analytes=(replace(balance.survey.analytes[0], name=NASTY[2]),),
        measurements=tuple(
            replace(m, stream=names[m.stream], note=NASTY[3],
                    quantity=NASTY[2] if m.quantity == "Sn" else m.quantity)
            for m in balance.survey.measurements
        ),
    )  # fmt: skip
    return reconcile(circuit, survey)


@pytest.mark.parametrize("name", (*CASES, *SUSPICIOUS))
def test_json_keeps_its_schema(name: str) -> None:
    document = json.loads(to_json(example_balance(name)))
    jsonschema.Draft202012Validator(balance_schema()).validate(document)
    assert document["schema"] == "oretally.balance/1"
    # the keys of the contract, spelt out
    assert set(document) >= {
        "schema", "title", "converged", "iterations", "objective", "redundancy", "global_test",
        "max_imbalance", "values", "closures", "recoveries", "suspects", "notes", "groups",
        "detectable_error",
    }  # fmt: skip
    for suspect in document["suspects"]:
        assert set(suspect) >= {
            "group", "kind", "estimated_error", "sd", "statistic", "p", "after_removal",
        }  # fmt: skip
    assert set(document["values"][0]) >= {
        "stream", "quantity", "carrier", "unit", "measured", "sd", "adjusted", "adjusted_sd",
        "adjustment", "standardised", "class", "detectable_error",
    }  # fmt: skip
    assert set(document["global_test"]) == {"statistic", "dof", "p", "alpha", "consistent"}
    assert document["max_imbalance"] <= 1e-9


def test_json_of_what_is_not_determined(make_survey: Callable[..., Survey]) -> None:
    circuit = Circuit.build(
        {"feed": (None, "a"), "left": ("a", "b"), "right": ("a", "b"), "out": ("b", None)}
    )
    document = balance_document(only_balanced(circuit, make_survey({"feed": (10.0, 0.1)})))
    jsonschema.Draft202012Validator(balance_schema()).validate(json.loads(json.dumps(document)))
    left = next(v for v in document["values"] if v["stream"] == "left")
    assert left["adjusted"] is None and left["class"] == "unobservable"
    assert document["global_test"]["p"] is None


def test_workbook_can_be_balanced_again(tmp_path: Path) -> None:
    first = example_balance("rougher_cleaner")
    path = tmp_path / "result.xlsx"
    path.write_bytes(xlsx_bytes(first))
    case = read_case(path)
    second = only_balanced(case.circuit, case.survey, feed=case.feed, products=case.products)
    assert second.objective == pytest.approx(first.objective, rel=1e-9)
    for a, b in zip(first.recoveries, second.recoveries, strict=True):
        assert (b.stream, b.analyte) == (a.stream, a.analyte)
        assert b.recovery == pytest.approx(a.recovery, rel=1e-9)


def test_workbook_shows_numbers_with_sensible_digits() -> None:
    book = openpyxl.load_workbook(io.BytesIO(xlsx_bytes(example_balance("tin_table"))))
    assert book.sheetnames[:6] == [
        "summary", "values", "recoveries", "suspects", "not kept", "closures",
    ]  # fmt: skip
    sheet = book["recoveries"]
    assert sheet["A1"].value == "Recovery and distribution"
    assert [c.value for c in sheet[2]][:8] == [
        "stream", "analyte", "of", "recovery [%]", "sd", "product", "at most [%]", "at least [%]",
    ]  # fmt: skip
    assert sheet["D3"].value == pytest.approx(49.87, abs=0.005)
    assert sheet["D3"].number_format == "0.00"
    assert sheet.freeze_panes is None
    assert book["values"].freeze_panes == "A2"


def test_text_never_becomes_a_formula(nasty: Balance) -> None:
    book = openpyxl.load_workbook(io.BytesIO(xlsx_bytes(nasty)))
    texts = {c.value: c.data_type for sheet in book for row in sheet.iter_rows() for c in row
             if isinstance(c.value, str)}  # fmt: skip
    assert set(NASTY) - {NASTY[3]} <= set(texts)
    assert set(texts.values()) == {"s"}


def _svgs(html: str) -> list[str]:
    return re.findall(r"<svg.*?</svg>", html, flags=re.DOTALL)


@pytest.mark.parametrize("name", CASES)
def test_report_is_one_file_that_needs_nothing(name: str) -> None:
    balance = example_balance(name)
    html = html_report(balance)
    assert "<script" not in html
    assert not re.search(r'(src|href)\s*=\s*"?https?:', html)
    assert "@import" not in html
    pictures = _svgs(html)
    assert len(pictures) == 2 + len(balance.survey.analytes) + len(balance.losses.curves)
    for picture in pictures:
        root = ElementTree.fromstring(picture)
        assert root.find("{http://www.w3.org/2000/svg}title") is not None
        assert root.find("{http://www.w3.org/2000/svg}desc") is not None
    for stream in balance.circuit.stream_names:
        assert f">{stream}<" in html
    assert html.count("<caption>") == len(re.findall("<table[ >]", html))
    assert "no resource statement, valuation or settlement" in html
    assert "one standard deviation" in html


def test_report_escapes_every_name(nasty: Balance) -> None:
    html = html_report(nasty)
    assert "<b>" not in html
    assert "{{ 7*7 }}" in html and ">49<" not in html
    for picture in _svgs(html):
        ElementTree.fromstring(picture)


def test_report_of_a_balance_that_failed(make_survey: Callable[..., Survey]) -> None:
    balance = replace(
        example_balance("tin_table"), converged=False, status="iteration limit reached"
    )
    html = html_report(balance)
    assert "iteration limit reached" in html
    assert "Recoveries" not in html
    assert "Recovered" not in summary(balance)
    assert "Do not use: there is no balance of these numbers." in " ".join(summary(balance).split())
    assert "NO BALANCE" in summary(balance, parts=(ALL,))


def test_drawing_names_flows_and_kinds() -> None:
    balance = example_balance("rougher_cleaner")
    svg = circuit_svg(balance.circuit, balance_labels(balance))
    for text in ("splitter", "mixer", "rougher conc", "7.85 t/h", "Cu 12.27 %"):
        assert text in svg
    flow = flow_svg(balance, "Cu")
    assert "83.90 ± 0.69 %" in flow


def test_narrow_terminal_cuts_no_number() -> None:
    balance = example_balance("wrong_assay")
    wide, narrow = (summary(balance, terminal=Terminal(width)) for width in (160, 50))
    numbers = [re.findall(r"\d+(?:\.\d+)?", text) for text in (wide, narrow)]
    assert numbers[0] == numbers[1]
    first = narrow.strip().split("\n\n")[0].splitlines()
    assert len(first) > 4
    assert max(map(len, first)) <= 50
