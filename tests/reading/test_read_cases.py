"""Cases that are right, in every form; files that are no case at all."""

from __future__ import annotations

import zipfile
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from often import often

from oretally.flowsheet import Circuit, InputError, Survey
from oretally.io import read_case, survey_from_frame
from oretally.io.case import Case

ROOT = Path(__file__).resolve().parents[2]
EXAMPLES = ROOT / "examples"

CIRCUIT = """\
basis = "batch"
[streams]
feed = { to = "table" }
conc = { from = "table", errors = { Sn = { relative = 1 } } }
tails = { from = "table" }
[analytes]
Sn = { unit = "%" }
[errors]
"dry mass" = { absolute = "20 g" }
Sn = { relative = 6, absolute = "0.02 %", coverage = 2 }
"""
WIDE = (
    "Stream,Dry Mass [kg],± dry mass [g],SN [%],± Sn [rel %],note\n"
    "FEED,25.4,100,0.82,,wet weather\nconc,0.6,,30,,\ntails,24.7,,0.3,5,\n"
)


def _write(folder: Path, circuit: str, rows: str | bytes) -> Path:
    folder.mkdir(exist_ok=True)
    (folder / "circuit.toml").write_text(circuit, encoding="utf-8")
    data = rows.encode("utf-8") if isinstance(rows, str) else rows
    (folder / "measurements.csv").write_bytes(data)
    return folder


def _numbers(survey: Survey) -> dict[tuple[str, str], tuple[float, float]]:
    return {(m.stream, m.quantity): (m.value_base, m.sd_base) for m in survey.measurements}


def test_wide_table_and_where_each_error_comes_from(tmp_path: Path) -> None:
    survey = read_case(_write(tmp_path / "c", CIRCUIT, WIDE)).survey
    found = {(m.stream, m.quantity): m for m in survey.measurements}
    assert found["feed", "dry mass"].sd == pytest.approx(0.1)
    assert found["feed", "dry mass"].error_source == "row"
    assert found["conc", "dry mass"].sd == pytest.approx(0.02)
    assert found["conc", "dry mass"].error_source == "quantity"
    assert found["conc", "Sn"].sd == pytest.approx(0.3)
    assert found["conc", "Sn"].error_source == "stream"
    assert found["tails", "Sn"].sd == pytest.approx(0.015)
    # 6 % and 0.02 % are two sd: sqrt(0.02^2 + (0.06 * 0.82)^2) / 2
    assert found["feed", "Sn"].sd == pytest.approx((0.02**2 + 0.0492**2) ** 0.5 / 2)
    assert found["feed", "Sn"].note == "wet weather"


def test_long_table_is_the_same_survey(tmp_path: Path) -> None:
    long = (
        "stream,quantity,value,unit,error,error unit,method,note\n"
        "feed,dry mass,25.4,kg,100,g,scale,\nconc,dry mass,600,g,,,,\ntails,dry mass,24.7,kg,,,,\n"
        "feed,Sn,0.82,%,,,XRF,\nconc,Sn,300000,g/t,,,,\ntails,sn,0.3,%,5,rel %,,\n"
    )
    first = read_case(_write(tmp_path / "a", CIRCUIT, WIDE)).survey
    second = read_case(_write(tmp_path / "b", CIRCUIT, long)).survey
    for key, pair in _numbers(first).items():
        assert _numbers(second)[key] == pytest.approx(pair, rel=1e-12)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_encodings_and_delimiters(encoding: str, delimiter: str, tmp_path: Path) -> None:
    data = WIDE.replace(",", delimiter).encode(encoding)
    survey = read_case(_write(tmp_path / "c", CIRCUIT, data)).survey
    assert len(survey.measurements) == 6


def test_decimal_commas_throughout(tmp_path: Path) -> None:
    rows = WIDE.replace(",", ";").replace(".", ",")
    survey = read_case(_write(tmp_path / "c", CIRCUIT, rows)).survey
    assert _numbers(survey)["feed", "dry mass"][0] == pytest.approx(25.4)


def test_replicates_are_pooled(tmp_path: Path) -> None:
    header = "stream,dry mass [kg],Sn [%],± Sn [%]\n"
    rows = header + "feed,25.4,0.80,0.02\nfeed,,0.84,0.02\nfeed,,0.9,0.04\n"
    case = read_case(_write(tmp_path / "c", CIRCUIT, rows))
    m = case.survey.measured("feed", "Sn")
    assert m is not None
    weights = [2500.0, 2500.0, 625.0]
    assert m.value == pytest.approx((0.80 * 2500 + 0.84 * 2500 + 0.9 * 625) / sum(weights))
    assert m.sd == pytest.approx(sum(weights) ** -0.5)
    assert m.note == "weighted mean of 3 replicates"
    assert case.notes == ()


