"""Containers and doubts of a case: read from folder and workbook, refused with the whole text."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from oretally.flowsheet import InputError
from oretally.io import read_case

_CIRCUIT = """title = "t"
basis = "batch"
[streams]
feed = { to = "table" }
conc = { from = "table" }
tails = { from = "table" }
[errors]
"dry mass" = { relative = 1 }
Sn = { relative = 3 }
"""
_MEASUREMENTS = "stream,dry mass [kg],Sn [%]\nfeed,10,1\nconc,0.2,30\ntails,9.8,0.4\n"


@pytest.fixture
def case(tmp_path: Path) -> Callable[[str], Path]:
    """Return a writer of a case folder with more lines at the end of circuit.toml."""

    def write(more: str) -> Path:
        (tmp_path / "circuit.toml").write_text(_CIRCUIT + more, "utf-8")
        (tmp_path / "measurements.csv").write_text(_MEASUREMENTS, "utf-8")
        return tmp_path

    return write


def test_read_from_a_folder(case: Callable[[str], Path]) -> None:
    found = read_case(
        case('[containers]\nbucket = "1.2 kg"\n"small can" = "150 g"\n'
             '[doubts]\nSn = 5\nmeasurement = 2\nloss = 0.1\n')
    )  # fmt: skip
    assert found.survey.containers == {"bucket": 1.2, "small can": 0.15}
    assert found.rates.by_quantity == {"Sn": 0.05}
    assert (found.rates.measurement, found.rates.loss) == (0.02, 0.001)


def test_read_from_a_workbook(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheets: dict[str, list[Any]] = {
        "circuit": [["stream", "from", "to"], ["feed", "", "table"], ["conc", "table", ""],
                    ["tails", "table", ""]],
        "report": [["key", "value"], ["basis", "batch"]],
        "errors": [["quantity", "relative"], ["dry mass", 1], ["Sn", 3]],
        "containers": [["container", "mass"], ["bucket", "1.2 kg"]],
        "doubts": [["quantity", "percent"], ["Sn", 4]],
        "measurements": [line.split(",") for line in _MEASUREMENTS.splitlines()],
    }  # fmt: skip
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
    book.save(tmp_path / "case.xlsx")
    found = read_case(tmp_path / "case.xlsx")
    assert found.survey.containers == {"bucket": 1.2}
    assert found.rates.by_quantity == {"Sn": 0.04}


MESSAGES = {
    "container without unit": (
        "[containers]\nbucket = 1.2\n",
        "circuit.toml, line 11, empty mass: The mass of the container 'bucket' is '1.2'; it is a "
        'number above 0 with its unit.\nWrite for example "bucket" = "1.25 kg".',
    ),
    "container in a wrong unit": (
        '[containers]\nbucket = "1.2 t/h"\n',
        "circuit.toml, line 11, empty mass: 't/h' is the unit of a mass rate, but a mass is "
        "wanted.\nWrite one of: mg, g, kg, t, lb, st, lt, ozt.",
    ),
    "container in tons": (
        '[containers]\nbucket = "1.2 ton"\n',
        "circuit.toml, line 11, empty mass: 'ton' can be read in three ways: t = 1000 kg, st = "
        "907.185 kg, lt = 1016.047 kg.\nWrite t (tonne), st (short ton) or lt (long ton).",
    ),
    "doubt of nothing": (
        '[doubts]\n"dri mass" = 4\n',
        "circuit.toml, line 11, dri mass: 'dri mass' is no quantity of this case.\n"
        "Did you mean 'dry mass'?",
    ),
    "doubt of the other basis": (
        '[doubts]\n"dry rate" = 4\n',
        "circuit.toml, line 11, dry rate: 'dry rate' is no quantity of this case.\n"
        "Known here: dry mass, Sn, measurement, loss.",
    ),
    "doubt beyond reason": (
        "[doubts]\nSn = 80\n",
        "circuit.toml, line 11, Sn: How often it is badly wrong is given as 80; it is a number "
        "above 0 and below 50, in percent.\nWrite for example 3.",
    ),
    "doubt twice": (
        "[doubts]\nSn = 3\nSN = 3\n",
        "circuit.toml, line 12, SN: This is stated twice.\nTake one out.",
    ),
}


@pytest.mark.parametrize("name", list(MESSAGES))
def test_message(name: str, case: Callable[[str], Path]) -> None:
    more, text = MESSAGES[name]
    with pytest.raises(InputError) as refused:
        read_case(case(more))
    assert str(refused.value) == text
