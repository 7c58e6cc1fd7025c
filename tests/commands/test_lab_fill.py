"""`oretally lab --fill`: grades of a certificate written into blank cells, and nothing else."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lab_cases import CIRCUIT, HEADER, LAB, ROWS, TIN_ONLY, Capture, case, run, told
from often import often

from oretally.io import read_case
from oretally.io.certificate import case_certificate, fill_grades
from oretally.io.laboratory import read_lab


def test_blank_cells_are_filled_and_every_other_byte_stays(tmp_path: Path, capsys: Capture) -> None:
    """By [lab] samples, by the stream's own name, by the label that is printed."""
    path = case(tmp_path / "c")
    status, out, err = run(capsys, "lab", path, "--fill")
    assert status == 0
    assert err == f"written: {path / 'measurements.csv'}\n"
    assert (path / "measurements.csv").read_bytes().decode() == (
        "stream,dry mass [g],Sn [%],As [g/t],note\r\n"
        'feed,1000,1.10,,"a, b"\r\n'
        "concentrate,30,31.2,,\r\n"
        "middlings,70,2.0,<0.005 %,kept\r\n"
        "tailings,,0.303,,\r\n"
        "feed,,1.08,,\r\n"
    )
    assert told(out) == [
        "Typed as certified: 2 grades.",
        "Filled into measurements.csv: C2 Sn of 'feed' 1.10 (TT-1), C6 Sn of 'feed' 1.08 (TT-1D), "
        "C5 Sn of 'tailings' 0.303 (GT-04), D4 As of 'middlings' <0.005 % (TT-3).",
    ]
    found = {(m.stream, m.quantity): m for m in read_case(path).survey.measurements}
    assert found["feed", "Sn"].value == pytest.approx(1.09)  # two replicates
    limit = found["middlings", "As"]
    assert (limit.value, limit.unit.symbol) == (0.0025, "%")  # half the limit, as certified


def test_asked_again_it_changes_nothing(tmp_path: Path, capsys: Capture) -> None:
    path = case(tmp_path / "c")
    run(capsys, "lab", path, "--fill")
    before = (path / "measurements.csv").read_bytes()
    status, out, err = run(capsys, "lab", path, "--fill")
    assert (status, err) == (0, "")
    assert told(out) == [
        "Typed as certified: 6 grades.",
        "Nothing to fill: no cell of these samples is blank.",
    ]
    assert (path / "measurements.csv").read_bytes() == before


def test_size_classes_are_left_to_their_table_with_a_word(tmp_path: Path, capsys: Capture) -> None:
    """A label says whose stream a sample is of, not of which class."""
    path = case(tmp_path / "c", lab=f"{LAB.rstrip()}\nfeed +150 um,sample,Sn,0.9,%,,,,\n")
    said = "What is certified of size classes is to be typed into its table: a label says whose"
    assert said not in " ".join(told(run(capsys, "lab", path)[1]))
    sizes = "stream,passing [um],retained [um],mass [g],Sn [%]\nfeed,,150,40,\nfeed,150,,60,\n"
    (path / "sizes.csv").write_text(sizes, "utf-8")
    status, out, _ = run(capsys, "lab", path, "--fill")
    assert status == 0
    assert "Samples of no stream: " in " ".join(told(out)) and said in " ".join(told(out))
    assert (path / "sizes.csv").read_text("utf-8") == sizes


def test_without_being_asked_nothing_is_written(tmp_path: Path, capsys: Capture) -> None:
    path = case(tmp_path / "c")
    status, out, _ = run(capsys, "lab", path)
    assert status == 0
    assert told(out) == [
        "Typed as certified: 2 grades.",
        "Not typed yet: 4 grades.",
        "'oretally lab --fill' writes them into blank cells of measurements.csv.",
    ]
    assert (path / "measurements.csv").read_bytes() == ROWS.encode()


def test_replicates_alike_are_numbered(tmp_path: Path, capsys: Capture) -> None:
    """Else the rows would count as pasted twice."""
    lab = HEADER + "".join(f"{label},sample,Sn,0.3,%,,,,\n" for label in "ABC")
    labels = ", ".join(f'"{label}" = "tailings"' for label in "ABC")
    circuit = CIRCUIT.replace('"GT-04" = "tailings"', labels)
    path = case(tmp_path / "c", lab=lab, circuit=circuit)
    assert run(capsys, "lab", path, "--fill")[0] == 0
    assert (path / "measurements.csv").read_bytes().decode().splitlines() == [
        "stream,dry mass [g],Sn [%],As [g/t],note,replicate",
        'feed,1000,,,"a, b"',
        "concentrate,30,31.2,,",
        "middlings,70,2.0,,kept",
        "tailings,,0.3,,,1",
        "tailings,,0.3,,,2",
        "tailings,,0.3,,,3",
    ]
    found = {(m.stream, m.quantity): m for m in read_case(path).survey.measurements}
    assert found["tailings", "Sn"].sd == pytest.approx(0.3 * 0.03 / 3**0.5)


