"""The table of times of a leach: what is read, and every refusal with its whole text."""

from __future__ import annotations

import io
import itertools
from pathlib import Path

import openpyxl
import pytest
from balance_cases import only_balanced
from bottle_rolls import CIRCUIT, true_kinetics, true_measurements, truth, write_case

from oretally.flowsheet import InputError
from oretally.io import Case, read_case
from oretally.io.case import read_unmeasured
from oretally.io.forms import entry_workbook, sampling_form
from oretally.io.results import xlsx_bytes
from oretally.recon import Balance

HEAD = "time [h],solution sampled [mL],Au in solution [mg/L],solution added [mL]"
ROWS = "2,50,0.5,50\n24,50,1.8,\n"
EXAMPLE = Path(__file__).parents[2] / "examples" / "bottle_roll_times"
_folders = itertools.count()


def _refused(folder: Path, kinetics: str, circuit: str = CIRCUIT) -> str:
    with pytest.raises(InputError) as caught:
        read_case(write_case(folder / str(next(_folders)), kinetics, circuit=circuit))
    return str(caught.value)


def _balance(case: Case) -> Balance:
    return only_balanced(case.circuit, case.survey, feed=case.feeds, products=case.products,
                     rates=case.rates)  # fmt: skip


def test_what_a_bench_sheet_comes_to() -> None:
    """Times in order, a chain of leaches, stock solutions as volumes, what is blank."""
    case = read_case(EXAMPLE)
    course = case.survey.course
    assert course is not None
    assert [t.time for t in course.times] == [2.0, 4.0, 8.0, 24.0, 48.0, 72.0]
    assert (course.node, course.unit, course.ph_at_start) == ("bottle", "h", 11.0)
    assert [t.ph for t in course.times] == [10.9, 10.8, None, 10.6, None, 10.4]
    assert [bool(t.added) for t in course.times] == [True, True, True, True, False, False]
    added = case.survey.measured("added at 8 h", "water")
    assert added is not None
    assert (added.value, added.sd) == pytest.approx((54.0, (0.5**2 + 0.05**2) ** 0.5))
    assert case.survey.measured("sample at 8 h", "water") is None
    assert ("No volume stands for the 'sample at 8 h': it counts as not measured, not as nothing."
            in case.notes)  # fmt: skip
    nacn, lime = course.reagents
    assert (nacn.content, nacn.content_sd, nacn.by_volume) == pytest.approx((0.05, 0.0005, True))
    assert (lime.content, lime.content_sd, lime.by_volume) == pytest.approx((0.9, 0.018, False))
    assert [x and x.value for x in lime.added] == [0.0012, None, None, None, 0.0002, None]
    assert case.products == ("residue", "final solution")


def test_rows_may_stand_in_any_order_and_be_blank(tmp_path: Path) -> None:
    """A form with rows that nobody filled in; another spelling of headers."""
    plain = read_case(write_case(tmp_path / "a", f"{HEAD}\n{ROWS}"))
    other = read_case(write_case(
        tmp_path / "b",
        "Time (hours),Solution_sampled [ml],au solution [mg/L],Solution added (mL),note\n"
        "24,50,1.8,,\n48,,,,\n2,50,0.5,50,\n",
    ))  # fmt: skip
    assert plain.circuit == other.circuit
    assert plain.survey == other.survey


def test_a_sample_that_was_poured_back(tmp_path: Path) -> None:
    """0 drawn off: the assay is that of the solution in the vessel."""
    case = read_case(write_case(tmp_path, f"{HEAD}\n2,0,0.5,\n24,50,1.8,\n"))
    assert "sample at 2 h" not in case.circuit.stream_names
    assert case.survey.measured("pulp at 2 h", "Au in solution") is not None


def test_a_table_that_nobody_filled_in_is_none(tmp_path: Path) -> None:
    case = read_case(write_case(tmp_path, f"{HEAD}\n2,,,\n24,,,\n"))
    assert case.survey.course is None
    assert case.circuit.stream_names == ("ore", "solution", "residue", "final solution")


