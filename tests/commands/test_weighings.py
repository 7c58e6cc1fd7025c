"""From `sheet --xlsx` through typing to `balance`: containers taken off, g and kg told apart."""

from __future__ import annotations

import io
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from often import often
from sheet_cases import EXAMPLES

from oretally.flowsheet import InputError
from oretally.io import read_case
from oretally.io.case import Case, read_unmeasured
from oretally.io.cli import main
from oretally.io.forms import entry_workbook, kind_named, make_case, sampling_form, wanted_case
from oretally.io.forms.samples import UNITS_IN_KG, assay_list, weighed_in
from oretally.io.laboratory import read_lab

CASE = """title = "Jig & table, test 7"
basis = "batch"
[streams]
feed = { to = "jig" }
conc = { from = "jig" }
tails = { from = "jig" }
[errors]
"dry mass" = { relative = 1 }
"wet mass" = { relative = 1 }
moisture = { absolute = "0.2 %" }
Sn = { relative = 3 }
[analytes]
Sn = "%"
[containers]
"steel bucket" = "1.35 kg"
tray = "210 g"
"""
HEAD = "stream,dry mass [kg],Sn [%]\n"


def _folder(path: Path, rows: str = "feed,25,\nconc,0.4,\ntails,24,\n") -> Path:
    path.mkdir(exist_ok=True)
    (path / "circuit.toml").write_text(CASE, "utf-8")
    (path / "measurements.csv").write_text(HEAD + rows, "utf-8")
    return path


def _typed(raw: bytes, path: Path, cells: Mapping[str, Mapping[tuple[str, str], Any]]) -> Path:
    """Type values into a workbook, by sheet, name of the row and header; save it without values."""
    book = openpyxl.load_workbook(io.BytesIO(raw))
    for title, values in cells.items():
        sheet: Any = book[title]
        columns = {str(c.value): c.column for c in reversed(sheet[1])}
        rows = {str(row[0].value): row[0].row for row in sheet.iter_rows(min_row=2)}
        for (name, header), value in values.items():
            sheet.cell(rows[name], columns[header]).value = value
    book.save(path)
    return path


def _sheet(folder: Path) -> bytes:
    return entry_workbook(read_unmeasured(folder))


GROSS = {
    ("feed", "with content"): 26.35, ("feed", "empty"): 1.35, ("conc", "with content"): 610,
    ("conc", "empty"): 210, ("tails", "with content"): 25.45, ("tails", "empty"): 1.35,
}  # fmt: skip
GRADES = {("feed", "Sn [%]"): 1.0, ("conc", "Sn [%]"): 31.0, ("tails", "Sn [%]"): 0.5}


def _masses(case: Case) -> dict[tuple[str, str], float]:
    return {(m.stream, m.quantity): m.value_base for m in case.survey.measurements
            if "mass" in m.quantity}  # fmt: skip


