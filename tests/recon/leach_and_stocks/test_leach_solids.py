"""Solids at a leach: those that dissolve, and carbon that takes metal out of the solution.

All cases are invented.
"""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import openpyxl
import pytest

from oretally.flowsheet import InputError
from oretally.io import Case, read_case
from oretally.io.case import read_unmeasured
from oretally.io.forms.definition_sheets import definition_sheets
from oretally.io.results import html_report, summary, to_json, xlsx_bytes
from oretally.io.results.document import balance_schema
from oretally.recon import Balance, reconcile

ACID = """\
title = "acid leach"
basis = "batch"
water = true
[streams]
ore = { to = "vat" }
acid = { to = "vat", carries = "solution" }
residue = { from = "vat" }
[nodes]
vat = { kind = "leach", dissolves = true }
[analytes]
Cu = { unit = "%", dissolved = true }
Si = { unit = "%" }
[errors]
"dry mass" = { relative = 0.5 }
water = { relative = 1 }
Cu = { relative = 3 }
Si = { relative = 2 }
"Cu in solution" = { relative = 2, absolute = "0.005 g/L" }
"""
ACID_ROWS = """\
stream,dry mass [kg],water [L],Cu [%],Si [%],Cu in solution [g/L]
ore,10,0.1,2,30,0
acid,,20,,,0
residue,8.5,,0.35,35,8.4
"""
NOT_SAID = ACID.replace(", dissolves = true", "")
# without silica and the solution's assay nothing checks the masses
PLAIN = ACID.replace('Si = { unit = "%" }\n', "").replace("Si = { relative = 2 }\n", "")
PLAIN_ROWS = """\
stream,dry mass [kg],water [L],Cu [%],Cu in solution [g/L]
ore,10,0.1,2,0
acid,,20,,0
residue,8.5,,0.35,
"""
CARBON = """\
title = "carbon in leach"
basis = "batch"
water = true
[streams]
ore = { to = "tank" }
liquor = { to = "tank", carries = "solution" }
"fresh carbon" = { to = "tank", carries = "carbon" }
"loaded carbon" = { from = "tank", carries = "carbon" }
tails = { from = "tank" }
[nodes]
tank = { kind = "leach" }
[analytes]
Au = { unit = "g/t", dissolved = true }
[errors]
"dry mass" = { relative = 0.5 }
water = { relative = 1 }
Au = { relative = 4 }
"Au in solution" = { relative = 3, absolute = "0.005 mg/L" }
[report]
feed = "ore"
"""
CARBON_ROWS = """\
stream,dry mass [kg],water [L],Au [g/t],Au in solution [mg/L]
ore,10,0.2,3.2,0
liquor,,15,,0.01
fresh carbon,0.2,,0.5,
loaded carbon,0.2,,130,
tails,9.9,15.2,0.4,0.11
"""
# the same test with the leach before the carbon
BEHIND = (
    CARBON.replace('"fresh carbon" = { to = "tank"', '"fresh carbon" = { to = "column"')
    .replace('"loaded carbon" = { from = "tank"', '"loaded carbon" = { from = "column"')
    .replace('tails = { from = "tank" }', 'leached = { from = "tank", to = "column" }\n'
             'tails = { from = "column" }')
    .replace('tank = { kind = "leach" }', 'tank = { kind = "leach" }\ncolumn = { kind = "leach" }')
)  # fmt: skip
BEHIND_ROWS = CARBON_ROWS + "leached,9.9,15.2,0.41,1.8\n"


def _read(folder: Path, circuit: str, rows: str) -> Case:
    folder.mkdir(exist_ok=True)
    (folder / "circuit.toml").write_text(circuit, "utf-8")
    (folder / "measurements.csv").write_text(rows, "utf-8")
    return read_case(folder)


def _balanced(case: Case) -> Balance:
    return reconcile(case.circuit, case.survey, feed=case.feed, products=case.products)


def _now(balance: Balance, stream: str, quantity: str) -> float:
    value = balance.value(stream, quantity).adjusted
    assert value is not None
    return value


