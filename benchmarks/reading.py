"""How long a large measurements table takes to read, as CSV, .xlsx and .ods: ratios of one run.

python benchmarks/reading.py [--rows 150000] [--json FILE]

A long table: replicates of the dry mass and three analytes on 500 streams, each number with its
unit and its stated error. Times are processor seconds of `read_case`, from the file to the survey.
"""

from __future__ import annotations

import argparse
import json
import random
import tempfile
import time
import zipfile
from collections.abc import Iterator
from pathlib import Path

import openpyxl

from oretally.io import read_case

STREAMS = 500
QUANTITIES = (("dry mass", "kg"), ("Sn", "%"), ("Cu", "%"), ("Au", "g/t"))
HEADER = ("stream", "quantity", "value", "unit", "error", "error unit")
ERRORS = [(q, 3.0) for q, _ in QUANTITIES]
MIMETYPE = "application/vnd.oasis.opendocument.spreadsheet"
Row = tuple[str | float, ...]


def names() -> list[str]:
    return [f"stream {i}" for i in range(STREAMS)]


def rows(count: int) -> Iterator[Row]:
    """Return the rows of the table; the streams take turns."""
    rng = random.Random(7)
    streams = names()
    for i in range(count):
        stream = streams[i // len(QUANTITIES) % STREAMS]
        quantity, unit = QUANTITIES[i % len(QUANTITIES)]
        mean = float(STREAMS - 1) if (quantity, stream) == ("dry mass", streams[0]) else 1.0
        value = mean * rng.gauss(1.0, 0.01)
        yield stream, quantity, float(f"{value:.6g}"), unit, float(f"{0.01 * mean:.3g}"), unit


def definition() -> dict[str, list[Row]]:
    """Return the other sheets: one node that parts the feed into all other streams."""
    first, *others = names()
    return {
        "circuit": [("stream", "from", "to"), (first, "", "splitter box"),
                    *((name, "splitter box", "") for name in others)],
        "analytes": [("analyte", "unit"), *QUANTITIES[1:]],
        "errors": [("quantity", "relative"), *ERRORS],
        "report": [("key", "value"), ("basis", "batch")],
    }  # fmt: skip


def write_folder(path: Path, count: int) -> Path:
    path.mkdir()
    first, *others = names()
    lines = ['basis = "batch"', "[streams]", f'"{first}" = {{ to = "splitter box" }}']
    lines += [f'"{name}" = {{ from = "splitter box" }}' for name in others]
    lines += ["[analytes]", *(f'{a} = {{ unit = "{u}" }}' for a, u in QUANTITIES[1:])]
    lines += ["[errors]", *(f'"{q}" = {{ relative = {e} }}' for q, e in ERRORS)]
    (path / "circuit.toml").write_text("\n".join(lines), encoding="utf-8")
    table = [HEADER, *rows(count)]
    text = "\n".join(",".join(map(str, row)) for row in table)
    (path / "measurements.csv").write_text(text, encoding="utf-8")
    return path


def write_xlsx(path: Path, count: int) -> Path:
    book = openpyxl.Workbook(write_only=True)
    for title, table in (*definition().items(), ("measurements", [HEADER, *rows(count)])):
        sheet = book.create_sheet(title)
        for row in table:
            sheet.append(row)
    book.save(path)
    return path


def write_ods(path: Path, count: int) -> Path:
    """Write the parts of OpenDocument that matter here, piece by piece."""
    spaces = "".join(
        f' xmlns:{prefix}="urn:oasis:names:tc:opendocument:xmlns:{prefix}:1.0"'
        for prefix in ("office", "table", "text")
    )
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("mimetype", MIMETYPE)
        with archive.open("content.xml", "w") as file:
            file.write(
                f"<office:document-content{spaces}><office:body><office:spreadsheet>".encode()
            )
            for title, table in (*definition().items(), ("measurements", [HEADER, *rows(count)])):
                file.write(f'<table:table table:name="{title}">'.encode())
                for row in table:
                    cells = "".join(map(ods_cell, row))
                    file.write(f"<table:table-row>{cells}</table:table-row>".encode())
                file.write(b"</table:table>")
            file.write(b"</office:spreadsheet></office:body></office:document-content>")
    return path


def ods_cell(value: str | float) -> str:
    kind = (
        f'"float" office:value="{value}"' if isinstance(value, float) else '"string"'
    )  # every text here is plain: nothing to escape
    shown = f"<text:p>{value}</text:p>"
    return f"<table:table-cell office:value-type={kind}>{shown}</table:table-cell>"


def seconds(path: Path) -> float:
    start = time.process_time()
    case = read_case(path)
    taken = time.process_time() - start
    if len(case.survey.measurements) != STREAMS * len(QUANTITIES):
        raise SystemExit(f"{path.name}: {len(case.survey.measurements)} measurements")
    return taken


def main() -> None:
    """Write the three files, read each once, print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=150_000)
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    found = []
    with tempfile.TemporaryDirectory() as folder:
        for write, name in ((write_folder, "csv"), (write_xlsx, "plant.xlsx"),
                            (write_ods, "plant.ods")):  # fmt: skip
            path = write(Path(folder) / name, asked.rows)
            found.append({"what": name, "rows": asked.rows, "seconds": seconds(path)})
    base = float(found[0]["seconds"])
    print(f"{'file':>12}{'rows':>10}{'seconds':>10}{'ratio':>8}")
    for row in found:
        taken = float(row["seconds"])
        print(f"{row['what']:>12}{row['rows']:>10}{taken:>10.2f}{taken / base:>8.1f}")
    if asked.json:
        asked.json.write_text(json.dumps(found, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
