"""Broken cases with water and solution: each message by its whole text."""

from __future__ import annotations

from pathlib import Path

import pytest
from water_rows import ROWS, WATER, r

from oretally.flowsheet import InputError
from oretally.io import read_case

OFF = (  # the same circuit, its water not balanced
    WATER.replace("water = true\n", "")
    .replace(', carries = "water"', "")
    .replace(', carries = "solution"', "")
    .replace('"leach"', '"mixer"')
    .replace("wash = { to", '"second feed" = { to')
    + '[report]\nfeed = "feed"\n'
)


WIDE = """\
stream,dry rate [t/h],wet rate [t/h],water [t/h],% solids,moisture [%],pulp density [kg/L],\
solids density [kg/L],pulp [m3/h],Au [g/t],Au in solution [mg/L]
feed,10,,,90,,,,,2,<0.01
wash,,,14,,,,,,,<0.01
overflow,,,7,,,,,,,1.2
"""


DRY_FEED = WATER.replace('feed = { to = "tank" }', 'feed = { to = "tank", carries = "dry" }')


def c(old: str, new: str) -> tuple[str, str]:
    """Return the case with something else in its circuit."""
    assert old in WATER
    return WATER.replace(old, new), ROWS


def full(row: str) -> tuple[str, str]:
    """Return the case with all ways to measure a pulp, and one more row."""
    return WATER, f"{WIDE}{row}\n"


