"""Files made to cost time and memory: each is refused by what it costs, before it is spent.

All are read in one process that has 1.5 GB of address space and two minutes; honest reading of them
takes seconds. Only what hangs or fills the memory meets these bounds.
"""

from __future__ import annotations

import json
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from workbook_files import SHEET, ods, saved, with_part

from oretally.io.files import BUDGET, Budget, Meter, NotRead, read_csv_table, read_workbook
from oretally.io.files.workbook_xml import opened
from oretally.io.files.xlsx_cells import xlsx_sheets

_READ = """
import json, resource, sys
from pathlib import Path
resource.setrlimit(resource.RLIMIT_AS, (1_500_000_000, 1_500_000_000))
from oretally.io.case import SHEETS
from oretally.io.definition import read_circuit_text
from oretally.io.files import read_csv_table, read_workbook
told = {}
for path in map(Path, sys.argv[1:]):
    if path.suffix == ".toml":
        faults = read_circuit_text(path, "circuit.toml").faults
    elif path.suffix in (".csv", ".tsv"):
        faults = read_csv_table(path, "measurements.csv")[1]
    else:
        faults = read_workbook(path, "plant", SHEETS)[1]
    told[path.stem] = [str(fault) for fault in faults]
print(json.dumps(told))
"""
_ANEW = "Open the workbook in a spreadsheet program and save it anew."
_OWN = "Copy what matters into a file of its own."
_CELLS = "Copy the cells that matter into a new workbook."
_HUGE = "The workbook has more than {}, which no spreadsheet program writes.\n" + _CELLS
_TEXT = (
    "A cell holds {} characters; no more than 32,767 are read, as many as a cell of a "
    "spreadsheet holds.\nShorten it, or look for a quotation mark that is not closed."
)
Spoil = Callable[[bytes], bytes]


def _in_sheet(more: bytes) -> Spoil:
    return lambda data: data.replace(b"</sheetData>", more + b"</sheetData>")


def _first_cell(address: bytes) -> Spoil:
    return lambda data: data.replace(b'r="A1"', b'r="' + address + b'"', 1)


def _in_table(more: bytes) -> Spoil:
    return lambda data: data.replace(b"</table:table>", more + b"</table:table>")


