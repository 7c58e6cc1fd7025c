"""Changes of the circuit: in every table, and nothing but what was asked for."""

from __future__ import annotations

import difflib
import tomllib
from pathlib import Path
from typing import Any

import pytest
from often import NIGHTLY

from oretally.flowsheet import InputError
from oretally.io.case import read_case
from oretally.io.desk.circuit_edits import edited
from oretally.io.desk.circuit_table import circuit_table
from oretally.io.desk_files import Parts, files_of
from oretally.io.forms import example_names, kind_named, make_case, wanted_case

TEXT = """# Invented.
title = "x"   # a title
basis = "batch"

[streams]   # all of them
"table feed"  = { to = "table" }   # first
# between
concentrate = { from = "table", errors = { Sn = { relative = 5 } } } # c
tail.from = "table"

# about errors
[errors]
Sn = { relative = 3 }   # three

[nodes]
table = { kind = "splitter" } # why
[report]
products = ["concentrate", "tail"] # p
feed = "table feed"
[sources]
"assay" = { of = "Sn", relative = 2, streams = ["tail", "concentrate"], shared = true }
"""
ASSAY = TEXT.splitlines()[-1]
PARTS: Parts = {
    "circuit.toml": TEXT,
    "measurements.csv": [["stream", "dry mass [g]", "Sn [%]"], ["tail", "1", "2"],
                         ["Table  feed", "3"]],
    "stocks.csv": [["node", "when", "dry mass [t]"], ["table", "opening", "1"]],
}  # fmt: skip


def changes(edits: list[dict[str, Any]]) -> tuple[list[str], Parts]:
    """Return the lines that an edit takes out and puts in, and the other parts that changed."""
    after = edited(PARTS, edits)
    new = str(after["circuit.toml"])
    lines = difflib.unified_diff(TEXT.splitlines(), new.splitlines(), lineterm="", n=0)
    told = [line for line in lines if line[:2] not in ("--", "++", "@@")]
    return told, {k: v for k, v in after.items() if k != "circuit.toml" and v != PARTS.get(k)}


@pytest.mark.parametrize(
    ("edit", "told"),
    [
        ({"op": "add stream", "name": "new", "from": "table", "to": None},
         ['+new = { from = "table" }']),
        ({"op": "connect", "name": "table feed", "from": None, "to": "jig"},
         ['-"table feed"  = { to = "table" }   # first',
          '+"table feed"  = { to = "jig" }   # first']),
        ({"op": "connect", "name": "tail", "from": None, "to": "jig"},
         ['-tail.from = "table"', '+tail.to = "jig"']),
        ({"op": "set kind", "node": "table", "kind": "separator"},
         ['-table = { kind = "splitter" } # why', '+table = { kind = "separator" } # why']),
        ({"op": "set", "path": ["title"], "value": 'a "title"'},
         ['-title = "x"   # a title', '+title = "a \\"title\\""   # a title']),
        ({"op": "set", "path": ["water"], "value": True}, ["+water = true"]),
        ({"op": "set error", "quantity": "dry mass", "relative": 2.5},
         ['+"dry mass" = { relative = 2.5 }']),
        ({"op": "set error", "quantity": "sn", "relative": 4},
         ["-Sn = { relative = 3 }   # three", "+Sn = { relative = 4 }   # three"]),
        ({"op": "set entry", "path": ["sources", "Assay"], "value": {"relative": 2.5}},
         [f"-{ASSAY}", f"+{ASSAY.replace('= 2,', '= 2.5,')}"]),
        ({"op": "set entry", "path": ["sources", "floor scale"],
          "value": {"of": ["dry mass", "wet mass"], "relative": 0.4, "streams": None,
                    "shared": True}},
         ['+"floor scale" = { of = ["dry mass", "wet mass"], relative = 0.4, shared = true }']),
        ({"op": "set entry", "path": ["sources", "assay"], "value": None},
         [f"-{ASSAY}"]),
        ({"op": "set entry", "path": ["analytes", "Sn"], "value": {"unit": "%", "max": 78.77}},
         ["+", "+[analytes]", '+Sn = { unit = "%", max = 78.77 }']),
        ({"op": "set entry", "path": ["doubts", "dry mass"], "value": 1},
         ["+", "+[doubts]", '+"dry mass" = 1']),
        ({"op": "set entry", "path": ["prices", "Sn"], "value": "24 EUR/kg"},
         ["+", "+[prices]", '+Sn = "24 EUR/kg"']),
        ({"op": "set entry", "path": ["losses", "table"],
          "value": {"mass": "0.5 kg", "like": "tail"}},
         ["+", "+[losses]", '+table = { mass = "0.5 kg", like = "tail" }']),
        ({"op": "set entry", "path": ["lab", "columns", "pair"], "value": "Orig ID"},
         ["+", "+[lab]", '+columns = {pair = "Orig ID"}']),
        ({"op": "report", "products": ["tail"]},
         ['-products = ["concentrate", "tail"] # p', '+products = ["tail"] # p']),
    ],
)  # fmt: skip
def test_one_change_is_one_line(edit: dict[str, Any], told: list[str]) -> None:
    assert changes([edit]) == (told, {})