# name: (circuit.toml, measurements.csv, all messages)
BROKEN: dict[str, tuple[str, str, str]] = {
    "carries unknown": (
        *c('carries = "water"', 'carries = "watr"'),
        "circuit.toml, line 5: The stream 'wash' is said to carry 'watr'.\nDid you mean 'water'?",
    ),
    "carries far": (
        *c('carries = "water"', 'carries = "cake"'),
        "circuit.toml, line 5: The stream 'wash' is said to carry 'cake'.\n"
        "Write one of: pulp, dry, water, solution, carbon, resin, precipitate.",
    ),
    "carries number": (
        *c('carries = "water"', "carries = 3"),
        "circuit.toml, line 5: The stream 'wash' is said to carry '3'.\n"
        "Write one of: pulp, dry, water, solution, carbon, resin, precipitate.",
    ),
    "like unknown": (
        *c(
            'underflow = { from = "thickener" }',
            'underflow = { from = "thickener", like = "pulb" }',
        ),
        "circuit.toml, line 7: Stream 'underflow' is said to be like 'pulb', which is no stream.\n"
        "Did you mean 'pulp'?",
    ),
    "like itself": (
        *c(
            'underflow = { from = "thickener" }',
            'underflow = { from = "thickener", like = "underflow" }',
        ),
        "circuit.toml, line 7: Stream 'underflow' is said to be like itself.\n"
        "Name another stream whose grades it has, or take 'like' out.",
    ),
    "like not a name": (
        *c('underflow = { from = "thickener" }', 'underflow = { from = "thickener", like = 4 }'),
        "circuit.toml, line 7: 'like' of the stream 'underflow' must be the name of a stream.\n"
        "Name the stream whose grades it has, or leave it out.",
    ),
    "like of other stuff": (
        *c(
            'underflow = { from = "thickener" }',
            'underflow = { from = "thickener", carries = "dry", like = "wash" }',
        ),
        "circuit.toml, line 7: Stream 'underflow' is said to be like 'wash', but one carries dry "
        "solids and the other no solids: they have no grade in common.\n"
        "Correct what one of them carries, or take 'like' out.\n"
        "\n"
        "measurements.csv, cell D5, stream 'underflow', % solids: The stream carries dry solids, "
        "so there is no % solids of it.\n"
        "Take it out,\n"
        'or let the stream carry "pulp".\n'
        "\n"
        "measurements.csv, cell F5, stream 'underflow', Au in solution: The stream carries dry "
        "solids, so there is no Au in solution of it.\n"
        "Take it out,\n"
        'or let the stream carry "pulp".',
    ),
    "water word": (
        *c("water = true", 'water = "maybe"'),
        "circuit.toml, line 2: 'water' is 'maybe'; it says whether water is balanced too.\n"
        "Write water = true, or leave it out (in a sheet yes or no).",
    ),
    "water column without": (
        OFF,
        "stream,dry rate [t/h],water [t/h],Au [g/t]\nfeed,10,4,2\n",
        "measurements.csv, cell C1, water: Water is given, but the water of this case is not "
        "balanced.\n"
        "Write water = true at the top of the case (in the sheet report: water, yes),\n"
        "or take it out.",
    ),
    "solution column without": (
        OFF,
        "stream,dry rate [t/h],Au [g/t],Au solution [mg/L]\nfeed,10,2,1\n",
        "measurements.csv, cell D1, Au in solution: A grade of the solution is given, but the "
        "water of this case is not balanced.\n"
        "Write water = true at the top of the case (in the sheet report: water, yes),\n"
        "or take it out.",
    ),
    "stream of water without": (
        OFF.replace(
            'overflow = { from = "thickener" }',
            'overflow = { from = "thickener", carries = "solution" }',
        ),
        "stream,dry rate [t/h],Au [g/t]\nfeed,10,2\n",
        "circuit.toml, line 7: Stream 'overflow' carries water or solution, but the water of "
        "this case is not balanced.\n"
        "Write water = true at the top of the case,\n"
        "or take the stream out.",
    ),
    "leach without": (
        OFF.replace('"mixer"', '"leach"'),
        "stream,dry rate [t/h],Au [g/t]\nfeed,10,2\n",
        "circuit.toml, line 9: At the leach 'tank' analytes pass into the solution, but the "
        "water of this case is not balanced.\n"
        "Write water = true at the top of the case\n"
        "or make the node a separator.",
    ),
    "nothing dissolves": (
        WATER.replace('"Au in solution" = { relative = 2, absolute = "0.005 mg/L" }\n', ""),
        "stream,dry rate [t/h],water [m3/h],Au [g/t]\nfeed,10,1,2\nunderflow,,,0.2\n",
        "circuit.toml, line 10: At the leach 'tank' nothing can dissolve: no analyte is in the "
        "solution.\n"
        'Give its assays (Au in solution [mg/L]), or state it: Au = { unit = "g/t", dissolved = '
        "true }\n"
        "or make the node a separator.",
    ),
    "dissolved word": (
        *c('unit = "g/t"', 'unit = "g/t", dissolved = "partly"'),
        "circuit.toml, line 13, Au: 'dissolved' of Au is partly; it says whether the solution "
        "carries it.\n"
        "Write true or false (in a sheet yes or no).",
    ),
    "dissolved false": (
        *c('unit = "g/t"', 'unit = "g/t", dissolved = false'),
        "measurements.csv: Au is assayed in the solution, but [analytes] says dissolved = false.\n"
        "Take one of the two out.",
    ),
    "analyte in solution listed": (
        *c(
            'Au = { unit = "g/t" }\n',
            'Au = { unit = "g/t" }\n"Au in solution" = { unit = "g/t" }\n',
        ),
        "circuit.toml, line 14: 'Au in solution' is no analyte of its own but Au, in the "
        "solution.\n"
        "List Au alone.",
    ),
    "analyte water": (
        *c('Au = { unit = "g/t" }\n', 'Au = { unit = "g/t" }\nwater = { unit = "%" }\n'),
        "circuit.toml, line 14: 'water' cannot be the name of an analyte.\nRename it.",
    ),
    "solution only": (
        WATER.replace('[analytes]\nAu = { unit = "g/t" }\n', "").replace(
            "Au = { relative = 3 }\n", ""
        ),
        "stream,dry rate [t/h],water [m3/h],Au in solution [mg/L]\nfeed,10,1,1\n",
        "measurements.csv: Au is assayed in the solution only, so the unit of its grade in "
        "solids is not known.\n"
        'List it: [analytes] "Au" = { unit = "g/t" }, with the unit that you want.',
    ),
    "other in solution": (
        *r("Au in solution [mg/L]", "Ag in solution [mg/L]"),
        "measurements.csv, cell F1, Ag in solution: 'Ag in solution' is no quantity of this "
        "case.\n"
        "Analytes: Au. List a new one under [analytes].",
    ),
    "solution unit": (
        *r("Au in solution [mg/L]", "Au in solution [ppm]"),
        "measurements.csv, cell F1, Au in solution: 'ppm' of a solution can be read in two ways: "
        "mg/L, or mass by mass, which differs by the solution's density.\n"
        "Write mg/L if that is what the laboratory means.",
    ),
    "solution unit of solids": (
        *r("Au in solution [mg/L]", "Au in solution [g/t]"),
        "measurements.csv, cell F1, Au in solution: 'g/t' is the unit of a grade, but a solution "
        "grade is wanted.\n"
        "Write one of: g/L, mg/L, ug/L, g/m3, kg/m3.",
    ),
    "water unit": (
        *r("water [m3/h]", "water [m3]"),
        "measurements.csv, cell C1, water: 'm3' is the unit of a volume, but a mass rate is "
        "wanted.\n"
        "Write a mass and a time, for example t/h, kg/h, t/d, st/h or lb/h.\n"
        "By volume: write a volume and a time, for example m3/h, L/min or usgal/min.",
    ),
    "solution above": (
        *r("1.22", ">1.22"),
        "measurements.csv, cell F6, stream 'overflow', Au in solution: A grade is measured, or "
        "it is not: '>' says neither.\n"
        "Assay it, or leave it blank.",
    ),
    "solution trace": (
        *r("<0.01\nwash", "trace\nwash"),
        "measurements.csv, cell F2, stream 'feed', Au in solution: 'trace' says that the grade "
        "is below detection, but not below what.\n"
        "Write the limit, as in <0.01.",
    ),
    "solution negative": (
        *r("1.22", "-1.22"),
        "measurements.csv, cell F6, stream 'overflow', Au in solution: The grade is -1.22 mg/L; "
        "it cannot be negative.\n"
        "Correct it, or leave the cell blank if it was not measured.",
    ),
    "solution in dry": (
        DRY_FEED,
        ROWS.replace("feed,10.1,,90.2,2.05,<0.01", "feed,10.1,,,2.05,0.3"),
        "measurements.csv, cell F2, stream 'feed', Au in solution: The stream carries dry "
        "solids, so there is no Au in solution of it.\n"
        "Take it out,\n"
        'or let the stream carry "pulp".',
    ),
    "% solids in dry": (
        DRY_FEED,
        ROWS.replace("feed,10.1,,90.2,2.05,<0.01", "feed,10.1,,90.2,2.05,"),
        "measurements.csv, cell D2, stream 'feed', % solids: The stream carries dry solids, so "
        "there is no % solids of it.\n"
        "Take it out,\n"
        'or let the stream carry "pulp".',
    ),
    "% solids in water": (
        *r("wash,,13.9,,", "wash,,13.9,5,"),
        "measurements.csv, cell D3, stream 'wash', % solids: The stream carries water or "
        "solution without solids, so there is no % solids of it.\n"
        "Give the water of the stream in place of it,\n"
        'or let the stream carry "pulp".',
    ),
    "dry in water": (
        *r("wash,,13.9", "wash,3,13.9"),
        "measurements.csv, cell B3, stream 'wash', dry rate: The stream carries water or "
        "solution without solids, so there is no dry rate of it.\n"
        "Take it out,\n"
        'or let the stream carry "pulp".',
    ),
    "grade in solution stream": (
        *r("overflow,,6.9,,,", "overflow,,6.9,,2,"),
        "measurements.csv, cell E6, stream 'overflow', Au: The stream carries water or solution "
        "without solids, so there is no Au of it.\n"
        "Take it out,\n"
        'or let the stream carry "pulp".',
    ),
    "% solids 0": (
        *r("55.4", "0"),
        "measurements.csv, cell D5, stream 'underflow', % solids: The % solids is 0 %; it is "
        "above 0 and at most 100 %.\n"
        "Correct the value or its unit.\n"
        'Water without solids is a stream with carries = "water".',
    ),
    "% solids 101": (
        *r("55.4", "101"),
        "measurements.csv, cell D5, stream 'underflow', % solids: The % solids is 101 %; it is "
        "above 0 and at most 100 %.\n"
        "Correct the value or its unit.\n"
        'Water without solids is a stream with carries = "water".',
    ),
    "both shares": (
        *full("underflow,,,,55,45,,,,0.2,1.2"),
        "measurements.csv, cell F5, stream 'underflow', moisture: Both % solids and moisture are "
        "given; they say the same twice.\n"
        "Take one of them out.",
    ),
    "moisture 100": (
        *full("underflow,,,,,100,,,,0.2,1.2"),
        "measurements.csv, cell F5, stream 'underflow', moisture: The moisture is 100 %; it lies "
        "between 0 and 100 %.\n"
        "Correct the value or its unit.",
    ),
    "pulp as water": (
        *full("underflow,,,,,,1.0,2.7,,0.2,1.2"),
        "measurements.csv, cell G5, stream 'underflow', pulp density: The pulp density is 1 "
        "kg/L, no more than that of water (1 kg/L).\n"
        "Correct the value or its unit.",
    ),
    "pulp as solids": (
        *full("underflow,,,,,,2.8,2.7,,0.2,1.2"),
        "measurements.csv, cell G5, stream 'underflow', pulp density: The pulp is as dense as "
        "its solids, or denser.\n"
        "Correct one of the two.",
    ),
    "density alone": (
        *full("underflow,,,,,,1.4,,,0.2,1.2"),
        "measurements.csv, cell G5, stream 'underflow', pulp density: The pulp density has no "
        "solids density to go with it.\n"
        "Give the solids density, or the % solids in its place.",
    ),
    "solids density alone": (
        *full("underflow,,,,55,,,2.7,,0.2,1.2"),
        "measurements.csv, cell H5, stream 'underflow', solids density: The solids density goes "
        "with nothing.\n"
        "Give the pulp density (or the pulp, with % solids), or take it out.",
    ),
    "share and densities": (
        *full("underflow,,,,55,,1.4,2.7,,0.2,1.2"),
        "measurements.csv, cell G5, stream 'underflow', pulp density: Both % solids and pulp "
        "density are given; they say the same twice.\n"
        "Take one of them out.",
    ),
    "pulp and wet": (
        *full("underflow,,18,,55,,1.4,,12,0.2,1.2"),
        "measurements.csv, cell I5, stream 'underflow', pulp: Both wet rate and pulp are given; "
        "they say the same twice.\n"
        "Take one of them out.",
    ),
    "pulp alone": (
        *full("underflow,,,,55,,,,12,0.2,1.2"),
        "measurements.csv, cell I5, stream 'underflow', pulp: The pulp alone does not say how "
        "much it weighs.\n"
        "Give it with pulp density,\n"
        "or with % solids and solids density\n"
        "or give the wet rate.",
    ),
    "splitter": (
        *c('thickener = { kind = "thickener" }', 'thickener = { kind = "splitter" }'),
        "circuit.toml, line 11: The outlets of the splitter 'thickener' ('underflow', "
        "'overflow') carry different things; those of a splitter differ in nothing but their "
        "flow.\n"
        "Let them carry the same, or make the node a separator.",
    ),
    "solids lost": (
        *c(
            'underflow = { from = "thickener" }',
            'underflow = { from = "thickener", carries = "solution" }',
        ),
        "circuit.toml, line 11: The solids of 'pulp' enter the node 'thickener', but no stream "
        "that leaves it carries solids.\n"
        "Correct what its streams carry, or add the stream that is missing.\n"
        "\n"
        "measurements.csv, cell D5, stream 'underflow', % solids: The stream carries water or "
        "solution without solids, so there is no % solids of it.\n"
        "Give the water of the stream in place of it,\n"
        'or let the stream carry "pulp".\n'
        "\n"
        "measurements.csv, cell E5, stream 'underflow', Au: The stream carries water or solution "
        "without solids, so there is no Au of it.\n"
        "Take it out,\n"
        'or let the stream carry "pulp".',
    ),
    "water lost": (
        WATER.replace(
            'underflow = { from = "thickener" }',
            'underflow = { from = "thickener", carries = "dry" }',
        ).replace(', carries = "solution"', ', carries = "dry"'),
        "stream,dry rate [t/h],Au [g/t],Au in solution [mg/L]\nfeed,10,2,1\n",
        "circuit.toml, line 11: The water of 'pulp' enters the node 'thickener', but no stream "
        "that leaves it carries water.\n"
        "Correct what its streams carry, or add the stream that is missing.",
    ),
    "error of solution": (
        *c('absolute = "0.005 mg/L"', 'absolute = "0.005 g/t"'),
        "circuit.toml, line 24, Au in solution: 'g/t' is the unit of a grade, but a solution "
        "grade is wanted.\n"
        "Write one of: g/L, mg/L, ug/L, g/m3, kg/m3.",
    ),
}


@pytest.mark.parametrize("name", list(BROKEN))
def test_message(name: str, tmp_path: Path) -> None:
    circuit, rows, message = BROKEN[name]
    (tmp_path / "circuit.toml").write_text(circuit, "utf-8")
    (tmp_path / "measurements.csv").write_text(rows, "utf-8")
    with pytest.raises(InputError) as caught:
        read_case(tmp_path)
    assert "\n\n".join(map(str, caught.value.faults)) == message
