"""Pictures of sizes, and sizes in report, JSON and workbook."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Callable
from dataclasses import replace
from math import log
from pathlib import Path
from xml.etree import ElementTree

import jsonschema
import numpy as np
import openpyxl
import pytest
from balance_cases import only_balanced
from example_balances import example_balance, example_case
from sheet_tables import tables_of
from size_cases import (
    GRINDING,
    ROOT,
    grinding,
    ground,
    screen,
)

from oretally.io import read_case
from oretally.io.cli import main
from oretally.io.pictures import balance_labels, partition_svg, passing_svg
from oretally.io.results import ALL, html_report, summary, to_json, xlsx_bytes
from oretally.io.results.document import balance_schema
from oretally.io.wording import (
    fit_remark,
    law_table,
)
from oretally.recon import reconcile
from oretally.recon.result import Balance, FittedLaw, SizeLaw

SVG = "{http://www.w3.org/2000/svg}"


def _texts(svg: str) -> list[tuple[float, float, str]]:
    found = ElementTree.fromstring(svg).iter(f"{SVG}text")
    return [(float(t.get("x", 0)), float(t.get("y", 0)), t.text or "") for t in found]


def test_pictures_are_the_same_every_time() -> None:
    one, two = screen().sizes, screen().sizes
    assert passing_svg(one.streams) == passing_svg(two.streams)
    assert partition_svg(one.partitions[0]) == partition_svg(two.partitions[0])
    assert passing_svg(()) == ""


def test_names_never_overlap_and_styles_differ() -> None:
    streams = ground().sizes.streams
    many = [replace(streams[i % 5], stream=f"<stream> & {i}") for i in range(24)]
    svg = passing_svg(many)
    names = [(x, y) for x, y, text in _texts(svg) if text.startswith("<stream>")]
    assert len(names) == 24 and len({x for x, _ in names}) == 1
    heights = sorted(y for _, y in names)
    assert min(np.diff(heights)) > 12.0
    root = ElementTree.fromstring(svg)
    assert max(heights) < float(root.get("height", 0)) - 10.0
    # without their colours: dashes, and shape and filling of the mark; with them, all differ
    looks = []
    for curve in root.iter(f"{SVG}polyline"):
        looks.append((curve.get("stroke"), curve.get("stroke-dasharray")))
    assert len(looks) == 48  # each curve and its sample
    assert len(set(looks)) == 12
    assert len({dash for _, dash in looks[:8]}) == 4
    marks = [
        (m.tag, len((m.get("points") or "").split()), m.get("fill"), m.get("stroke"))
        for m in root.iter()
        if m.tag in (f"{SVG}circle", f"{SVG}polygon") and m.get("stroke-width") == "1.2"
    ]
    assert len(marks) == 24 * 4  # 3 openings and the sample


def test_partition_has_bars_and_the_cut_size() -> None:
    found = screen().sizes.partitions[0]
    svg = partition_svg(found)
    words = [text for _, _, text in _texts(svg)]
    assert "solids" in words and "Pb" in words
    assert any(re.fullmatch(r"d50 \d+\.?\d* ± \d+\.?\d* um", w) for w in words), words
    root = ElementTree.fromstring(svg)
    width = float(root.get("width", 0))
    assert all(
        x + 4.0 * len(text) < width for x, _, text in _texts(svg) if text in ("solids", "Pb")
    )
    bars = [line for line in root.iter(f"{SVG}line")
            if line.get("x1") == line.get("x2") and line.get("stroke-width") == "1"]  # fmt: skip
    assert len(bars) >= 4  # two classes with a size, solids and lead
    # on a logarithmic axis 200 um stand half way between 100 and 400 um
    at = {text: x for x, _, text in _texts(svg) if text in ("200", "500", "100")}
    assert (at["200"] - at["100"]) / (at["500"] - at["100"]) == pytest.approx(
        log(2.0) / log(5.0), abs=0.01
    )


def test_no_picture_of_a_partition_without_sizes() -> None:
    found = screen().sizes.partitions[0]
    bare = replace(found, classes=tuple(replace(r, size_um=None) for r in found.classes))
    assert partition_svg(bare) == ""


def test_report_shows_sizes_and_needs_nothing() -> None:
    balance = reconcile(GRINDING, grinding(1), feed="feed")
    html = html_report(balance)
    section = html[html.index("<h2>By size</h2>") : html.index("<h2>Measured against adjusted")]
    assert section.count("<svg") == 2
    for caption in ("Size that 80 % pass", "Cumulative passing [%]", "Where the metal is by size",
                    "Cut size of the separators",
                    "Laws fitted to the cumulative passing"):  # fmt: skip
        assert caption in section
    assert html.count("Every size class, stream by stream") == 1
    assert html == html_report(balance)
    plot = next(p for p in re.findall(r"<svg.*?</svg>", html, re.S) if "Standardised" in p)
    assert "mass in" not in plot


def test_names_in_the_report_are_escaped() -> None:
    balance = screen()
    evil = "<b>&"
    sizes = replace(
        balance.sizes,
        streams=tuple(replace(s, stream=evil) for s in balance.sizes.streams),
        partitions=tuple(replace(p, node=evil, product=evil) for p in balance.sizes.partitions),
    )
    html = html_report(replace(balance, sizes=sizes))
    assert evil not in html and "&lt;b&gt;&amp;" in html


@pytest.mark.parametrize("balance", [screen, lambda: ground(2)], ids=["screen", "grinding"])
def test_json_keeps_its_schema(balance: Callable[[], Balance]) -> None:
    found = balance()
    document = json.loads(to_json(found))
    jsonschema.Draft202012Validator(balance_schema()).validate(document)
    sizes = document["sizes"]
    assert sizes["openings_um"] == list(found.survey.sizes.openings)
    for shown, s in zip(sizes["streams"], found.sizes.streams, strict=True):
        assert shown["stream"] == s.stream
        assert [c["share"]["value"] for c in shown["classes"]] == [r.share[0] for r in s.classes]
        assert shown["classes"][0]["passed_um"] is None
        assert shown["classes"][-1]["retained_um"] == 0.0
        assert [f["law"] for f in shown["fits"]] == [law.value for law in SizeLaw]
        assert shown["p80"]["size_um"] == s.p80.size_um
    (partition,) = sizes["partitions"]
    assert partition["sharpness"]["d50"]["sd_um"] == found.sizes.partitions[0].sharpness.d50.sd_um
    sizes["streams"][0]["classes"][0]["more"] = 1.0
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator(balance_schema()).validate(document)


def test_workbook_shows_sizes() -> None:
    book = openpyxl.load_workbook(io.BytesIO(xlsx_bytes(screen())))
    tables = tables_of(book["by size"])
    header, *rows = tables["Solids and analytes by size"]
    assert header[:8] == (
        "stream", "class", "passed [um]", "retained [um]", "solids [%]", "sd", "passing [%]", "sd",
    )  # fmt: skip
    assert len(rows) == 3 * 4
    assert rows[0][2:4] == (None, 400.0)
    shares = [row[4] for row in tables["Partition: share to the coarse product"][1:]]
    assert shares == pytest.approx([90.0, 80.0, 20.0, 5.0])
    figures = {row[:2]: row[2] for row in tables["Sizes and fitted laws"]}
    assert figures["screen", "d50"] == pytest.approx(200.0)
    assert figures["over", "P80"] is None


CIRCUIT = """title = "Invented: a screen, read and written"
basis = "batch"
[streams]
feed = { to = "screen" }
over = { from = "screen" }
under = { from = "screen" }
[analytes]
Pb = { unit = "%", max = 86.6 }
Ag = { unit = "g/t" }
[errors]
"dry mass" = { relative = 1 }
Pb = { relative = 4 }
Ag = { relative = 6 }
"class mass" = { relative = 2, absolute = "0.2 %" }
"""


ROWS = """stream,dry mass [kg],Pb [%],Ag [g/t]
feed,100,2.6,70
over,42,2.2,40
under,58,2.86,90
"""


SIZES = """stream,passing [um],retained [um],mass [g],Pb [%],± Pb [%],Ag [g/t]
feed,,400,101,1.1,0.05,20
feed,400,200,298,1.9,0.1,40
feed,200,100,402,2.8,0.1,75
feed,100,0,199,4.05,0.2,120
over,,400,86,1.0,0.05,<5
over,400,200,231,2.0,0.1,40
over,200,0,83,4.1,0.2,0.11 kg/t
under,,400,9,>50,,
under,400,200,41,1.5,0.1,38
under,200,100,220,2.5,0.1,70
under,100,0,131,4.0,0.2,115
"""


def test_workbook_read_back_gives_the_same_balance(tmp_path: Path) -> None:
    """Limits, a unit in a cell, errors of rows and rules, and a stack that lacks a sieve."""
    folder = tmp_path / "case"
    folder.mkdir()
    for name, text in (("circuit.toml", CIRCUIT), ("measurements.csv", ROWS), ("sizes.csv", SIZES)):
        (folder / name).write_text(text, "utf-8")
    case = read_case(folder)
    first = only_balanced(case.circuit, case.survey, feed=case.feed, products=case.products)
    path = tmp_path / "result.xlsx"
    path.write_bytes(xlsx_bytes(first))
    again = read_case(path)
    assert again.survey.sizes == case.survey.sizes
    assert len(again.survey.measurements) == len(case.survey.measurements) > 35
    for m in case.survey.measurements:
        found = again.survey.measured(m.stream, m.quantity)
        assert found is not None, m
        assert (found.value_base, found.sd_base) == pytest.approx(
            (m.value_base, m.sd_base), rel=1e-9
        )
        assert found.bounded == m.bounded
    second = only_balanced(again.circuit, again.survey, feed=again.feed, products=again.products)
    assert second.objective == pytest.approx(first.objective, rel=1e-6)
    for a, b in zip(first.sizes.streams, second.sizes.streams, strict=True):
        assert [r.share for r in b.classes] == [pytest.approx(r.share, rel=1e-5) for r in a.classes]
    header = [c.value for c in openpyxl.load_workbook(path)["sizes"][1]]
    assert header == ["stream", "passing [um]", "retained [um]", "mass [%]", "± mass [%]",
                      "Pb [%]", "± Pb [%]", "Ag [g/t]", "± Ag [g/t]"]  # fmt: skip


@pytest.mark.parametrize("name", ["leach_test", "month_with_stockpile", "grinding_by_size"])
def test_workbook_of_an_example_is_a_case_again(name: str, tmp_path: Path) -> None:
    """Contents, solution, stocks and declared losses: all are written, and read again."""
    case, first = example_case(name), example_balance(name)
    path = tmp_path / "result.xlsx"
    path.write_bytes(xlsx_bytes(first))
    again = read_case(path)
    assert set(again.circuit.streams) == set(case.circuit.streams)
    assert (again.survey.water, again.survey.dissolved, again.survey.stacks) == (
        case.survey.water, case.survey.dissolved, case.survey.stacks)  # fmt: skip
    second = only_balanced(again.circuit, again.survey, feed=again.feed, products=again.products)
    assert second.global_test.dof == first.global_test.dof
    assert second.objective == pytest.approx(first.objective, rel=1e-6)
    assert len(second.values) == len(first.values)
    book = openpyxl.load_workbook(path)
    rows = {head: table for sheet in book for head, table in tables_of(sheet).items()}
    extraction, stock = (
        "Extraction, as measured and by the balance",
        "Stock: opening + in - out = closing",
    )
    assert len(rows["What feed and products hold"]) == 1 + len(first.amounts)
    assert (extraction in rows) is (name == "leach_test")
    assert (stock in rows) is (name == "month_with_stockpile")
    assert ("leach and stocks" in book.sheetnames) is (name != "grinding_by_size")
    for e, row in zip(first.extractions, rows.get(extraction, [])[1:], strict=True):
        assert row[:2] == (e.node, e.analyte) and row[2] == pytest.approx(e.by_solids)
    for pile in first.inventories:
        own = [r for r in rows[stock] if r[:2] == (pile.node, pile.quantity)]
        assert len(own) == len(pile.lines) + 1
        assert own[-1][4] == pytest.approx(pile.unaccounted)


def test_classes_that_nobody_looked_for_are_left_out(capsys: pytest.CaptureFixture[str]) -> None:
    """Two of five streams were not assayed by size, and no balance gives it: one line says so."""
    folder = ROOT / "examples" / "grinding_by_size"
    case = read_case(folder)
    balance = only_balanced(case.circuit, case.survey, feed=case.feed, products=case.products)
    assert not any(v.value_class.value == "unobservable" for v in balance.values)
    told = (
        "Not measured nor given by any balance, and left out: Pb by size of 'fresh feed', "
        "'mill discharge'."
    )
    assert balance.notes == (told,)
    # all of the only product: no ± to speak of, and no budget of one
    text = summary(balance, parts=(ALL,))
    assert "Recovery of Pb: 100 % to cyclone overflow." in text and "± –" not in text
    assert "What the ± of the recoveries comes from" not in text
    assert "ratio of concentration" not in text
    # drawings keep to what fits: no classes
    assert not any(" um" in line for lines in balance_labels(balance).values() for line in lines)
    with pytest.raises(SystemExit) as ended:
        main(["check", str(folder)])
    assert ended.value.code == 0
    check = " ".join(capsys.readouterr().out.split())
    assert "Pb in +300 um of 'cyclone underflow'. So it is in 5 other size classes." in check
    assert "with 7 more groups" not in check and "Pb in -75+38 um" not in check


def test_a_circuit_whose_water_is_balanced_names_the_solids_in_its_drawing() -> None:
    balance = example_balance("leach_test")
    labels = balance_labels(balance)["leached pulp"]
    assert labels[1].startswith("solids 52.0") and labels[2].startswith("water 68.")


def test_laws_say_what_was_left_out() -> None:
    fit = FittedLaw(SizeLaw.ROSIN_RAMMLER, (0.9, 0.1), (120.0, 5.0), 0.0, 0, None, (400.0, 300.0))
    assert fit_remark(fit) == (
        "Two openings, two parameters. Left out, as all or nothing passes: 400, 300 um."
    )
    assert fit_remark(replace(fit, dof=1, left_out_um=())) == ""
    balance = screen()
    (first, *rest) = balance.sizes.streams
    sizes = replace(balance.sizes, streams=(replace(first, fits=(fit,)), *rest))
    row = law_table(replace(balance, sizes=sizes)).rows[0]
    assert row[2] == "is not checked" and row[-1] == fit_remark(fit)


def test_json_has_the_amounts() -> None:
    balance = screen()
    document = json.loads(to_json(balance))
    jsonschema.Draft202012Validator(balance_schema()).validate(document)
    found = {(a["stream"], a["analyte"]): a for a in document["amounts"]}
    assert set(found) == {("feed", "Pb"), ("over", "Pb"), ("under", "Pb")}
    over = found["over", "Pb"]
    assert over["amount"] == pytest.approx(0.94) and over["product"] is True
    assert over["per_feed"] == pytest.approx(0.94 / 100.0)
