"""A definition in the sheet of a test: nothing of it is lost."""

from __future__ import annotations

import dataclasses
import io
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from sheet_cases import ALL, EXAMPLES

from oretally.flowsheet import InputError, Place, Survey
from oretally.io import read_case
from oretally.io.case import UnmeasuredCase, read_unmeasured
from oretally.io.definition import lab_layout
from oretally.io.files import read_csv_table
from oretally.io.forms import entry_workbook
from oretally.io.forms.case_workbook import case_workbook
from oretally.io.measurements.table import read_entries
from oretally.io.results.course_data import timed_values

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
    assert ("again.xlsx, sheet 'lab': No row gives an assay.\nFill in the column of values.") in [
        str(f) for f in refused.value.faults
    ]


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
    timed = timed_values(one.survey)  # the sheet of times is to be typed into by itself
    before = {key: numbers for key, numbers in before.items() if key not in timed}
    assert len(before) > 3 and after.keys() == before.keys()
    for key, numbers in before.items():
        assert after[key] == pytest.approx(numbers, rel=1e-12), key
    loads = [
        {(s.name, s.quantity, k): v for s in c.survey.shared for k, v in s.loadings.items()}
        for c in (one, two)
    ]
    assert loads[1] == pytest.approx(loads[0], rel=1e-12)
    assert bool(loads[0]) == (name in ("filter_cakes", "grind_coarse", "grind_fine"))
