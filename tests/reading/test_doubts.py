"""Containers and doubts of a case: read from folder and workbook, refused with the whole text.

Doubts of quantities and of sources of error, how they are told, and that workbooks keep them.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import openpyxl
import pytest
from balance_cases import only_balanced

from oretally.flowsheet import InputError
from oretally.io import read_case
from oretally.io.case import read_unmeasured
from oretally.io.forms import entry_workbook
from oretally.io.forms.case_workbook import case_workbook
from oretally.io.results.document import balance_document, balance_schema
from oretally.io.wording import search_sentence

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
_SOURCES = """[sources]
"floor scale" = { of = "dry mass", relative = 0.4, shared = true }
"Lab A" = { of = "Sn", relative = 1.5, shared = true, streams = ["feed", "tails"] }
"lab  a" = { of = "dry mass", relative = 0.1, streams = "conc" }
"splitting" = { of = "Sn", relative = 2, streams = "tails" }
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


def test_rates_of_sources(case: Callable[[str], Path]) -> None:
    """Names are folded as those of sources are: each is spelt as the parts of measurements are."""
    found = read_case(
        case(_SOURCES + '[doubts]\nSn = 5\n"FLOOR  scale" = 1\n"LAB a" = 8\nsplitting = 20\n')
    )
    rates = found.rates
    assert rates.by_quantity == {"Sn": 0.05}
    assert rates.by_source == {"floor scale": 0.01, "Lab A": 0.08, "splitting": 0.2}
    of = {
        (m.stream, m.quantity): rates.of(m.quantity, [p.source for p in m.parts])
        for m in found.survey.measurements
    }
    assert of == {
        ("feed", "dry mass"): 0.01, ("conc", "dry mass"): 0.08, ("tails", "dry mass"): 0.01,
        ("feed", "Sn"): 0.08, ("conc", "Sn"): 0.05, ("tails", "Sn"): 0.2,
    }  # fmt: skip


def test_rates_of_sources_are_told(case: Callable[[str], Path]) -> None:
    found = read_case(case(_SOURCES + '[doubts]\nSn = 5\n"lab a" = 8\n"floor scale" = 0.5\n'))
    balance = only_balanced(found.circuit, found.survey, rates=found.rates)
    assert "(as the case says: Sn 5 %, numbers from 'Lab A' 8 %, numbers from 'floor scale' " in (
        search_sentence(balance)
    )
    document = balance_document(balance)
    jsonschema.Draft202012Validator(balance_schema()).validate(document)
    assert document["search"]["rates"]["by_source"] == {"Lab A": 0.08, "floor scale": 0.005}


def test_workbooks_of_a_case_keep_its_doubts(case: Callable[[str], Path], tmp_path: Path) -> None:
    """That of a copied example, with its numbers, and that to type a test into."""
    text = _SOURCES + '[doubts]\nmeasurement = 2\nSn = 5\n"lab A" = 8\nsplitting = 0.1\n'
    folder, book = case(text), tmp_path / "again.xlsx"
    book.write_bytes(case_workbook(_CIRCUIT + text, _MEASUREMENTS))
    found, again = read_case(folder), read_case(book)
    assert again.rates == found.rates
    assert again.rates.by_source == {"Lab A": 0.08, "splitting": 0.001}
    assert again.survey.measurements == found.survey.measurements
    book.write_bytes(entry_workbook(read_unmeasured(folder)))
    doubts = [[(row.name, row.percent) for row in read_unmeasured(path).definition.doubts]
              for path in (folder, book)]  # fmt: skip
    assert doubts[0] == doubts[1]
    assert doubts[0][2:] == [("lab A", 8), ("splitting", 0.1)]


