"""Error sources in a case: read, put to the measurements, shown; bad ones by their whole text."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import openpyxl
import pytest
from balance_cases import only_balanced

from oretally.flowsheet import InputError
from oretally.io.case import Case, read_case
from oretally.io.results import ALL, summary
from oretally.io.results.document import balance_document
from oretally.recon import Balance

CIRCUIT = """title = "Sand test"
basis = "batch"
[streams]
"feed" = { to = "spiral" }
"conc" = { from = "spiral" }
"tails" = { from = "spiral" }
[analytes]
Ti = { unit = "%" }
[errors]
"dry mass" = { absolute = "20 g" }
"wet mass" = { absolute = "20 g" }
moisture = { absolute = "0.1 %" }
Ti = { relative = 2 }
"""
MEASUREMENTS = """stream,dry mass [kg],wet mass [kg],moisture [%],Ti [%]
feed,60.2,,,3.1
conc,,7.6,8.0,19.5
tails,,58.9,10.0,0.82
"""


def case_of(folder: Path, sources: str, measurements: str = MEASUREMENTS) -> Case:
    (folder / "circuit.toml").write_text(CIRCUIT + sources, "utf-8")
    (folder / "measurements.csv").write_text(measurements, "utf-8")
    return read_case(folder)


def balance_of(case: Case) -> Balance:
    return only_balanced(case.circuit, case.survey, feed=case.feed, products=case.products)


def test_sources_add_to_the_stated_error(tmp_path: Path) -> None:
    case = case_of(
        tmp_path,
        """[sources]
"splitting" = { of = "Ti", relative = 3, streams = ["feed", "tails"] }
"assay batch" = { of = "Ti", relative = 1.5, coverage = 1, shared = true, dof = 20 }
""",
    )
    feed, conc = case.survey.measured("feed", "Ti"), case.survey.measured("conc", "Ti")
    assert feed is not None
    assert conc is not None
    assert feed.sd == pytest.approx(0.031 * (2.0**2 + 3.0**2 + 1.5**2) ** 0.5)
    assert [(p.source, p.shared, p.dof) for p in feed.parts] == [
        ("stated error", False, np.inf), ("splitting", False, np.inf), ("assay batch", True, 20.0)
    ]  # fmt: skip
    assert conc.sd == pytest.approx(0.195 * (2.0**2 + 1.5**2) ** 0.5)
    (shared,) = case.survey.shared
    assert shared.loadings == pytest.approx({"feed": 4.65e-4, "conc": 29.25e-4, "tails": 1.23e-4})


def test_one_scale_for_wet_and_dry(tmp_path: Path) -> None:
    """The loadings of wet masses pass through the moisture; a source moves all three masses."""
    case = case_of(
        tmp_path,
        '[sources]\nscale = { of = ["wet mass", "dry mass"], relative = 0.5, shared = true }\n',
    )
    (scale,) = case.survey.shared
    assert scale.quantity == "dry mass"
    assert scale.loadings == pytest.approx(
        {"feed": 0.301, "conc": 0.038 * 0.92, "tails": 0.2945 * 0.9}, rel=1e-6
    )
    tails = case.survey.measured("tails", "dry mass")
    assert tails is not None
    own = (0.02 * 0.9) ** 2 + (58.9 * 0.001) ** 2
    assert case.survey.own_variance(tails) == pytest.approx(own, rel=1e-6)


def test_one_moisture_sample_for_two_streams(tmp_path: Path) -> None:
    """More moisture, less dry mass: the loadings have one sign and the sizes of the wet masses."""
    case = case_of(
        tmp_path, '[sources]\n"one sample" = { of = "moisture", absolute = "1 %", shared = true }\n'
    )
    (sample,) = case.survey.shared
    assert sample.loadings == pytest.approx({"conc": -0.076, "tails": -0.589}, rel=1e-6)


def test_a_source_of_wet_mass_and_moisture_together(tmp_path: Path) -> None:
    """One cause that moves both inputs of a dry mass: its effects add with their signs."""
    case = case_of(
        tmp_path,
        '[sources]\nrain = { of = ["wet mass", "moisture"], relative = 2, shared = true }\n',
    )
    (rain,) = case.survey.shared
    conc = case.survey.measured("conc", "dry mass")
    assert conc is not None
    expected = 0.02 * 7.6 * 0.92 - 0.02 * 0.08 * 7.6
    assert rain.loadings["conc"] == pytest.approx(expected, rel=1e-6)
    own = (0.02 * 0.92) ** 2 + (7.6 * 0.001) ** 2
    assert case.survey.own_variance(conc) == pytest.approx(own, rel=1e-6)


def test_shown_everywhere(tmp_path: Path) -> None:
    case = case_of(
        tmp_path,
        """[sources]