@pytest.mark.parametrize(
    ("kinetics", "told"),
    [
        (f"{HEAD.replace(' [h]', '')}\n{ROWS}",
         "kinetics.csv, cell A1: A time stands without a unit.\n"
         "Write one of: s, min, h, d, wk."),
        (f"{HEAD}\n{ROWS}2,50,0.6,50\n",
         "kinetics.csv, cell A4: The time 2 h is there twice.\n"
         "Write all that belongs to a time on one row."),
        (f"{HEAD}\n{ROWS},50,0.6,\n",
         "kinetics.csv, cell A4: The row has numbers, but no time.\nEnter the time."),
        (f"{HEAD}\n{ROWS}-2,50,0.6,\n",
         "kinetics.csv, cell A4: The time is -2.\n"
         "Count from the start of the leach, which is 0."),
        (f"{HEAD}\n0,50,,\n{ROWS}",
         "kinetics.csv, cell B2: Solution is drawn off at the time 0.\n"
         "Enter it at the time at which it was drawn, or clear the cell."),
        (f"{HEAD}\n2,50,0.5,50\n24,50,1.8,50\n",
         "kinetics.csv, cell A3: Solution is added at 24 h, behind the last sample: nothing says "
         "what became of it.\nEnter the time at which the leach ended, or clear the cell."),
        ("time [h],Au in solution [mg/L]\n2,0.5\n",
         "kinetics.csv: Solution was assayed, and nothing says how much was drawn off.\n"
         "Add the column solution sampled [mL]; write 0 where it was poured back."),
        (f"{HEAD},colour\n{ROWS}",
         "kinetics.csv, cell E1: 'colour' is no column of a table of times.\n"
         "Columns: time [h], solution sampled [mL], Au in solution [mg/L], solution added [mL], "
         "and for each reagent one such as NaCN added [g] and NaCN left [g/L]; pH; note. Each "
         "number may have its ± column."),
        (f"{HEAD},pH,± pH [rel %]\n2,50,0.5,50,10,1\n24,50,1.8,,10,1\n",
         "kinetics.csv, cell F1: The column '± pH [rel %]' has a unit, and a pH has none.\n"
         "Write ± pH; its ± is in pH too."),
        (f"{HEAD},Ca(OH)2 added [mL]\n0,,,,30\n{ROWS.replace(chr(10), ',' + chr(10))}",
         "kinetics.csv: 'Ca(OH)2' is added by volume, and nothing says how strong the stock "
         'solution is.\nState it: [reagents] "Ca(OH)2" = { strength = "50 g/L", relative = 2 }.'),
        (f"{HEAD},± NaCN added [g]\n{ROWS.replace(chr(10), ',' + chr(10))}",
         "kinetics.csv, cell E1: The error column '± NaCN added [g]' has no column to go with "
         "it.\nAdd it, or correct the name."),
        (f"{HEAD},pH\n2,50,0.5,50,108\n24,50,1.8,,10\n",
         "kinetics.csv, cell E2, stream 'pulp at 2 h', pH: The pH is 108.\n"
         "Correct it, or leave the cell blank."),
        (f"{HEAD}\n2,-5,0.5,50\n24,50,1.8,\n",
         "kinetics.csv, cell B2, stream 'sample at 2 h', water: The solution sampled is -5 mL; it "
         "cannot be negative.\nCorrect it, or leave the cell blank if it was not measured."),
        (f"{HEAD},NaCN added [mL]\n0,,,,20\n2,50,0.5,50,\n24,50,1.8,,\n",
         "kinetics.csv: 'NaCN' is added by volume, and nothing says how strong the stock solution "
         "is.\nState it: [reagents] NaCN = { strength = \"50 g/L\", relative = 2 }."),
        (f"{HEAD},NaCN added [g]\n2,50,0.5,50,\n24,50,1.8,,1\n",
         "kinetics.csv, cell E3, stream 'sample at 24 h', NaCN added: NaCN is added at 24 h, when "
         "the leach ended.\nClear the cell, or enter the time at which the leach ended."),
    ],
)  # fmt: skip
def test_refusals(kinetics: str, told: str, tmp_path: Path) -> None:
    """Where, what, and how to mend it."""
    assert _refused(tmp_path, kinetics) == told


NACN = f"{HEAD},NaCN added [g]\n0,,,,1\n2,50,0.5,50,\n24,50,1.8,,\n"


@pytest.mark.parametrize("unit", ["g", "grain", "dwt", "assay ton"])
def test_what_is_weighed_is_no_stock_solution(unit: str, tmp_path: Path) -> None:
    head = f"{HEAD},lime added [{unit}],± lime added [rel %]"
    rows = "0,,,,2,1\n2,50,0.5,50,,\n24,50,1.8,,,\n"
    course = read_case(write_case(tmp_path, f"{head}\n{rows}")).survey.course
    assert course is not None
    assert [r.by_volume for r in course.reagents] == [False]


