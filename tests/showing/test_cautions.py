"""Cautions: one file of texts, shown in full where a reading points to work that can hurt."""

from __future__ import annotations

import json
import shutil
import tomllib
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import jsonschema
import pytest
from balance_cases import only_balanced
from example_balances import example_balance

from oretally.flowsheet import (
    Analyte,
    Basis,
    Circuit,
    Dimension,
    Measurement,
    Survey,
    parse_unit,
)
from oretally.flowsheet.survey import SizeGrid, class_grade, class_share
from oretally.io import read_case
from oretally.io.results import ALL, html_report, summary, to_json
from oretally.io.results.document import balance_document, balance_schema
from oretally.io.wording import (
    CAUTIONS_HEADING,
    brief,
    cautions_of,
    circuit_cautions,
    defer,
    loss_readings,
    sheet_cautions,
)
from oretally.io.wording.cautions import SITUATIONS
from oretally.recon import Balance
from oretally.recon.result import TestKind

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
DATA = tomllib.loads(files("oretally.io").joinpath("data/cautions.toml").read_text("utf-8"))
KG, SHARE = parse_unit("kg"), parse_unit("%", Dimension.SHARE)


def _table(analyte: str, unit: str, node: str = "table", *, products: int = 2) -> Balance:
    """Return a table without sizes: feed at 1, concentrate at 36, tailings at 0.3 of a unit."""
    ends: dict[str, tuple[str | None, str | None]] = {"feed": (None, node), "conc": (node, None)}
    amounts = [("feed", 102.0, 1.0), ("conc", 2.0, 36.0)]
    if products == 2:
        ends["tails"] = (node, None)
        amounts.append(("tails", 100.0, 0.3))
    grade = parse_unit(unit)
    found = [
        m
        for s, w, x in amounts
        for m in (
            Measurement(s, "dry mass", w, KG, 0.5),
            Measurement(s, analyte, x, grade, 0.02 * x),
        )
    ]
    survey = Survey(Basis.BATCH, KG, (Analyte(analyte, grade),), tuple(found), "Invented")
    return only_balanced(Circuit.build(ends), survey)


def _shown(balance: Balance) -> list[str]:
    return [caution.hazard for caution in cautions_of(balance)]


# ---- the file


def test_every_hazard_of_the_trade_has_its_text() -> None:
    assert set(DATA["hazards"]) == {
        "silica", "machinery", "cyanide", "acids", "mercury", "lead", "fumes", "tailings",
    }  # fmt: skip
    for hazard in DATA["hazards"].values():
        assert set(hazard) == {"title", "short", "hurts", "usual", "words"}
        assert len(f"Caution: {hazard['short']}") <= 80 and hazard["short"].endswith(".")
        assert len(hazard["hurts"]) > 80 and len(hazard["usual"]) >= 2
        assert all(len(sentence) > 40 and sentence.endswith(".") for sentence in hazard["usual"])
    assert "local codes" in DATA["defer"] and "licensed" in DATA["defer"]


def test_every_rule_is_known_and_every_situation_has_one() -> None:
    assert {rule["when"] for rule in DATA["rules"]} == set(SITUATIONS)
    for rule in DATA["rules"]:
        assert rule["show"] and set(rule["show"]) <= set(DATA["hazards"])
        assert rule["because"].endswith(".")


def test_what_is_said_of_cyanide_is_right() -> None:
    """Hydrogen cyanide has a pKa of 9.2: the solution must be alkaline, and acid never meet it."""
    said = " ".join((DATA["hazards"]["cyanide"]["hurts"], *DATA["hazards"]["cyanide"]["usual"]))
    for words in ("alkaline", "pH 10.5 or above", "hydrogen cyanide", "Never let acid"):
        assert words in said
    assert "never near cyanide" in " ".join(DATA["hazards"]["acids"]["usual"]).casefold()


# ---- when they are shown


@pytest.mark.parametrize(
    ("name", "hazards"),
    [
        ("tin_table", ["silica"]),
        ("rougher_cleaner", ["silica", "lead"]),
        ("leach_test", ["cyanide", "acids", "tailings", "silica", "lead"]),
        ("grinding_by_size", ["machinery", "silica"]),
    ],
)
def test_cautions_of_the_examples(name: str, hazards: list[str]) -> None:
    assert _shown(example_balance(name)) == hazards


def test_a_leach_says_that_the_reagent_is_not_known() -> None:
    cyanide = cautions_of(example_balance("leach_test"))[0]
    assert "does not say which reagent" in cyanide.because[0]