"splitting" = { of = "Ti", relative = 3, streams = "tails" }
"assay batch" = { of = "Ti", relative = 1.5, shared = true, dof = 20 }
"dust" = { of = "pulp", relative = 2 }
""",
    )
    balance = balance_of(case)
    text = summary(balance, parts=(ALL,))
    made_of = text.split("What the stated errors are made of")[1]
    line = next(line for line in made_of.splitlines() if "splitting" in line)
    assert (
        line.split()
        == (
            "tails Ti [%] 0.032 splitting 59 %, stated error 26 %, assay batch (shared) 15 %; "
            "919 degrees of freedom"
        ).split()
    )
    assert "What the ± of the recoveries comes from" in text
    assert "The error source 'dust' of pulp concerns nothing that was measured." in case.notes
    document = balance_document(balance)
    row = next(v for v in document["values"] if (v["stream"], v["quantity"]) == ("tails", "Ti"))
    assert [(p["source"], p["shared"], p["dof"]) for p in row["error_parts"]] == [
        ("stated error", False, None), ("splitting", False, None), ("assay batch", True, 20.0)
    ]  # fmt: skip
    assert {s["source"] for b in document["budgets"] for s in b["shares"]} >= {
        "stated error", "splitting", "assay batch"
    }  # fmt: skip
    json.dumps(document)


def test_sources_in_a_workbook(tmp_path: Path) -> None:
    """The same case as a workbook gives the same survey."""
    folder = tmp_path / "folder"
    folder.mkdir()
    from_folder = case_of(
        folder,
        """[sources]
