"""The sampling sheet: a form to print, and a workbook to type into that is read back."""

from __future__ import annotations

import dataclasses
import io
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from oretally.flowsheet import InputError, Place, Survey
from oretally.io import read_case
from oretally.io.case import UnmeasuredCase, read_unmeasured
from oretally.io.cells import quantity_unit
from oretally.io.cli import main
from oretally.io.definition import lab_layout
from oretally.io.files import read_csv_table
from oretally.io.forms import entry_workbook, sampling_form
from oretally.io.forms.case_workbook import case_workbook
from oretally.io.forms.sampling_form import sample_codes
from oretally.io.measurements.table import read_entries
from oretally.io.wording import sheet_cautions

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
ALL = sorted(p.name for p in EXAMPLES.iterdir() if p.is_dir() and (p / "circuit.toml").exists())


@pytest.mark.parametrize("name", ALL)
def test_form_names_everything(name: str) -> None:
    """Every stream with its ends and a code of its own, every analyte with its unit, cautions."""
    plan = read_unmeasured(EXAMPLES / name)
    html = sampling_form(plan)
    codes = sample_codes(plan)
    assert len(set(codes.values())) == len(codes) == len(plan.sampled)
    for stream, code in codes.items():
        assert f"<th>{stream}<br>" in html
        assert html.count(f">{code}<") == 2  # in the table and on its label
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
    assert weighing["F2"].value == '=IF(OR(D2="",E2=""),"",D2-E2)'
    assert weighing["F2"].protection.locked and not weighing["D2"].protection.locked
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


# ---- what is read back is the case, to the last digit

# invented: everything that a definition can say
RICH = """title = "Everything"
basis = "batch"
water = true
[streams]
"raw ore" = { to = "pile" }
feed = { from = "pile", to = "mill", errors = { Au = { relative = 5, coverage = 2 } } }
ground = { from = "mill", to = "flotation" }
"make-up" = { to = "flotation", carries = "water" }
conc = { from = "flotation" }
"first tails" = { from = "flotation", to = "split" }
"tails A" = { from = "split" }
"tails B" = { from = "split", like = "first tails" }
[nodes]
pile = { kind = "stockpile" }
mill = { kind = "mill" }
split = { kind = "splitter" }
[analytes]
Au = { unit = "ozt/st", detection = "0.00123456789 ozt/st", dissolved = false }
Pb = { unit = "%", max = 86.6001234567 }
[errors]
"dry mass" = { relative = 0.123456789, absolute = "1.5 kg" }
water = { relative = 2 }
Au = "from lab"
Pb = { relative = 3 }
[sources]
"floor scale" = { of = "dry mass", relative = 0.4, shared = true, dof = 7 }
"assay batch" = { of = ["Au", "Pb"], relative = 1.5, streams = ["feed", "conc"] }
[sources."first split"]
of = "Pb"
streams = "raw ore"
sampling = { top = "100 mesh [ASTM E11]", mass = "0.5 kg", lot = "2 t", liberation = "0.1 mm", \
"mineral density" = "7.5 kg/L", "gangue density" = "2.65 kg/L", shape = 0.4, granulometric = 0.5 }
[sources."all splits"]
of = "Pb"
streams = "feed"
[sources."all splits".sampling]
liberation = "unknown"
"mineral density" = "7.5 kg/L"
"gangue density" = "2.65 kg/L"
stages = [{ top = "10 mm", mass = "20 kg" }, { top = "1 mm", mass = "500 g", granulometric = 0.55 }]
[losses]
mill = { mass = "60 kg", like = "feed" }
[containers]
"bucket 3" = "1.35 kg"
[doubts]
Pb = 2.5
[prices]
Au = "61.25 EUR/g"
[lab]
file = "batch 17.csv"
types = { STD = "standard", "" = "sample" }
columns = { sample = "Client ID", type = "QC" }
[lab.analytes]
Au = { column = "Au FA", unit = "g/t", certified = "Au cert", "certified sd" = "Au sd" }
Pb = { column = "Pb XRF", unit = "%" }
[lab.standards]
"M 1" = { Pb = { certified = "1.52 %", "certified sd" = "200 g/t" } }
[report]
feed = "raw ore"
products = ["conc", "tails A"]
"""


def _plain(thing: Any) -> Any:
    """Return what a thing holds, without the places where it was read."""
    if isinstance(thing, Place):
        return None
    if dataclasses.is_dataclass(thing):
        return [(f.name, _plain(getattr(thing, f.name))) for f in dataclasses.fields(thing)]
    if isinstance(thing, Mapping):
        return {key: _plain(value) for key, value in thing.items()}
    return [_plain(each) for each in thing] if isinstance(thing, list | tuple) else thing


