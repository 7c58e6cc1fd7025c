"""Times of products in circuit.toml and in a workbook, and what is wrong with them."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pytest
from balance_cases import only_balanced

from oretally.flowsheet import Circuit, InputError, Node, Stream
from oretally.flowsheet.circuit import timed_streams
from oretally.flowsheet.units import Elapsed, UnitError, time_unit
from oretally.io import read_case
from oretally.io.results import xlsx_bytes

EXAMPLE = Path(__file__).resolve().parents[2] / "examples" / "flotation_times"
CUMULATIVE = (
    "Times count from the start of the test, as read off the clock at which each product ended."
)
ORDER = f"{CUMULATIVE} List the products in that order."
UNIT = 'Write it with its unit, counted from the start: "0.5 min".'


def _read(tmp_path: Path, old: str, new: str) -> None:
    text = (EXAMPLE / "circuit.toml").read_text("utf-8")
    assert old in text
    (tmp_path / "circuit.toml").write_text(text.replace(old, new), "utf-8")
    table = (EXAMPLE / "measurements.csv").read_text("utf-8")
    (tmp_path / "measurements.csv").write_text(table, "utf-8")
    read_case(tmp_path)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('"1 min"', '"0.5 min"', "line 8: The time of 'conc 2', 0.5 min, is the same as that of "
         f"'conc 1' above it, 0.5 min.\n{ORDER}"),
        ('"12 min"', '"7 min"', "line 12: The time of 'conc 6', 7 min, is before that of 'conc 5' "
         f"above it, 8 min.\n{ORDER}"),
        ('"1 min"', "1", f"line 8: The time of 'conc 2', 1, has no unit.\n{UNIT}"),
        ('"1 min"', '"later"', "line 8: The time of 'conc 2' is 'later': that is no number with a "
         f"unit.\n{UNIT}"),
        ('"1 min"', '"1 m"', "line 8: The time of 'conc 2': 'm' is not a unit of time known here.\n"
         "Write one of: s, min, h, d, wk."),
        ('"1 min"', '"-1 min"', f"line 8: The time of 'conc 2' is -1 min: it must be above 0.\n"
         f"{CUMULATIVE}"),
        ('"feed"   = { to = "cell" }', '"feed" = { to = "cell", time = "1 min" }', "line 6: 'feed' "
         "has a time, but comes from outside.\nTimes are for products that one cell, or another "
         "node, gave one after the other; take it out here."),
        ('"tails"  = { from = "cell" }', '"tails" = { from = "cell", time = "20 min" }', "line 7: "
         "Every product of 'cell' has a time, and nothing is what was left in it at the end.\n"
         'Add it without a time: "tails" = { from = "cell" }.'),
        (', time = "2 min"', "", "line 7: 2 products of 'cell' have no time: 'conc 3', 'tails'. "
         "Only what was left in it at the end has none.\nGive the others their times."),
    ],
)  # fmt: skip
def test_messages(tmp_path: Path, old: str, new: str, message: str) -> None:
    with pytest.raises(InputError) as caught:
        _read(tmp_path, old, new)
    assert str(caught.value) == f"circuit.toml, {message}"


def test_rates_have_no_times(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        _read(tmp_path, 'basis = "batch"', 'basis = "rate"')
    assert str(caught.value.faults[0]) == (
        "circuit.toml, line 7: 'conc 1' has a time, but the flows of this case are rates: times "
        'are for the products of one batch, one after the other.\nWrite basis = "batch" and weigh '
        "the products, or take the time out."
    )


def test_products_of_two_nodes() -> None:
    streams = [
        Stream("feed", None, "a"), Stream("c1", "a", None, time=Elapsed(1.0, "min")),
        Stream("mid", "a", "b"), Stream("c2", "b", None, time=Elapsed(2.0, "min")),
        Stream("tails", "b", None),
    ]  # fmt: skip
    with pytest.raises(InputError) as caught:
        Circuit.from_parts(streams, [Node("a"), Node("b")])
    assert str(caught.value) == (
        "'c2' has a time and comes from 'b', but 'c1' comes from 'a'.\n"
        "Give times to the products of one node; others are a case of their own."
    )


def test_units_of_time() -> None:
    assert [time_unit(t) for t in ("min.", "Hours", "sec", " d ")] == ["min", "h", "s", "d"]
    assert Elapsed(90.0, "s").within("min") == 1.5
    with pytest.raises(UnitError, match="A time stands without a unit."):
        time_unit(" ")


@pytest.mark.parametrize(
    ("header", "cells"),
    [("time", ["30 s", "1 min"]), ("time [min]", [0.5, 1]), ("Time (min)", ["0.5", "60 s"])],
)
def test_column_of_a_workbook(tmp_path: Path, header: str, cells: list[object]) -> None:
    """The column time, its unit in the cells or in its header."""
    book = openpyxl.Workbook()
    rows: dict[str, list[tuple[object, ...]]] = {
        "circuit": [("stream", "from", "to", header), ("feed", None, "cell", None),
                    ("c1", "cell", None, cells[0]), ("c2", "cell", None, cells[1]),
                    ("tails", "cell", None, None)],
        "errors": [("quantity", "relative"), ("dry mass", 1), ("Cu", 3)],
        "report": [("key", "value"), ("basis", "batch")],
        "measurements": [("stream", "dry mass [g]", "Cu [%]"), ("feed", 1000, None),
                         ("c1", 30, 15), ("c2", 30, 8), ("tails", 940, 0.1)],
    }  # fmt: skip
    book.remove(book.worksheets[0])
    for title, lines in rows.items():
        sheet = book.create_sheet(title)
        for line in lines:
            sheet.append(line)
    book.save(tmp_path / "case.xlsx")
    case = read_case(tmp_path / "case.xlsx")
    times = [(s.name, s.time.seconds) for s in timed_streams(case.circuit.streams) if s.time]
    assert times == [("c1", 30.0), ("c2", 60.0)]


def test_result_workbook_is_read_back(tmp_path: Path) -> None:
    """The circuit sheet of the results has the times: they survive a round trip."""
    case = read_case(EXAMPLE)
    balance = only_balanced(case.circuit, case.survey, feed=case.feeds, products=case.products)
    (tmp_path / "back.xlsx").write_bytes(xlsx_bytes(balance))
    again = read_case(tmp_path / "back.xlsx")
    assert again.circuit.streams == case.circuit.streams
