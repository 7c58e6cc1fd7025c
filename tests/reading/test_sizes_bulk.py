"""Sizes beside the bulk grades of a case, and rules of their errors."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pytest
from balance_cases import only_balanced
from sizes_rows import (
    EXAMPLE,
    sized_case,
)

from oretally.flowsheet import (
    InputError,
)
from oretally.io.case import read_case
from oretally.io.forms.case_workbook import case_workbook


def _bulk(path: Path) -> dict[tuple[str, str], tuple[float, float]]:
    case = read_case(path)
    balance = only_balanced(case.circuit, case.survey, feed=case.feed, products=case.products)
    return {(v.stream, v.quantity): (v.adjusted, v.adjusted_sd or 0.0) for v in balance.values
            if v.quantity in ("dry rate", "Pb") and v.adjusted is not None}  # fmt: skip


@pytest.mark.parametrize("stream", ["fresh feed", "cyclone underflow"])
def test_shares_of_one_stream_leave_the_bulk_as_it_is(stream: str, tmp_path: Path) -> None:
    """Nothing else is sieved: they say nothing of flows and grades, in three classes or in two."""
    without = _bulk(sized_case(tmp_path / "a"))
    head = "stream,passing [um],retained [um],mass [%]\n"
    three = f"{head}{stream},,150,50\n{stream},150,75,30\n{stream},75,,20\n"
    two = f"{head}{stream},,75,80\n{stream},75,,20\n"
    for text in (three, two):
        found = _bulk(sized_case(tmp_path / "a", text))
        assert found.keys() == without.keys() and len(found) == 10
        for key, (value, sd) in found.items():
            assert value == pytest.approx(without[key][0], rel=1e-7), key
            assert sd == pytest.approx(without[key][1], rel=1e-5), key


def test_merged_classes_leave_the_bulk_within_its_error(tmp_path: Path) -> None:
    """The two coarsest classes of the example made one: less is known, nothing else is found."""
    lines = (EXAMPLE / "sizes.csv").read_text("utf-8").splitlines()
    merged = [lines[0]]
    rows = [line.split(",") for line in lines[1:]]
    for a, b in zip(rows, rows[1:], strict=False):
        if a[1] == "":  # the coarsest of its stream, and the next
            mass = float(a[3]) + float(b[3])
            grade = ""
            if a[4]:
                grade = repr((float(a[3]) * float(a[4]) + float(b[3]) * float(b[4])) / mass)
            merged.append(f"{a[0]},,{b[2]},{mass!r},{grade}")
        elif a[1] != "50":
            merged.append(",".join(a))
    merged.append(",".join(rows[-1]))
    assert len(merged) == 1 + 5 * 5
    bulk = (EXAMPLE / "measurements.csv").read_text("utf-8")
    one = _bulk(EXAMPLE)
    two = _bulk(sized_case(tmp_path / "b", "\n".join(merged), bulk=bulk))
    assert one.keys() == two.keys()
    for key, (value, sd) in two.items():
        assert abs(value - one[key][0]) < sd, key
    assert two["cyclone feed", "dry rate"][1] > one["cyclone feed", "dry rate"][1]


def test_a_sheet_of_a_workbook(tmp_path: Path) -> None:
    names = ("circuit.toml", "measurements.csv", "sizes.csv")
    circuit, bulk, sizes = ((EXAMPLE / name).read_text("utf-8") for name in names)
    path = tmp_path / "case.xlsx"
    path.write_bytes(case_workbook(circuit, bulk, sizes=sizes))
    assert read_case(path).survey == read_case(EXAMPLE).survey
    book = openpyxl.load_workbook(path)
    book["sizes"]["D3"] = -1
    book.save(path)
    with pytest.raises(InputError) as stop:
        read_case(path)
    assert str(stop.value) == (
        "case.xlsx, sheet 'sizes', cell D3, stream 'fresh feed', mass in -300+150 um: The mass of "
        "a class is -1 %; it cannot be negative.\n"
        "Correct it; a tare taken off twice makes small masses negative."
    )