def test_replicates_that_spread_are_noted(tmp_path: Path) -> None:
    rows = "stream,dry mass [kg],Sn [%],± Sn [%]\nfeed,25.4,0.80,0.02\nfeed,,1.2,0.02\n"
    case = read_case(_write(tmp_path / "c", CIRCUIT, rows))
    assert case.notes == (
        "The replicates of Sn of 'feed' (0.8, 1.2 %) spread more than their stated errors allow "
        "(chi-square 200.0 on 1, p 2.1e-45); their own sd is 0.28 % on 1 degree of freedom.",
    )


def test_a_replicate_that_lies_apart_is_noted_and_kept(tmp_path: Path) -> None:
    """Grubbs: G 1.93 of five readings, critical 1.72 at 5 % (open textbook table, n = 5)."""
    readings = ("0.80", "0.81", "0.79", "0.82", "0.95")
    rows = "stream,dry mass [kg],Sn [%],± Sn [%]\nfeed,25.4,0.805,0.1\n"
    rows += "".join(f"feed,,{r},0.1\n" for r in readings[1:])
    case = read_case(_write(tmp_path / "c", CIRCUIT, rows))
    m = case.survey.measured("feed", "Sn")
    assert m is not None and m.value == pytest.approx((0.805 + 0.81 + 0.79 + 0.82 + 0.95) / 5)
    assert case.notes == (
        "Of the replicates of Sn of 'feed' (0.805, 0.81, 0.79, 0.82, 0.95 %) 0.95 lies apart from "
        "the others (Grubbs 1.76, limit 1.72; Dixon's Q 0.81, limit 0.71); it was not left out.",
    )


def test_below_detection(tmp_path: Path) -> None:
    """JCGM 100:2008 (GUM), 4.3.7: uniform on an interval of width a has the sd a / sqrt(12)."""
    rows = "stream,dry mass [kg],Sn [%]\nfeed,25.4,0.82\ntails,,<0.06\n"
    case = read_case(_write(tmp_path / "c", CIRCUIT, rows))
    m = case.survey.measured("tails", "Sn")
    assert m is not None
    assert m.value == pytest.approx(0.03)
    assert m.sd == pytest.approx(0.06 / 12**0.5)
    assert m.note == "below detection: < 0.06 %; taken as uniform between 0 and the limit"
    assert case.notes == (
        "Sn of 'tails' is below detection (< 0.06 %); it enters as 0.03 ± 0.017 %.",
    )


def test_analytes_from_the_headers(tmp_path: Path) -> None:
    circuit = CIRCUIT.replace('[analytes]\nSn = { unit = "%" }\n', "")
    survey = read_case(_write(tmp_path / "c", circuit, WIDE)).survey
    assert [(a.name, a.unit.symbol, a.maximum) for a in survey.analytes] == [("SN", "%", 1.0)]


def test_workbook_and_folder_are_the_same_case() -> None:
    folder = read_case(EXAMPLES / "tin_table")
    book = read_case(EXAMPLES / "tin_table" / "tin_table.xlsx")
    assert book.circuit == folder.circuit
    assert book.survey == folder.survey
    assert (book.feed, book.products, book.title) == (folder.feed, folder.products, folder.title)


def _ods(path: Path, sheets: dict[str, list[list[Any]]]) -> None:
    from odf.opendocument import OpenDocumentSpreadsheet
    from odf.table import Table, TableCell, TableRow
    from odf.text import P

    document = OpenDocumentSpreadsheet()
    for title, rows in sheets.items():
        table = Table(name=title)
        for row in rows:
            line = TableRow()
            for value in row:
                if isinstance(value, float):
                    cell = TableCell(valuetype="float", value=str(value))
                else:
                    cell = TableCell(valuetype="string")
                    cell.addElement(P(text=value))
                line.addElement(cell)
            table.addElement(line)
        document.spreadsheet.addElement(table)
    document.save(str(path))


SHEETS: dict[str, list[list[Any]]] = {
    "Circuit": [["stream", "from", "to"], ["feed", "outside", "table"], ["conc", "table", ""],
                ["tails", "table", "outside"]],
    "errors": [["stream", "quantity", "relative", "absolute"], ["", "dry mass", 0.5, ""],
               ["conc", "Sn", 1.0, ""], ["", "Sn", 3.0, "0.01 %"]],
    "report": [["key", "value"], ["title", "a table test"], ["basis", "batch"]],
    "measurements": [["stream", "dry mass [kg]", "Sn [%]"], ["feed", 25.4, 0.82],
                     ["conc", 0.6, 30.0], ["tails", "24.7", 0.3]],
}  # fmt: skip