@pytest.mark.parametrize(
    ("analyte", "unit", "hazards"),
    [
        ("Sn", "%", ["silica"]),
        ("Ag", "%", ["silica"]),  # as in a concentrate: no fire assay
        ("Ag", "g/t", ["silica", "lead"]),
        ("Au", "ozt/st", ["silica", "lead"]),
        ("Pt", "g/t", ["silica", "lead"]),
        ("Cu", "g/t", ["silica"]),
        *(
            (name, "g/t", ["silica", "lead"])
            for name in (
                "gold",
                "Gold",
                "AU",
                "au",
                "silver",
                "SILVER",
                "Ag (fire assay)",
                "Au_total",
            )
        ),
        ("platinum", "g/t", ["silica", "lead"]),
        ("Gold", "%", ["silica"]),
        ("Augite", "g/t", ["silica"]),  # a word within a word
    ],
)
def test_fire_assay_goes_with_the_metal_and_its_unit(
    analyte: str, unit: str, hazards: list[str]
) -> None:
    assert _shown(_table(analyte, unit)) == hazards


@pytest.mark.parametrize(
    ("node", "hazard"),
    [
        ("roaster", "fumes"), ("Retort", "mercury"), ("amalgam barrel", "mercury"),
        ("acid wash", "acids"), ("cyanide tank", "cyanide"), ("jaw crusher", "machinery"),
    ],
)  # fmt: skip
def test_names_call_for_them_too(node: str, hazard: str) -> None:
    found = {c.hazard: c for c in cautions_of(_table("Sn", "%", node, products=1))}
    assert found[hazard].because == (f"The case names '{node}'.",)


def test_a_word_within_a_word_does_not() -> None:
    assert _shown(_table("Sn", "%", "placid bench", products=1)) == []


def test_nothing_is_shown_where_nothing_points_to_it() -> None:
    balance = _table("Sn", "%", products=1)
    assert cautions_of(balance) == ()
    assert CAUTIONS_HEADING not in summary(balance, parts=(ALL,))
    assert "Caution:" not in summary(balance)
    assert CAUTIONS_HEADING not in html_report(balance)
    assert balance_document(balance)["cautions"] == {"shown": [], "defer": defer()}


def _by_size(fine: float, coarse: float = 0.25, analyte: str = "Sn", unit: str = "%") -> Balance:
    """Return a table of which the tailings were assayed by size, with grades of both ends."""
    labels = ("+150 um", "-150+38 um", "-38 um")
    whole = _table(analyte, unit)
    survey = whole.survey
    found = [m for m in survey.measurements if (m.stream, m.quantity) != ("tails", analyte)]
    shares, grades = (20.0, 50.0, 30.0), (coarse, 0.20, fine)
    for label, share, x in zip(labels, shares, grades, strict=True):
        found += [Measurement("tails", class_share(label), share, SHARE, 0.3),
                  Measurement("tails", class_grade(analyte, label), x, survey.analytes[0].unit,
                              0.02 * x)]  # fmt: skip
    sized = replace(survey, measurements=tuple(found), sizes=SizeGrid((150.0, 38.0)))
    return only_balanced(whole.circuit, sized)


def test_slimes_may_be_split_by_a_finer_sieve() -> None:
    """Splitting the finest class screens and dries fine material: silica beside the water."""
    balance = _by_size(0.50)
    (loss,) = balance.losses.found
    assert [test.kind for test in loss.tests] == [TestKind.SPLIT_FINEST]
    assert "or a finer sieve" in " ".join(loss_readings(balance)[0].tests)
    assert set(_shown(balance)) == {"silica", "tailings"}


@pytest.mark.parametrize(
    ("analyte", "unit", "coarse", "mercury"),
    [
        ("Au", "g/t", 0.60, True),  # a coarse end that holds gold: free grains, perhaps
        ("Silver", "%", 0.60, True),
        ("Au", "g/t", 0.20, False),  # no richer than the rest
        ("Sn", "%", 0.60, False),  # no metal that mercury is used for
        ("Pt", "g/t", 0.60, False),
    ],
)
def test_mercury_is_warned_of_where_coarse_grains_were_seen(
    analyte: str, unit: str, coarse: float, mercury: bool
) -> None:
    balance = _by_size(0.30, coarse, analyte, unit)
    (loss,) = balance.losses.found
    ground = TestKind.GRIND_HALF in {test.kind for test in loss.tests}
    assert ground == (coarse > 0.5)
    assert ("mercury" in _shown(balance)) == mercury