def test_what_dissolves_by_hand(tmp_path: Path) -> None:
    """10 kg of ore leave 8.5 kg, each 0.5 %: nothing checks them, so that is what dissolves."""
    balance = _balanced(_read(tmp_path, PLAIN, PLAIN_ROWS))
    (row,) = balance.dissolutions
    assert (row.node, row.unit) == ("vat", "kg")
    assert (row.fed, row.fed_sd) == pytest.approx((10.0, 0.05))
    assert row.dissolved == pytest.approx(1.5)
    assert row.dissolved_sd == pytest.approx((0.05**2 + 0.0425**2) ** 0.5)
    assert row.percent == pytest.approx(15.0)
    assert row.percent_sd == pytest.approx(85.0 * 0.005 * 2**0.5)
    assert _now(balance, "solids dissolved in vat", "dry mass") == pytest.approx(row.dissolved)
    assert _now(balance, "ore", "dry mass") == pytest.approx(
        _now(balance, "residue", "dry mass") + (row.dissolved or 0.0)
    )


def test_metal_and_water_balance_as_if_nothing_had_dissolved(tmp_path: Path) -> None:
    """The mass that dissolves holds no analyte, and no water; silica stays in the solids."""
    balance = _balanced(_read(tmp_path, ACID, ACID_ROWS))
    held = {
        s: _now(balance, s, "dry mass") * _now(balance, s, "Cu") / 100.0 for s in ("ore", "residue")
    }
    water = {s: _now(balance, s, "water") for s in ("ore", "acid", "residue")}
    copper = {s: held.get(s, 0.0) + w * _now(balance, s, "Cu in solution") / 1000.0
              for s, w in water.items()}  # fmt: skip
    assert copper["ore"] + copper["acid"] == pytest.approx(copper["residue"], rel=1e-9)
    assert water["ore"] + water["acid"] == pytest.approx(water["residue"], rel=1e-9)
    silica = [_now(balance, s, "dry mass") * _now(balance, s, "Si") for s in ("ore", "residue")]
    assert silica[0] == pytest.approx(silica[1], rel=1e-9)
    (e,) = balance.extractions
    assert e.by_solids == pytest.approx(100.0 * (1.0 - 8.5 * 0.35 / 20.0))
    assert e.reconciled == pytest.approx(100.0 * (1.0 - held["residue"] / held["ore"]))
    assert {r.stream for r in balance.recoveries} == {"acid", "residue"}
    assert "solids dissolved in vat" not in balance.products


def test_grades_alone_do_not_tell_the_extraction_where_solids_dissolve(tmp_path: Path) -> None:
    """Without the residue's mass 1 - 0.35/2 would be too low: not as many solids leave as enter."""
    rows = ACID_ROWS.replace("residue,8.5", "residue,")
    (e,) = _balanced(_read(tmp_path, ACID, rows)).extractions
    assert (e.by_solids, e.masses_equal) == (None, False)
    (e,) = _balanced(_read(tmp_path, NOT_SAID, rows)).extractions
    assert e.by_solids == pytest.approx(100.0 * (1.0 - 0.35 / 2.0))


def test_a_stated_size_counts_as_a_measurement(tmp_path: Path) -> None:
    """0 ± 0.1 kg against 1.5 ± 0.066 kg: the mean weighted by 1/sd^2."""
    circuit = PLAIN.replace("dissolves = true", 'dissolves = "0.1 kg"')
    case = _read(tmp_path, circuit, PLAIN_ROWS)
    (row,) = _balanced(case).dissolutions
    variance = 0.05**2 + 0.0425**2
    assert row.dissolved == pytest.approx(1.5 * 0.1**2 / (0.1**2 + variance), rel=1e-6)
    assert row.dissolved_sd == pytest.approx((1.0 / (1.0 / 0.1**2 + 1.0 / variance)) ** 0.5)
    assert case.notes[-1] == (
        "At 'vat' solids dissolve, as the case says; stated are 0 ± 0.1 kg, never below 0. They "
        "count by themselves, not in the mass of the water or solution. The analytes that they "
        "held are balanced as ever."
    )


