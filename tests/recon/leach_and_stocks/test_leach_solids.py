"""Solids at a leach: those that dissolve, and carbon that takes metal out of the solution."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import openpyxl
import pytest
from leach_cases import ACID, ACID_ROWS, CARBON, CARBON_ROWS, balanced_leach, read_leach
from sheet_tables import tables_of

from oretally.io import read_case
from oretally.io.case import read_unmeasured
from oretally.io.forms.definition_sheets import definition_sheets
from oretally.io.results import ALL, html_report, summary, to_json, xlsx_bytes
from oretally.io.results.document import balance_schema
from oretally.recon import Balance, reconcile

NOT_SAID = ACID.replace(", dissolves = true", "")


# without silica and the solution's assay nothing checks the masses
PLAIN = ACID.replace('Si = { unit = "%" }\n', "").replace("Si = { relative = 2 }\n", "")


PLAIN_ROWS = """\
stream,dry mass [kg],water [L],Cu [%],Cu in solution [g/L]
ore,10,0.1,2,0
acid,,20,,0
residue,8.5,,0.35,
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


def _now(balance: Balance, stream: str, quantity: str) -> float:
    value = balance.value(stream, quantity).adjusted
    assert value is not None
    return value


def test_what_dissolves_by_hand(tmp_path: Path) -> None:
    """10 kg of ore leave 8.5 kg, each 0.5 %: nothing checks them, so that is what dissolves."""
    balance = balanced_leach(read_leach(tmp_path, PLAIN, PLAIN_ROWS))
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
    balance = balanced_leach(read_leach(tmp_path, ACID, ACID_ROWS))
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
    (e,) = balanced_leach(read_leach(tmp_path, ACID, rows)).extractions
    assert (e.by_solids, e.masses_equal) == (None, False)
    (e,) = balanced_leach(read_leach(tmp_path, NOT_SAID, rows)).extractions
    assert e.by_solids == pytest.approx(100.0 * (1.0 - 0.35 / 2.0))


def test_a_stated_size_counts_as_a_measurement(tmp_path: Path) -> None:
    """0 ± 0.1 kg against 1.5 ± 0.066 kg: the mean weighted by 1/sd^2."""
    circuit = PLAIN.replace("dissolves = true", 'dissolves = "0.1 kg"')
    case = read_leach(tmp_path, circuit, PLAIN_ROWS)
    (row,) = balanced_leach(case).dissolutions
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
    case = read_leach(tmp_path, ACID.replace("true }\n[an", f"{word} }}\n[an"), ACID_ROWS)
    assert case.circuit.stream_names == ("ore", "acid", "residue")
    assert balanced_leach(case).dissolutions == ()


def test_more_out_than_in_stops_at_0(tmp_path: Path) -> None:
    balance = balanced_leach(
        read_leach(tmp_path, PLAIN, PLAIN_ROWS.replace("residue,8.5", "residue,10.1"))
    )
    assert balance.converged
    assert balance.dissolutions[0].dissolved == 0.0


def test_the_note_where_it_is_not_said(tmp_path: Path) -> None:
    balance = balanced_leach(read_leach(tmp_path, NOT_SAID, ACID_ROWS))
    free = balanced_leach(read_leach(tmp_path, ACID, ACID_ROWS))
    (row,) = free.dissolutions
    (note,) = [n for n in balance.notes if "less than in" in n]
    assert note == (
        f"Solids out of 'vat' are less than in by {row.dissolved:.4g} ± {row.dissolved_sd:.2g} kg, "
        f"by all numbers together: with that the numbers agree, chi-square is {free.objective:.4g} "
        f"in place of {balance.objective:.4g}. If ore dissolves there, state dissolves = true at "
        "the node 'vat' (in a workbook: sheet nodes, column dissolves, yes). The program does not "
        "assume it: a wrong weight looks the same."
    )
    assert not [n for n in free.notes if "less than in" in n]