"splitting" = { of = "Ti", relative = 3, streams = ["feed", "tails"] }
"scale" = { of = ["wet mass", "dry mass"], relative = 0.5, shared = true }
""",
    )
    book = openpyxl.Workbook()
    sheets: dict[str, list[Sequence[object]]] = {
        "circuit": [("stream", "from", "to"), ("feed", "", "spiral"), ("conc", "spiral", ""),
                    ("tails", "spiral", "")],
        "analytes": [("analyte", "unit"), ("Ti", "%")],
        "errors": [("quantity", "relative", "absolute"), ("dry mass", None, "20 g"),
                   ("wet mass", None, "20 g"), ("moisture", None, "0.1 %"), ("Ti", 2, None)],
        "sources": [("source", "quantity", "stream", "relative", "shared"),
                    ("splitting", "Ti", "feed", 3, None), ("splitting", "Ti", "tails", 3, "no"),
                    ("scale", "wet mass", None, 0.5, "yes"),
                    ("scale", "dry mass", None, 0.5, True)],
        "report": [("key", "value"), ("title", "Sand test"), ("basis", "batch")],
        "measurements": [line.split(",") for line in MEASUREMENTS.splitlines()],
    }  # fmt: skip
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append([None if c == "" else c for c in row])
    book.save(tmp_path / "case.xlsx")
    from_book = read_case(tmp_path / "case.xlsx")
    assert from_book.survey.shared == from_folder.survey.shared
    assert from_book.survey.measurements == from_folder.survey.measurements


BAD = {
    '"x" = 3': (
        "circuit.toml, line 15: The error source 'x' is not a table.\n"
        'Write { of = "...", relative = 2 }.'
    ),
    "x = { relative = 3 }": (
        "circuit.toml, line 15: The error source 'x' does not say of what.\n"
        'Write of = "dry mass", or of = ["...", "..."].'
    ),
    "x = { of = 3, relative = 3 }": (
        "circuit.toml, line 15: 'of' must be a name or a list of names.\n"
        'Write of = "...", or of = ["...", "..."].'
    ),
    'x = { of = "Ti", relative = 3, streams = [4] }': (
        "circuit.toml, line 15: 'streams' must be a name or a list of names.\n"
        'Write streams = "...", or streams = ["...", "..."].'
    ),
    'x = { of = "Tii", relative = 3 }': (
        "circuit.toml, line 15, Tii: An error source is stated for 'Tii', which is no quantity of "
        "this case (basis \"batch\").\nDid you mean 'Ti'?"
    ),
    'x = { of = "Ti", relative = 3, streams = "tail" }': (
        "circuit.toml, line 15, stream 'tail', Ti: There is no such stream.\nDid you mean 'tails'?"
    ),
    'x = { of = "Ti" }': (
        "circuit.toml, line 15, Ti: The error source 'x' has no size.\n"
        "State relative, absolute or both, or sampling = { ... } for a grade."
    ),
    'x = { of = "Ti", relative = -1 }': (
        "circuit.toml, line 15, Ti: The relative error is -1; it is a number of at least 0, in "
        "percent of the value.\nWrite for example relative = 3."
    ),
    'x = { of = "Ti", absolute = "2 kg" }': (
        "circuit.toml, line 15, Ti: 'kg' is the unit of a mass, but a grade is wanted.\n"
        "Write one of: %, g/g, g/kg, kg/t, g/t, mg/kg, ppm, ppb, lb/st, lb/t, lb/lt, ozt/st, "
        "ozt/t, ozt/lt."
    ),
    'x = { of = "Ti", relative = 3, shared = "perhaps" }': (
        "circuit.toml, line 15, Ti: 'shared' is perhaps; it says whether the error is the same in "
        "all its measurements.\nWrite true or false (in a sheet yes or no); or over which surveys "
        "of a campaign it is the same: day, week, month, campaign."
    ),
    'x = { of = "Ti", relative = 3, dof = 0 }': (
        "circuit.toml, line 15, Ti: The degrees of freedom are 0; they are a number above 0.\n"
        "Write the number of readings less one, or leave it out."
    ),
    'x = { of = "Ti", relative = 3, share = true }': (
        "circuit.toml, line 15: 'share' is not known here.\nDid you mean 'shared'?"
    ),
    'x = { of = ["Ti", "Ti"], relative = 3 }': (
        "circuit.toml, line 15, Ti: The error source 'x' is stated twice for the same.\n"
        "Take one out."
    ),
    '"stated error" = { of = "Ti", relative = 3 }': (
        "circuit.toml, line 15, Ti: 'stated error' is what rows and rules state.\nName the source."
    ),
    'x = { of = "Ti", absolute = "from lab" }': (
        "circuit.toml, line 15, Ti: The duplicates of a batch give a stated error, not a source.\n"
        'Write "from lab" under [errors].'
    ),
    'x = { of = "dry mass", sampling = { top = "2 mm" } }': (
        "circuit.toml, line 15, dry mass: A way of sampling gives the error of a grade only.\n"
        "State relative or absolute figures."
    ),
    'x = { of = "Ti", relative = 2, sampling = { top = "2 mm" } }': (
        "circuit.toml, line 15, Ti: Both figures and a way of sampling are given.\nTake one out."
    ),
    'x = { of = "Ti", sampling = 2 }': (
        "circuit.toml, line 15, Ti: 'sampling' is not a table.\n"
        'Write sampling = { top = "2 mm", mass = "1 kg" } and the like.'
    ),
}


@pytest.mark.parametrize("written", list(BAD))
def test_bad_sources(tmp_path: Path, written: str) -> None:
    with pytest.raises(InputError) as caught:
        case_of(tmp_path, f"[sources]\n{written}\n")
    assert [str(f) for f in caught.value.faults] == [BAD[written]]


def test_sampling_as_a_source(tmp_path: Path) -> None:
    """Gy's fundamental error of the tails' sample, on top of the assay's error."""
    case = case_of(
        tmp_path,
        """[sources]
"splitting" = { of = "Ti", streams = "tails", sampling = { top = "2 mm", liberation = "0.2 mm", \
mass = "200 g", "mineral density" = "4.5 kg/L", "gangue density" = "2.65 kg/L", \
"mineral grade" = "60 %" } }
""",
    )
    tails, conc = case.survey.measured("tails", "Ti"), case.survey.measured("conc", "Ti")
    assert tails is not None
    assert conc is not None
    assert not conc.parts
    # Gy's constant by hand: m = (1 - a)/a ((1 - a) r + a t), C = 0.5 * 0.25 * l * m, s2 = C d3 / M
    a = 0.0082 / 0.60
    m = (1.0 - a) / a * ((1.0 - a) * 4.5 + a * 2.65)
    variance = 0.5 * 0.25 * (0.2 / 2.0) ** 0.5 * m * 0.2**3 / 200.0
    assert tails.parts[1].sd == pytest.approx(0.82 * variance**0.5, rel=1e-6)