@pytest.mark.parametrize("word", ["false", '"no"'])
def test_nothing_dissolves_that_is_not_said(word: str, tmp_path: Path) -> None:
    case = _read(tmp_path, ACID.replace("true }\n[an", f"{word} }}\n[an"), ACID_ROWS)
    assert case.circuit.stream_names == ("ore", "acid", "residue")
    assert _balanced(case).dissolutions == ()


def test_more_out_than_in_stops_at_0(tmp_path: Path) -> None:
    balance = _balanced(_read(tmp_path, PLAIN, PLAIN_ROWS.replace("residue,8.5", "residue,10.1")))
    assert balance.converged
    assert balance.dissolutions[0].dissolved == 0.0


def test_the_note_where_it_is_not_said(tmp_path: Path) -> None:
    balance = _balanced(_read(tmp_path, NOT_SAID, ACID_ROWS))
    free = _balanced(_read(tmp_path, ACID, ACID_ROWS))
    (row,) = free.dissolutions
    (note,) = [n for n in balance.notes if "less than in" in n]
    assert note == (
        f"Solids out of 'vat' are less than in by {row.dissolved:.4g} ± {row.dissolved_sd:.2g} kg, "
        f"by all numbers together: with that chi-square is {free.objective:.4g} in place of "
        f"{balance.objective:.4g}. If ore dissolves there, state dissolves = true at the node "
        "'vat' (in a workbook: sheet nodes, column dissolves, yes). The program does not assume "
        "it: a wrong weight looks the same."
    )
    assert not [n for n in free.notes if "less than in" in n]


def test_no_note_where_solids_close(tmp_path: Path) -> None:
    rows = ACID_ROWS.replace("residue,8.5,,0.35,35", "residue,10,,0.35,30")
    wrong = rows.replace("acid,,20", "acid,,30").replace(
        "residue,10,", "residue,10,20")  # the water is wrong, not the solids  # fmt: skip
    for text in (rows, wrong):
        balance = _balanced(_read(tmp_path, NOT_SAID, text))
        assert not [n for n in balance.notes if "less than in" in n]
    assert balance.global_test.consistent is False


def test_two_leaches_that_the_numbers_do_not_tell_apart(tmp_path: Path) -> None:
    circuit = NOT_SAID.replace(
        'residue = { from = "vat" }',
        'pulp = { from = "vat", to = "tank" }\nresidue = { from = "tank" }',
    )
    circuit = circuit.replace('vat = { kind = "leach" }',
                              'vat = { kind = "leach" }\ntank = { kind = "leach" }')  # fmt: skip
    balance = _balanced(_read(tmp_path, circuit, ACID_ROWS))
    (note,) = [n for n in balance.notes if "less than in" in n]
    assert note.startswith("Solids out of 'vat' or 'tank' are less than in by 1.")


def test_sizes_behind_a_leach_at_which_solids_dissolve(tmp_path: Path) -> None:
    """Sizes are not kept at a leach: those of the residue are its own."""
    (tmp_path / "sizes.csv").write_text(
        "stream,passing [um],retained [um],mass [%]\nore,,75,60\nore,75,,40\n"
        "residue,,75,30\nresidue,75,,70\n", "utf-8")  # fmt: skip
    circuit = ACID.replace("[errors]", '[errors]\n"class mass" = { absolute = "1 %" }')
    balance = _balanced(_read(tmp_path, circuit, ACID_ROWS))
    assert balance.converged
    assert _now(balance, "residue", "mass in +75 um") == pytest.approx(30.0)
    assert balance.dissolutions[0].dissolved == pytest.approx(1.5, abs=0.02)