def test_circuits_that_are_compared() -> None:
    """By their nodes and names alone, each hazard once, whatever their losses."""
    tin, mill = example_balance("tin_table"), example_balance("grinding_by_size")

    def told(*pairs: tuple[str, Balance]) -> list[str]:
        return [c.hazard for c in circuit_cautions((n, b.circuit, b.survey) for n, b in pairs)]

    assert told(("A", tin), ("B", tin)) == []
    assert told(("A", tin), ("B", mill)) == ["machinery", "silica"] == told(("A", mill))
    assert told(("A", tin), ("regrinding", tin)) == []  # no word begins so
    for name in ("grind_fine", "Fine grind", "fine_grind"):
        assert told(("A", tin), (name, tin)) == ["silica", "machinery"]
    assert told(("A", example_balance("leach_test"))) == ["cyanide", "acids", "tailings"]
    (silica, _) = circuit_cautions([("grind_fine", tin.circuit, tin.survey)])
    assert brief(silica) == f"Silica dust. The case names 'grind_fine'. {silica.usual[0]}"


# ---- where they are shown


@pytest.mark.parametrize("name", ["leach_test", "grinding_by_size", "rougher_cleaner"])
def test_they_are_shown_in_full_everywhere(name: str) -> None:
    balance = example_balance(name)
    screen, text = (" ".join(summary(balance, parts=p).split()) for p in ((), (ALL,)))
    html = " ".join(html_report(balance).split())
    document = json.loads(to_json(balance))
    jsonschema.Draft202012Validator(balance_schema()).validate(document)
    shown = cautions_of(balance)
    assert shown
    for c in shown:
        for sentence in (c.title, *c.because, c.hurts, *c.usual):
            assert sentence in text and sentence in html
        assert f"Caution: {c.short}" in screen and f"<dd>{c.short}</dd>" in html
    assert defer() in text and defer() in html
    assert [each["hazard"] for each in document["cautions"]["shown"]] == [c.hazard for c in shown]
    assert document["cautions"]["defer"] == defer()
    # in short on the first screen, before the circuit is drawn; in full before the details
    assert html.index(shown[0].short) < html.index("The circuit, balanced")
    assert html.index(CAUTIONS_HEADING) < html.index("Measured against adjusted")


def test_the_sampling_form_reads_the_same_file() -> None:
    assert sheet_cautions() == tuple(DATA["sheet"])
    assert len(sheet_cautions()) == 3


@pytest.mark.parametrize(
    ("coarse", "fine", "hazards", "reason"),
    [
        ("1.5", "0.25", ["cyanide", "acids", "tailings", "silica", "machinery", "lead"],
         ("silica", "The reading leads to grinding a part of the tailings.")),
        ("0.47", "0.47", ["cyanide", "acids", "tailings", "fumes", "lead"],
         ("fumes", "Metal that a leach may not reach: roasting and acids are often tried for it.")),
    ],
)  # fmt: skip
def test_a_leach_residue_by_size(
    tmp_path: Path, coarse: str, fine: str, hazards: list[str], reason: tuple[str, str]
) -> None:
    """Rich in its coarse end: grinding. Rich in neither: what is tried where a leach ends."""
    folder = tmp_path / "case"
    shutil.copytree(EXAMPLES / "leach_test", folder)
    middle = "0.2" if coarse == "1.5" else "0.47"
    (folder / "sizes.csv").write_text(
        "stream,passing [um],retained [um],mass [%],± mass [%],Au [g/t],± Au [rel %]\n"
        f"tails,,150,20,1,{coarse},4\ntails,150,38,50,1,{middle},4\ntails,38,,30,1,{fine},4\n",
        "utf-8",
    )
    case = read_case(folder)
    balance = only_balanced(case.circuit, case.survey, feed=case.feed, products=case.products)
    assert _shown(balance) == hazards
    assert reason[1] in next(c.because for c in cautions_of(balance) if c.hazard == reason[0])
    (loss,) = balance.losses.found
    assert loss.in_solution is not None
    parts = sum(p.of_feed[0] for p in loss.parts if p.of_feed is not None)
    assert parts + loss.in_solution[0] == pytest.approx(loss.percent[0])
    assert "in its solution and the rest in its solids" in loss_readings(balance)[0].sentences[0]