def _read_back(plan: UnmeasuredCase, path: Path) -> UnmeasuredCase:
    path.write_bytes(entry_workbook(plan))
    return read_unmeasured(path)


def _same_definition(one: UnmeasuredCase, two: UnmeasuredCase) -> None:
    for field in dataclasses.fields(one.definition):
        if field.name not in ("analytes", "stocks"):  # those of headers are listed; none are known
            before, after = (_plain(getattr(p.definition, field.name)) for p in (one, two))
            assert after == before, field.name
    assert _plain(two.analytes) == _plain(one.analytes)
    assert (two.title, two.errors) == (one.title, one.errors)


@pytest.mark.parametrize("name", ALL)
def test_nothing_of_the_definition_is_lost(name: str, tmp_path: Path) -> None:
    plan = read_unmeasured(EXAMPLES / name)
    _same_definition(plan, _read_back(plan, tmp_path / "again.xlsx"))


def _rich(folder: Path) -> UnmeasuredCase:
    (folder / "circuit.toml").write_text(RICH, "utf-8")
    return read_unmeasured(folder)


def test_nothing_of_a_rich_definition_is_lost(tmp_path: Path) -> None:
    """Sources, how samples were taken in stages, losses, the laboratory's columns, prices."""
    plan = _rich(tmp_path)
    again = _read_back(plan, tmp_path / "again.xlsx")
    _same_definition(plan, again)
    assert len(plan.definition.sources) == 5
    assert len(plan.definition.prices) == len(plan.definition.doubts) == 1
    assert plan.rows.lab is not None and again.rows.lab is not None
    one, two = (lab_layout(p.rows.lab, []) for p in (plan, again))
    assert _plain(two) == _plain(one)
    sheet = openpyxl.load_workbook(tmp_path / "again.xlsx")["sources"]
    words = [str(cell.value) for cell in sheet[1]]
    assert words[-1] == "granulometric" and "stages" in words
    stages = [sheet.cell(row, words.index("stages") + 1).value for row in range(2, 9)]
    assert stages[-1] == "20 kg at 10 mm; 500 g at 1 mm, granulometric 0.55"


def test_a_case_as_a_workbook_keeps_its_sources(tmp_path: Path) -> None:
    """The workbook of `new` too: how samples were taken goes with it."""
    text = RICH[: RICH.index("[lab]")].replace('Au = "from lab"', "Au = { relative = 4 }")
    (tmp_path / "circuit.toml").write_text(text, "utf-8")
    (tmp_path / "again.xlsx").write_bytes(case_workbook(text, "stream,dry mass [kg]\n"))
    one, two = read_unmeasured(tmp_path), read_unmeasured(tmp_path / "again.xlsx")
    assert len(one.definition.sources) == 5
    assert _plain(two.definition.sources) == _plain(one.definition.sources)


def test_a_detection_limit_among_the_errors_of_a_sheet(tmp_path: Path) -> None:
    _read_back(_rich(tmp_path), tmp_path / "again.xlsx")
    book = openpyxl.load_workbook(tmp_path / "again.xlsx")
    book["errors"]["F1"], book["errors"]["F2"] = "detection", "0.01 %"
    book.save(tmp_path / "again.xlsx")
    with pytest.raises(InputError) as refused:
        read_unmeasured(tmp_path / "again.xlsx")
    assert [str(f) for f in refused.value.faults] == [
        "again.xlsx, sheet 'errors', cell F1: 'detection' is not a column here.\nState limits of "
        "detection in the sheet analytes, column detection."
    ]


def test_stages_that_cannot_be_read(tmp_path: Path) -> None:
    _read_back(_rich(tmp_path), tmp_path / "again.xlsx")
    book = openpyxl.load_workbook(tmp_path / "again.xlsx")
    words = [str(cell.value) for cell in book["sources"][1]]
    book["sources"].cell(8, words.index("stages") + 1).value = "20 kg, 500 g"
    book.save(tmp_path / "again.xlsx")
    with pytest.raises(InputError) as refused:
        read_unmeasured(tmp_path / "again.xlsx")
    assert [str(f) for f in refused.value.faults] == [
        "again.xlsx, sheet 'sources', cell A8, stream 'feed', Pb: The stages are not a list of top "
        'sizes and masses.\nWrite stages = [{ top = "10 mm", mass = "20 kg" }, { top = "1 mm", '
        'mass = "500 g" }], in the order of work\n(in a sheet 20 kg at 10 mm; 500 g at 1 mm).'
    ]