@pytest.mark.parametrize("said", ["true", '"2 kg"'])
def test_told_in_every_form_and_read_back(said: str, tmp_path: Path) -> None:
    circuit = ACID.replace("dissolves = true", f"dissolves = {said}")
    case = _read(tmp_path, circuit, ACID_ROWS)
    balance = _balanced(case)
    (row,) = balance.dissolutions
    document = json.loads(to_json(balance))
    jsonschema.validate(document, balance_schema())
    assert document["dissolutions"][0]["percent"] == pytest.approx(row.percent)
    assert document["circuit"]["streams"][-1]["carries"] == "dissolved solids"
    for text in (summary(balance), html_report(balance)):
        assert "Solids that dissolve" in text
        assert "of the fed [%]" in text
    (tmp_path / "out.xlsx").write_bytes(xlsx_bytes(balance))
    book = openpyxl.load_workbook(tmp_path / "out.xlsx")
    assert list(book["nodes"].values) == [
        ("node", "kind", "dissolves"), ("vat", "leach", "yes" if said == "true" else "2 kg"),
    ]  # fmt: skip
    assert "losses" not in book.sheetnames
    assert "dissolved solids" in book.sheetnames
    again = _balanced(read_case(tmp_path / "out.xlsx"))
    assert again.dissolutions[0].dissolved == pytest.approx(row.dissolved, rel=1e-9)
    assert again.objective == pytest.approx(balance.objective, rel=1e-6, abs=1e-9)
    sheets = definition_sheets(read_unmeasured(tmp_path))
    assert sheets["nodes"][1] == ("vat", "leach", "yes" if said == "true" else "2 kg")
    assert [s.name for s in read_unmeasured(tmp_path).sampled] == ["ore", "acid", "residue"]


def test_carbon_in_leach_by_hand(tmp_path: Path) -> None:
    """What is on the carbon was dissolved: 1 - 9.9 x 0.4 / 32 = 87.6 %, not 6 %."""
    balance = _balanced(_read(tmp_path, CARBON, CARBON_ROWS))
    (e,) = balance.extractions
    left, into, carbon, liquor = 9.9 * 0.4, 10 * 3.2, 0.2 * (130 - 0.5), 15.2 * 0.11 - 15 * 0.01
    assert e.by_solids == pytest.approx(100.0 * (1.0 - left / into))
    assert e.by_solids_sd == pytest.approx(100.0 * left / into * (2 * (0.005**2 + 0.04**2)) ** 0.5)
    assert e.by_solution == pytest.approx(100.0 * (carbon + liquor) / into)
    entered, came_out = into + 0.2 * 0.5 + 15 * 0.01, left + 0.2 * 130 + 15.2 * 0.11
    assert e.accountability == pytest.approx(100.0 * came_out / entered)
    S_in, S_out, C_in, C_out = (
        _now(balance, s, "dry mass") * _now(balance, s, "Au")
        for s in ("ore", "tails", "fresh carbon", "loaded carbon")
    )
    L_out = _now(balance, "tails", "water") * _now(balance, "tails", "Au in solution")
    assert e.reconciled == pytest.approx(100.0 * (1.0 - S_out / S_in))
    assert e.taken_up == pytest.approx(100.0 * (C_out - C_in) / (C_out - C_in + L_out))
    assert e.taken_up_sd is not None
    assert "taken up" in summary(balance)


def test_a_node_that_only_takes_metal_up_extracts_nothing(tmp_path: Path) -> None:
    balance = _balanced(_read(tmp_path, BEHIND, BEHIND_ROWS))
    tank, column = balance.extractions
    assert tank.node == "tank"
    assert tank.by_solids == pytest.approx(100.0 * (1.0 - 9.9 * 0.41 / 32.0))
    assert tank.taken_up is None
    assert column.node == "column"
    assert (column.by_solids, column.by_solution, column.reconciled) == (None, None, None)
    assert column.taken_up == pytest.approx(94.0, abs=1.0)


