"""What if a measurement were left out, changed or added: against balancing the changed case."""

from __future__ import annotations

from pathlib import Path

import pytest
from balance_cases import only_balanced

from oretally.flowsheet import InputError, NotBalanceable, SharedSource
from oretally.flowsheet.survey import without_measurement
from oretally.io.case import Case, read_case
from oretally.io.commands.what_if import changed_survey
from oretally.io.results import ALL, html_report, summary
from oretally.io.results.document import balance_document
from oretally.io.wording import (
    otherwise_sentences,
    otherwise_sheet,
    otherwise_tables,
)
from oretally.recon import Balance, reconcile
from oretally.recon.result import WhatIf
from oretally.recon.what_if import impossible, otherwise

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def case() -> Case:
    return read_case(ROOT / "examples" / "tin_table")


def balanced(case: Case, *, without: tuple[str, ...] = (), added: tuple[str, ...] = ()) -> (
    tuple[Balance, list[str]]
):  # fmt: skip
    survey, words = changed_survey(case.circuit, case.survey, without, added)
    return only_balanced(case.circuit, survey, feed=case.feed, products=case.products), words


def test_left_out_as_if_it_had_not_been_measured(case: Case) -> None:
    found, words = balanced(case, without=("Tailings : sn",))
    assert words == ["without Sn of 'tailings'"]
    assert found.value("tailings", "Sn").measured is None
    assert found.global_test.dof == 1
    # the objective falls by the square of the standardised adjustment, to first order
    now, _ = balanced(case)
    z = now.value("tailings", "Sn").standardised
    assert z is not None
    assert found.objective == pytest.approx(now.objective - z**2, rel=0.02)


def test_in_place_of_another_number(case: Case) -> None:
    found, words = balanced(case, added=("middlings:Sn=20000 +- 300 ppm",))
    assert words == ["with Sn of 'middlings' 20000 ± 300 ppm in place of 2.11 %"]
    row = found.value("middlings", "Sn")
    assert (row.measured, row.sd, row.unit) == (20000.0, 300.0, "ppm")


def test_leaving_out_what_was_added_changes_nothing(case: Case) -> None:
    whole, _ = balanced(case)
    without, _ = balanced(case, without=("tailings:Sn",))
    m = case.survey.measured("tailings", "Sn")
    assert m is not None
    back, _ = balanced(case, added=(f"tailings:Sn={m.value!r} ± {m.sd!r} %",))
    assert back.objective == pytest.approx(whole.objective, rel=1e-9)
    assert without.objective < whole.objective


def test_shared_sources_lose_their_part() -> None:
    case = read_case(ROOT / "examples" / "filter_cakes")
    survey = without_measurement(case.survey, "ore", "BaSO4")
    batch = next(s for s in survey.shared if s.quantity == "BaSO4")
    assert "ore" not in batch.loadings
    assert isinstance(batch, SharedSource)
    assert only_balanced(case.circuit, survey, feed=case.feed).converged


def test_the_unit_of_the_case_where_none_is_written(case: Case) -> None:
    _, words = balanced(case, added=("middlings:Sn=2 ± 0.05",))
    assert words == ["with Sn of 'middlings' 2.000 ± 0.050 % in place of 2.11"]


def test_an_sd_in_percent_of_the_value(case: Case) -> None:
    found, _ = balanced(case, added=("concentrate:dry mass=420 g ± 2 rel %",))
    row = found.value("concentrate", "dry mass")
    assert (row.measured, row.sd, row.unit) == (420.0, 8.4, "g")


def test_an_sd_in_a_unit_of_its_own(case: Case) -> None:
    found, _ = balanced(case, added=("concentrate:dry mass=0.42 kg +/- 2 g",))
    row = found.value("concentrate", "dry mass")
    assert (row.measured, row.unit) == (0.42, "kg")
    assert row.sd == pytest.approx(0.002, rel=1e-12)


def test_water_by_volume_and_solution() -> None:
    case = read_case(ROOT / "examples" / "leach_test")
    asked = ("wash water:water=20 ± 0.2 L", "wash water:Au in solution=0.1 ± 0.02 mg/L",
             "tails:% solids=77 ± 1")  # fmt: skip
    survey, words = changed_survey(case.circuit, case.survey, (), asked)
    assert [w.split(" in place")[0] for w in words] == [
        "with water of 'wash water' 20.00 ± 0.20 L",
        "with Au in solution of 'wash water' 0.100 ± 0.020 mg/L",
        "with % solids of 'tails' 77.0 ± 1.0 %",
    ]
    water = survey.measured("wash water", "water")
    assert water is not None and water.value_base == pytest.approx(20.0)