def test_a_stream_is_renamed_wherever_it_is_spoken_of() -> None:
    told, others = changes([{"op": "rename stream", "name": "TABLE feed", "to_name": 'Füd "x"'}])
    assert told == [
        '-"table feed"  = { to = "table" }   # first',
        '+"Füd \\"x\\""  = { to = "table" }   # first',
        '-feed = "table feed"', '+feed = "Füd \\"x\\""',
    ]  # fmt: skip
    assert others["measurements.csv"][2][0] == 'Füd "x"'
    told, others = changes([{"op": "rename stream", "name": "tail", "to_name": "tails"}])
    found = tomllib.loads("\n".join(line[1:] for line in told if line.startswith("+assay")) or "")
    new = tomllib.loads(str(edited(PARTS, [
        {"op": "rename stream", "name": "tail", "to_name": "tails"}])["circuit.toml"]))  # fmt: skip
    assert found == {}
    assert new["report"]["products"] == ["concentrate", "tails"]
    assert new["sources"]["assay"]["streams"] == ["tails", "concentrate"]
    assert new["streams"]["tails"] == {"from": "table"}
    assert list(others) == ["measurements.csv"]


def test_a_node_is_renamed_in_streams_kinds_and_stocks() -> None:
    told, others = changes([{"op": "rename node", "name": "table", "to_name": "big table"}])
    assert '+"big table" = { kind = "splitter" } # why' in told
    assert sum(line.startswith("+") and "big table" in line for line in told) == 4
    assert others["stocks.csv"][1][0] == "big table"


def test_deleted_streams_and_nodes_leave_no_name_behind() -> None:
    text = str(edited(PARTS, [{"op": "delete stream", "name": "tail"}])["circuit.toml"])
    assert '"tail"' not in text
    assert "tail." not in text
    assert "# about errors" in text
    after = edited(PARTS, [{"op": "delete node", "name": "table"}])
    assert circuit_table(after)["nodes"] == []
    assert [s["name"] for s in circuit_table(after)["streams"]] == [
        "table feed", "concentrate", "tail"]  # fmt: skip


def test_a_table_is_added_with_the_header_that_fits() -> None:
    _, others = changes([{"op": "add table", "name": "sizes.csv"}])
    assert others == {"sizes.csv": [["stream", "passing [um]", "retained [um]", "mass [g]",
                                     "Sn [%]"]]}  # fmt: skip


@pytest.mark.parametrize(
    ("edit", "why"),
    [
        ({"op": "rename stream", "name": "tali", "to_name": "x"}, "Did you mean 'tail'"),
        ({"op": "rename stream", "name": "tail", "to_name": "CONCENTRATE"}, "already"),
        ({"op": "add stream", "name": "Tail", "from": "table"}, "already"),
        ({"op": "add stream", "name": "  "}, "A name is needed"),
        ({"op": "add stream", "name": "a\x00b"}, "A name is needed"),
        ({"op": "set kind", "node": "table", "kind": "spliter"}, "Did you mean 'splitter'"),
        ({"op": "add table", "name": "../x.csv"}, "no table of a case"),
        ({"op": "add table", "name": "measurements.csv"}, "already"),
        ({"op": "set", "path": [], "value": 1}, "not said what"),
        ({"op": "explode"}, "no change of a circuit"),
    ],
)
def test_what_cannot_be_done_is_refused(edit: dict[str, Any], why: str) -> None:
    with pytest.raises(InputError, match=why):
        edited(PARTS, [{"op": "add stream", "name": "ok", "to": "table"}, edit])


def test_an_entry_of_one_value_becomes_a_table_and_keeps_its_comment() -> None:
    parts: Parts = {"circuit.toml": '[analytes]\nSn = "%" # of tin\n'}
    after = edited(parts, [{"op": "set entry", "path": ["analytes", "Sn"], "value": {"max": 78}}])
    assert after["circuit.toml"] == '[analytes]\nSn = {unit = "%", max = 78} # of tin\n'


def test_what_is_taken_out_of_the_laboratory_leaves_no_empty_tables() -> None:
    path = ["lab", "standards", "STD-A", "Sn"]
    put = {"op": "set entry", "path": path, "value": {"certified": "1.52 %"}}
    there = edited(PARTS, [put])
    assert circuit_table(there)["forms"]["lab"]["standards"] == [
        {"name": "Sn", "cells": {"certified": "1.52 %"}, "standard": "STD-A"}
    ]
    gone = edited(there, [{"op": "set entry", "path": path, "value": None}])
    assert tomllib.loads(str(gone["circuit.toml"]))["lab"] == {}


