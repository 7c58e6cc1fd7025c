"""Exports of laboratories read by the headers that the case names; whatever is unclear refused."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pytest
from lab_batches import CIRCUIT

from oretally.flowsheet import Dimension, InputError, UnitError, parse_unit
from oretally.io import read_case
from oretally.io.cli import main
from oretally.io.laboratory import read_lab
from oretally.io.laboratory.batches import LabTable

with pytest.raises(UnitError) as _offer:
    parse_unit("", Dimension.GRADE)
UNITS = _offer.value.mend  # 'Write one of: %, ...'
LONG = """[lab]
file = "batch 17.csv"
types = { STD = "standard", BLK = "blank", DUP = "duplicate", "" = "sample", UNITS = "leave out" }
[lab.columns]
sample = "Client ID"
type = "QC code"
analyte = "Element"
value = "Result"
unit = "Units"
pair = "Orig ID"
certified = "CRM value"
"certified sd" = "CRM SD"
"""
LONG_ROWS = """Certificate of analysis,,,,
Samples:,5,,,

Client ID,QC code,Orig ID,Element,Result,Units,CRM value,CRM SD,Instrument,Remark
,UNITS,,Sn,percent,,,,,
F1,,,Sn,0.82,%,,,X2,wet
F1R,DUP,F1,Sn,0.86,%,,,X2,
B1,BLK,,Sn,<0.01,%,,,X2,
K1,STD,,Sn,1.49,%,1.52,0.02,X1,
"""
WIDE = """[lab]
types = { Std = "standard", Blank = "blank", Dup = "duplicate", "*" = "sample" }
columns = { sample = "Lab no", type = "Kind", pair = "Twin of", standard = "Material" }
[lab.analytes]
Sn = { column = "Sn XRF", unit = "%" }
Au = { column = "Au_FA", unit = "g/t", certified = "Au cert", "certified sd" = "Au cert sd" }
[lab.standards]
"M 1" = { Sn = { certified = "1.52 %", "certified sd" = "200 g/t" } }
"""
WIDE_ROWS = """Lab no;Kind;Twin of;Material;Sn XRF;Au_FA;Au cert;Au cert sd;As
1;routine;;;0,82;1,23;;;44
2;Dup;1;;0,86;1,31;;;41
3;Blank;;;<0,01;<0,02;;;
4;Std;;m 1;1,49;2,51;2,4;0,05;
"""


def _case(folder: Path, circuit: str, rows: str, name: str = "lab.csv") -> Path:
    (folder / "circuit.toml").write_text(circuit, "utf-8")
    (folder / name).write_text(rows, "utf-8")
    return folder


def _seen(table: LabTable) -> list[tuple[object, ...]]:
    """Return all numbers of a table, rounded to what was typed."""
    return [
        (b.analyte, b.unit.symbol,
         [(p.name, round(p.first, 6), round(p.second, 6)) for p in b.pairs],
         [(s.sample, s.name, s.measured, round(s.certified, 9), round(s.certified_sd, 9))
          for s in b.standards],
         [(k.sample, k.value, k.below) for k in b.blanks], b.detection)
        for b in table.batches
    ]  # fmt: skip


def test_one_row_an_assay(tmp_path: Path) -> None:
    """Headers as named, titles with numbers above them, a row of units, pairs by the sample."""
    found = read_lab(_case(tmp_path, LONG, LONG_ROWS, "batch 17.csv"))
    assert _seen(found) == [
        ("Sn", "%", [("F1", 0.82, 0.86)], [("K1", "", 1.49, 1.52, 0.02)], [("B1", 0.005, True)],
         0.01)
    ]  # fmt: skip
    assert found.source == "batch 17.csv"
    assert found.notes == (
        "the header stands in row 4; what is above it was not read",
        "columns not read: Instrument, Remark",
        "rows left out, of type 'UNITS': 1",
    )


def test_one_row_a_sample(tmp_path: Path) -> None:
    """A column an analyte, decimal commas, certificates in columns and in the case."""
    found = read_lab(_case(tmp_path, WIDE, WIDE_ROWS))
    assert _seen(found) == [
        ("Sn", "%", [("1", 0.82, 0.86)], [("4", "m 1", 1.49, 1.52, 0.02)], [("3", 0.005, True)],
         0.01),
        ("Au", "g/t", [("1", 1.23, 1.31)], [("4", "m 1", 2.51, 2.4, 0.05)], [("3", 0.01, True)],
         0.02),
    ]  # fmt: skip
    assert found.notes == ("columns not read: As",)


def test_the_same_from_a_workbook(tmp_path: Path) -> None:
    """The sheet 'lab columns' says what the table [lab] says."""
    book = openpyxl.Workbook()
    settings = book.active
    assert settings is not None
    settings.title = "lab columns"
    for row in (
        ("setting", "name", "value", "unit", "certified", "certified sd"),
        ("type", "Std", "standard"),
        ("type", "Blank", "blank"),
        ("type", "Dup", "duplicate"),
        ("type", "*", "sample"),
        ("column", "sample", "Lab no"),
        ("column", "type", "Kind"),
        ("column", "pair", "Twin of"),
        ("column", "standard", "Material"),
        ("analyte", "Sn", "Sn XRF", "%"),
        ("analyte", "Au", "Au_FA", "g/t", "Au cert", "Au cert sd"),
        ("standard", "M 1", "Sn", "%", 1.52, 0.02),
    ):
        settings.append(row)
    sheet = book.create_sheet("Lab")
    sheet.append(["Results of the batch"])
    for line in WIDE_ROWS.splitlines():
        cells = [c.replace(",", ".") for c in line.split(";")]
        sheet.append([float(c) if c[:1].isdigit() else c or None for c in cells])
    book.save(tmp_path / "batch.xlsx")
    found = read_lab(tmp_path / "batch.xlsx")
    assert _seen(found) == _seen(read_lab(_case(tmp_path, WIDE, WIDE_ROWS)))
    assert found.notes == (
        "the header stands in row 2; what is above it was not read",
        "columns not read: As",
    )
    # a sheet of a workbook beside the case, by its name
    circuit = WIDE.replace("[lab]\n", '[lab]\nfile = "batch.xlsx"\nsheet = "lab"\n')
    assert _seen(read_lab(_case(tmp_path, circuit, ""))) == _seen(found)


def test_columns_that_are_not_named_keep_their_own_name(tmp_path: Path) -> None:
    """And units and names of analytes come from the case where the export has none."""
    circuit = (
        '[lab]\ncolumns = { value = "Result" }\n'
        'analytes = { Sn = { called = "Sn_XRF_pct", unit = "%" } }\n'
    )
    rows = "sample,type,analyte,Result\nB,blank,Sn_XRF_pct,0.02\n"
    found = read_lab(_case(tmp_path, circuit, rows))
    assert _seen(found) == [("Sn", "%", [], [], [("B", 0.02, False)], None)]


def test_the_type_may_stand_in_the_name(tmp_path: Path) -> None:
    """One header named twice: the sample's own name says what it is."""
    circuit = (
        '[lab]\ncolumns = { sample = "ID", type = "ID" }\n'
        'types = { "BLANK" = "blank", "*" = "sample" }\n'
        'analytes = { Sn = { column = "Sn", unit = "g/t" } }\n'
    )
    found = read_lab(_case(tmp_path, circuit, "ID,Sn\nS1,30\nblank,2\n"))
    assert [(b.sample, b.value, b.before) for b in found.batches[0].blanks] == [
        ("blank", 2.0, 30.0)
    ]