def test_read_from_a_workbook(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheets: dict[str, list[Any]] = {
        "circuit": [["stream", "from", "to"], ["feed", "", "table"], ["conc", "table", ""],
                    ["tails", "table", ""]],
        "report": [["key", "value"], ["basis", "batch"]],
        "errors": [["quantity", "relative"], ["dry mass", 1], ["Sn", 3]],
        "containers": [["container", "mass"], ["bucket", "1.2 kg"]],
        "sources": [["source", "quantity", "relative", "shared"],
                    ["Floor scale", "dry mass", 0.4, "yes"]],
        "doubts": [["quantity", "percent"], ["Sn", 4], ["floor  scale", 1]],
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
    assert found.rates.by_source == {"Floor scale": 0.01}


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
        "circuit.toml, line 11, dri mass: 'dri mass' is neither a quantity nor an error source of "
        "this case.\nDid you mean 'dry mass'?\nQuantities: dry mass, Sn; error sources: none; "
        "for all others measurement, for nodes loss.",
    ),
    "doubt of the other basis": (
        '[doubts]\n"dry rate" = 4\n',
        "circuit.toml, line 11, dry rate: 'dry rate' is neither a quantity nor an error source of "
        "this case.\nQuantities: dry mass, Sn; error sources: none; for all others measurement, "
        "for nodes loss.",
    ),
    "doubt of a misspelt source": (
        _SOURCES + "[doubts]\n'flor scale' = 4\n",
        "circuit.toml, line 16, flor scale: 'flor scale' is neither a quantity nor an error source "
        "of this case.\nDid you mean 'floor scale'?\nQuantities: dry mass, Sn; error sources: "
        "floor scale, Lab A, splitting; for all others measurement, for nodes loss.",
    ),
    "doubt of a source beyond reason": (
        _SOURCES + "[doubts]\n'floor scale' = 0\n",
        "circuit.toml, line 16, floor scale: How often it is badly wrong is given as 0; it is a "
        "number above 0 and below 50, in percent.\nWrite for example 3.",
    ),
    "doubt of a source twice": (
        _SOURCES + "[doubts]\n'Lab A' = 3\n'lab a' = 3\n",
        "circuit.toml, line 17, lab a: This is stated twice.\nTake one out.",
    ),
    "source called like a quantity": (
        '[sources]\nSN = { of = "Sn", relative = 2 }\n[doubts]\nsn = 3\n',
        "circuit.toml, line 13, sn: 'sn' can be read in two ways: the quantity Sn, or what comes "
        "from the error source 'SN'.\n"
        "Rename the error source under [sources], and here if it is what is meant.",
    ),
    "source called like a quantity that is typed": (
        '[sources]\nmoisture = { of = "dry mass", relative = 2 }\n[doubts]\nmoisture = 3\n',
        "circuit.toml, line 13, moisture: 'moisture' can be read in two ways: the quantity "
        "moisture, or what comes from the error source 'moisture'.\n"
        "Rename the error source under [sources], and here if it is what is meant.",
    ),
    "source called like all measurements": (
        '[sources]\nmeasurement = { of = "Sn", relative = 2 }\n[doubts]\nmeasurement = 3\n',
        "circuit.toml, line 13, measurement: 'measurement' can be read in two ways: every "
        "measurement that is not named, or what comes from the error source 'measurement'.\n"
        "Rename the error source under [sources], and here if it is what is meant.",
    ),
    "source called like losses": (
        '[sources]\nLoss = { of = "Sn", relative = 2 }\n[doubts]\nloss = 3\n',
        "circuit.toml, line 13, loss: 'loss' can be read in two ways: losses at nodes, or what "
        "comes from the error source 'Loss'.\n"
        "Rename the error source under [sources], and here if it is what is meant.",
    ),
    "doubt of a source that was refused": (
        "[sources]\n'Lab A' = { of = \"Sn\" }\n[doubts]\n'lab a' = 3\n",
        "circuit.toml, line 11, Sn: The error source 'Lab A' has no size.\n"
        "State relative, absolute or both, or sampling = { ... } for a grade.",
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