def test_ods_and_numbers_stored_as_text(tmp_path: Path) -> None:
    _ods(tmp_path / "plant.ods", SHEETS)
    case = read_case(tmp_path / "plant.ods")
    assert case.title == "a table test"
    assert _numbers(case.survey)["tails", "dry mass"][0] == pytest.approx(24.7)
    assert _numbers(case.survey)["conc", "Sn"][1] == pytest.approx(0.003)


def _xlsx(path: Path, sheets: dict[str, list[list[Any]]]) -> Path:
    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
    book.save(path)
    return path


def _changed(sheet: str, row: int, column: int, value: Any) -> dict[str, list[list[Any]]]:
    sheets = {title: [list(line) for line in lines] for title, lines in SHEETS.items()}
    sheets[sheet][row][column] = value
    return sheets


WORKBOOK_MESSAGES: dict[str, tuple[dict[str, list[list[Any]]], str]] = {
    "formula without a saved value": (
        _changed("measurements", 1, 1, "=20+5.4"),
        "plant.xlsx, sheet 'measurements', cell B2, stream 'feed', dry mass: The cell holds a "
        "formula (=20+5.4) without a saved value; open the workbook in a spreadsheet program and "
        "save it, so that the value is stored.\n"
        "Write the number itself, or leave the cell blank if it was not measured.",
    ),
    "an error value": (
        _changed("measurements", 1, 2, "#DIV/0!"),
        "plant.xlsx, sheet 'measurements', cell C2, stream 'feed', Sn: The cell shows the error "
        "#DIV/0!.\nWrite the number itself, or leave the cell blank if it was not measured.",
    ),
    "a date": (
        _changed("measurements", 1, 2, pd.Timestamp("2026-05-01").to_pydatetime()),
        "plant.xlsx, sheet 'measurements', cell C2, stream 'feed', Sn: The value is a date or time "
        "(2026-05-01), not a number: spreadsheets make dates of entries such as 1.5 or 3/4.\n"
        "Format the cell as a number first, then type the number anew; a new format alone leaves "
        "a count of days.",
    ),
    "a truth value": (
        _changed("measurements", 1, 2, True),
        "plant.xlsx, sheet 'measurements', cell C2, stream 'feed', Sn: The value is True, not a "
        "number.\nCorrect it, or leave the cell blank if it was not measured.",
    ),
    "a misspelt end": (
        _changed("Circuit", 2, 1, "tabel"),
        "plant.xlsx, sheet 'Circuit', cell A3: Node 'tabel' ('from' of 'conc') has no inlet: "
        "nothing enters it.\nIs 'tabel' misspelt? Did you mean 'table'?",
    ),
    "a misspelt column": (
        _changed("Circuit", 0, 1, "form"),
        "plant.xlsx, sheet 'Circuit', cell B1: 'form' is not a column here.\n"
        "Did you mean 'from'?\n\n"
        "plant.xlsx, sheet 'Circuit', cell A3: Stream 'conc' neither leaves nor enters a node.\n"
        "Give the node it comes from, the node it goes to, or both.\n\n"
        "plant.xlsx, sheet 'Circuit', cell A4: Stream 'tails' neither leaves nor enters a node.\n"
        "Give the node it comes from, the node it goes to, or both.\n\n"
        "plant.xlsx, sheet 'Circuit', cell A2: Node 'table' ('to' of 'feed') has no outlet: "
        "nothing leaves it.\n"
        "Add the stream that leaves it, or let the stream leave the circuit here.",
    ),
    "a misspelt key": (
        _changed("report", 2, 0, "bassis"),
        "plant.xlsx, sheet 'report', cell A3: 'bassis' is not known here.\n"
        "Did you mean 'basis'?\n\n"
        "plant.xlsx: The basis is not stated: are flows the masses of one batch, or rates?\n"
        'Write basis = "batch" for weights\nor basis = "rate" for t/h and the like.',
    ),
    "no measurements": (
        {k: v for k, v in SHEETS.items() if k != "measurements"},
        "plant.xlsx: There is no sheet 'measurements'.\n"
        "Add it: one row a stream, one column a quantity.",
    ),
    "no circuit": (
        {k: v for k, v in SHEETS.items() if k != "Circuit"},
        "plant.xlsx: There is no sheet 'circuit'.\n"
        "Add it, with the columns stream, from, to: one row a stream.",
    ),
    "another workbook": (
        {"Sheet1": [["a", 1.0]]},
        "plant.xlsx: The workbook has none of the sheets of a case.\n"
        "Name them circuit, nodes, analytes, errors, sources, report, containers, doubts, lab "
        "columns, stocks, losses, prices, reagents, measurements.",
    ),
}