def test_a_tank_of_a_train_that_leaches_and_takes_up(tmp_path: Path) -> None:
    """The ore gets surely poorer although the solution does too: both are told."""
    rows = BEHIND_ROWS.replace("leached,9.9,15.2,0.41,1.8", "leached,9.9,15.2,1.1,1.4")
    column = _balanced(_read(tmp_path, BEHIND, rows)).extractions[1]
    assert column.by_solids == pytest.approx(100.0 * (1.0 - 0.4 / 1.1))
    assert column.taken_up is not None


def test_carbon_that_leaves_the_leach_in_the_pulp(tmp_path: Path) -> None:
    """A screen behind the tank parts it: the leach is told as far as there."""
    circuit = CARBON.replace('"loaded carbon" = { from = "tank"',
                             'pulp = { from = "tank", to = "screen" }\n"loaded carbon" = { from = '
                             '"screen"').replace('tails = { from = "tank"', 'tails = { from = '
                                                 '"screen"')  # fmt: skip
    (e,) = _balanced(_read(tmp_path, circuit, CARBON_ROWS)).extractions
    assert e.node == "tank"
    assert e.by_solids == pytest.approx(100.0 * (1.0 - 9.9 * 0.4 / 32.0))
    # with a sump between them too
    circuit = circuit.replace('to = "screen" }', 'to = "sump" }\npumped = { from = "sump", '
                              'to = "screen" }')  # fmt: skip
    (far,) = _balanced(_read(tmp_path, circuit, CARBON_ROWS)).extractions
    assert (far.by_solids, far.taken_up) == pytest.approx((e.by_solids, e.taken_up))
    # other ore in the sump: the pulp's assay is of both, and nothing can be told
    circuit = circuit.replace("[nodes]", 'other = { to = "sump" }\n[nodes]')
    rows = CARBON_ROWS.replace("tails,9.9,15.2", "tails,14.9,15.2") + "other,5,0.1,1,0.1\n"
    assert _balanced(_read(tmp_path, circuit, rows)).extractions == ()


@pytest.mark.parametrize(("circuit", "rows", "node"),
                         [(CARBON, CARBON_ROWS, "tank"), (BEHIND, BEHIND_ROWS, "column")],
)  # fmt: skip
def test_carbon_of_which_the_case_does_not_say_so(
    circuit: str, rows: str, node: str, tmp_path: Path
) -> None:
    """No ore leaves a leach richer than it entered: no extraction is told, and why not."""
    balance = _balanced(_read(tmp_path, circuit.replace('"carbon"', '"dry"'), rows))
    assert node not in {e.node for e in balance.extractions}
    (note,) = [n for n in balance.notes if "leaves the leach" in n]
    assert note == (
        f"'loaded carbon' leaves the leach '{node}' richer in Au than any solids that enter it: no "
        "extraction is told there. If it is carbon, resin or a precipitate, which takes it out of "
        'the solution, write carries = "carbon" (or "resin", "precipitate") for it and for what '
        "enters as such. If solids are parted there, give that a node of its own."
    )


@pytest.mark.parametrize("word", ["carbon", "resin", "precipitate"])
def test_what_takes_up_is_told_and_read_back(word: str, tmp_path: Path) -> None:
    case = _read(tmp_path, CARBON.replace('"carbon" }', f'"{word}" }}'), CARBON_ROWS)
    balance = _balanced(case)
    document = json.loads(to_json(balance))
    jsonschema.validate(document, balance_schema())
    assert [s["carries"] for s in document["circuit"]["streams"]] == [
        "pulp", "solution", word, word, "pulp"]  # fmt: skip
    (tmp_path / "out.xlsx").write_bytes(xlsx_bytes(balance))
    again = _balanced(read_case(tmp_path / "out.xlsx"))
    assert again.extractions[0].reconciled == pytest.approx(balance.extractions[0].reconciled)
    assert definition_sheets(read_unmeasured(tmp_path))["circuit"][3][3] == word


def a(old: str, new: str) -> tuple[str, str]:
    """Return the acid leach with something else in its circuit."""
    assert old in ACID
    return ACID.replace(old, new), ACID_ROWS


