"""What the report and the JSON of a laboratory batch say, and notes on errors beyond the pairs."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import Element

import defusedxml.ElementTree
import jsonschema
import pytest

from oretally.flowsheet import Dimension, ErrorRule, parse_unit
from oretally.io import read_case
from oretally.io.cells.extrapolation import extrapolation_notes
from oretally.io.cli import main
from oretally.io.laboratory import judged_table, lab_json, lab_report, read_lab
from oretally.io.laboratory.document import lab_document, lab_schema
from oretally.io.laboratory.judgement import JudgedTable

EXAMPLE = Path(__file__).resolve().parents[2] / "examples" / "tin_table"
_HEADER = "sample,type,analyte,value,unit,pair,standard,certified,certified sd\n"
_BAD = _HEADER + "".join(
    f"S{i},sample,Sn,{g},%,,,,\nS{i}R,duplicate,Sn,{g * f:.5g},%,S{i},,,\n"
    f"K{i},standard,Sn,{k},%,,Low & <dark>,0.5,0.01\nB{i},blank,Sn,<0.005,%,,,,\n"
    for i, (g, f, k) in enumerate(
        [(0.2, 1.05, 0.51), (0.4, 0.97, 0.50), (0.7, 1.03, 0.49), (1.1, 0.98, 0.50),
         (1.6, 1.04, 0.52), (2.0, 1.02, 0.49), (2.4, 0.99, 0.51), (2.9, 1.03, 0.9),
         (3.0, 1.00, 0.50), (1.3, 1.60, 0.50)]
    )
)  # fmt: skip


def _judged(folder: Path, rows: str = _BAD) -> JudgedTable:
    (folder / "lab.csv").write_text(rows, "utf-8")
    return judged_table(read_lab(folder), "a batch")


def _pictures(html: str) -> list[Element]:
    found = re.findall(r"<svg.*?</svg>", html, re.S)
    return [defusedxml.ElementTree.fromstring(svg) for svg in found]


def _texts(picture: Element) -> list[str]:
    return ["".join(t.itertext()) for t in picture.iter("{http://www.w3.org/2000/svg}text")]


def test_report_is_one_file_and_always_the_same() -> None:
    found = judged_table(read_lab(EXAMPLE), "tin_table")
    html = lab_report(found)
    assert html == lab_report(judged_table(read_lab(EXAMPLE), "tin_table"))
    assert not re.search(r"(src|href)=|<script|url\(|@import", html)
    assert "(&#39;B31&#39; shows 0.09 %)." in html
    chart, duplicates, blanks = _pictures(html)
    assert _texts(chart)[-4:] == ["STD-A0", "STD-A6", "STD-A12", "STD-A18"]
    assert {"certified", "+2 sd", "-2 sd", "+3 sd", "-3 sd", "Sn [%]"} <= set(_texts(chart))
    assert {"1 of 2", "19 of 20", "mean of the pair [%]"} <= set(_texts(duplicates))
    assert {"limit", "B31", "blank [%]"} <= set(_texts(blanks))


def _circles(picture: Element) -> Iterator[tuple[float, float, float]]:
    for c in picture.iter("{http://www.w3.org/2000/svg}circle"):
        yield float(c.attrib["cx"]), float(c.attrib["cy"]), float(c.attrib["r"])


def test_what_is_off_has_a_ring(tmp_path: Path) -> None:
    """The far standard at the edge with its z, the far pair with its name; no name breaks out."""
    html = lab_report(_judged(tmp_path))
    chart, duplicates, blanks = _pictures(html)
    rings = [(x, y) for x, y, r in _circles(chart) if r == 7.0]
    dots = [(x, y) for x, y, r in _circles(chart) if r == 3.5]
    assert len(dots) == 10 and rings == [dots[7]]
    assert min(y for _, y in dots) == dots[7][1]
    assert any(re.fullmatch(r"z \+\d+\.\d", t) for t in _texts(chart))
    assert "S9" in _texts(duplicates)
    assert [t for t in _texts(blanks) if t.startswith("B")] == []
    assert "Control chart of Low &amp; &lt;dark&gt;" in html and "<dark>" not in html
    assert "The standard Low &amp; &lt;dark&gt; is off (&#39;K7&#39; " in html
    for picture in (chart, duplicates, blanks):
        width, height = (float(picture.attrib[k]) for k in ("width", "height"))
        for x, y, r in _circles(picture):
            assert r <= x <= width - r and r <= y <= height - r


def test_dots_stand_where_the_numbers_are(tmp_path: Path) -> None:
    """Heights on the chart are linear in the readings, lines at 2 and 3 sd included."""
    found = _judged(tmp_path)
    chart = _pictures(lab_report(found))[0]
    c = found.judgements[0].charts[0]
    dots = [(x, y) for x, y, r in _circles(chart) if r == 3.5]
    inside = [i for i, z in enumerate(c.chart.z) if abs(z) < 3.0]
    (i, j), k = inside[:2], inside[4]
    per_z = (dots[j][1] - dots[i][1]) / (c.chart.z[j] - c.chart.z[i])
    assert dots[k][1] - dots[i][1] == pytest.approx(per_z * (c.chart.z[k] - c.chart.z[i]), abs=0.2)
    names = {"".join(t.itertext()): float(t.attrib["y"]) - 4.0
             for t in chart.iter("{http://www.w3.org/2000/svg}text")}  # fmt: skip
    assert names["+3 sd"] - names["certified"] == pytest.approx(3.0 * per_z, abs=0.3)
    assert names["-2 sd"] - names["certified"] == pytest.approx(-2.0 * per_z, abs=0.3)


@pytest.mark.parametrize(
    "rows",
    [
        "a,sample,Sn,0.5,%,,,,\n",
        "a,duplicate,Sn,0.5,%,P,,,\nb,duplicate,Sn,0.5,%,P,,,\n",
        "a,duplicate,Sn,0,%,P,,,\nb,duplicate,Sn,0,%,P,,,\nB,blank,Sn,0,%,,,,\n",
        "K,standard,Sn,0.5,%,,,0.5,0\n",
        "K,standard,Sn,0.5,%,,,0.5,0.01\n",
    ],
)
def test_batches_that_show_little(rows: str, tmp_path: Path) -> None:
    """Nothing to draw, or one point: a report and a document all the same."""
    found = _judged(tmp_path, _HEADER + rows)
    assert '<p class="stop">Verdict: ' in lab_report(found)
    jsonschema.Draft202012Validator(lab_schema()).validate(lab_document(found))


def _numbers(document: Any) -> Iterator[dict[str, Any]]:
    if isinstance(document, dict):
        if "value" in document:
            yield document
        for part in document.values():
            yield from _numbers(part)
    elif isinstance(document, list):
        for part in document:
            yield from _numbers(part)


def test_json(tmp_path: Path) -> None:
    """Every number has its unit and its sd; the figures are those of the summary."""
    found = _judged(tmp_path)
    document = json.loads(lab_json(found))
    jsonschema.Draft202012Validator(lab_schema()).validate(document)
    assert document["schema"] == "oretally.lab/1"
    assert all(set(n) >= {"unit", "sd"} and n["unit"] in ("%", "1") for n in _numbers(document))
    sn = document["analytes"][0]
    fit = found.judgements[0].fit
    assert fit is not None
    assert sn["duplicates"]["precision"]["constant"]["value"] == fit.a
    assert sn["duplicates"]["precision"]["slope"]["low"] == fit.b_limits[0]
    first = sn["duplicates"]["pairs"][0]["first"]
    assert (first["value"], first["unit"]) == (0.2, "%")
    assert first["sd"] == pytest.approx(fit.a + fit.b * 0.205, rel=1e-12)
    assert [p["pair"] for p in sn["duplicates"]["pairs"] if p["off"]] == ["S9"]
    assert sn["standards"]["charts"][0]["beyond_3_sd"] == ["K7"]
    blank = sn["blanks"]["readings"][0]["measured"]
    assert blank["sd"] == pytest.approx(0.005 / 12.0**0.5)
    assert sn["error_rule"]["source"] == "10 duplicate pairs"


def test_command_writes_what_it_is_asked_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    html, out = tmp_path / "r.html", tmp_path / "r.json"
    with pytest.raises(SystemExit) as done:
        main(["lab", str(EXAMPLE), "--html", str(html), "--json", str(out)])
    assert done.value.code == 0
    said = capsys.readouterr()
    assert said.err == f"written: {out}\nwritten: {html}\n" and "\nSn  The standards" in said.out
    assert html.read_text("utf-8").startswith("<!doctype html>")
    with pytest.raises(SystemExit) as done:
        main(["lab", str(EXAMPLE), "--json", "-"])
    assert done.value.code == 0
    assert capsys.readouterr().out == out.read_text("utf-8")
    table = tmp_path / "lab.csv"
    table.write_text(_BAD, "utf-8")
    with pytest.raises(SystemExit) as done:
        main(["lab", str(tmp_path), "--html", str(table)])
    assert done.value.code == 2 and table.read_text("utf-8") == _BAD


def _balance_notes(folder: Path, conc: str) -> list[str]:
    (folder / "lab.csv").write_text(_BAD, "utf-8")
    (folder / "circuit.toml").write_text(
        'title = "t"\nbasis = "batch"\n[streams]\nfeed = { to = "table" }\n'
        '"table conc" = { from = "table" }\ntails = { from = "table" }\n[errors]\n'
        '"dry mass" = { relative = 1 }\nSn = "from lab"\n', "utf-8"
    )  # fmt: skip
    (folder / "measurements.csv").write_text(
        f"stream,dry mass [kg],Sn [%]\nfeed,25.4,0.82\ntable conc,0.41,{conc}\ntails,,0.31\n",
        "utf-8",
    )
    return [note for note in read_case(folder).notes if "extrapolated" in note]


def test_an_error_beyond_the_pairs_is_told(tmp_path: Path) -> None:
    """Named with grade and range, in the unit of the cell; grades near the pairs are not."""
    assert _balance_notes(tmp_path, "41") == [
        "The sd of Sn of 'table conc' (41 %) is extrapolated: the 10 duplicate pairs range from "
        "0.21 to 3 %."
    ]
    assert _balance_notes(tmp_path, "410000 g/t") == [
        "The sd of Sn of 'table conc' (410000 g/t) is extrapolated: the 10 duplicate pairs range "
        "from 2050 to 30000 g/t."
    ]
    assert _balance_notes(tmp_path, "5.9") == []


def test_limits_of_the_range() -> None:
    unit = parse_unit("%", Dimension.GRADE)
    rule = ErrorRule(0.0, 0.01, unit, slope=0.03, source="9 duplicate pairs", low=0.2, high=3.0)
    told = [bool(extrapolation_notes(rule, "s", "Sn", g, unit)) for g in (0.09, 0.11, 5.9, 6.1)]
    assert told == [True, False, False, True]
    assert extrapolation_notes(ErrorRule(3.0, 0.01, unit), "s", "Sn", 60.0, unit) == []