@pytest.mark.parametrize("name", list(WORKBOOK_MESSAGES))
def test_workbook_message(name: str, tmp_path: Path) -> None:
    sheets, text = WORKBOOK_MESSAGES[name]
    with pytest.raises(InputError) as refused:
        read_case(_xlsx(tmp_path / "plant.xlsx", sheets))
    assert str(refused.value) == text


def _files(folder: Path) -> dict[str, tuple[Path, str]]:
    """Return files that are no case, and what is said of them."""
    (folder / "notes.txt").write_text("hello")
    (folder / "broken.xlsx").write_bytes(b"PK\x03\x04 cut off")
    (folder / "locked.xlsx").write_bytes(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600))
    with zipfile.ZipFile(folder / "other.xlsx", "w") as archive:
        archive.writestr("readme.txt", "not a workbook")
    (folder / "empty").mkdir()
    (folder / "binary").mkdir()
    (folder / "binary" / "circuit.toml").write_text(CIRCUIT)
    (folder / "binary" / "measurements.csv").write_bytes(b"stream\x00\x01\xff")
    return {
        "text": (folder / "notes.txt", f"{folder / 'notes.txt'}: This is not a case.\nGive the "
                 "folder that holds circuit.toml and measurements.csv, or a workbook (.xlsx, "
                 ".xlsm, .ods)."),
        "cut off": (folder / "broken.xlsx", "broken.xlsx: The file is not a workbook, or it is cut "
                    "off.\nSave it as .xlsx or .ods from a spreadsheet program."),
        "locked": (folder / "locked.xlsx", "locked.xlsx: The workbook is protected by a password, "
                   "or in the old .xls format.\nSave it as .xlsx without a password."),
        "other zip": (folder / "other.xlsx", "other.xlsx: The file is a zip archive, but no "
                      "workbook.\nSave it as .xlsx or .ods from a spreadsheet program."),
        "empty folder": (folder / "empty", f"{folder / 'empty'}: There is no circuit.toml in the "
                         "folder.\nWrite it, or start from 'oretally new'.\n\n"
                         f"{folder / 'empty'}: There is no measurements.csv in the folder.\n"
                         "Write it: one row a stream, one column a quantity."),
        "binary": (folder / "binary", "measurements.csv: The file is not text.\nSave it as CSV in "
                   "UTF-8 from the program that made it."),
    }  # fmt: skip


@pytest.mark.parametrize(
    "name", ["text", "cut off", "locked", "other zip", "empty folder", "binary"]
)
def test_no_case_at_all(name: str, tmp_path: Path) -> None:
    path, text = _files(tmp_path)[name]
    before = path.read_bytes() if path.is_file() else b""
    with pytest.raises(InputError) as refused:
        read_case(path)
    assert str(refused.value) == text
    assert (path.read_bytes() if path.is_file() else b"") == before


def test_frames(two_products: Circuit) -> None:
    frame = pd.DataFrame(
        {"stream": ["feed", "conc", "tails"], "dry mass [kg]": [25.4, 0.6, None],
         "Sn [%]": [0.82, 30, 0.3]}
    )  # fmt: skip
    survey = survey_from_frame(
        frame, two_products, errors={"dry mass": {"relative": 0.5}, "Sn": {"relative": 3}}
    )
    assert len(survey.measurements) == 5
    assert _numbers(survey)["conc", "Sn"] == pytest.approx((0.3, 0.009))
    with pytest.raises(InputError) as refused:
        survey_from_frame(frame, two_products, errors={"dry mass": {"relative": 0.5}})
    assert str(refused.value).startswith("frame, row 0, column 'Sn [%]', stream 'feed', Sn: No ")


@settings(max_examples=often(300), derandomize=True, deadline=None)  # fmt: skip
@given(
    place=st.integers(0, 400),
    junk=st.one_of(
        st.binary(max_size=6), st.sampled_from([b'"', b"\n", b"\x00", b"[", b",,", b"="])
    ),
    which=st.booleans(),
    cut=st.integers(0, 12),
)
def test_junk_ends_in_a_case_or_in_faults(
    place: int, junk: bytes, which: bool, cut: int, tmp_path: Path
) -> None:
    circuit, rows = CIRCUIT.encode(), WIDE.encode()
    if which:
        rows = rows[: place % len(rows)] + junk + rows[place % len(rows) + cut :]
    else:
        circuit = circuit[: place % len(circuit)] + junk + circuit[place % len(circuit) + cut :]
    folder = tmp_path / "junk"
    folder.mkdir(exist_ok=True)
    (folder / "circuit.toml").write_bytes(circuit)
    (folder / "measurements.csv").write_bytes(rows)
    try:
        assert isinstance(read_case(folder), Case)
    except InputError as refused:
        assert refused.faults
        assert all(f.problem and f.mend for f in refused.faults)