SIZE = (
    "it says whether solids dissolve there, or how much may: a number above 0 with its unit, one "
    "standard deviation.\n"
    'Write dissolves = true, or for example dissolves = "1.5 kg" (in a sheet yes or 1.5 kg).'
)
BROKEN = {
    "no leach": (
        *a('kind = "leach", dissolves = true }', 'kind = "mill", dissolves = true }'),
        "circuit.toml, line 9: Solids are said to dissolve at 'vat', which is no leach but a "
        "mill.\n"
        "Write kind = \"leach\" (in a sheet: leach), or take 'dissolves' out.",
    ),
    "no unit": (
        *a("dissolves = true", "dissolves = 1.5"),
        f"circuit.toml, line 9: 'dissolves' of the node 'vat' is '1.5'; {SIZE}",
    ),
    "below nothing": (
        *a("dissolves = true", 'dissolves = "-1 kg"'),
        f"circuit.toml, line 9: 'dissolves' of the node 'vat' is '-1 kg'; {SIZE}",
    ),
    "a word": (
        *a("dissolves = true", 'dissolves = "some"'),
        f"circuit.toml, line 9: 'dissolves' of the node 'vat' is 'some'; {SIZE}",
    ),
    "a list": (
        *a("dissolves = true", "dissolves = [1]"),
        f"circuit.toml, line 9: 'dissolves' of the node 'vat' is '[1]'; {SIZE}",
    ),
    "a rate": (*a("dissolves = true", 'dissolves = "1 kg/h"'), 
        "circuit.toml, line 9: 'kg/h' is the unit of a mass rate, but a mass is wanted.\n"
        "Write one of: mg, g, kg, t, lb, st, lt, ozt."),
    "misspelt": (
        *a("dissolves = true", "disolves = true"),
        "circuit.toml, line 9: 'disolves' is not known here.\nDid you mean 'dissolves'?",
    ),
    "as a product": (
        ACID + '[report]\nfeed = "ore"\nproducts = ["residue", "solids dissolved in vat"]\n',
        ACID_ROWS,
        "circuit.toml, line 21: The report names 'solids dissolved in vat', but solids that "
        "dissolved hold no analyte.\n"
        "Name a stream that is sampled.",
    ),
    "like it": (
        *a('residue = { from = "vat" }',
           'residue = { from = "vat", like = "solids dissolved in vat" }'),
        "circuit.toml, line 7: Stream 'residue' is said to be like 'solids dissolved in vat', but "
        "solids that dissolved have no grades.\n"
        "Name a stream that is sampled, or take 'like' out.",
    ),
    "name taken": (
        *a('residue = { from = "vat" }',
           'residue = { from = "vat" }\n"solids dissolved in vat" = { from = "vat" }'),
        "circuit.toml, line 10: The stream 'solids dissolved in vat' is there twice; upper and "
        "lower case and spaces do not tell names apart.\n"
        "Rename one of the two, or take one out.",
    ),
    "its assay": (ACID, ACID_ROWS + "solids dissolved in vat,1.4,,1,,\n", 
        "measurements.csv, cell D5, stream 'solids dissolved in vat', Cu: The stream carries no "
        "such thing: its content is 'dissolved solids'.\n"
        "Take the value out, or correct what the stream carries."),
    "its water": (ACID, ACID_ROWS + "solids dissolved in vat,1.4,1,,,\n", 
        "measurements.csv, cell C5, stream 'solids dissolved in vat', water: The stream carries "
        "solids that dissolved, so there is no water of it.\n"
        "Take it out."),
    "carries misspelt": (
        CARBON.replace('"carbon" }\n"loaded', '"carbn" }\n"loaded'),
        CARBON_ROWS,
        "circuit.toml, line 7: The stream 'fresh carbon' is said to carry 'carbn'.\n"
        "Did you mean 'carbon'?",
    ),
    "solution of carbon": (CARBON, CARBON_ROWS.replace("0.2,,130,", "0.2,,130,0.3"), 
        "measurements.csv, cell E5, stream 'loaded carbon', Au in solution: The stream carries dry "
        "solids, so there is no Au in solution of it.\n"
        "Take it out,\n"
        'or let the stream carry "pulp".'),
}  # fmt: skip