def _odd(folder: Path, *streams: str) -> Case:
    """Return a case with a feed called 'f' and two products called as given."""
    lines = "".join(f"'{s}' = {{ from = 't' }}\n" for s in streams)
    (folder / "circuit.toml").write_text(
        f"basis = 'batch'\n[streams]\nf = {{ to = 't' }}\n{lines}"
        "[errors]\n'dry mass' = { relative = 1 }\nSn = { relative = 3 }\n"
        "'c:Sn' = { relative = 3 }\n"
    )
    rows = "".join(f'"{s}",{5 + i},{1 + i},0.5\n' for i, s in enumerate(streams))
    (folder / "measurements.csv").write_text(
        f"stream,dry mass [kg],Sn [%],c:Sn [%]\nf,11,1.5,0.5\n{rows}"
    )
    return read_case(folder)


def test_names_with_colons_equals_signs_and_quotes(tmp_path: Path) -> None:
    case = _odd(tmp_path, "a:b=c", "d e")
    _, words = changed_survey(
        case.circuit, case.survey, ("a:b=c:Sn", "'d e':dry mass"), ("a:b=c:dry mass=5±1 kg",)
    )
    assert words == [
        "without Sn of 'a:b=c'", "without dry mass of 'd e'",
        "with dry mass of 'a:b=c' 5.0 ± 1.0 kg in place of 5",
    ]  # fmt: skip


def test_two_readings_are_refused(tmp_path: Path) -> None:
    """'b:c:Sn' is Sn of 'b:c', or 'c:Sn' of 'b'."""
    case = _odd(tmp_path, "b", "b:c")
    with pytest.raises(InputError) as caught:
        changed_survey(case.circuit, case.survey, ("b:c:Sn",), ())
    assert [str(f) for f in caught.value.faults] == [
        "option --without \"b:c:Sn\": It can be read as the c:Sn of 'b' or as the Sn of 'b:c'.\n"
        "Rename one of the streams."
    ]


def _beside(case: Case, *, without: tuple[str, ...] = (), added: tuple[str, ...] = ()) -> WhatIf:
    now, _ = balanced(case)
    then, words = balanced(case, without=without, added=added)
    return otherwise(now, then, words)


def test_side_by_side(case: Case) -> None:
    now, _ = balanced(case)
    then, words = balanced(case, without=("tailings:Sn",))
    found = otherwise(now, then, words)
    recoveries, values = otherwise_tables(found)
    assert [row[0] for row in recoveries.rows] == ["concentrate", "middlings", "tailings"]
    for r in found.recoveries:
        one, two = now.recovery(r.stream, r.analyte), then.recovery(r.stream, r.analyte)
        assert one.recovery is not None and two.recovery is not None
        assert (r.recovery, r.sd) == (one.recovery, one.sd)
        assert (r.otherwise, r.otherwise_sd) == (two.recovery, two.sd)
        assert r.change == two.recovery - one.recovery
    assert recoveries.rows[0][-1] == "+2.08"
    assert [row[-1] for row in values.rows if row[0] == "tailings"] == ["changed by you"]
    # masses do not move by a tenth of their sd
    assert {row[1] for row in values.rows} == {"Sn [%]"}
    assert otherwise_sentences(found) == (
        "Beside the balance stands another one: without Sn of 'tailings'.",
        "As it is: chi-square 1.987 on 2 degrees of freedom, p 0.37. What if: chi-square 0.1959 on "
        "1 degree of freedom, p 0.66.",
    )


def test_values_in_the_unit_of_the_balance_as_it_is(case: Case) -> None:
    """Read in ppm, shown in the percent of the case."""
    found = _beside(case, added=("middlings:Sn=20000 ± 300 ppm",))
    same = _beside(case, added=("middlings:Sn=2 ± 0.03 %",))
    for a, b in zip(found.values, same.values, strict=True):
        assert (a.stream, a.quantity, a.unit) == (b.stream, b.quantity, b.unit)
        assert a.otherwise == pytest.approx(b.otherwise, rel=1e-9)
        assert a.otherwise_sd == pytest.approx(b.otherwise_sd, rel=1e-9)
    changed = [v for v in found.values if v.changed]
    assert [(v.stream, v.quantity, v.unit) for v in changed] == [("middlings", "Sn", "%")]


def test_what_was_not_measured_becomes_known() -> None:
    case = read_case(ROOT / "examples" / "grinding_by_size")
    found = _beside(case, added=("fresh feed:Pb in -38 um=5 ± 0.2",))
    (value,) = [v for v in found.values if v.changed]
    assert (value.adjusted, value.sd, value.change) == (None, None, None)
    assert value.otherwise == pytest.approx(5.0)