def test_the_whole_way(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """As a user goes it; nothing but openpyxl has touched the workbook."""
    monkeypatch.chdir(_folder(tmp_path))
    for words in (["sheet", ".", "--xlsx", "typed.xlsx"], ["balance", "typed.xlsx"]):
        with pytest.raises(SystemExit) as done:
            main(words)
        assert done.value.code == 0
        raw = Path("typed.xlsx").read_bytes()
        _typed(raw, Path("typed.xlsx"), {"weighing": GROSS, "measurements": GRADES})
    out = capsys.readouterr().out
    assert "Jig & table, test 7\nSound: use it." in out
    assert _masses(read_case("typed.xlsx")) == pytest.approx(
        {("feed", "dry mass"): 25.0, ("conc", "dry mass"): 0.4, ("tails", "dry mass"): 24.1}
    )


@pytest.mark.parametrize("name", ["tin_table", "bucket_not_taken_off", "leach_test"])
def test_what_is_typed_with_its_container_is_the_case(name: str, tmp_path: Path) -> None:
    """Masses of the examples, weighed with a container in the unit of the sheet."""
    one, plan = read_case(EXAMPLES / name), read_unmeasured(EXAMPLES / name)
    units = weighed_in(plan)
    cells: dict[tuple[str, str], float] = {}
    solids = {s.name: s.content.has_solids for s in one.circuit.streams}
    weighed = [
        m for m in one.survey.measurements
        if m.stream in units and m.quantity == ("dry mass" if solids[m.stream] else "water")
    ]  # fmt: skip
    for m in weighed:
        factor = UNITS_IN_KG[units[m.stream]]
        cells |= {(m.stream, "with content"): (m.value_base + 0.5) / factor,
                  (m.stream, "empty"): 0.5 / factor}  # fmt: skip
    two = read_case(_typed(entry_workbook(plan), tmp_path / "typed.xlsx", {"weighing": cells}))
    assert weighed
    for m in weighed:
        again = two.survey.measured(m.stream, m.quantity)
        assert again is not None and again.value_base == pytest.approx(m.value_base)


@settings(max_examples=often(50))
@given(net=st.floats(0.01, 1e3), empty=st.one_of(st.just(0.0), st.floats(1e-6, 50.0)),
       unit=st.sampled_from([*UNITS_IN_KG]),
       moisture=st.one_of(st.none(), st.floats(0.5, 60.0)))  # fmt: skip
def test_net_is_gross_less_empty_in_any_unit(
    net: float, empty: float, unit: str, moisture: float | None, tmp_path: Path
) -> None:
    """Whatever unit is chosen, dry or wet: the mass in kg is that of the content."""
    factor = UNITS_IN_KG[unit]
    weighing = {("feed", "weighed in"): unit, ("feed", "with content"): (net + empty) / factor,
                ("feed", "empty"): empty / factor}  # fmt: skip
    wet = {} if moisture is None else {("feed", "moisture [%]"): moisture}
    path = _typed(_sheet(_folder(tmp_path / "case")), tmp_path / "typed.xlsx",
                  {"weighing": weighing, "measurements": wet})  # fmt: skip
    dry = net * (1.0 - (moisture or 0.0) / 100.0)
    found = _masses(read_case(path))[("feed", "dry mass")]
    assert found == pytest.approx(dry, rel=1e-9, abs=1e-12 * (net + empty))


def test_a_container_by_its_name(tmp_path: Path) -> None:
    """The mass that the case states is taken off, in the unit of the row."""
    weighing = {("feed", "container"): "Steel bucket", ("feed", "with content"): 26.35,
                ("conc", "container"): "tray", ("conc", "with content"): 610}  # fmt: skip
    path = _typed(_sheet(_folder(tmp_path)), tmp_path / "typed.xlsx", {"weighing": weighing})
    assert _masses(read_case(path)) == pytest.approx(
        {("feed", "dry mass"): 25.0, ("conc", "dry mass"): 0.4}
    )


BUCKETS = "Containers: steel bucket, tray. Or type its empty mass beside it."
WRONG: dict[str, tuple[dict[tuple[str, str], Any], str]] = {
    "no empty mass": (
        {("feed", "with content"): 26.35},
        "cell F2: It was weighed with its container, and no empty mass stands beside it.\nType the "
        "mass of the empty container; 0 if the scale was set to 0 with it.",
    ),
    "unknown container": (
        {("feed", "with content"): 26.35, ("feed", "container"): "sack"},
        f"cell F2: The container 'sack' is none of the case's: its mass is not known.\n{BUCKETS}",
    ),
    "unknown unit": (
        {**GROSS, ("feed", "weighed in"): "stones"},
        "cell D2: 'stones' is not a unit known here.\nWrite g, kg or t: that in which it was "
        "weighed.",
    ),
    "bounded": (
        {**GROSS, ("feed", "with content"): ">60"},
        "cell E2: The mass is '>60'.\nWrite what the scale showed.",
    ),
    "a word": (
        {**GROSS, ("feed", "empty"): "bucket"},
        "cell F2: The mass is 'bucket', not a number.\nWrite a number, or leave the cell blank if "
        "it was not measured.",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", list(WRONG))
def test_message(name: str, tmp_path: Path) -> None:
    cells, said = WRONG[name]
    path = _typed(_sheet(_folder(tmp_path)), tmp_path / "typed.xlsx", {"weighing": cells})
    with pytest.raises(InputError) as refused:
        read_case(path)
    assert str(refused.value) == f"typed.xlsx, sheet 'weighing', {said}"


def test_what_a_spreadsheet_program_saved_is_read_as_it_shows_it(tmp_path: Path) -> None:
    """Numbers in place of formulas stand; a weight without its empty one is refused as well."""
    raw = _sheet(_folder(tmp_path))
    streams, masses = ("feed", "conc", "tails"), ("dry mass [kg]", "wet mass [kg]")
    saved: dict[tuple[str, str], Any] = {(s, h): None for s in streams for h in masses}
    saved["feed", "dry mass [kg]"] = 24.5
    cells: dict[str, Mapping[tuple[str, str], Any]] = {"weighing": GROSS, "measurements": saved}
    path = _typed(raw, tmp_path / "typed.xlsx", cells)
    assert _masses(read_case(path)) == {("feed", "dry mass"): 24.5}
    cells["weighing"] = {("conc", "with content"): 610, ("conc", "empty"): None}
    with pytest.raises(InputError, match="no empty mass stands beside it"):
        read_case(_typed(raw, path, cells))


def test_a_sheet_of_ones_own_by_that_name_is_not_read(tmp_path: Path) -> None:
    path = tmp_path / "case.xlsx"
    shutil.copy(EXAMPLES / "tin_table" / "tin_table.xlsx", path)
    one = read_case(path)
    book = openpyxl.load_workbook(path)
    own = book.create_sheet("Weighing")
    for row in (["bucket", 1.35], ["stream", "with content"], ["table feed", 26.3]):
        own.append(row)
    book.save(path)
    assert _masses(read_case(path)) == _masses(one)


def test_small_products_in_g_and_the_feed_in_kg(tmp_path: Path) -> None:
    """By what is measured, before what is expected; kg where nobody knows."""

    def units(folder: Path) -> dict[str, str]:
        return weighed_in(read_unmeasured(folder))

    folder = _folder(tmp_path)
    assert units(folder) == {"feed": "kg", "conc": "g", "tails": "kg"}
    _folder(tmp_path, "feed,,\nconc,,\ntails,,\n")
    assert units(folder) == {"feed": "kg", "conc": "kg", "tails": "kg"}
    (folder / "expected.csv").write_text(HEAD + "feed,7000,\nconc,0.3,\n", "utf-8")
    assert units(folder) == {"feed": "t", "conc": "g", "tails": "kg"}
    _folder(tmp_path, "feed,25,\nconc,,\ntails,,\n")
    assert units(folder) == {"feed": "kg", "conc": "g", "tails": "kg"}
    html = sampling_form(read_unmeasured(folder))
    row = html[html.index("<th>conc<br>") : html.index("<th>tails<br>")]
    assert row.count('<td class="unit">g</td>') == 3 and '<td class="unit">kg</td>' not in row


def test_weighed_in_the_unit_of_the_measurements_where_nobody_knows(tmp_path: Path) -> None:
    """A test at the bench is begun in g, and so is its sheet."""
    make_case(tmp_path / "a", wanted=wanted_case(kind_named("timed flotation"), "a"))
    assert set(weighed_in(read_unmeasured(tmp_path / "a")).values()) == {"g"}


def test_rows_for_the_laboratory(tmp_path: Path) -> None:
    """Standards, blanks and duplicates have rows and labels; what stays blank is not read."""
    plan = read_unmeasured(_folder(tmp_path))
    kinds = [line.kind for line in assay_list(plan)]
    ends = ["standard", "blank"]
    assert kinds == [*ends, *["sample", "duplicate"] * 3, *ends]
    html = sampling_form(plan)
    for line in assay_list(plan):
        assert f'<div class="label"><b>{line.code}</b><span>Jig &amp; table, test 7</span>' in html
    lab = {
        ("JTT7-S1", "value"): 1.64, ("JTT7-S1", "certified"): 1.52,
        ("JTT7-S1", "certified sd"): 0.02, ("JTT7-B2", "value"): "<0.01",
        ("JTT7-1", "value"): 1.0, ("JTT7-1D", "value"): 1.1, ("JTT7-3", "value"): 0.5,
    }  # fmt: skip
    path = _typed(entry_workbook(plan), tmp_path / "typed.xlsx", {"lab": lab})
    (batch,) = read_lab(path).batches
    assert [s.sample for s in batch.standards] == ["JTT7-S1"]
    assert [b.sample for b in batch.blanks] == ["JTT7-B2"]
    assert [(p.name, p.first, p.second) for p in batch.pairs] == [("JTT7-1", 1.0, 1.1)]
    book = openpyxl.load_workbook(path)
    for title in ("measurements", "weighing", "lab"):
        sheet: Any = book[title]
        assert sheet.oddHeader.center.text == "Jig && table, test 7"
    assert book.properties.title == "Jig & table, test 7"