def test_blank_replicate_rows_are_used_first(tmp_path: Path, capsys: Capture) -> None:
    rows = ROWS.replace('"a, b"\r\n', '"a, b"\r\nfeed,1001,,,\r\n')
    path = case(tmp_path / "c", rows)
    run(capsys, "lab", path, "--fill")
    lines = (path / "measurements.csv").read_text("utf-8").splitlines()
    assert lines[1:3] == ['feed,1000,1.10,,"a, b"', "feed,1001,1.08,,"]
    assert len(lines) == 6


def test_a_stream_without_a_row_gets_one(tmp_path: Path, capsys: Capture) -> None:
    path = case(tmp_path / "c", ROWS.replace("tailings,,,,\r\n", ""))
    run(capsys, "lab", path, "--fill")
    assert "tailings,,0.303,,\r\n" in (path / "measurements.csv").read_bytes().decode()


def test_decimal_commas_on_either_side(tmp_path: Path, capsys: Capture) -> None:
    rows = "stream;dry mass [g];Sn [%]\nfeed;1000,5;\ntailings;;\n"
    path = case(tmp_path / "a", rows)
    run(capsys, "lab", path, "--fill")
    assert (path / "measurements.csv").read_text("utf-8").splitlines()[1:] == [
        "feed;1000,5;1,10",
        "tailings;;0,303",
        "feed;;1,08",
        "concentrate;;31,2",
        "middlings;;20100 g/t",
    ]
    lab = LAB.replace(",", ";").replace(".", ",")
    path = case(tmp_path / "b", lab=lab)
    run(capsys, "lab", path, "--fill")
    assert "feed,1000,1.10,," in (path / "measurements.csv").read_text("utf-8")


def test_a_long_table_is_filled(tmp_path: Path, capsys: Capture) -> None:
    rows = (
        "stream,quantity,value,unit,error,error unit\n"
        "feed,dry mass,1000,g,,\nfeed,Sn,,%,,\nconcentrate,Sn,31.2,%,,\n"
    )
    path = case(tmp_path / "c", rows)
    assert run(capsys, "lab", path, "--fill")[0] == 0
    assert (path / "measurements.csv").read_text("utf-8").splitlines() == [
        "stream,quantity,value,unit,error,error unit",
        "feed,dry mass,1000,g,,",
        "feed,Sn,1.10,%,,",
        "concentrate,Sn,31.2,%,,",
        "feed,Sn,1.08,%,,",
        "tailings,Sn,0.303,%,,",
        "middlings,Sn,20100 g/t,%,,",
    ]
    assert read_case(path).survey.measurements


def entry_book(path: Path, capsys: Capture) -> Path:
    """Return a workbook to type into, with three assays in its sheet 'lab'."""
    folder = case(path / "c", "stream,dry mass [g],Sn [%]\n", circuit=TIN_ONLY)
    book = path / "typed.xlsx"
    assert run(capsys, "sheet", folder, "--xlsx", book)[0] == 0
    made = openpyxl.load_workbook(book)
    weighing, lab = made["weighing"], made["lab"]
    for row, mass in enumerate((1000, 30, 70, 890), start=2):
        weighing.cell(row, 5).value, weighing.cell(row, 6).value = mass, 0
        weighing.cell(row, 4).value = "g"
    for cells in lab.iter_rows(min_row=2):
        value = {"TT-1": 1.1, "TT-2": 31.2, "GT-04": 0.303}.get(str(cells[0].value))
        if value is not None and cells[1].value == "sample":
            cells[3].value = value
    made.save(book)
    return book


def test_the_workbook_to_type_into_is_filled(tmp_path: Path, capsys: Capture) -> None:
    """Its masses are formulas, which no grade reaches; the labels are those of its sheet."""
    book = entry_book(tmp_path, capsys)
    before = {p: openpyxl.load_workbook(book)["measurements"][p].value for p in ("B2", "C3")}
    status, out, err = run(capsys, "lab", book, "--fill")
    assert status == 0, err
    assert err == f"written: {book}\n"
    sheet = openpyxl.load_workbook(book)["measurements"]
    column = next(c.column for c in sheet[1] if c.value == "Sn [%]")
    assert [sheet.cell(row, column).value for row in range(2, 6)] == [1.1, 31.2, None, 0.303]
    assert {p: sheet[p].value for p in before} == before and str(before["B2"]).startswith("=")
    found = {(m.stream, m.quantity): m.value for m in read_case(book).survey.measurements}
    assert found["tailings", "Sn"] == 0.303 and found["feed", "dry mass"] == 1.0