def test_only_so_many_rows_for_a_terminal(case: Case) -> None:
    case = read_case(ROOT / "examples" / "rougher_cleaner")
    found = _beside(case, without=("final tails:Au", "rougher conc:Cu"))
    _, values = otherwise_tables(found, 5)
    every = otherwise_tables(found)[1]
    assert values.caption == (
        f"What if: adjusted values that change (5 of {len(every.rows)}, those that change the most)"
    )
    assert len(values.rows) == 5 < len(every.rows)
    named = [(row[0], row[1]) for row in values.rows if row[-1]]
    assert named == [("rougher conc", "Cu [%]"), ("final tails", "Au [g/t]")]


def test_no_balance_follows(case: Case) -> None:
    now, _ = balanced(case)
    masses = tuple(f"{s}:dry mass" for s in case.circuit.stream_names)
    survey, words = changed_survey(case.circuit, case.survey, masses, ())
    with pytest.raises(NotBalanceable) as refused:
        reconcile(case.circuit, survey, feed=case.feed, products=case.products)
    found = impossible(now, refused.value.reason, words)
    assert otherwise_tables(found) == []
    assert otherwise_sentences(found)[1].startswith(
        "No balance follows from that. No dry mass was measured, so nothing fixes the scale"
    )
    document = balance_document(now, otherwise=found)["what_if"]
    assert (document["converged"], document["what_if"], document["values"]) == (False, None, [])


def test_shown_everywhere(case: Case) -> None:
    now, _ = balanced(case)
    then, words = balanced(case, without=("tailings:Sn",))
    found = otherwise(now, then, words)
    for text in (summary(now, otherwise=found), html_report(now, otherwise=found)):
        assert "Beside the balance stands another one: without Sn of" in text
        assert "changed by you" in text
    assert "What if" not in summary(now, parts=(ALL,))
    assert "What if" not in html_report(now)
    title, header, rows = otherwise_sheet(found)
    assert (title, header[3:6]) == ("what if", ("as it is", "sd", "what if"))
    assert len(list(rows)) == 2 + len(found.recoveries) + len(found.values)


HOW_WITH = 'Write --with "tailings:Sn=0.3030 ± 0.0091 %".'
HOW_WITHOUT = 'Write --without "tailings:Sn".'
GRADES = ("Write one of: %, g/g, g/kg, kg/t, g/t, mg/kg, ppm, ppb, lb/st, lb/t, lb/lt, ozt/st, "
          "ozt/t, ozt/lt.")  # fmt: skip
WITHOUT = {
    "tail:Sn": "There is no stream 'tail' in the circuit.\nDid you mean 'tailings'?",
    "jig:Sn": "There is no stream 'jig' in the circuit.\nStreams: table feed, concentrate, "
              "middlings, tailings.",
    "tailings": f"A stream and a quantity are needed, a colon between.\n{HOW_WITHOUT}",
    "": f"A stream and a quantity are needed, a colon between.\n{HOW_WITHOUT}",
    ":Sn": f"There is no stream beside the colon.\n{HOW_WITHOUT}",
    "tailings: ": f"There is no quantity beside the colon.\n{HOW_WITHOUT}",
    "tailings:Pb": "There is no quantity 'Pb' here.\nQuantities: dry mass, Sn.",
    "tailings:dry mas": "There is no quantity 'dry mas' here.\nDid you mean 'dry mass'?",
}  # fmt: skip
WITH = {
    "tailings:Sn": f"No value is given.\n{HOW_WITH}",
    "tailings:Sn= ": f"No value is given.\n{HOW_WITH}",
    "tailings:Sn=3 %": f"'3 %' is no value with its sd.\n{HOW_WITH}",
    "tailings:Sn=± 1 %": f"'± 1 %' is no value with its sd.\n{HOW_WITH}",
    "tailings:Sn=nan ± 1 %": f"'nan ± 1 %' is no value with its sd.\n{HOW_WITH}",
    "tailings:Sn=0,3 ± 0,1 %": "'0,3 ± 0,1 %' is no value with its sd. Decimals stand behind a "
                               f"point.\n{HOW_WITH}",
    "tailings:Sn=3 ± 0 %": f"The sd must be above 0.\n{HOW_WITH}",
    "tailings:Sn=0 ± 3 rel %": f"The sd must be above 0.\n{HOW_WITH}",
    "tailings:Sn=3 ± -1 %": f"The sd must be above 0.\n{HOW_WITH}",
    "tailings:Sn=1e999 ± 1 %": f"'1e999 ± 1 %' is beyond all numbers.\n{HOW_WITH}",
    "tailings:Sn=\N{MINUS SIGN}3 ± 1 %": "The Sn is -3 %; it cannot be negative.\n"
                                         "Correct the value or its unit.",
    "tailings:Sn=90 ± 1 %": "The Sn is 90 %, more than the stated max (78.77 %).\n"
                            "Correct the value or its unit.",
    "tailings:dry mass=1e40 ± 1 t": "The dry mass is 1e+40 t, more than the whole Earth.\n"
                                    "Correct the value or its unit.",
    "tailings:Sn=3 ± 1 kg": f"'kg' is the unit of a mass, but a grade is wanted.\n{GRADES}",
    "tailings:Sn=3 ± 1 oz/ton": "'oz/ton' can be read in three ways: ozt/st = 34.2857 g/t, ozt/t "
                                "= 31.1035 g/t, ozt/lt = 30.6122 g/t.\n"
                                "Write the one the laboratory means.",
    "tailings:Sn=3 g/t ± 1 lbs of it": f"'lbs of it' is not a unit known here.\n{GRADES}",
}  # fmt: skip
BAD = [("--without", w, said) for w, said in WITHOUT.items()]
BAD += [("--with", w, said) for w, said in WITH.items()]


