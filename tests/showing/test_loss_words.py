"""What is said of losses: which products are lost, what is read, in words, tables and JSON."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import jsonschema
import numpy as np
import pytest
from balance_cases import only_balanced
from example_balances import example_balance
from loss_cases import (
    EXAMPLES,
    KG,
    MASS,
    PERCENT,
    SHARE,
    TABLE,
    loss_case,
    loss_survey,
    only_loss,
)

from oretally.flowsheet import (
    Analyte,
    Basis,
    Circuit,
    InputError,
    Measurement,
    Survey,
)
from oretally.flowsheet.survey import SizeGrid, class_grade, class_share
from oretally.io import read_case
from oretally.io.forms import make_case
from oretally.io.pictures import grade_recovery_svg
from oretally.io.results import ALL, html_report, summary, to_json, xlsx_bytes
from oretally.io.results.document import balance_schema
from oretally.io.results.pdf_pages import pages
from oretally.io.wording import (
    LOSS_HEADING,
    curve_tables,
    expectation_table,
    loss_meaning,
    loss_readings,
    loss_tables,
    size_recovery_tables,
)
from oretally.recon import Balance
from oretally.recon.losses.losses import MUCH_SHARE


def test_a_coarser_stack_is_read_in_its_runs() -> None:
    """The feed has a sieve more than the tails: their run of two classes is one part."""
    grid = SizeGrid((300.0, 150.0, 75.0), ((1, 2),))
    survey = loss_survey(None, sieved=False)
    found = list(survey.measurements)
    for run, share, grade in (((0, 0), 20.0, 0.8), ((1, 2), 50.0, 0.2), ((3, 3), 30.0, 0.4667)):
        label = grid.label(run)
        found += [Measurement("tails", class_share(label), share, SHARE, 0.5),
                  Measurement("tails", class_grade("Sn", label), grade, PERCENT, 0.01)]  # fmt: skip
    loss = only_loss(only_balanced(TABLE, replace(survey, measurements=tuple(found), sizes=grid)))
    assert [p.label for p in loss.parts] == ["+300 um", "-300+75 um", "-75 um"]
    assert [p.grade[0] for p in loss.parts if p.grade] == pytest.approx(
        [0.8, 0.2, 0.4667], abs=0.01
    )
    assert sum(p.of_loss[0] for p in loss.parts if p.of_loss) == pytest.approx(100.0)


def _plant(analytes: Sequence[tuple[str, tuple[float, ...]]]) -> tuple[Circuit, Survey]:
    """Return a circuit with three products of 2, 18 and 80 kg, and grades of its analytes."""
    circuit = Circuit.build({"ore": (None, "jig"), "conc": ("jig", None), "mids": ("jig", None),
                             "tails": ("jig", None)})  # fmt: skip
    masses = {"ore": 100.0, "conc": 2.0, "mids": 18.0, "tails": 80.0}
    found = [Measurement(s, "dry mass", w, KG, 0.004 * w) for s, w in masses.items()]
    for name, grades in analytes:
        head = float(np.array([0.02, 0.18, 0.80]) @ np.array(grades))
        for s, x in zip(masses, (head, *grades), strict=True):
            found.append(Measurement(s, name, x, PERCENT, 0.02 * x))
    named = tuple(Analyte(name, PERCENT) for name, _ in analytes)
    return circuit, Survey(Basis.BATCH, KG, named, tuple(found), "Invented: a jig")


def test_all_but_the_richest_is_lost_and_what_is_not_enriched_is_not_read() -> None:
    balance = only_balanced(*_plant([("Pb", (40.0, 3.0, 0.5)), ("SiO2", (20.0, 60.0, 70.0))]))
    losses = balance.losses
    assert [(x.stream, x.analyte, x.kept) for x in losses.found] == [
        ("mids", "Pb", ("conc",)), ("tails", "Pb", ("conc",)),
    ]  # fmt: skip
    assert losses.not_read == ("SiO2",)
    assert "Not read: SiO2, as no product has 1.2 times the grade of the feed." in loss_meaning(
        balance
    )
    mids = next(r for r in loss_readings(balance) if r.stream == "mids")
    assert mids.sentences[-1].startswith("It is richer in Pb than the feed")
    assert mids.tests == ()


def test_lost_products_may_be_named() -> None:
    circuit, survey = _plant([("Pb", (40.0, 3.0, 0.5)), ("SiO2", (20.0, 60.0, 70.0))])
    losses = only_balanced(circuit, survey, lost=["tails"]).losses
    assert [(x.stream, x.analyte, x.kept) for x in losses.found] == [
        ("tails", "Pb", ("conc", "mids"))
    ]


def test_a_case_may_name_them_as_folder_and_as_workbook(tmp_path: Path) -> None:
    case = read_case(EXAMPLES / "tails_by_size")
    assert case.lost == ("tailings",)
    balance = example_balance("tails_by_size")
    (loss,) = balance.losses.found
    assert (loss.stream, loss.kept) == ("tailings", ("concentrate", "middlings"))
    (tmp_path / "result.xlsx").write_bytes(xlsx_bytes(balance))
    make_case(tmp_path / "copy.xlsx", "tails_by_size")
    assert {read_case(tmp_path / name).lost for name in ("result.xlsx", "copy.xlsx")} == {
        ("tailings",)
    }


def test_what_is_rich_in_the_tailings_is_not_read_if_they_are_lost() -> None:
    """Unless said otherwise the tailings, richest in As, count as what is kept of it."""
    circuit, survey = _plant([("Pb", (40.0, 3.0, 0.5)), ("As", (0.1, 0.1, 0.9))])
    balance = only_balanced(circuit, survey)
    assert {x.kept for x in balance.losses.found if x.analyte == "As"} == {("tails",)}
    assert '[report] lost = ["..."]' in loss_meaning(balance)
    balance = only_balanced(circuit, survey, lost=["tails"])
    assert balance.losses.not_read == ("As",)
    assert "Not read: As, as what is kept is no richer in it than the rest." in loss_meaning(
        balance
    )


@pytest.mark.parametrize(
    ("lost", "problem", "mend"),
    [
        (["tail"], "'tail' is given as lost, but is no product.", "Did you mean 'tails'?"),
        (["zzz"], "'zzz' is given as lost, but is no product.", "Products: conc, mids, tails."),
        (["conc", "mids", "tails"], "Every product is given as lost.",
         "Leave out those that are kept."),
    ],
)  # fmt: skip
def test_names_of_lost_products_are_checked(lost: list[str], problem: str, mend: str) -> None:
    circuit, survey = _plant([("Pb", (40.0, 3.0, 0.5))])
    with pytest.raises(InputError) as caught:
        only_balanced(circuit, survey, lost=lost)
    (fault,) = caught.value.faults
    assert (fault.problem, fault.mend) == (problem, mend)


def test_of_a_leach_the_solution_is_kept() -> None:
    loss = only_loss(example_balance("leach_test"), "Au")
    assert (loss.stream, loss.kept) == ("tails", ("pregnant solution",))


def test_one_product_loses_nothing() -> None:
    balance = example_balance("grinding_by_size")
    assert balance.losses.found == () and loss_readings(balance) == ()
    assert LOSS_HEADING not in summary(balance, parts=(ALL,))


@pytest.mark.parametrize("lost", [["conc"], None])
def test_nothing_read_is_said_and_why(lost: list[str] | None) -> None:
    """What is rich is called lost, or nothing is enriched: the section says so, everywhere."""
    grades = (40.0, 3.0, 0.5) if lost else (1.1, 1.0, 1.0)
    circuit, survey = _plant([("Pb", grades)])
    balance = only_balanced(circuit, survey, lost=lost)
    assert balance.losses.found == () and loss_readings(balance) == ()
    said = "Not read: Pb, as what is kept is no richer in it than the rest."
    if lost is None:
        said = "Not read: Pb, as no product has 1.2 times the grade of the feed."
    assert loss_meaning(balance) == said
    printed = [b for part in pages(balance, (), None)["parts"] for b in part["blocks"]]
    at = printed.index({"kind": "heading", "text": LOSS_HEADING})
    assert printed[at + 1]["texts"] == (said,)
    for text in (_flat(summary(balance, parts=("losses",))), _flat(html_report(balance))):
        assert LOSS_HEADING in text and said in text


def test_where_there_is_nothing_to_read_nothing_is_said() -> None:
    circuit, survey = _plant([])
    one_product = Circuit.build({"in": (None, "box"), "out": ("box", None)})
    weighed = tuple(Measurement(s, "dry mass", 5.0, KG, 0.1) for s in ("in", "out"))
    assayed = tuple(Measurement(s, "Pb", 1.0, PERCENT, 0.1) for s in ("in", "out"))
    one = Survey(Basis.BATCH, KG, (Analyte("Pb", PERCENT),), weighed + assayed)
    for balance in (only_balanced(circuit, survey), only_balanced(one_product, one)):
        assert loss_meaning(balance) == ""
        terminal, printed = summary(balance, parts=(ALL,)), str(pages(balance, (), None))
        for text in (terminal, html_report(balance), printed):
            assert LOSS_HEADING not in text


def test_a_declared_loss_is_no_product_to_test() -> None:
    assert {x.stream for x in example_balance("month_with_stockpile").losses.found} == {"tailings"}


def test_grade_and_recovery_by_hand() -> None:
    balance = only_balanced(*_plant([("Pb", (40.0, 3.0, 0.5)), ("SiO2", (20.0, 60.0, 70.0))]))
    (curve,) = balance.losses.curves
    assert (curve.analyte, curve.of) == ("Pb", "ore")
    assert [p.stream for p in curve.points] == ["conc", "mids", "tails"]
    metal = np.cumsum([0.8, 0.54, 0.4])
    for p, m, w in zip(curve.points, metal, (2.0, 20.0, 100.0), strict=True):
        assert (p.mass_pull[0], p.grade[0], p.recovery[0]) == pytest.approx(
            (w, 100.0 * m / w, 100.0 * m / 1.74)
        )
    # with all products together nothing is uncertain but the grade; without the last as much as it
    assert curve.points[2].recovery == pytest.approx((100.0, 0.0), abs=1e-6)
    tails = balance.recovery("tails", "Pb")
    assert curve.points[1].recovery[1] == pytest.approx(tails.sd)
    assert curve.points[0].recovery == pytest.approx(
        (balance.recovery("conc", "Pb").recovery, balance.recovery("conc", "Pb").sd)
    )
    head = balance.value("ore", "Pb")
    assert curve.points[2].grade == pytest.approx((head.adjusted, head.adjusted_sd))
    (table,) = curve_tables(balance)
    assert [row[0] for row in table.rows] == ["conc", "+ mids", "+ tails"]
    root = ElementTree.fromstring(grade_recovery_svg(curve))
    assert root.find("{http://www.w3.org/2000/svg}title") is not None
    assert "+ mids" in grade_recovery_svg(curve)


def test_two_products_have_no_curve() -> None:
    assert loss_case("bulk").losses.curves == ()
    assert example_balance("leach_test").losses.curves == ()


def _cell() -> Balance:
    """Return a float cell of which both products were sieved and assayed by size."""
    circuit = Circuit.build({"in": (None, "cell"), "froth": ("cell", None), "sink": ("cell", None)})
    grid = SizeGrid((150.0, 38.0))
    froth, sink = np.array([1.0, 5.0, 4.0]), np.array([39.0, 25.0, 26.0])
    froth_pb, sink_pb = np.array([0.3, 3.0, 1.2]), np.array([0.7, 0.2, 0.8])
    streams = {"in": (froth + sink, froth_pb + sink_pb), "froth": (froth, froth_pb),
               "sink": (sink, sink_pb)}  # fmt: skip
    found = []
    for name, (flow, metal) in streams.items():
        w, m = float(flow.sum()), float(metal.sum())
        found += [Measurement(name, "dry mass", w, KG, 0.005 * w),
                  Measurement(name, "Pb", 100.0 * m / w, PERCENT, 2.0 * m / w)]  # fmt: skip
        for c in range(3):
            label = grid.label((c, c))
            share, x = float(100.0 * flow[c] / w), float(100.0 * metal[c] / flow[c])
            found.append(Measurement(name, class_share(label), share, SHARE, 0.02 * share + 0.1))
            found.append(Measurement(name, class_grade("Pb", label), x, PERCENT, 0.03 * x))
    return only_balanced(circuit, Survey(Basis.BATCH, KG, (Analyte("Pb", PERCENT),), tuple(found),
                                     "Invented: a cell", sizes=grid))  # fmt: skip


def test_recovery_by_size_by_hand() -> None:
    balance = _cell()
    (found,) = balance.losses.by_separator
    assert (found.node, found.analyte, found.product) == ("cell", "Pb", "froth")
    shares = [pair[0] for _, pair in found.classes if pair is not None]
    assert shares == pytest.approx([30.0, 93.75, 60.0])
    (partition,) = balance.sizes.partitions  # of the coarser product, which is the sink
    assert partition.product == "sink"
    for (_, pair), row in zip(found.classes, partition.classes, strict=True):
        other = row.analytes["Pb"]
        assert pair is not None and other is not None
        assert (pair[0] + other[0], pair[1]) == pytest.approx((100.0, other[1]), rel=1e-6)
    # that of the circuit says it already, and of a cyclone its partition table
    assert size_recovery_tables(balance) == []
    assert size_recovery_tables(example_balance("grinding_by_size")) == []


def test_a_rich_class_between_the_ends_is_told() -> None:
    """The second class holds a third of the loss, at 1.3 times the whole; the third is poor."""
    grades = np.array([0.95, 0.60, 0.13, 0.24, 0.30])
    balance = only_balanced(TABLE, loss_survey(grades))
    loss = only_loss(balance)
    second = loss.parts[1]
    assert loss.between == (second,)
    assert second.of_loss is not None and second.of_loss[0] > 100.0 * MUCH_SHARE
    (reading,) = loss_readings(balance)
    (told,) = (s for s in reading.sentences if "-300+150 um" in s)
    whole = float(grades @ MASS / MASS.sum())
    assert told.startswith(f"Between the ends, -300+150 um: {27 * 0.6 / whole:.2f}")
    assert told.endswith(
        "times the grade of the whole, richer beyond chance; what is proposed below leaves it out."
    )
    assert told in _flat(summary(balance, parts=("losses",)))
    assert told in _flat(html_report(balance))
    for name in ("coarse", "fine", "even", "both"):  # poorer there, or not told apart
        assert only_loss(loss_case(name)).between == ()
    blurred = only_loss(only_balanced(TABLE, loss_survey(grades, relative=0.30)))
    assert blurred.between == ()  # as rich, but not beyond chance


def _flat(text: str) -> str:
    return " ".join(text.split())


def test_words_on_a_coarse_loss() -> None:
    (reading,) = loss_readings(loss_case("coarse"))
    text = " ".join(reading.sentences)
    assert "of the Sn of 'feed' leaves in 'tails'." in text
    assert "Coarse end, +300 um: 18.00 ±" in text and "times the grade of the whole, richer" in text
    assert "Sn locked in coarse particles, or free coarse grains that the device missed" in text
    assert "cannot tell them apart" in text
    assert (
        "halve +300 um of 'tails' with a riffle. Grind one half to pass 300 um" in reading.tests[0]
    )
    assert reading.tests[1] == (
        "Chance that it tells, whichever explanation holds, with one assay of each part as good as "
        "stated: above 99 %."
    )


def test_words_where_nothing_was_measured_by_size() -> None:
    (reading,) = loss_readings(loss_case("bulk"))
    assert reading.sentences[1] == (
        "'tails' was not measured by size: no number here says in which sizes Sn is there."
    )
    assert reading.tests[0].startswith(
        "Screen 'tails' on the sieve that keeps about a fifth of it (no size is known: "
        "begin at 150 um, as is common), weigh and assay both parts."
    )
    (sieved,) = loss_readings(loss_case("sieved"))
    assert "was sieved, but not assayed by size" in sieved.sentences[1]
    assert sieved.tests[0].startswith("Assay 'tails' above and below 300 um, where 18 %")


def test_words_on_the_other_patterns() -> None:
    (fine,) = loss_readings(loss_case("fine"))
    assert any("The assay of the class alone does not tell which." in s for s in fine.sentences)
    assert "split -38 um of 'tails' once more" in fine.tests[0]
    (even,) = loss_readings(loss_case("even"))
    assert "which the errors do not tell from 1" in " ".join(even.sentences)
    assert any("look the same by size" in s for s in even.sentences)
    assert "treat a sample of 'tails' once more" in even.tests[0]


def test_an_inconsistent_survey_is_to_be_settled_first() -> None:
    assert "settle that first" in loss_meaning(example_balance("wrong_assay"))
    assert "settle that first" not in loss_meaning(example_balance("tin_table"))


@pytest.mark.parametrize("name", ["coarse", "fine", "even", "both", "bulk", "sieved"])
def test_terminal_report_and_json_show_it(name: str) -> None:
    balance = loss_case(name)
    text = _flat(summary(balance, parts=("losses",)))
    html = _flat(html_report(balance))
    for reading in loss_readings(balance):
        for sentence in (*reading.sentences, *reading.tests):
            assert sentence in text
            assert sentence.replace("'", "&#39;") in html
    for table in (*loss_tables(balance), expectation_table(balance)):
        assert table.caption in text and table.caption in html
    document = json.loads(to_json(balance))
    jsonschema.Draft202012Validator(balance_schema()).validate(document)
    (found,) = document["losses"]["found"]
    loss = only_loss(balance)
    assert found["percent"] == {"value": loss.percent[0], "sd": loss.percent[1]}
    assert [t["test"] for t in found["tests"]] == [t.kind.value for t in loss.tests]
    assert [e["chance"] for t in found["tests"] for e in t["expected"]] == [
        e.chance for t in loss.tests for e in t.expected
    ]


def test_json_of_curves_and_recovery_by_size() -> None:
    for balance in (_cell(), example_balance("tin_table"), example_balance("leach_test")):
        document = json.loads(to_json(balance))
        jsonschema.Draft202012Validator(balance_schema()).validate(document)
        assert len(document["losses"]["grade_recovery"]) == len(balance.losses.curves)
        assert len(document["losses"]["recovery_by_size"]) == len(balance.losses.by_separator)


def test_many_tests_are_cut_in_the_terminal_only() -> None:
    balance = only_balanced(*_plant([(f"A{i}", (40.0, 0.4, 0.5)) for i in range(5)]))
    assert len(balance.losses.found) == 10
    brief, whole = expectation_table(balance, brief=True), expectation_table(balance)
    assert brief.caption.endswith("(4 more tests: see --html or --json)")
    assert (len(brief.rows), len(whole.rows)) == (18, 30)
