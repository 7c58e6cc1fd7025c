"""The answer of the page is that of the command line, located in what the page shows."""

from __future__ import annotations

import base64
import json
import shutil
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner
from often import NIGHTLY

from oretally.io.cli import oretally
from oretally.io.desk.answer import answered
from oretally.io.desk.made import make
from oretally.io.desk_files import Parts, files_of
from oretally.io.forms import example_names, make_case

EXAMPLES = (
    [name for name, _ in example_names()]
    if NIGHTLY
    else ["filter_cakes", "grinding_by_size", "leach_test", "month_with_stockpile", "wrong_head"]
)
HOSTILE = [
    "<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "=HYPERLINK(\"http://x\")",
    "'; DROP TABLE streams; --", "ذيول الخام", "x" * 300, "{{7*7}}", "a & b", "&#x27;",
]  # fmt: skip


def case_of(tmp_path: Path, example: str) -> tuple[Path, Parts]:
    make_case(tmp_path / example, example)
    return tmp_path / example, files_of(tmp_path / example).read().parts


def answer_to(source: Path, parts: Parts, **whatif: list[str]) -> dict[str, Any]:
    files = files_of(source)
    for name, data in files.written(parts, files.read()).items():
        files.target(name).write_bytes(data)
    return answered(source, parts, whatif, lambda *_, **__: None)


def made(source: Path, parts: Parts, what: str, **options: Any) -> dict[str, Any]:
    job = {"what": what, "options": options, "parts": parts, "whatif": {}}
    return make(source, job, lambda _: None)


@pytest.mark.parametrize("example", EXAMPLES)
def test_the_numbers_are_those_of_the_command_line(tmp_path: Path, example: str) -> None:
    source, parts = case_of(tmp_path, example)
    printed = CliRunner().invoke(oretally, ["balance", str(source), "--json", "-"])
    told = json.loads(printed.output)
    answer = answer_to(source, parts)
    assert answer["faults"] == []
    assert [(v["stream"], v["quantity"], v["measured"], v["sd"], v["adjusted"], v["adjusted_sd"])
            for v in answer["values"]] == [
        (v["stream"], v["quantity"], v["measured"], v["sd"], v["adjusted"], v["adjusted_sd"])
        for v in told["values"]
    ]  # fmt: skip
    assert answer["notes"] == told["notes"]
    assert [row[-1] for row in answer["products"]["rows"]]
    json.dumps(answer, allow_nan=False)


def test_what_is_printed_and_written_is_what_the_commands_print(tmp_path: Path) -> None:
    source, parts = case_of(tmp_path, "leach_test")
    screen = CliRunner().invoke(oretally, ["balance", str(source)])
    assert answer_to(source, parts)["text"] == screen.output
    printed = CliRunner().invoke(oretally, ["balance", str(source), "--json", "-"])
    written = base64.b64decode(made(source, parts, "json")["data"]).decode()
    assert written.strip() == printed.output.strip()


def test_every_measured_number_knows_its_cell(tmp_path: Path) -> None:
    source, parts = case_of(tmp_path, "filter_cakes")
    answer = answer_to(source, parts)
    grid = parts["measurements.csv"]
    for v in answer["values"]:
        if v["measured"] is not None:
            assert v["part"] == "measurements.csv"
            row, column = int(v["cell"][1:]) - 1, ord(v["cell"][0]) - ord("A")
            assert grid[row][0] == v["stream"]
            assert grid[row][column]
    cells = answer["cells"]["measurements.csv"]
    assert "from wet mass 47.95" in cells["C3"]["text"]
    assert cells["D3"] == cells["C3"]  # the moisture is on the way to the same dry mass


def test_what_is_told_first_is_what_stands_in_the_answer(tmp_path: Path) -> None:
    source, parts = case_of(tmp_path, "ounces_as_grams")
    told: list[dict[str, Any]] = []
    answer = answered(source, parts, {}, lambda _, **known: told.append(known))
    [first] = [known["first"] for known in told if known]
    assert set(first) == {"faults", "refused", "circuit", "products", "drawing"}
    assert first | answer == answer
    assert answer["suspects"]


def test_a_fault_says_what_is_missing(tmp_path: Path) -> None:
    source, parts = case_of(tmp_path, "tin_table")
    text, grid = str(parts["circuit.toml"]), parts["measurements.csv"]
    assert isinstance(grid, list)
    parts["circuit.toml"] = text.replace('Sn = { relative = 3, absolute = "0.01 %" }\n', "")
    parts["measurements.csv"] = [row[:4] for row in grid] + [["slimes", "1", "", "2"]]
    missing = [fault["missing"] for fault in answer_to(source, parts)["faults"]]
    assert {"what": "error", "name": "Sn"} in missing
    assert {"what": "stream", "name": "slimes"} in missing
    make_case(tmp_path / "blank")
    blank = files_of(tmp_path / "blank").read().parts
    [fault] = answer_to(tmp_path / "blank", blank)["faults"]
    assert fault["missing"] == {"what": "number", "name": ""}


def test_replicates_say_what_they_were_pooled_to(tmp_path: Path) -> None:
    source, parts = case_of(tmp_path, "tin_table")
    grid = parts["measurements.csv"]
    assert isinstance(grid, list)
    parts["measurements.csv"] = [*grid, ["tailings", "", "", "0.31", "3"]]
    cells = answer_to(source, parts)["cells"]["measurements.csv"]
    assert "of 2 replicates" in cells["D5"]["text"]
    assert cells["D6"] == cells["D5"]


def test_a_fault_stands_at_its_cell_and_nothing_is_answered(tmp_path: Path) -> None:
    source, parts = case_of(tmp_path, "tin_table")
    parts["measurements.csv"][3][1] = "3,2O6"  # type: ignore[index]
    answer = answer_to(source, parts)
    [fault] = answer["faults"]
    assert (fault["part"], fault["cell"], fault["stream"]) == (
        "measurements.csv", "B4", "middlings")  # fmt: skip
    assert answer["cells"]["measurements.csv"]["B4"]["level"] == "fault"
    assert "verdict" not in answer
    assert 'data-stream="middlings"' in answer["drawing"]


def test_a_fault_of_the_circuit_stands_at_its_line_stream_and_node(tmp_path: Path) -> None:
    source, parts = case_of(tmp_path, "tin_table")
    text = str(parts["circuit.toml"])
    line = next(i for i, t in enumerate(text.splitlines(), 1) if t.startswith('"tailings"'))
    lost = text.splitlines()[line - 1]
    parts["circuit.toml"] = text.replace(lost, '"tailings" = { from = "tabel" }')
    answer = answer_to(source, parts)
    fault = next(f for f in answer["faults"] if f["node"] == "tabel")
    assert (fault["part"], fault["line"]) == ("circuit.toml", line)
    assert "Did you mean 'table'?" in fault["mend"]
    assert {s["name"] for s in answer["circuit"]["streams"]} >= {"tailings", "concentrate"}


@pytest.mark.parametrize(
    "streams",
    ["a = {}", 'a = { from = "x", to = "x" }', 'a = { to = "x" }',
     'a = { to = "x" }\nb = { from = "x", to = "y" }\nc = { from = "y", to = "x" }',
     'a = { to = "x" }\n"A " = { from = "x" }', "", "a = 1", "a ="],
)  # fmt: skip
def test_a_circuit_with_faults_is_drawn_as_far_as_it_goes(tmp_path: Path, streams: str) -> None:
    source, parts = case_of(tmp_path, "tin_table")
    parts["circuit.toml"] = f'title = "t"\nbasis = "batch"\n[streams]\n{streams}\n'
    answer = answer_to(source, parts)
    assert answer["faults"]
    if '"x"' in streams and 'from = "x", to = "x"' not in streams:
        assert 'data-node="x"' in answer["drawing"]


def test_suspects_offer_what_the_command_line_would_try(tmp_path: Path) -> None:
    source, parts = case_of(tmp_path, "ounces_as_grams")
    answer = answer_to(source, parts)
    assert not answer["verdict"]["sound"]
    first = answer["suspects"][0]
    assert first["members"][0]["cell"] == "C8"
    assert answer["cells"]["measurements.csv"]["C8"]["level"] == "suspect"
    for action in first["actions"][:2]:
        beside = answer_to(source, parts, **action["whatif"])["beside"]
        assert beside["possible"], action
        assert beside["tables"]
    slip = next(a for a in first["actions"] if a["whatif"]["with"])
    assert "flotation conc:Au=41.1" in slip["whatif"]["with"][0]
    out = CliRunner().invoke(
        oretally, ["balance", str(source), "--with", slip["whatif"]["with"][0]]
    )
    assert answer_to(source, parts, **slip["whatif"])["text"] == out.output


def test_what_cannot_be_balanced_says_why_and_what_would_help(tmp_path: Path) -> None:
    source, parts = case_of(tmp_path, "tin_table")
    grid = [
        ["stream", "dry mass [g]", "Sn [%]"],
        ["table feed", "0", ""],
        ["tailings", "0", ""],
    ]
    parts["measurements.csv"] = grid
    answer = answer_to(source, parts)
    assert answer["refused"]["reason"]
    assert answer["refused"]["mend"]
    assert answer["drawing"]


def test_a_name_that_turns_what_is_around_it_is_refused_at_its_cell(tmp_path: Path) -> None:
    source, parts = case_of(tmp_path, "grind_coarse")
    parts["measurements.csv"][2][0] = "\u202egnp.exe"  # type: ignore[index]
    [fault, *_] = answer_to(source, parts)["faults"]
    assert fault["cell"] == "A3"
    assert "U+202E right-to-left override" in fault["problem"]


@pytest.mark.parametrize("names", [HOSTILE[i::3] for i in range(3)])
def test_hostile_names_stay_text(tmp_path: Path, names: list[str]) -> None:
    source, parts = case_of(tmp_path, "tin_table")
    text, grid = str(parts["circuit.toml"]), parts["measurements.csv"]
    assert isinstance(grid, list)
    for old, name in zip(("concentrate", "middlings", "tailings"), names, strict=True):
        text = text.replace(f'"{old}"', json.dumps(name, ensure_ascii=False))
        [row] = [row for row in grid if row[0] == old]
        row[0] = name
    parts["circuit.toml"] = text
    answer = answer_to(source, parts)
    assert answer["faults"] == []
    drawn = ElementTree.fromstring(answer["drawing"])
    tags = {element.tag.rpartition("}")[2] for element in drawn.iter()}
    assert tags <= {"svg", "title", "desc", "g", "path", "rect", "text"}
    held = {key for element in drawn.iter() for key in element.attrib}
    assert not {k for k in held if k.startswith("on") or "href" in k or k == "style"}
    shown = {e.get("data-stream") for e in drawn.iter("{http://www.w3.org/2000/svg}g")}
    assert set(names) <= shown
    page = base64.b64decode(made(source, parts, "report")["data"]).decode()
    assert "<script" not in page.replace("&lt;script", "")
    assert "<img src=x" not in page


def test_everything_can_be_made(tmp_path: Path) -> None:
    source, parts = case_of(tmp_path, "tin_table")
    shutil.copytree(source, tmp_path / "other")
    for what in ("report", "workbook", "json", "drawing", "check", "lab", "sheet",
                 "sheet workbook", "full text", "pdf"):  # fmt: skip
        found = made(source, parts, what)
        assert found["name"].startswith("tin_table"), what
        assert base64.b64decode(found["data"])
    compared = made(source, parts, "compare", others=[str(tmp_path / "other")])
    assert "tin_table" in compared["text"]
    assert made(source, parts, "compare")["faults"]
    drawn = made(source, parts, "full text", draws="100", seed="1")["text"]
    assert "100 surveys drawn" in drawn
    assert made(source, parts, "full text", seed="1")["faults"]
    assert made(source, parts, "full text", draws="many")["faults"]
    assert "Did you mean 'report'?" in made(source, parts, "reports")["faults"][0]["mend"]
