"""The sampling sheet: a form to print, and a workbook to type into that is read back."""

from __future__ import annotations

import io
import re
from pathlib import Path

import openpyxl
import pytest
from sheet_cases import ALL, EXAMPLES

from oretally.io import read_case
from oretally.io.case import read_unmeasured
from oretally.io.cells import quantity_unit
from oretally.io.cli import main
from oretally.io.forms import entry_workbook, sampling_form
from oretally.io.wording import sheet_cautions


@pytest.mark.parametrize("name", ALL)
def test_form_names_everything(name: str) -> None:
    """Every stream with its ends and a code of its own, every analyte with its unit, cautions."""
    plan = read_unmeasured(EXAMPLES / name)
    html = sampling_form(plan)
    codes, solids = plan.labels, {s.name: s.content.has_solids for s in plan.sampled}
    assert len(set(codes.values())) == len(codes) == len(plan.sampled)
    for stream, code in codes.items():
        assert f"<th>{stream}<br>" in html
        # in the table, on its label, on the list for the laboratory and as the pair of a duplicate
        assert html.count(f">{code}<") == (4 if solids[stream] else 2)
    for analyte in plan.analytes:
        assert f"<th>{analyte.name} [{analyte.unit.symbol}]</th>" in html
    assert plan.analytes
    assert all(caution in html for caution in sheet_cautions())
    assert "<script" not in html and not re.search(r'(src|href)\s*=\s*"?https?:', html)


def _filled(name: str) -> bytes:
    """Return the entry workbook with the numbers of the example, as a spreadsheet saves them.

    Formulas are replaced by what they come to.
    """
    case = read_case(EXAMPLES / name)
    book = openpyxl.load_workbook(io.BytesIO(entry_workbook(read_unmeasured(EXAMPLES / name))))
    sheets = [book[title] for title in ("measurements", "stocks") if title in book.sheetnames]
    for sheet, row in ((s, i) for s in sheets for i in range(2, s.max_row + 1)):
        header = {str(c.value): j for j, c in enumerate(sheet[1], start=1)}
        stream = str(sheet.cell(row, 1).value)
        if sheet.title == "stocks":
            stream = f"{sheet.cell(row, 2).value} stock of {stream}"
        for word, column in header.items():
            cell = sheet.cell(row, column)
            match = re.fullmatch(r"(.+) \[(.+)\]", word)
            m = case.survey.measured(stream, match[1]) if match else None
            if m is not None and match is not None:
                cell.value = quantity_unit(m.quantity, match[2], m.unit.dimension).from_base(
                    m.value_base
                )
            elif isinstance(cell.value, str) and cell.value.startswith("="):
                cell.value = None
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


@pytest.mark.parametrize(
    "name",
    ["bucket_not_taken_off", "tin_table", "rougher_cleaner", "leach_test", "month_with_stockpile"],
)
def test_filled_workbook_is_the_case(name: str, tmp_path: Path) -> None:
    """Circuit, errors, containers, report and numbers come back as they were."""
    path = tmp_path / "filled.xlsx"
    path.write_bytes(_filled(name))
    one, two = read_case(EXAMPLES / name), read_case(path)
    assert two.circuit.stream_names == one.circuit.stream_names
    assert [n.kind for n in two.circuit.nodes] == [n.kind for n in one.circuit.nodes]
    assert (two.feed, two.products, two.title) == (one.feed, one.products, one.title)
    assert two.survey.containers == one.survey.containers
    assert two.rates == one.rates
    for m in one.survey.measurements:
        again = two.survey.measured(m.stream, m.quantity)
        assert again is not None
        assert again.value_base == pytest.approx(m.value_base, rel=1e-12)


