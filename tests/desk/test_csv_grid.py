"""A CSV file as a grid: what nobody changed keeps its bytes, and what is saved reads the same."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from oretally.flowsheet import InputError
from oretally.io.grids import csv_bytes, csv_grid, trimmed

NAME = "measurements.csv"
FILES = [
    b"",
    b"stream,dry mass [g]\nfeed,100\n",
    b"stream;dry mass [g];Sn [%]\r\nfeed;100,5;1,01\r\n;;\r\ntails;99,1;\r\n",
    b'\xef\xbb\xbfstream\t"dry mass [g]"\t\xc2\xb1 Sn [%]\rfeed\t100\t"0""1"\r',
    "stream,± Sn [%]\nfeed,1".encode("cp1252"),
    b"\xff\xfe" + "stream,Sn [µg/g]\r\nfeed,3\r\n".encode("utf-16-le"),
    b"\xfe\xff" + "stream|Sn\nfeed|3\n".encode("utf-16-be"),
    b'A title\n\n  stream , Sn [%]\n"a\nb",1\n,,,\n\n',
]
CELLS = st.text(max_size=6) | st.sampled_from(
    ["", "1,5", "a;b", 'say "x"', "\ufeffx", " ", "\t", "a\r\nb", "\u2028", "x" * 50, "=1+1", "1|2"]
)
GRIDS = st.lists(st.lists(CELLS, max_size=5), max_size=6)
QUICK = settings(max_examples=150, deadline=None)


@pytest.mark.parametrize("data", FILES)
def test_untouched_file_keeps_its_bytes(data: bytes) -> None:
    grid = csv_grid(data, NAME)
    assert csv_bytes(grid, grid.rows) == data
    wider = [[*row, "", ""] for row in grid.rows]  # as a page has it
    assert csv_bytes(grid, [*wider, [], [""]]) == data


@pytest.mark.parametrize("data", [f for f in FILES if f])
def test_untouched_rows_keep_their_bytes(data: bytes) -> None:
    grid = csv_grid(data, NAME)
    rows = [list(row) for row in grid.rows]
    at = next(i for i, row in enumerate(rows) if any("feed" in c or "a\nb" in c for c in row))
    rows[at][1] = "7"
    written = csv_grid(csv_bytes(grid, rows), NAME)
    assert [r for i, r in enumerate(written.raw) if i != at] == [
        r for i, r in enumerate(grid.raw) if i != at
    ]
    assert (written.delimiter, written.encoding) == (grid.delimiter, grid.encoding)


def test_untouched_cells_of_a_row_keep_their_quotes() -> None:
    data = b'stream,"dry mass [g]",Sn [%]\n"feed" ,"100", 1.0\r\ntails,99,0.5'
    grid = csv_grid(data, NAME)
    rows = [list(row) for row in grid.rows]
    rows[1][1] = "101"
    rows.append(["new", "2", "3,4"])
    assert csv_bytes(grid, rows) == (
        b'stream,"dry mass [g]",Sn [%]\n"feed" ,101, 1.0\r\ntails,99,0.5\nnew,2,"3,4"\n'
    )


@given(data=st.sampled_from(FILES), rows=GRIDS)
@example(data=FILES[1], rows=[["a;b"], ["c;d"]])
@example(data=FILES[1], rows=[[";;;,,,|||\t\t"], ["||||;;;;", ",,,,"]])
@example(data=FILES[4], rows=[["Ã©"]])
@example(data=FILES[0], rows=[["\ufeff"]])
@example(data=b"", rows=[["", "\t"]])
@QUICK
def test_any_grid_saved_and_opened_again_is_the_same(data: bytes, rows: list[list[str]]) -> None:
    grid = csv_grid(data, NAME)
    try:
        written = csv_bytes(grid, rows)
    except InputError as error:
        told = "".join(cell for row in rows for cell in row)
        if not told.strip():  # of blanks alone nothing says which of them part the cells
            assert "cannot be told apart" in str(error)
            return
        assert "no text can hold" in str(error)
        assert any(c == "\x00" or "\ud800" <= c <= "\udfff" for c in told)
        return
    assert trimmed(csv_grid(written, NAME).rows) == trimmed(rows)


@given(data=st.sampled_from(FILES), choice=st.data())
@QUICK
def test_rows_taken_out_and_put_in_leave_the_others(data: bytes, choice: Any) -> None:
    grid = csv_grid(data, NAME)
    rows = [list(row) for row in grid.rows]
    for _ in range(choice.draw(st.integers(1, 3))):
        at = choice.draw(st.integers(0, len(rows)))
        if rows and choice.draw(st.sampled_from([True, False])):
            del rows[min(at, len(rows) - 1)]
        else:
            rows.insert(at, ["new", "1"])
    written = csv_grid(csv_bytes(grid, rows), NAME)
    assert trimmed(written.rows) == trimmed(rows)


def test_what_the_encoding_cannot_hold_makes_it_utf_8() -> None:
    grid = csv_grid("stream,± Sn [%]\nfeed,1\n".encode("cp1252"), NAME)
    written = csv_bytes(grid, [*grid.rows, ["≥", "2"]])
    assert written == "\ufeffstream,± Sn [%]\nfeed,1\n≥,2\n".encode()


def test_no_text_is_refused_with_its_file() -> None:
    with pytest.raises(InputError, match=r"measurements\.csv: The file is not text"):
        csv_grid(b"\x00\x01\x81", NAME)