def test_an_error_from_the_laboratory_has_its_sheet(tmp_path: Path) -> None:
    """Where the headers are ours the batch goes into a sheet of its own."""
    (tmp_path / "circuit.toml").write_text(RICH[: RICH.index("[lab]")], "utf-8")
    _read_back(read_unmeasured(tmp_path), tmp_path / "again.xlsx")
    book = openpyxl.load_workbook(tmp_path / "again.xlsx")
    assert [cell.value for cell in book["lab"][1]][:5] == [
        "sample", "type", "analyte", "value", "unit"
    ]  # fmt: skip
    with pytest.raises(InputError) as refused:
        read_case(tmp_path / "again.xlsx")
    assert (
        "again.xlsx, sheet 'lab': The table has a header but no rows.\nWrite one row an assay: "
        "standards, blanks, duplicates and samples."
    ) in [str(f) for f in refused.value.faults]


def test_a_node_called_like_the_outside(tmp_path: Path) -> None:
    text = RICH.replace('"mill"', '"outside"').replace("\nmill =", "\noutside =")
    text = text.replace('kind = "outside"', 'kind = "mill"')
    (tmp_path / "circuit.toml").write_text(text, "utf-8")
    with pytest.raises(InputError) as refused:
        entry_workbook(read_unmeasured(tmp_path))
    assert [str(f) for f in refused.value.faults] == [
        f"circuit.toml, line {line}: A node is called 'outside', which stands for the outside in a "
        "sheet.\nGive it another name." for line in (6, 7)
    ]  # fmt: skip


def _typed_in(name: str, path: Path) -> None:
    """Write the entry workbook with the numbers of an example typed in, each with its own unit.

    As a spreadsheet saves it: formulas are replaced by what they come to, here nothing.
    """
    plan = read_unmeasured(EXAMPLES / name)
    book = openpyxl.load_workbook(io.BytesIO(entry_workbook(plan)))
    sheet = book["measurements"]
    words = [str(c.value) for c in sheet[1]]
    column = {word.rpartition(" [")[0]: j for j, word in enumerate(words, start=1)}
    for row in sheet.iter_rows(min_row=2):
        for cell in row[1:]:
            cell.value = None
    streams = [str(sheet.cell(i, 1).value) for i in range(2, sheet.max_row + 1)]
    table, _ = read_csv_table(EXAMPLES / name / "measurements.csv", "measurements.csv")
    assert table is not None
    names, water = [a.name for a in plan.analytes], plan.definition.water.balanced
    for e in read_entries(table, plan.definition.basis, names, [], water=water).entries:
        i = streams.index(e.stream.text) + 2
        sheet.cell(i, column[e.quantity]).value = f"{e.value.text} {e.unit}"
        if e.error is not None and not e.error.blank:
            stated = f"{e.error.text} {e.error_unit or 'rel %'}"
            sheet.cell(i, column[f"± {e.quantity}"]).value = stated
    if "stocks" in book.sheetnames:
        lines = (EXAMPLES / name / "stocks.csv").read_text("utf-8").splitlines()
        heads = [str(c.value) for c in book["stocks"][1]]
        for i, line in enumerate(lines[1:], start=2):
            for word, value in zip(lines[0].split(","), line.split(","), strict=True):
                number = heads.index(word) > 1
                book["stocks"].cell(i, heads.index(word) + 1).value = (
                    float(value) if number else value
                )
    book.save(path)


def _errors(survey: Survey) -> dict[tuple[str, str], tuple[float, float]]:
    """Return values and their sds, but for those of size classes: they are not typed in here."""
    return {
        (m.stream, m.quantity): (m.value_base, m.sd_base)
        for m in survey.measurements if " um" not in m.quantity
    }  # fmt: skip


@pytest.mark.parametrize("name", ALL)
def test_numbers_typed_in_have_the_errors_of_the_case(name: str, tmp_path: Path) -> None:
    """Stated ones, rules, and sources, shared or not: the same values and the same sds."""
    _typed_in(name, tmp_path / "typed.xlsx")
    one, two = read_case(EXAMPLES / name), read_case(tmp_path / "typed.xlsx")
    before, after = _errors(one.survey), _errors(two.survey)
    assert len(before) > 3 and after.keys() == before.keys()
    for key, numbers in before.items():
        assert after[key] == pytest.approx(numbers, rel=1e-12), key
    loads = [
        {(s.name, s.quantity, k): v for s in c.survey.shared for k, v in s.loadings.items()}
        for c in (one, two)
    ]
    assert loads[1] == pytest.approx(loads[0], rel=1e-12)
    assert bool(loads[0]) == (name in ("filter_cakes", "grind_coarse", "grind_fine"))