@pytest.mark.parametrize(
    ("formula", "refused"),
    [
        ("=B2*1", False), ("=SUM(B2:D2)", False), ("=containers", True), ("=E2*2", True),
        ("=SUM(measurements!A1:E9)", True), ("=measurements!E:E", True), ('=INDIRECT("E2")', True),
        ("=own!A1", True), ("=OFFSET(A1,1,1)", True), ("=SUM(2:2)", True), ("='no such'!A1", False),
    ],
)  # fmt: skip
def test_formulas_that_a_grade_would_reach_are_refused(
    formula: str, refused: bool, tmp_path: Path, capsys: Capture
) -> None:
    """Also through a sheet of the user's own; what no grade reaches is left as it is."""
    folder = case(tmp_path / "c", "stream,dry mass [g],Sn [%]\n", circuit=TIN_ONLY)
    book = tmp_path / "b.xlsx"
    assert run(capsys, "sheet", folder, "--xlsx", book)[0] == 0
    made = openpyxl.load_workbook(book)
    sheet = made["measurements"]
    assert sheet["E1"].value == "Sn [%]"
    note = next(c.column for c in sheet[1] if c.value == "note")
    sheet.cell(3, note).value = formula
    own = made.create_sheet("own")
    own["A1"].value = "=measurements!E2"
    made["lab"]["D4"].value = 1.1
    assert made["lab"]["A4"].value == "TT-1"
    made.save(book)
    before = book.read_bytes()
    status, _, err = run(capsys, "lab", book, "--fill")
    assert (status == 2) == refused, err
    assert ("Formulas of the workbook depend on cells that would be filled" in err) == refused
    assert (book.read_bytes() == before) == refused


def test_a_file_that_may_not_be_written_stays(tmp_path: Path, capsys: Capture) -> None:
    path = case(tmp_path / "c")
    (path / "measurements.csv").chmod(0o444)
    status, _, err = run(capsys, "lab", path, "--fill")
    assert status == 2 and "It is read-only, so it stays." in err
    assert (path / "measurements.csv").read_bytes() == ROWS.encode()


def test_a_table_of_assays_alone_has_nothing_to_fill(tmp_path: Path, capsys: Capture) -> None:
    path = case(tmp_path / "c")
    status, out, _ = run(capsys, "lab", path / "lab.csv")
    assert status == 0 and "certified:" not in out
    status, _, err = run(capsys, "lab", path / "lab.csv", "--fill")
    assert status == 2 and "This is not a case." in err


CELLS = st.sampled_from(["", " ", "1.5", "0.3", "2", "n.s.", "<0.1", "1.5 g/t"])
ASSAYS = st.lists(
    st.tuples(
        st.sampled_from(["feed", "concentrate", "middlings", "GT-04", "other"]),
        st.sampled_from(["1.5", "0.3", "<0.1", ">10", "2.25", "12"]),
        st.sampled_from(["%", "g/t", "ppm"]),
    ),
    max_size=7,
)


@settings(max_examples=often(100))
@given(typed=st.lists(CELLS, min_size=4, max_size=4), assays=ASSAYS)
def test_whatever_is_typed_and_certified_only_blanks_change(
    tmp_path_factory: pytest.TempPathFactory, typed: list[str], assays: list[tuple[str, str, str]]
) -> None:
    """And then nothing is missing any more."""
    path = tmp_path_factory.mktemp("x") / "c"
    names = ["feed", "concentrate", "middlings", "tailings"]
    rows = [f"{name},{cell}" for name, cell in zip(names, typed, strict=True)]
    lab = "".join(f"{label},sample,Sn,{value},{unit},,,,\n" for label, value, unit in assays)
    case(path, "\n".join(["stream,Sn [%]", *rows]) + "\n", HEADER + lab + LAB.splitlines()[-1])
    batch = read_lab(path)
    first = case_certificate(path, batch)
    assert first is not None
    if not first.certificate.labels:
        return
    _, written = fill_grades(path, batch)
    lines = (path / "measurements.csv").read_text("utf-8").splitlines()
    for line, name, cell in zip(lines[1:], names, typed, strict=False):
        there = line.split(",")
        assert there[0] == name and (not cell.strip() or there[1] == cell)
    assert len(written) == sum(len(m.readings) for m in first.typed.missing)
    then = case_certificate(path, batch)
    assert then is not None
    assert then.typed.missing == () and then.typed.differences == first.typed.differences