_CELL = b'<table:table-cell office:value-type="string"%s><text:p>x</text:p></table:table-cell>'
XLSX: dict[str, tuple[Spoil, str]] = {
    "number before letter": (_first_cell(b"1A"),
        f"The sheet 'measurements' is damaged: '1A' stands after row 1, and is no address that can "
        f"follow there.\n{_ANEW}"),
    "absolute": (_first_cell(b"$B$2"),
        f"The sheet 'measurements' is damaged: '$B$2' stands after row 1, and is no address that "
        f"can follow there.\n{_ANEW}"),
    "cell twice": (_first_cell(b"B1"),
        f"The sheet 'measurements' is damaged: 'B1' stands after row 1, and is no address that can "
        f"follow there.\n{_ANEW}"),
    "row twice": (_in_sheet(b'<row r="2"><c><v>1</v></c></row>'),
        f"The sheet 'measurements' is damaged: row 2 stands after row 4, and is no address that "
        f"can follow there.\n{_ANEW}"),
    "far column": (_first_cell(b"ZZZ1"),
        f"There is a cell in row 1, column 18,278; no more than 1,048,576 rows and 16,384 columns "
        f"are read.\n{_OWN}"),
    "far row": (_in_sheet(b'<row r="2000000"><c><v>1</v></c></row>'),
        f"There is a cell in row 2,000,000, column 1; no more than 1,048,576 rows and 16,384 "
        f"columns are read.\n{_OWN}"),
    "nested": (_in_sheet(b"<a>" * 400_000), _HUGE.format("1,000 elements in each other")),
    "names": (_in_sheet(b"".join(b"<n%d/>" % i for i in range(300_000))),
              _HUGE.format("10,000 names of elements")),
    "one tag": (_in_sheet(b'<a b="' + bytes(4_000_000).replace(b"\0", b"x") + b'"/>'),
                _HUGE.format("1,048,576 characters in one tag or text")),
    "comment": (_in_sheet(b"<!--" + b"<a> " * 1_000_000 + b"-->"),
                _HUGE.format("1,048,576 characters in one tag or text")),
    "long text": (_in_sheet(b'<row r="9"><c t="inlineStr"><is><t>%s</t></is></c></row>'
                            % (b"x" * 40_000)), _TEXT.format("40,000")),
    "endless text": (_in_sheet(b'<row r="9"><c t="str"><v>%s</v></c></row>' % (b"x" * 9_000_000)),
                     _HUGE.format("1,048,576 characters in one tag or text")),
    "many runs": (_in_sheet(b'<row r="9"><c t="inlineStr"><is>%s</is></c></row>'
                            % (b"<r><t>twenty characters...</t></r>" * 100_000)),
                  _TEXT.format("32,780")),
}  # fmt: skip
ODS: dict[str, tuple[Spoil, str]] = {
    "rows": (lambda d: d.replace(b"<table:table-row>",
                                 b'<table:table-row table:number-rows-repeated="9000000">'),
        f"The file has 27,000,000 filled cells or more; no more than 1,000,000 are read.\n{_OWN}"),
    "rows of rows": (_in_table(b'<table:table-row table:number-rows-repeated="1000000">'
                               + _CELL % b"" + b"</table:table-row>"),
        f"The file has 1,000,009 filled cells or more; no more than 1,000,000 are read.\n{_OWN}"),
    "columns": (_in_table(b"<table:table-row>" + _CELL % b' table:number-columns-repeated="20000"'
                          + b"</table:table-row>"),
        f"There is a cell in row 5, column 20,000; no more than 1,048,576 rows and 16,384 columns "
        f"are read.\n{_OWN}"),
    "backwards": (_in_table(b'<table:table-row table:number-rows-repeated="-9"/>'),
        f"The workbook is damaged and cannot be read (ValueError).\n{_ANEW}".replace(
            "the workbook", "it")),
}  # fmt: skip
TEXTS: dict[str, tuple[bytes, str]] = {
    "cells.csv": (b"1,1,1,1,1,1,1,1,1,1\n" * 120_000,
        f"The file has 1,000,010 filled cells or more; no more than 1,000,000 are read.\n{_OWN}"),
    "wide.csv": (b"1," * 2_000_000,
        f"There is a cell in row 1, column 2,000,001; no more than 1,048,576 rows and 16,384 "
        f"columns are read.\n{_OWN}"),
    "tall.tsv": (b"\n" * 3_000_000,
        f"There is a cell in row 1,048,577, column 1; no more than 1,048,576 rows and 16,384 "
        f"columns are read.\n{_OWN}"),
    "quote.csv": (b'stream,dry mass [kg]\nfeed,"' + b"1\n" * 100_000,
                  _TEXT.format("32,768")),
    "deep.toml": (b"a." * 400_000 + b"a = 1\n",
        "Line 1 has a name of more than 32 parts with points between them.\nWrite plain tables, "
        "and names in quotes."),
    "brackets.toml": (b"a = " + b"[" * 500_000,
                      "Tables are nested too deeply.\nWrite plain tables."),
    "spaces.toml": (b"a = 1\n[ b" + b" " * 500_000 + b"x\n", ""),
    "large.toml": (b"# " + b"x" * 2_000_000,
        "The file has 1.9 MiB; no more than 1 MiB are read.\nWrite it shorter."),
    "digits.toml": (b'title = "x"\ntime = ' + b"9" * 5000,
                    "Line 2 has a number that cannot be read.\nCorrect it."),
}  # fmt: skip


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[str]]:
    folder = tmp_path_factory.mktemp("hostile")
    for name, (spoil, _) in XLSX.items():
        with_part(saved(folder / f"{name}.xlsx"), SHEET, spoil)
    for name, (spoil, _) in ODS.items():
        with_part(ods(folder / f"{name}.ods"), "content.xml", spoil)
    for name, (data, _) in TEXTS.items():
        (folder / name).write_bytes(data)
    paths = sorted(path for path in folder.iterdir() if path.is_file())
    done = subprocess.run(
        [sys.executable, "-c", _READ, *map(str, paths)], capture_output=True, text=True,
        timeout=1200, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    found: dict[str, list[str]] = json.loads(done.stdout)
    return found


@pytest.mark.parametrize("name", [*XLSX, *ODS])
def test_workbooks(name: str, told: dict[str, list[str]]) -> None:
    text = (XLSX | ODS)[name][1]
    assert told[name] == [f"plant: {text}"]


@pytest.mark.parametrize("name", list(TEXTS))
def test_texts(name: str, told: dict[str, list[str]]) -> None:
    stem, _, kind = name.partition(".")
    file = "circuit.toml" if kind == "toml" else "measurements.csv"
    text = TEXTS[name][1]
    if text:
        assert told[stem] == [f"{file}: {text}"]
    else:
        assert len(told[stem]) == 1 and "This is not TOML" in told[stem][0]


def test_what_a_meter_allows() -> None:
    """All of the budget may be spent, and nothing beyond it."""
    meter = Meter()
    meter.charge_piece(b"<" * BUDGET.elements, names=0, nested=0, pending=0)
    with pytest.raises(NotRead, match="more than 3,000,000 elements, blank cells among them"):
        meter.charge_piece(b"<", names=0, nested=0, pending=0)
    meter.unpacked = BUDGET.unpacked
    with pytest.raises(NotRead, match="unpacks to more than 256 MiB"):
        meter.charge_piece(b" ", names=0, nested=0, pending=0)
    for _ in range(BUDGET.styles):
        meter.charge_style("0.00")
    with pytest.raises(NotRead, match="more than 65,536 styles of cells"):
        meter.charge_style("0.00")
    with pytest.raises(NotRead, match="a number format of more than 1,000 characters"):
        Meter().charge_style("[" * 1001)
    for i in range(BUDGET.sheets):
        meter.charge_sheet(f"sheet {i}")
    with pytest.raises(NotRead, match="more than 1,000 sheets"):
        meter.charge_sheet("one more")
    with pytest.raises(NotRead, match="a name of 256 characters"):
        Meter().charge_sheet("x" * 256)
    meter.charge_cells(1, BUDGET.characters)
    with pytest.raises(NotRead, match="characters in its cells"):
        meter.charge_cells(1, 1)
    with pytest.raises(NotRead, match=r"The file has 65\.0 MiB; no more than 64 MiB are read"):
        meter.charge_file(65 * 2**20)


def test_one_part_read_by_many_sheets_costs_each_time(tmp_path: Path) -> None:
    """Members are charged as they are read, not as they lie in the archive."""
    path = saved(tmp_path / "plant.xlsx")
    sheets = b"".join(
        b'<sheet name="%smeasurements" sheetId="%d" r:id="rId5"/>' % (b" " * i, i + 9)
        for i in range(1, 100)
    )
    with_part(path, "xl/workbook.xml", lambda d: d.replace(b"</sheets>", sheets + b"</sheets>"))
    meter = Meter(Budget(cells=600))
    with (
        opened(path.read_bytes()) as archive,
        pytest.raises(NotRead, match="The file has 603 filled cells or more; no more than 600"),
    ):
        xlsx_sheets(archive, "plant.xlsx", lambda title: title.strip() == "measurements", meter)


def test_repeated_rows_and_cells_that_are_blank_cost_nothing(tmp_path: Path) -> None:
    """Spreadsheet programs write the blank rest of every sheet as one repeated row."""
    path = ods(tmp_path / "plant.ods")
    rest = (
        b'<table:table-row table:number-rows-repeated="1048572"><table:table-cell '
        b'table:number-columns-repeated="16384"/></table:table-row>'
    )
    with_part(path, "content.xml", _in_table(rest))
    sheets, faults = read_workbook(path, "plant.ods", ("measurements",))
    assert not faults
    assert len(sheets["measurements"].rows) == 3


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_encodings_and_ends_of_lines(encoding: str, end: str, tmp_path: Path) -> None:
    path = tmp_path / "measurements.csv"
    path.write_bytes(end.join(["stream,dry mass [kg]", "feed \xe9,1", ""]).encode(encoding))
    table, faults = read_csv_table(path, path.name)
    assert not faults and table is not None
    assert [cell.text for cell in table.rows[0]] == ["feed \xe9", "1"]
    path.write_bytes("stream,x\nfe\0ed,1\n".encode(encoding))
    assert [f.problem for f in read_csv_table(path, path.name)[1]] == ["The file is not text."]


def test_a_sheet_with_many_blank_cells_is_read(tmp_path: Path) -> None:
    path = saved(tmp_path / "plant.xlsx")
    with_part(path, SHEET, _in_sheet(b'<row r="9">' + b"<c/>" * 16_384 + b"</row>"))
    with zipfile.ZipFile(path) as archive:
        assert archive.getinfo(SHEET).file_size > 4 * 16_384
    sheets, faults = read_workbook(path, "plant.xlsx", ("measurements",))
    assert not faults and len(sheets["measurements"].rows) == 3