def test_sampling_of_a_grade_above_the_mineral(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        case_of(
            tmp_path,
            """[sources]
"splitting" = { of = "Ti", streams = "conc", sampling = { top = "2 mm", liberation = "0.2 mm", \
mass = "200 g", "mineral density" = "4.5 kg/L", "gangue density" = "2.65 kg/L", \
"mineral grade" = "15 %" } }
""",
        )
    assert [str(f) for f in caught.value.faults] == [
        "measurements.csv: A sampling error cannot be computed: the grade of the ore, 0.195, is "
        "above that of its mineral, 0.15.\n"
        "Correct the assay, or what [sources] says of the mineral."
    ]


def test_what_a_sampling_error_takes_for_granted_is_told(tmp_path: Path) -> None:
    case = case_of(
        tmp_path,
        """[sources]
"splitting" = { of = "Ti", streams = "tails", sampling = { top = "2 mm", liberation = "unknown", \
mass = "200 g", "mineral density" = "4.5 kg/L", "gangue density" = "2.65 kg/L", \
"mineral grade" = "60 %" } }
""",
    )
    told = [n for n in case.notes if n.startswith("The sampling error 'splitting' of Ti takes for")]
    assert told == [
        "The sampling error 'splitting' of Ti takes for granted: liberation size unknown: taken as "
        "the coarsest top size, the worst case; shape factor 0.5, that of most ores; lot far "
        "larger than the sample; granulometric factor 0.25, that of all sizes below the top size."
    ]


# ---- sources that do less than they say


def test_one_source_in_two_spellings_is_one(tmp_path: Path) -> None:
    """'Scale' of the wet masses and 'scale' of the dry mass move together."""
    spelt = [
        f"[sources]\n{one} = {{ of = \"wet mass\", relative = 0.5, shared = true }}\n"
        f"{other} = {{ of = \"dry mass\", relative = 0.5, shared = true }}\n"
        for one, other in (("scale", "Scale"), ("scale", '"scale "'))
    ]  # fmt: skip
    together = case_of(
        tmp_path,
        '[sources]\nscale = { of = ["wet mass", "dry mass"], relative = 0.5, shared = true }\n',
    )
    for sources in spelt:
        case = case_of(tmp_path, sources)
        assert case.survey.shared == together.survey.shared
        assert case.survey.measurements == together.survey.measurements


def test_shared_by_a_single_measurement(tmp_path: Path) -> None:
    case = case_of(
        tmp_path,
        '[sources]\nbatch = { of = "Ti", relative = 1.5, streams = "feed", shared = true }\n',
    )
    assert case.notes[-1:] == (
        "The error source 'batch' of Ti is stated as shared, but concerns a single measurement: "
        "nothing shares it.",
    )
    assert case.survey.shared == ()


def test_a_source_as_large_as_the_value(tmp_path: Path) -> None:
    case = case_of(
        tmp_path, '[sources]\nsampling = { of = "Ti", relative = 92, streams = "tails" }\n'
    )
    assert case.notes[-1:] == (
        "The error source 'sampling' is 92 % of Ti of 'tails': so large an error is not normally "
        "distributed, and ± and chances that rest on it are rough.",
    )


@pytest.mark.parametrize("analytes", ["", '[analytes]\nTi = { unit = "%" }\n'])
def test_a_source_of_what_is_not_there(tmp_path: Path, analytes: str) -> None:
    circuit = CIRCUIT.replace('[analytes]\nTi = { unit = "%" }\n', analytes)
    (tmp_path / "circuit.toml").write_text(
        circuit + '[sources]\n"lab" = { of = "Ag", relative = 2 }\n', "utf-8"
    )
    (tmp_path / "measurements.csv").write_text(MEASUREMENTS, "utf-8")
    with pytest.raises(InputError) as stop:
        read_case(tmp_path)
    (fault,) = stop.value.faults
    assert "An error source is stated for 'Ag', which is no quantity of this case" in str(fault)
    assert "Quantities: dry mass, Ti." in str(fault)


@pytest.mark.parametrize(
    ("source", "told"),
    [
        (
            '"s" = { of = "Ti", relative = 2, streams = [] }',
            "circuit.toml, line 15: The error source 's' names no stream.\n"
            "Name one, or leave 'streams' out: then it is of all.",
        ),
        (
            '"s" = { of = "Ti", shared = true, sampling = { top = "2 mm", liberation = "0.1 mm", '
            'mass = "1 kg", "mineral density" = "4.7 kg/L", "gangue density" = "2.7 kg/L", '
            '"mineral grade" = "31.6 %" } }',
            "circuit.toml, line 15, Ti: The sampling error 's' is shared; but each sample has its "
            "own.\nTake 'shared' out.",
        ),
    ],
)
def test_sources_that_cannot_be_meant(tmp_path: Path, source: str, told: str) -> None:
    with pytest.raises(InputError) as stop:
        case_of(tmp_path, f"[sources]\n{source}\n")
    assert [str(f) for f in stop.value.faults] == [told]
