"""A leach over time as it is shown: sentences, tables, picture, cautions, JSON."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import jsonschema
import openpyxl
import pytest
from balance_cases import only_balanced
from bottle_rolls import CIRCUIT, true_kinetics, true_measurements, truth, write_case
from example_balances import example_balance

from oretally.io import read_case
from oretally.io.leach_course import brief_sentences, course_sentences, reagent_sentences
from oretally.io.pictures import leach_course_svg
from oretally.io.results import html_report, summary, xlsx_bytes
from oretally.io.results.document import balance_document, balance_schema
from oretally.io.wording import cautions_of
from oretally.recon import Balance

EXAMPLE = Path(__file__).parents[2] / "examples" / "bottle_roll_times"


def _of(folder: Path) -> Balance:
    case = read_case(folder)
    return only_balanced(case.circuit, case.survey, feed=case.feeds, products=case.products,
                         rates=case.rates)  # fmt: skip


def _example() -> Balance:
    return example_balance("bottle_roll_times")


def test_the_mistyped_assay_is_told_first() -> None:
    """The verdict, the suspect with its slip, and what else it may be."""
    text = summary(_example(), parts=("summary", "suspects"))
    assert "Check one number first: Au in solution of 'sample at 48 h' reads 2.412 mg/L" in (
        " ".join(text.split())
    )
    assert "two digits changed round? Then it is 2.142 mg/L." in " ".join(text.split())
    assert "metal went back to the solids" in " ".join(text.split())
    (first, *_) = course_sentences(_example(), _example().courses[0])
    assert "does not agree with the times" in first


def test_mended_it_is_told_in_two_sentences(tmp_path: Path) -> None:
    """Plateau with its ±, what is still to come, what was consumed."""
    kinetics = (EXAMPLE / "kinetics.csv").read_text("utf-8").replace("2.412", "2.142")
    circuit, measured = (
        (EXAMPLE / name).read_text("utf-8") for name in ("circuit.toml", "measurements.csv")
    )
    balance = _of(write_case(tmp_path, kinetics, circuit=circuit, measurements=measured))
    course, used = brief_sentences(balance)
    assert course == (
        "Au against time: it levels off at 90.71 ± 0.36 % (first order with a plateau); nothing to "
        "speak of is still to come after 72 h, by that curve alone."
    )
    assert used == (
        "Consumed: 0.504 ± 0.028 kg/t of NaCN; 1.260 ± 0.028 kg/t of lime put in (what is left was "
        "not read)."
    )
    assert not any("passes through" in s for s in course_sentences(balance, balance.courses[0]))


def test_more_of_a_reagent_than_was_put_in_is_no_consumption(tmp_path: Path) -> None:
    """A cell left out at time 0: its ± stands for what was added."""
    kinetics = (EXAMPLE / "kinetics.csv").read_text("utf-8").replace("0,,,,20.0,0.1", "0,,,,0.1,")
    circuit, measured = (
        (EXAMPLE / name).read_text("utf-8") for name in ("circuit.toml", "measurements.csv")
    )
    balance = _of(write_case(tmp_path, kinetics, circuit=circuit, measurements=measured))
    told = brief_sentences(balance)
    assert told[-1] == (
        "Consumed of NaCN: not known, as more was found than was put in; see --show reagents."
    )
    assert "NaCN" not in told[-2]
    assert any(s.startswith("More NaCN was found") for s in reagent_sentences(balance))


def test_a_test_that_ended_too_early_is_not_followed_further(tmp_path: Path) -> None:
    """Two hours of a slow leach: the plateau is hardly known, and so is what is to come."""
    of = truth((0.25, 0.5, 1.0, 2.0))
    balance = _of(
        write_case(tmp_path, true_kinetics(of), measurements=true_measurements(of))
    )  # fmt: skip
    (course,) = balance.courses
    for curve, coming in zip(course.curves, course.to_come, strict=True):
        plateau = curve.parameter("plateau")
        come_down = "it is first order with a plateau" in curve.reason  # of two components, to one
        if come_down or (plateau is not None and plateau.sd is not None):
            assert coming is not None
            assert coming[1] > 10.0
        else:  # held at all there is, or a premise
            assert coming is None


def test_evaporation_is_a_question() -> None:
    """How much less came out than was put in; nothing is assumed."""
    (course,) = _example().courses
    less = ("20.0 ± 6.0 mL of solution less came out than was put in, as measured. Did it "
            "evaporate, or was some spilled or left in a filter?")  # fmt: skip
    more = "20.0 ± 6.0 mL of solution more came out than was put in"
    for gap, told in ((0.0200, less), (-0.0200, more)):
        asked = replace(course, unaccounted=(gap, 0.006))
        assert told in " ".join(course_sentences(_example(), asked))
    within = replace(course, unaccounted=(0.0100, 0.006))
    assert "came out" not in " ".join(course_sentences(_example(), within))


def test_cyanide_at_a_low_ph_is_cautioned_first(tmp_path: Path) -> None:
    """Only with a cyanide, and only below 10.5."""
    assert cautions_of(_example())[0].because[0].startswith("A pH below 10.5 was read")
    plain = true_kinetics(truth()).replace("[mL]\n", "[mL],soda added [g],pH\n", 1)
    head, *rows = plain.splitlines()
    last = len(rows) - 1
    rows = [f"{row},{'' if i == last else 1},9.8" for i, row in enumerate(rows)]
    balance = _of(
        write_case(tmp_path, "\n".join([head, *rows]), circuit=CIRCUIT)
    )  # fmt: skip
    assert not any("below 10.5" in b for c in cautions_of(balance) for b in c.because)
    assert "What is left of soda was not read" in " ".join(reagent_sentences(balance))


def test_more_found_than_put_in_is_asked_for(tmp_path: Path) -> None:
    """Titrated as another substance than it is weighed."""
    head, *rows = true_kinetics(truth()).splitlines()
    lines = [f"{head},KCN added [g],KCN left [g/L]", "0,,,,1.0,",
             *(f"{row},,1.4" for row in rows)]  # fmt: skip
    balance = _of(write_case(tmp_path, "\n".join(lines)))
    told = " ".join(reagent_sentences(balance))
    assert "More KCN was found than was put in" in told
    assert "read as another substance than it is weighed" in told


def test_page_workbook_and_json_hold_it() -> None:
    """Tables, the picture with a ring around the suspect, sheets, the schema."""
    balance = _example()
    html = html_report(balance)
    assert "Extraction of Au against time" in html
    svg = leach_course_svg(balance.courses[0], frozenset({"sample at 48 h"}))
    rings = leach_course_svg(balance.courses[0]).count('r="7"'), svg.count('r="7"')
    assert rings == (0, 1)
    document = balance_document(balance)
    jsonschema.Draft202012Validator(balance_schema()).validate(document)
    (course,) = document["courses"]
    assert [p["time"] for p in course["points"]] == [2.0, 4.0, 8.0, 24.0, 48.0, 72.0]
    assert course["points"][4]["reconciled"]["value"] == pytest.approx(100.4, abs=0.1)
    assert document["suspects"][0]["over_time"] is True
    assert {r["reagent"]: r["never_read"] for r in document["reagents"]} == {
        "NaCN": False, "lime": True,
    }  # fmt: skip


def test_sheets_have_numbers(tmp_path: Path) -> None:
    path = tmp_path / "r.xlsx"
    path.write_bytes(xlsx_bytes(_example()))
    book = openpyxl.load_workbook(path)
    assert {"extraction over time", "reagents used", "kinetics", "reagents"} <= set(book.sheetnames)
    rows = list(book["extraction over time"].iter_rows(values_only=True))
    at = next(i for i, row in enumerate(rows) if row[0] == "time [h]")
    assert [row[0] for row in rows[at + 1 : at + 7]] == [2, 4, 8, 24, 48, 72]


def test_a_reagent_that_nobody_wrote_down(tmp_path: Path) -> None:
    """Read, but never put in by the sheet: nothing is told of what was consumed."""
    head, *rows = true_kinetics(truth()).splitlines()
    lines = [f"{head},KCN left [g/L]", *(f"{row},0.4" for row in rows)]
    balance = _of(write_case(tmp_path, "\n".join(lines)))
    assert all(p.consumed is None and p.added is None for p in balance.reagents[0].points)
    assert not any("Consumed" in s for s in brief_sentences(balance))
    assert "No addition of KCN is written down" in " ".join(reagent_sentences(balance))


def test_solution_added_without_a_word_of_the_reagent_is_told(tmp_path: Path) -> None:
    """Only where nothing is typed, 0 being typed; not of what was never read."""
    head, *rows = true_kinetics(truth()).splitlines()

    def told(name: str, typed: str) -> str:
        lines = [f"{head},NaCN added [g],NaCN left [g/L],lime added [g]", "0,,,,1.0,,1.0"]
        last = len(rows) - 1
        lines += [f"{row},{'' if i == last else typed},0.4," for i, row in enumerate(rows)]
        return " ".join(reagent_sentences(_of(write_case(tmp_path / name, "\n".join(lines)))))

    assert "is taken as free of NaCN: type what was in it under 'NaCN added'." in told("a", "")
    assert "free of lime" not in told("b", "")
    assert "taken as free" not in told("c", "0")


def test_a_curve_that_does_not_hold_tells_nothing_of_what_is_to_come() -> None:
    """And one that holds beside others that do says that it stands alone."""
    balance = _example()
    (course,) = balance.courses
    assert course.curves[0].holds is False
    assert "would still come" not in " ".join(course_sentences(balance, course))
    # first order, with 'two components' as likely as the times allow but far behind by AICc
    curves = tuple(replace(c, p=0.5, aicc=10.0 * i) for i, c in enumerate(course.curves))
    mended = replace(course, curves=curves)
    assert "would still come" in " ".join(course_sentences(balance, mended))
    (told, *_) = brief_sentences(replace(balance, courses=(mended,)))
    assert told.endswith(", by that curve alone.")


def test_the_extraction_is_what_a_bottle_is_asked_for(tmp_path: Path) -> None:
    """No word of a recovery that is not told stands under it."""
    of = truth()
    rows = true_measurements(of).splitlines()
    rows[3] = f"residue,1000,,,,{rows[3].split(',')[5]},"  # weighed dry: its moisture is not known
    rows[4] = "final solution,,,,,,"
    balance = _of(write_case(tmp_path, true_kinetics(of), measurements="\n".join(rows)))
    assert "Extracted:" in summary(balance, parts=("summary",))
    assert "do not tell the recovery" not in summary(balance, parts=("summary",))