@pytest.mark.parametrize(("option", "written", "said"), BAD)
def test_bad_changes(case: Case, option: str, written: str, said: str) -> None:
    without, added = ((written,), ()) if option == "--without" else ((), (written,))
    with pytest.raises(InputError) as caught:
        changed_survey(case.circuit, case.survey, without, added)
    assert [str(f) for f in caught.value.faults] == [f'option {option} "{written}": {said}']


def test_all_faults_at_once(case: Case) -> None:
    with pytest.raises(InputError) as caught:
        changed_survey(case.circuit, case.survey, tuple(WITHOUT), tuple(WITH))
    assert len(caught.value.faults) == len(WITHOUT) + len(WITH)


@pytest.mark.parametrize(
    ("without", "added", "said"),
    [
        (("tailings:Sn", "tailings:Sn"), (),
         'option --without "tailings:Sn": The Sn of \'tailings\' is left out twice.\n'
         "Take one out."),
        ((), ("tailings:Sn=3±1", "Tailings:sn=2±1"),
         'option --with "Tailings:sn=2±1": The Sn of \'tailings\' is given twice.\n'
         "Take one out."),
    ],
)  # fmt: skip
def test_twice(case: Case, without: tuple[str, ...], added: tuple[str, ...], said: str) -> None:
    with pytest.raises(InputError) as caught:
        changed_survey(case.circuit, case.survey, without, added)
    assert [str(f) for f in caught.value.faults] == [said]


def test_not_measured_and_units_that_mean_two_things() -> None:
    """An assay in g/t with 'percent' behind its sd: of the whole, or of the value."""
    case = read_case(ROOT / "examples" / "rougher_cleaner")
    asked = ("final conc:Au=16 ± 3 %",)
    with pytest.raises(InputError) as caught:
        changed_survey(case.circuit, case.survey, ("rougher tails:dry rate",), asked)
    assert [str(f) for f in caught.value.faults] == [
        "option --without \"rougher tails:dry rate\": The dry rate of 'rougher tails' was not "
        "measured.\nLeave out what was measured.",
        "option --with \"final conc:Au=16 ± 3 %\": '16 ± 3 %' can be read as 16 % or as 16 g/t "
        "with an sd of 3 percent of it.\nWrite 16 % ± 3 %\nor 16 g/t ± 3 rel %.",
    ]
    _, words = changed_survey(
        case.circuit, case.survey, (), ("final conc:Au=16 g/t ± 3 rel %", "final tails:Au=1 % ± 1%")
    )
    assert words[0].startswith("with Au of 'final conc' 16.00 ± 0.48 g/t in place of")
    assert words[1].startswith("with Au of 'final tails' 1.0 ± 1.0 % in place of")


def test_a_stream_without_the_quantity() -> None:
    case = read_case(ROOT / "examples" / "leach_test")
    with pytest.raises(InputError) as caught:
        changed_survey(case.circuit, case.survey, ("wash water:Au",), ())
    assert [str(f) for f in caught.value.faults] == [
        "option --without \"wash water:Au\": The stream 'wash water' has no Au.\n"
        'Write --without "pregnant solution:Au in solution".'
    ]


def test_no_unit_where_the_stream_has_its_own(tmp_path: Path) -> None:
    case = _odd(tmp_path, "a", "b")
    text = (tmp_path / "measurements.csv").read_text().replace('"a",5,1,', '"a",5,10000 ppm,')
    (tmp_path / "measurements.csv").write_text(text)
    case = read_case(tmp_path)
    with pytest.raises(InputError) as caught:
        changed_survey(case.circuit, case.survey, (), ("a:Sn=1 ± 0.1",))
    assert [str(f) for f in caught.value.faults] == [
        'option --with "a:Sn=1 ± 0.1": No unit is given; it was measured in ppm, others in %.\n'
        'Write --with "a:Sn=10000 ± 300 ppm".'
    ]