def test_balance_takes_the_errors_of_an_export(tmp_path: Path) -> None:
    """The same columns, the same sd: 'from lab' reads by the table [lab]."""
    rows = "Lab no;Kind;Twin of;Sn XRF\n" + "".join(
        f"{2 * i};routine;;{g}\n{2 * i + 1};Dup;{2 * i};{g * (1.02 if i % 2 else 0.97):.4g}\n"
        for i, g in enumerate((0.3, 0.5, 0.9, 2.0, 5.1, 8.0, 12.0, 20.0, 31.0))
    )
    wide = WIDE[: WIDE.index("Au =")].replace(', standard = "Material"', "")
    _case(tmp_path, CIRCUIT + wide, rows)
    (tmp_path / "measurements.csv").write_text(
        "stream,dry mass [kg],Sn [%]\nfeed,25.4,0.82\nconc,0.41,31.2\ntails,,0.31\n", "utf-8"
    )
    sources = {m.error_source for m in read_case(tmp_path).survey.measurements
               if m.quantity == "Sn"}  # fmt: skip
    assert sources == {"9 duplicate pairs"}


BAD = {
    "header misspelt": (
        LONG.replace('"Client ID"', '"Client Id"'), LONG_ROWS,
        "circuit.toml, line 5: There is no column 'Client Id' in batch 17.csv.\n"
        "Did you mean 'Client ID'?",
    ),
    "header not there": (
        LONG.replace('"CRM SD"', '"Uncertainty"'), LONG_ROWS,
        "circuit.toml, line 12: There is no column 'Uncertainty' in batch 17.csv.\n"
        "Headers there: Client ID, QC code, Orig ID, Element, Result, Units, CRM value, CRM SD, "
        "Instrument, Remark.",
    ),
    "header twice": (
        LONG, LONG_ROWS.replace("Instrument", "Result"),
        "batch 17.csv, cell I4: The column 'Result' is there twice.\nTake one out.",
    ),
    "two of the headers not there": (
        LONG.replace('"Units"', '"Unit"').replace('"Orig ID"', '"Original"'), LONG_ROWS,
        "circuit.toml, line 9: There is no column 'Unit' in batch 17.csv.\n"
        "Did you mean 'Units'?\n\n"
        "circuit.toml, line 10: There is no column 'Original' in batch 17.csv.\n"
        "Did you mean 'Orig ID'?",
    ),
    "column of ours misspelt": (
        LONG.replace("sample = ", "smaple = "), LONG_ROWS,
        "circuit.toml, line 5: 'smaple' is not known here.\nDid you mean 'sample'?",
    ),
    "setting misspelt": (
        LONG.replace("file =", "flie ="), LONG_ROWS,
        "circuit.toml, line 2: 'flie' is not known here.\nDid you mean 'file'?",
    ),
    "file not there": (
        LONG.replace("batch 17", "batch 71"), LONG_ROWS,
        "circuit.toml, line 2: There is no file 'batch 71.csv' in the folder.\nCheck its name.",
    ),
    "type not named": (
        LONG, LONG_ROWS.replace("STD", "CRM"),
        "batch 17.csv, cell B9: The type is 'CRM'.\n"
        'Say what it is: types = { "CRM" = "sample" }.',
    ),
    "type misspelt": (
        LONG, LONG_ROWS.replace("STD", "STDS"),
        "batch 17.csv, cell B9: The type is 'STDS'.\nDid you mean 'STD'?",
    ),
    "blank type not named": (
        LONG.replace('"" = "sample", ', ""), LONG_ROWS,
        "batch 17.csv, cell B6: The row has no type.\n"
        'Say what it is: types = { "" = "sample" }.',
    ),
    "type of ours misspelt": (
        LONG.replace('"blank"', '"blnak"'), LONG_ROWS,
        "circuit.toml, line 3: The type 'BLK' is said to be 'blnak', which is no type.\n"
        "Did you mean 'blank'?",
    ),
    "type twice": (
        LONG.replace('BLK = "blank"', 'BLK = "blank", blk = "sample"'), LONG_ROWS,
        "circuit.toml, line 3: The type 'blk' is there twice.\nTake one out.",
    ),
    "header is a number": (
        LONG.replace('value = "Result"', "value = 3"), LONG_ROWS,
        "circuit.toml, line 8: 'value' is 3; it is a text.\n"
        'Write value = "...", as it stands in the export.',
    ),
    "columns no table": (
        '[lab]\ncolumns = "Client ID"\n', LONG_ROWS,
        "circuit.toml, line 2: 'columns' must be a table.\nWrite columns = { ... }.",
    ),
    "lab no table": (
        'lab = "batch 17.csv"\n', LONG_ROWS,
        "circuit.toml, line 1: 'lab' must be a table.\nWrite [lab] and its entries below.",
    ),
    "not TOML": (
        "[lab]\ncolumns = { sample = Client ID }\n", LONG_ROWS,
        "circuit.toml: This is not TOML: Invalid value (at line 2, column 22).\nNames with spaces "
        "stand in quotes, texts stand in quotes, entries of a table in braces: "
        '"mill feed" = { to = "jig" }.',
    ),
    "analyte without unit": (
        WIDE.replace(', unit = "%"', ""), WIDE_ROWS,
        "circuit.toml, line 5, Sn: A grade stands without a unit.\n" + UNITS,
    ),
    "ambiguous unit": (
        WIDE.replace('unit = "g/t"', 'unit = "oz/ton"'), WIDE_ROWS,
        "circuit.toml, line 6, Au: 'oz/ton' can be read in three ways: ozt/st = 34.2857 g/t, ozt/t "
        "= 31.1035 g/t, ozt/lt = 30.6122 g/t.\nWrite the one the laboratory means.",
    ),
    "one column for two": (
        WIDE.replace('"Au_FA"', '"Sn XRF"'), WIDE_ROWS,
        "circuit.toml, line 6: The column 'Sn XRF' is named for two analytes.\n"
        "Name the one that it holds.",
    ),
    "long and wide": (
        WIDE.replace('sample = "Lab no"', 'sample = "Lab no", value = "As"'), WIDE_ROWS,
        "circuit.toml, line 3: The columns of analytes are named, and a column of values as well: "
        "is one row of the export a sample or an assay?\n"
        "A sample: take analyte, value and unit out of columns.\n"
        "An assay: take column out of analytes.",
    ),
    "no certificate": (
        WIDE.replace('"M 1" =', '"M 2" ='), WIDE_ROWS,
        "lab.csv, cell E5, Sn: The standard '4' has no certified value.\nName its column\n"
        'or state it: [lab.standards] "m 1" = { Sn = { certified = "...", "certified sd" = "..." } '
        "}.",
    ),
    "certificate without sd": (
        WIDE.replace(', "certified sd" = "200 g/t"', ""), WIDE_ROWS,
        "circuit.toml, line 8, Sn: The certified sd of the standard 'M 1' is not stated; it is a "
        "number with its unit.\n"
        'Give what the certificate says, for example "certified sd" = "1.52 %".',
    ),
    "certificate without unit": (
        WIDE.replace('"1.52 %"', "1.52"), WIDE_ROWS,
        "circuit.toml, line 8, Sn: The certified value of the standard 'M 1' is '1.52'; it is a "
        "number with its unit.\n"
        'Give what the certificate says, for example "certified" = "1.52 %".',
    ),
    "certificate in litres": (
        WIDE.replace('"1.52 %"', '"1.52 L"'), WIDE_ROWS,
        "circuit.toml, line 8, Sn: 'L' is the unit of a volume, but a grade is wanted.\n" + UNITS,
    ),
    "no unit anywhere": (
        '[lab]\ncolumns = { value = "Result" }\n', "sample,type,analyte,Result\nB,blank,Sn,0.1\n",
        "lab.csv: The column 'unit' is missing.\n"
        'Say which it is: columns = { unit = "..." }.',
    ),
    "unit of one only": (
        '[lab]\ncolumns = { value = "Result" }\nanalytes = { Sn = { unit = "%" } }\n',
        "sample,type,analyte,Result\nB,blank,Cu,0.1\n",
        "lab.csv, cell D2: Nothing states the unit of 'Cu'.\n"
        'Name it: analytes = { "Cu" = { unit = "%" } }.',
    ),
    "a comma too many": (
        WIDE, WIDE_ROWS.replace(";44", ";44;x"),
        "lab.csv, cell J2: 'x' stands in a column without a header.\nGive the column a header, or "
        "clear the cell. A decimal comma in a "
        "comma-separated file also moves cells to the right: write 12.5, or separate by "
        "semicolons.",
    ),
    "headers of a laboratory, none named": (
        "", "Client ID,type,analyte,value,unit,sample\nF1,blank,Sn,1,%,F1\n",
        "lab.csv, cell A1: 'Client ID' is not a column here.\nColumns: sample, type, analyte, "
        "value, unit, pair, standard, certified, certified sd; or name the laboratory's own "
        "headers under [lab] in circuit.toml.",
    ),
    "titles above headers of a laboratory, none named": (
        "", LONG_ROWS.replace("Client ID,QC code", "Client ID,Code"),
        "lab.csv: No row is the header: none has the column 'analyte'.\nWrite the columns sample, "
        "type, analyte, value, unit, pair, standard, certified, certified sd,\nor name the "
        "laboratory's own headers under [lab] in circuit.toml: titles above them are then left "
        "alone.",
    ),
    "titles above other headers than those named": (
        WIDE, LONG_ROWS.replace("Client ID,QC code", "Client ID,Code"),
        "circuit.toml, line 3: No row of lab.csv has any of the headers that [lab] names: "
        "'Lab no', 'Kind', 'Twin of', 'Material', 'Sn XRF', 'Au_FA', 'Au cert', 'Au cert sd'.\n"
        "Write them under [lab] as they stand in the file; titles above them are left alone.",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", list(BAD))
def test_message(name: str, tmp_path: Path) -> None:
    circuit, rows, text = BAD[name]
    with pytest.raises(InputError) as refused:
        read_lab(_case(tmp_path, circuit, rows, "batch 17.csv" if "Client ID,QC" in rows
                       else "lab.csv"))  # fmt: skip
    assert str(refused.value) == text


def test_a_faulty_table_is_told_by_every_command(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Once, with the other faults, whether an error is to come from it or not."""
    for circuit in (CIRCUIT, CIRCUIT.replace('"from lab"', "{ relative = 3 }")):
        _case(tmp_path, circuit + '[lab]\nfiel = "x.csv"\n', "")
        (tmp_path / "measurements.csv").write_text("stream,dry mass [kg],Sn [%]\nfed,1,2\n",
                                                   "utf-8")  # fmt: skip
        with pytest.raises(InputError) as refused:
            read_case(tmp_path)
        assert [f.problem for f in refused.value.faults] == [
            "'fiel' is not known here.",
            "There is no stream 'fed' in the circuit.",
        ]
    with pytest.raises(SystemExit) as done:
        main(["lab", str(tmp_path)])
    assert done.value.code == 2
    assert capsys.readouterr().err.startswith(
        "1 problem in the input:\n\ncircuit.toml, line 11: 'fiel' is not known here.\n"
    )


def test_settings_of_a_workbook_are_judged(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "lab columns"
    for row in (("setting", "name", "value", "unit"), ("colum", "sample", "ID"),
                ("column", "valeu", "Result"), ("analyte", "Sn", "Sn", "lb")):  # fmt: skip
        sheet.append(row)
    book.create_sheet("lab").append(["ID", "Sn"])
    book.save(tmp_path / "b.xlsx")
    with pytest.raises(InputError) as refused:
        read_lab(tmp_path / "b.xlsx")
    assert str(refused.value) == (
        "b.xlsx, sheet 'lab columns', cell A2: 'colum' is not known here.\nDid you mean "
        "'columns'?\n\n"
        "b.xlsx, sheet 'lab columns', cell A3: 'valeu' is not known here.\nDid you mean 'value'?"
        "\n\n"
        "b.xlsx, sheet 'lab columns', cell A4, Sn: 'lb' is the unit of a mass, but a grade is "
        f"wanted.\n{UNITS}"
    )