@pytest.mark.parametrize(("residue", "mild"), [("8.5", False), ("9.8", True)])
def test_solids_that_explain_all_stand_on_the_first_screen(
    residue: str, mild: bool, tmp_path: Path
) -> None:
    """Whether a weight is a suspect, or all may be chance; not with an assay wrong as well."""
    plain = PLAIN.replace(", dissolves = true", "")
    case = read_leach(tmp_path, plain, PLAIN_ROWS.replace("residue,8.5", f"residue,{residue}"))
    balance = reconcile(case.circuit, case.survey, feed=case.feed, products=case.products)
    assert balance.mildly_off == mild
    (note,) = [n for n in balance.notes if "less than in" in n]
    said, _, _ = note.partition(". If ore")
    screen = " ".join(summary(balance).split())
    assert "with that the numbers agree, chi-square is" in said
    assert f"{said}. Ore that dissolves, or a wrong weight: --show notes." in screen
    assert "What would help most" not in screen
    wrong = balanced_leach(read_leach(tmp_path, NOT_SAID, ACID_ROWS.replace(",30,", ",40,")))
    assert [n for n in wrong.notes if "by all numbers together: with that chi-square is" in n]
    assert "less than in" not in summary(wrong)


def test_no_note_where_solids_close(tmp_path: Path) -> None:
    rows = ACID_ROWS.replace("residue,8.5,,0.35,35", "residue,10,,0.35,30")
    wrong = rows.replace("acid,,20", "acid,,30").replace(
        "residue,10,", "residue,10,20")  # the water is wrong, not the solids  # fmt: skip
    for text in (rows, wrong):
        balance = balanced_leach(read_leach(tmp_path, NOT_SAID, text))
        assert not [n for n in balance.notes if "less than in" in n]
    assert balance.global_test.consistent is False


def test_two_leaches_that_the_numbers_do_not_tell_apart(tmp_path: Path) -> None:
    circuit = NOT_SAID.replace(
        'residue = { from = "vat" }',
        'pulp = { from = "vat", to = "tank" }\nresidue = { from = "tank" }',
    )
    circuit = circuit.replace('vat = { kind = "leach" }',
                              'vat = { kind = "leach" }\ntank = { kind = "leach" }')  # fmt: skip
    balance = balanced_leach(read_leach(tmp_path, circuit, ACID_ROWS))
    (note,) = [n for n in balance.notes if "less than in" in n]
    assert note.startswith("Solids out of 'vat' or 'tank' are less than in by 1.")


def test_sizes_behind_a_leach_at_which_solids_dissolve(tmp_path: Path) -> None:
    """Sizes are not kept at a leach: those of the residue are its own."""
    (tmp_path / "sizes.csv").write_text(
        "stream,passing [um],retained [um],mass [%]\nore,,75,60\nore,75,,40\n"
        "residue,,75,30\nresidue,75,,70\n", "utf-8")  # fmt: skip
    circuit = ACID.replace("[errors]", '[errors]\n"class mass" = { absolute = "1 %" }')
    balance = balanced_leach(read_leach(tmp_path, circuit, ACID_ROWS))
    assert balance.converged
    assert _now(balance, "residue", "mass in +75 um") == pytest.approx(30.0)
    assert balance.dissolutions[0].dissolved == pytest.approx(1.5, abs=0.02)


@pytest.mark.parametrize("said", ["true", '"2 kg"'])
def test_told_in_every_form_and_read_back(said: str, tmp_path: Path) -> None:
    circuit = ACID.replace("dissolves = true", f"dissolves = {said}")
    case = read_leach(tmp_path, circuit, ACID_ROWS)
    balance = balanced_leach(case)
    (row,) = balance.dissolutions
    document = json.loads(to_json(balance))
    jsonschema.Draft202012Validator(balance_schema()).validate(document)
    assert document["dissolutions"][0]["percent"] == pytest.approx(row.percent)
    assert document["circuit"]["streams"][-1]["carries"] == "dissolved solids"
    for text in (summary(balance, parts=(ALL,)), html_report(balance)):
        assert "Solids that dissolve" in text
        assert "of the fed [%]" in text
    (tmp_path / "out.xlsx").write_bytes(xlsx_bytes(balance))
    book = openpyxl.load_workbook(tmp_path / "out.xlsx")
    assert list(book["nodes"].values) == [
        ("node", "kind", "dissolves"), ("vat", "leach", "yes" if said == "true" else "2 kg"),
    ]  # fmt: skip
    assert "losses" not in book.sheetnames
    assert list(tables_of(book["leach and stocks"]))[-1] == "Solids that dissolve"
    again = balanced_leach(read_case(tmp_path / "out.xlsx"))
    assert again.dissolutions[0].dissolved == pytest.approx(row.dissolved, rel=1e-9)
    assert again.objective == pytest.approx(balance.objective, rel=1e-6, abs=1e-9)
    sheets = definition_sheets(read_unmeasured(tmp_path))
    assert sheets["nodes"][1] == ("vat", "leach", "yes" if said == "true" else "2 kg")
    assert [s.name for s in read_unmeasured(tmp_path).sampled] == ["ore", "acid", "residue"]