@pytest.mark.parametrize(
    ("kinetics", "circuit", "told"),
    [
        (f"{HEAD}\n{ROWS}", CIRCUIT.replace('{ kind = "leach" }', '{ kind = "separator" }'),
         "kinetics.csv: A table of times is of one leach; the circuit has no leach.\n"
         'Say which node it is: [nodes] "bottle" = { kind = "leach" }.'),
        (NACN, CIRCUIT + '[reagents]\nKCN = { purity = 98, relative = 1 }\n',
         "circuit.toml, line 27, KCN: The table of times has no reagent 'KCN'.\n"
         "Reagents of the table: NaCN."),
        (NACN, CIRCUIT + '[reagents]\nNaCN = { purity = 120, relative = 1 }\n',
         "circuit.toml, line 27, NaCN: The purity is '120'; it is above 0 and at most 100 %.\n"
         "Write for example purity = 98."),
        (NACN, CIRCUIT + '[reagents]\nNaCN = { purity = 98 }\n',
         "circuit.toml, line 27, NaCN: No error is stated of purity and strength.\n"
         "Write for example relative = 2: one standard deviation, in percent."),
        (NACN, CIRCUIT + '[reagents]\nNaCN = { strength = "50 g/L", relative = 1 }\n',
         "kinetics.csv: 'NaCN' has the strength of a stock solution, but is added by mass.\n"
         "Name the column NaCN added [mL],\nor take the strength out."),
        (NACN, CIRCUIT + '[reagents]\nNaCN = 98\n',
         "circuit.toml, line 27: The reagent 'NaCN' is no table.\n"
         'Write { purity = 98, relative = 1 }, or { strength = "50 g/L", relative = 2 }.'),
        (NACN, CIRCUIT.replace('"reagents added" = { absolute = "0.01 g" }\n', ""),
         "kinetics.csv, cell E2, stream 'added at 0 h', NaCN added: No error is stated.\n"
         "Enter it beside the value (column ± NaCN added [g] or [rel %])\n"
         'or state a rule: [errors] "reagents added" = { absolute = "0.01 g" } (a usual figure; '
         "common practice, no source)."),
    ],
)  # fmt: skip
def test_refusals_of_the_case(kinetics: str, circuit: str, told: str, tmp_path: Path) -> None:
    """What the circuit, the reagents and the errors must say."""
    assert _refused(tmp_path, kinetics, circuit) == told


def test_circuits_that_no_table_of_times_fits(tmp_path: Path) -> None:
    """Nothing goes in; two pulps come out; carbon; a name that is taken."""
    begin = '"final solution" = { from = "bottle", carries = "solution" }\n'
    more = 'second = { from = "bottle" }\n'
    told = _refused(tmp_path, f"{HEAD}\n{ROWS}", CIRCUIT.replace(begin, begin + more))
    assert told == (
        "kinetics.csv: From a leach that is sampled over time one stream of solids comes, and the "
        "solution with it or beside it; from 'bottle' come 'residue', 'final solution', 'second'.\n"
        "Draw what happens to the pulp afterwards as a node of its own."
    )
    taken = CIRCUIT.replace("solution = {", '"added at 2 h" = {')
    told = _refused(tmp_path, f"{HEAD}\n{ROWS}", taken)
    assert told.startswith(
        "kinetics.csv: The circuit has 'added at 2 h', which is what the table of times calls its "
        "own.\nGive the stream or node another name."
    )


def test_as_a_workbook_and_from_the_result_workbook(tmp_path: Path) -> None:
    """The same course, the same answers, with errors of its own for one sample."""
    circuit = (EXAMPLE / "circuit.toml").read_text("utf-8")
    own = '[sources]\nlab = { of = "Au in solution", relative = 1, shared = true }\n\n[report]'
    texts = [(EXAMPLE / f"{name}.csv").read_text("utf-8") for name in ("kinetics", "measurements")]
    folder = write_case(tmp_path / "case", texts[0], circuit=circuit.replace("[report]", own),
                        measurements=texts[1])  # fmt: skip
    one = _balance(read_case(folder))
    path = tmp_path / "result.xlsx"
    path.write_bytes(xlsx_bytes(one))
    case = read_case(path)
    assert case.circuit == one.circuit
    two = _balance(case)
    assert two.global_test.statistic == pytest.approx(one.global_test.statistic, rel=1e-6)
    for a, b in zip(one.courses[0].points, two.courses[0].points, strict=True):
        assert b.reconciled == pytest.approx(a.reconciled, rel=1e-6)
        assert (b.ph, b.note, b.time) == (a.ph, a.note, a.time)
    for first, second in zip(one.reagents, two.reagents, strict=True):
        last, again = first.points[-1], second.points[-1]
        assert again.added == pytest.approx(last.added, rel=1e-6)
        assert (again.consumed is None) == (last.consumed is None)
        if last.consumed is not None:
            assert again.consumed == pytest.approx(last.consumed, rel=1e-6)


def test_forms_have_the_times() -> None:
    """The form to print and the workbook to type into have a row for each time."""
    plan = read_unmeasured(EXAMPLE)
    html = sampling_form(plan)
    assert "Against time" in html
    for word in ("solution sampled [mL]", "NaCN left [g/L]", "pH"):
        assert f"<th>{word}</th>" in html
    assert all(f"<th>{t}</th>" in html for t in (0, 2, 4, 8, 24, 48, 72))
    book = openpyxl.load_workbook(io.BytesIO(entry_workbook(plan)))
    rows = list(book["kinetics"].iter_rows(values_only=True))
    assert rows[0][:2] == ("time [h]", "solution sampled [mL]")
    assert [str(r[0]) for r in rows[1:]] == ["0", "2", "4", "8", "24", "48", "72"]
    assert all(cell is None or cell == "" for row in rows[1:] for cell in row[1:])


def test_made_up_bottles_read_as_they_were_written(tmp_path: Path) -> None:
    """A case of true numbers: every value is there, none is judged."""
    case = read_case(
        write_case(tmp_path, true_kinetics(truth()), measurements=true_measurements(truth()))
    )
    assert len(case.survey.measurements) == 8 + 6 * 2 + 5