def test_formulas_and_checks() -> None:
    """Net masses are formulas that are locked; open cells are open; no name stands in a formula."""
    plan = read_unmeasured(EXAMPLES / "bucket_not_taken_off")
    book = openpyxl.load_workbook(io.BytesIO(entry_workbook(plan)))
    weighing, measurements = book["weighing"], book["measurements"]
    in_kg = 'IF(D2="g",0.001,IF(D2="kg",1,IF(D2="t",1000,NA())))'
    assert weighing["G2"].value == f'=IF(OR(E2="",F2=""),"",(E2-F2)*{in_kg})'
    lookup = f"VLOOKUP(C2,containers_list,2,FALSE)/{in_kg}"
    assert weighing["F2"].value == f'=IF(C2="","",IFERROR({lookup},""))'
    assert book.defined_names["containers_list"].attr_text == "weighing!$I$2:$J$3"
    assert weighing["G2"].protection.locked and not weighing["E2"].protection.locked
    assert measurements["B2"].protection.locked and not measurements["E2"].protection.locked
    assert measurements.protection.sheet and weighing.protection.sheet
    assert len(measurements.data_validations.dataValidation) >= 3
    names = {s.name for s in plan.rows.streams}
    for sheet in book.worksheets:
        for row in sheet.iter_rows():
            for cell in row:
                if isinstance(cell.value, str) and cell.value.startswith("="):
                    assert not any(name in cell.value for name in names)


def test_a_stream_that_looks_like_a_formula(tmp_path: Path) -> None:
    (tmp_path / "circuit.toml").write_text(
        'title = "=1+1"\nbasis = "rate"\n[streams]\n"=cmd" = { to = "jig" }\n'
        'conc = { from = "jig" }\ntails = { from = "jig" }\n[analytes]\nSn = "%"\n', "utf-8"
    )  # fmt: skip
    (tmp_path / "measurements.csv").write_text("stream,dry rate [t/h],Sn [%]\n", "utf-8")
    book = openpyxl.load_workbook(io.BytesIO(entry_workbook(read_unmeasured(tmp_path))))
    cell = book["measurements"]["A2"]
    assert (cell.value, cell.data_type) == ("=cmd", "s")
    assert "&lt;" not in sampling_form(read_unmeasured(tmp_path))


def test_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    html, xlsx = tmp_path / "form.html", tmp_path / "form.xlsx"
    with pytest.raises(SystemExit) as done:
        main(["sheet", str(EXAMPLES / "tin_table"), "--html", str(html), "--xlsx", str(xlsx)])
    assert done.value.code == 0
    assert html.exists() and xlsx.exists()
    with pytest.raises(SystemExit) as refused:
        main(["sheet", str(EXAMPLES / "tin_table")])
    assert refused.value.code == 2
    assert "Say what to write" in capsys.readouterr().err


def test_a_blank_case_has_a_sheet(tmp_path: Path) -> None:
    """`oretally new` and then `oretally sheet`: nothing measured yet."""
    from oretally.io.forms import make_case

    make_case(tmp_path / "fresh")
    assert "<table>" in sampling_form(read_unmeasured(tmp_path / "fresh"))


def test_a_formula_that_came_to_nothing_is_blank(tmp_path: Path) -> None:
    """As spreadsheet programs save it: a text of no length, which is not 'never computed'."""
    import zipfile

    case = read_unmeasured(EXAMPLES / "tin_table")
    raw = entry_workbook(case)
    path = tmp_path / "saved.xlsx"
    with zipfile.ZipFile(io.BytesIO(raw)) as source, zipfile.ZipFile(path, "w") as target:
        for item in source.namelist():
            data = source.read(item).decode("utf-8", "surrogateescape")
            data = re.sub(r'<c r="([BC]\d+)"( s="\d+")?><f>', r'<c r="\1"\2 t="str"><f>', data)
            target.writestr(item, data.encode("utf-8", "surrogateescape"))
    sheet = openpyxl.load_workbook(path, data_only=True)["measurements"]
    assert sheet["B2"].data_type == "str"
    assert read_case(path).survey.measurements == ()