def test_carbon_in_leach_by_hand(tmp_path: Path) -> None:
    """What is on the carbon was dissolved: 1 - 9.9 x 0.4 / 32 = 87.6 %, not 6 %."""
    balance = balanced_leach(read_leach(tmp_path, CARBON, CARBON_ROWS))
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
    assert "taken up" in summary(balance, parts=(ALL,))


def test_a_node_that_only_takes_metal_up_extracts_nothing(tmp_path: Path) -> None:
    balance = balanced_leach(read_leach(tmp_path, BEHIND, BEHIND_ROWS))
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
    column = balanced_leach(read_leach(tmp_path, BEHIND, rows)).extractions[1]
    assert column.by_solids == pytest.approx(100.0 * (1.0 - 0.4 / 1.1))
    assert column.taken_up is not None


def test_carbon_that_leaves_the_leach_in_the_pulp(tmp_path: Path) -> None:
    """A screen behind the tank parts it: the leach is told as far as there."""
    circuit = CARBON.replace('"loaded carbon" = { from = "tank"',
                             'pulp = { from = "tank", to = "screen" }\n"loaded carbon" = { from = '
                             '"screen"').replace('tails = { from = "tank"', 'tails = { from = '
                                                 '"screen"')  # fmt: skip
    (e,) = balanced_leach(read_leach(tmp_path, circuit, CARBON_ROWS)).extractions
    assert e.node == "tank"
    assert e.by_solids == pytest.approx(100.0 * (1.0 - 9.9 * 0.4 / 32.0))
    # with a sump between them too
    circuit = circuit.replace('to = "screen" }', 'to = "sump" }\npumped = { from = "sump", '
                              'to = "screen" }')  # fmt: skip
    (far,) = balanced_leach(read_leach(tmp_path, circuit, CARBON_ROWS)).extractions
    assert (far.by_solids, far.taken_up) == pytest.approx((e.by_solids, e.taken_up))
    # other ore in the sump: the pulp's assay is of both, and nothing can be told
    circuit = circuit.replace("[nodes]", 'other = { to = "sump" }\n[nodes]')
    rows = CARBON_ROWS.replace("tails,9.9,15.2", "tails,14.9,15.2") + "other,5,0.1,1,0.1\n"
    assert balanced_leach(read_leach(tmp_path, circuit, rows)).extractions == ()


@pytest.mark.parametrize(("circuit", "rows", "node"),
                         [(CARBON, CARBON_ROWS, "tank"), (BEHIND, BEHIND_ROWS, "column")],
)  # fmt: skip
def test_carbon_of_which_the_case_does_not_say_so(
    circuit: str, rows: str, node: str, tmp_path: Path
) -> None:
    """No ore leaves a leach richer than it entered: no extraction is told, and why not."""
    balance = balanced_leach(read_leach(tmp_path, circuit.replace('"carbon"', '"dry"'), rows))
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
    case = read_leach(tmp_path, CARBON.replace('"carbon" }', f'"{word}" }}'), CARBON_ROWS)
    balance = balanced_leach(case)
    document = json.loads(to_json(balance))
    jsonschema.Draft202012Validator(balance_schema()).validate(document)
    assert [s["carries"] for s in document["circuit"]["streams"]] == [
        "pulp", "solution", word, word, "pulp"]  # fmt: skip
    (tmp_path / "out.xlsx").write_bytes(xlsx_bytes(balance))
    again = balanced_leach(read_case(tmp_path / "out.xlsx"))
    assert again.extractions[0].reconciled == pytest.approx(balance.extractions[0].reconciled)
    assert definition_sheets(read_unmeasured(tmp_path))["circuit"][3][3] == word