def test_what_dissolves_is_said_at_its_node() -> None:
    text = '[streams]\nore = { to = "vat" }\n[nodes]\nvat = { kind = "leach" } # of concrete\n'
    shown = []
    for value in (True, "1.5 kg", None):
        edit = {"op": "set entry", "path": ["nodes", "vat"], "value": {"dissolves": value}}
        after = edited({"circuit.toml": text}, [edit])
        [node] = circuit_table(after)["nodes"]
        shown.append(node["dissolves"])
        assert str(after["circuit.toml"]).endswith(" # of concrete\n")
    assert shown == ["yes", "1.5 kg", None]


def test_the_forms_show_what_is_written_and_where() -> None:
    [source] = circuit_table(PARTS)["forms"]["sources"]
    assert source == {
        "name": "assay", "line": TEXT.splitlines().index("[sources]") + 2,
        "cells": {"of": "Sn", "relative": "2", "streams": "tail; concentrate", "shared": True},
    }  # fmt: skip
    broken: Parts = {
        "circuit.toml": "analytes = 3\nlab = [1]\nsources = { a = 1, b = { of = {} } }"
    }
    forms = circuit_table(broken)["forms"]
    assert (forms["analytes"], forms["lab"]["types"]) == ([], [])
    assert (forms["losses"], forms["prices"]) == ([], [])
    assert [row["cells"] for row in forms["sources"]] == [{"of": "1"}, {"of": "as in the text"}]


def test_a_text_that_is_no_toml_is_left_alone() -> None:
    with pytest.raises(InputError, match="not TOML"):
        edited({"circuit.toml": "[streams"}, [{"op": "add stream", "name": "a", "to": "b"}])


@pytest.mark.parametrize("kind", ["folder", "workbook"])
def test_renamed_examples_balance_the_same(tmp_path: Path, kind: str) -> None:
    """Every stream and node gets another name; its numbers stay where they are.

    Of every example at night; by day of every fourth, others in a folder than in a workbook.
    """
    names = [name for name, _ in example_names()]
    for example in names if NIGHTLY else names[2 * (kind == "folder") :: 4]:
        path = tmp_path / (example if kind == "folder" else f"{example}.xlsx")
        make_case(path, example)
        files = files_of(path)
        stored = files.read()
        before = read_case(path)
        table = circuit_table(stored.parts)
        edits = [{"op": "rename stream", "name": s["name"], "to_name": f"{s['name']} new"}
                 for s in table["streams"]]  # fmt: skip
        edits += [{"op": "rename node", "name": n["name"], "to_name": f"the {n['name']}"}
                  for n in table["nodes"]]  # fmt: skip
        parts = edited(stored.parts, edits)
        for name, data in files.written(parts, stored).items():
            files.target(name).write_bytes(data)
        after = read_case(path)
        assert len(after.circuit.streams) == len(before.circuit.streams)
        own = {s["name"] for s in table["streams"]}
        for one, other in zip(before.survey.measurements, after.survey.measurements, strict=True):
            assert (one.quantity, one.value, one.sd) == (other.quantity, other.value, other.sd)
            assert other.stream == (f"{one.stream} new" if one.stream in own else other.stream)


def test_labels_of_samples_follow_their_stream(tmp_path: Path) -> None:
    """In circuit.toml and in the sheet of a workbook; without the stream there is no label."""
    wanted = wanted_case(kind_named("table"), "My test")
    for name in ("a", "a.xlsx"):
        make_case(tmp_path / name, wanted=wanted)
        parts = files_of(tmp_path / name).read().parts
        for edit, labels in (
            ({"op": "rename stream", "name": "tailings", "to_name": "tails"},
             {"MT-1": "feed", "MT-2": "concentrate", "MT-3": "middlings", "MT-4": "tails"}),
            ({"op": "delete stream", "name": "tailings"},
             {"MT-1": "feed", "MT-2": "concentrate", "MT-3": "middlings"}),
        ):  # fmt: skip
            after = edited(parts, [edit])
            text = after.get("circuit.toml")
            if isinstance(text, str):
                assert tomllib.loads(text)["lab"]["samples"] == labels
            else:
                rows = [row for row in after["lab columns"] if row[:1] == ["sample"]]
                assert {row[1]: row[2] for row in rows} == labels


@pytest.mark.parametrize("text", ["1 kg\n2", 'a "b" \\ c', "\x7f\t", "Größe (5 %)"])
def test_any_text_can_be_an_entry(text: str) -> None:
    entry = {"op": "set entry", "path": ["containers", "tray"], "value": text}
    error = {"op": "set error", "quantity": "Sn", "relative": text}
    made = tomllib.loads(str(edited(PARTS, [entry, error])["circuit.toml"]))
    assert (made["containers"]["tray"], made["errors"]["Sn"]["relative"]) == (text, text)