@pytest.mark.parametrize("name", list(BROKEN))
def test_message(name: str, tmp_path: Path) -> None:
    circuit, rows, message = BROKEN[name]
    with pytest.raises(InputError) as caught:
        case = _read(tmp_path, circuit, rows)
        _balanced(case)
    assert "\n\n".join(map(str, caught.value.faults)) == message


CIL = """\
title = "carbon in leach, one shift"
basis = "rate"
water = true
[streams]
feed = { to = "cil" }
"barren carbon" = { to = "cil", carries = "carbon" }
"loaded carbon" = { from = "cil", carries = "carbon" }
tails = { from = "cil" }
[nodes]
cil = { kind = "leach" }
[analytes]
Au = { unit = "g/t", dissolved = true }
[errors]
"dry rate" = { relative = 1 }
"wet rate" = { relative = 1 }
"% solids" = { absolute = "0.5 %" }
Au = { relative = 3 }
"Au in solution" = { relative = 3, absolute = "0.002 mg/L" }
[report]
feed = "feed"
"""
CIL_ROWS = """\
stream,dry rate [t/h],wet rate [t/h],% solids [%],Au [g/t],Au in solution [mg/L]
feed,100,,45,2.50,0.02
barren carbon,0.05,,,60,
loaded carbon,0.05,,,4500,
tails,,222,45,0.25,0.015
"""


@pytest.mark.parametrize(
    "loss",
    ['"0.5 t/h", like = "tails"', '"0.5 t/h", like = "feed"', '"2 kg/h", like = "loaded carbon"'],
)
def test_a_declared_loss_leaves_the_extraction_told(loss: str, tmp_path: Path) -> None:
    """A loss of 0 ± something, like tails or like carbon, moves no figure by more than its own sd.

    By hand, without it: 1 - 0.25 * 222 * 0.45 / 250 = 0.90; on carbon 0.05 * (4500 - 60) = 222,
    in solution 222 * 0.55 * 0.015 - 100 * 55 / 45 * 0.02, of 250 g/h.
    """
    plain = _balanced(_read(tmp_path / "plain", CIL, CIL_ROWS)).extractions[0]
    with_loss = CIL.replace("[analytes]", f"[losses]\ncil = {{ rate = {loss} }}\n[analytes]")
    (found,) = _balanced(_read(tmp_path / "loss", with_loss, CIL_ROWS)).extractions
    by_solids = 100.0 * (1.0 - 0.25 * 222.0 * 0.45 / 250.0)
    gold = 222.0 + 222.0 * 0.55 * 0.015 - 100.0 * 55.0 / 45.0 * 0.02
    for each in (plain, found):
        assert each.by_solids == pytest.approx(by_solids, rel=1e-9)
        assert each.by_solution == pytest.approx(100.0 * gold / 250.0, rel=1e-9)
        assert each.accountability is not None
    assert found.accountability == pytest.approx(plain.accountability, rel=1e-9)


def test_where_the_pulp_was_not_sampled_the_extraction_goes_as_far_as_the_filter(
    tmp_path: Path,
) -> None:
    """Vat and filter as two nodes, or as one: the same extraction; by hand 1 - 8.5 * 0.3 / 20."""
    out = 'residue = { from = "vat" }'
    liquor = 'liquor = { from = "vat", carries = "solution" }'
    one = ACID.replace(out, f"{out}\n{liquor}")
    two = one.replace(
        out, 'slurry = { from = "vat", to = "filter" }\n' + out.replace("vat", "filter")
    )
    two = two.replace(liquor, liquor.replace("vat", "filter"))
    rows = ACID_ROWS.replace(
        "residue,8.5,,0.35,35,8.4", "residue,8.5,2,0.3,35,8.4\nliquor,,18,,,8.5"
    )
    found = [_balanced(_read(tmp_path / name, text, rows)).extractions
             for name, text in (("one", one), ("two", two))]  # fmt: skip
    (first,), (second,) = found
    assert first.by_solids == pytest.approx(100.0 * (1.0 - 8.5 * 0.3 / 20.0))
    for field in ("by_solids", "by_solution", "accountability", "reconciled"):
        assert getattr(second, field) == pytest.approx(getattr(first, field), rel=1e-6), field


def test_a_sample_of_the_pulp_keeps_the_extraction_at_the_leach(tmp_path: Path) -> None:
    two = ACID.replace('residue = { from = "vat" }', 'slurry = { from = "vat", to = "filter" }\n'
                       'residue = { from = "filter" }')  # fmt: skip
    rows = ACID_ROWS.replace(
        "residue,8.5,,0.35,35,8.4", "slurry,8.5,,0.4,35,8.4\nresidue,8.5,,0.3,35,8.4"
    )
    (found,) = _balanced(_read(tmp_path, two, rows)).extractions
    assert found.by_solids == pytest.approx(100.0 * (1.0 - 8.5 * 0.4 / 20.0))


def test_what_is_declared_is_not_called_measured(tmp_path: Path) -> None:
    text = ACID.replace("dissolves = true", 'dissolves = "0.05 kg"')
    balance = _balanced(_read(tmp_path, text, ACID_ROWS))
    told = " ".join(summary(balance).split())
    assert "'solids dissolved in vat' (declared, not measured: 0 ± 0.05 kg; the others say" in told
    assert "declared 1 number, not measured" in told
    assert "largest move dry mass of 'solids dissolved" not in told


@pytest.mark.parametrize("word", ["carbon", "precipitate"])
def test_what_takes_metal_up_is_kept_and_the_barren_solution_loses(
    word: str, tmp_path: Path
) -> None:
    """200 g/h come in solution, 1 % of it leaves there."""
    circuit = f"""\
basis = "rate"
water = true
[streams]
pregnant = {{ to = "column", carries = "solution" }}
fresh = {{ to = "column", carries = "{word}" }}
barren = {{ from = "column", carries = "solution" }}
loaded = {{ from = "column", carries = "{word}" }}
[nodes]
column = {{ kind = "leach" }}
[analytes]
Au = {{ unit = "g/t", dissolved = true }}
[errors]
"dry rate" = {{ relative = 1 }}
water = {{ relative = 1 }}
Au = {{ relative = 3, absolute = "0.1 g/t" }}
"Au in solution" = {{ relative = 2, absolute = "0.002 mg/L" }}
[report]
feed = "pregnant"
"""
    rows = "stream,dry rate [kg/h],water [m3/h],Au [g/t],Au in solution [mg/L]\npregnant,,100,,2\n"
    rows += "fresh,50,,20,\nloaded,50,,3980,\nbarren,,,,0.02\n"
    (loss,) = _balanced(_read(tmp_path, circuit, rows)).losses.found
    assert (loss.stream, loss.kept) == ("barren", ("loaded",))
    assert loss.percent[0] == pytest.approx(1.0, abs=0.01)


def test_an_assay_of_the_pulps_solution_does_not_take_the_extraction_away(tmp_path: Path) -> None:
    """The usual practice: solution from the pulp, solids from the cake; 1 - 8.5 * 0.3 / 20."""
    out = 'residue = { from = "vat" }'
    two = ACID.replace(
        out, 'slurry = { from = "vat", to = "filter" }\n' + out.replace("vat", "filter")
    )
    two = two.replace("acid = {", 'liquor = { from = "filter", carries = "solution" }\nacid = {')
    rows = ACID_ROWS.replace(
        "residue,8.5,,0.35,35,8.4",
        "slurry,,,,,8.45\nresidue,8.5,2,0.3,35,8.4\nliquor,,18,,,8.5",
    )
    (found,) = _balanced(_read(tmp_path, two, rows)).extractions
    assert found.by_solids == pytest.approx(100.0 * (1.0 - 8.5 * 0.3 / 20.0))
    assert found.by_solution is not None
