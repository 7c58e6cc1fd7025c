"""Cases for a kind of work: each can be read, printed and filled in, and states no numbers."""

from __future__ import annotations

import csv
import io
import re
import tomllib
from pathlib import Path

import openpyxl
import pytest
from balance_cases import only_balanced
from hypothesis import given, settings
from hypothesis import strategies as st
from often import often
from typed_kinds import TYPED

from oretally.flowsheet import InputError
from oretally.io import read_case
from oretally.io.case import SHEETS, read_unmeasured
from oretally.io.cli import main
from oretally.io.forms import kind_named, kinds, make_case, times_of, wanted_case
from oretally.io.forms.kind_texts import case_texts

Capture = pytest.CaptureFixture[str]
KINDS = [kind.name for kind in kinds()]
ABSOLUTE = {"moisture": "0.5", "water": "1", "dry mass": "300", "mass": "2"}  # ± beside the numbers


def run(capsys: Capture, *arguments: object) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as stop:
        main([str(each) for each in arguments])
    shown = capsys.readouterr()
    return int(stop.value.code or 0), shown.out, shown.err


def table(file: Path) -> list[list[str]]:
    return list(csv.reader(io.StringIO(file.read_text("utf-8"))))


def filled(text: str, typed: dict[str, dict[str, float | str]]) -> str:
    """Return a table with numbers, each with its error where the table has a column for it."""
    rows = list(csv.reader(io.StringIO(text)))
    header = rows[0]
    name = header.index("when") if "when" in header else 0
    for row in rows[1:]:
        numbers = typed.get(row[name], {})
        for j, word in enumerate(header):
            quantity = word.rpartition(" [")[0]
            if quantity in numbers:
                row[j] = str(numbers[quantity])
                beside = f"\N{PLUS-MINUS SIGN} {quantity} ["
                if j + 1 < len(header) and header[j + 1].startswith(beside):
                    row[j + 1] = ABSOLUTE.get(quantity, "")
    out = io.StringIO()
    csv.writer(out).writerows(rows)
    return out.getvalue()


@pytest.mark.parametrize("name", KINDS)
def test_a_blank_case_is_read_and_printed(name: str, tmp_path: Path, capsys: Capture) -> None:
    path = tmp_path / "a case"
    status, out, err = run(capsys, "new", path, "--kind", name.replace(" ", "-"))
    assert (status, out) == (0, "")
    flows = "Rates" if kind_named(name).bases[0].value == "rate" else "Masses"
    assert err.endswith(
        f'What to weigh, and labels to cut out: oretally sheet "{path}" --html sheet.html\n'
        f"{flows} go into measurements.csv, assays into it or, as the laboratory reports them, "
        "into lab.csv: once is enough.\n"
        f'Fill it in, then: oretally check "{path}"\n'
    )
    plan, kind = read_unmeasured(path), kind_named(name)
    assert {a.name: a.unit.symbol for a in plan.analytes} == {m.name: m.unit for m in kind.metals}
    case = read_case(path)
    assert not case.survey.measurements and not case.notes and not case.contradictions
    assert case.title == "a case"
    html, book = tmp_path / "sheet.html", tmp_path / "sheet.xlsx"
    assert run(capsys, "sheet", path, "--html", html, "--xlsx", book)[0] == 0
    labels = plan.labels
    assert all(label in html.read_text("utf-8") for label in labels.values())
    assert read_unmeasured(book).labels == labels  # the labels go with it
    assert "lab" in openpyxl.load_workbook(book, read_only=True).sheetnames


@pytest.mark.parametrize("name", KINDS)
def test_the_workbook_is_the_folder(name: str, tmp_path: Path) -> None:
    wanted = wanted_case(kind_named(name), "My test", mass="1 %")
    make_case(tmp_path / "a", wanted=wanted)
    make_case(tmp_path / "a.xlsx", wanted=wanted)
    one, two = read_case(tmp_path / "a"), read_case(tmp_path / "a.xlsx")
    assert (two.circuit, two.survey) == (one.circuit, one.survey)
    assert (two.feeds, two.products, two.lost) == (one.feeds, one.products, one.lost)
    assert read_unmeasured(tmp_path / "a.xlsx").labels == read_unmeasured(tmp_path / "a").labels


def test_check_and_balance_say_what_to_fill_in(tmp_path: Path, capsys: Capture) -> None:
    make_case(tmp_path / "a", wanted=wanted_case(kind_named("grinding survey"), "My test"))
    status, _, err = run(capsys, "check", tmp_path / "a")
    assert status == 1 and "nothing fixes the scale" in err
    status, _, err = run(capsys, "balance", tmp_path / "a")
    assert status == 2 and "No number is filled in yet." in err


@pytest.mark.parametrize("name", KINDS)
def test_no_number_is_stated(name: str, tmp_path: Path) -> None:
    """Nothing in a table but names, headers and openings of sieves; nothing in circuit.toml."""
    path = tmp_path / "case"
    kind = kind_named(name)
    written = make_case(path, wanted=wanted_case(kind, "My test"))
    document = tomllib.loads((path / "circuit.toml").read_text("utf-8"))
    assert "errors" not in document or document["errors"] == {}
    assert not {"prices", "sources", "losses", "containers", "doubts"} & set(document)
    sieves, times = {*(kind.sieves or ())}, {f"{t.value:g}" for t in times_of(kind.times, kind)}
    for file in (p for p in written if p.suffix == ".csv"):
        rows = table(file)
        cells = {cell for row in rows[1:] for cell in row if cell}
        known = sieves | ({"0", *times} if file.name == "kinetics.csv" else set())
        assert not {cell for cell in cells - known if cell.replace(".", "").isdigit()}
    assert (path / "sizes.csv").exists() == bool(kind.sieves)
    assert (path / "stocks.csv").exists() == bool(kind.stocks)
    comments = [
        line for line in (path / "circuit.toml").read_text("utf-8").splitlines()
        if line.startswith("#")
    ]  # fmt: skip
    assert len(comments) > 5


@pytest.mark.parametrize("name", KINDS)
def test_filled_in_it_balances(name: str, tmp_path: Path) -> None:
    path = tmp_path / "case"
    make_case(path, wanted=wanted_case(kind_named(name), "My test", mass="0.5 %", assay="3"))
    circuit = path / "circuit.toml"  # errors of volumes and reagents are proposed, not stated
    circuit.write_text(re.sub(r'(?m)^# ("(solution|reagents) )', r"\1", circuit.read_text("utf-8")))
    for file in (path / name for name in ("measurements.csv", "stocks.csv", "kinetics.csv")):
        if file.exists():
            file.write_text(filled(file.read_text("utf-8"), TYPED[name]), "utf-8")
    case = read_case(path)
    assert len(case.survey.measurements) >= len(TYPED[name])
    balance = only_balanced(case.circuit, case.survey, feed=case.feeds, products=case.products)
    assert balance.converged
    assert balance.global_test.consistent is not False
    assert (balance.timed is not None) == (name == "timed flotation")
    assert [len(c.points) for c in balance.courses] == ([4] if "bottle" in name[6:] else [])


@pytest.mark.parametrize("name", KINDS)
def test_hints_mean_what_they_say(name: str, tmp_path: Path) -> None:
    """Without the signs of a comment before them, the tables that are hinted at are read."""
    wanted = wanted_case(kind_named(name), "My test")
    text = case_texts(wanted)["circuit.toml"]
    lines = [
        line[2:] if line.startswith(("# [", '# "')) or (line.startswith("# ") and " = " in line
                                                        and line[2:4].isalpha()
                                                        and "?" not in line) else line
        for line in text.splitlines()
    ]  # fmt: skip
    make_case(tmp_path / "case", wanted=wanted)
    (tmp_path / "case" / "circuit.toml").write_text("\n".join(lines) + "\n", "utf-8")
    document = tomllib.loads("\n".join(lines))
    assert document["errors"] and document["sources"]
    assert read_unmeasured(tmp_path / "case").definition.errors


def test_what_is_stated_stands_in_the_case(tmp_path: Path, capsys: Capture) -> None:
    path = tmp_path / "a"
    status, _, _ = run(
        capsys, "new", path, "--kind", "flotation-survey", "--metals", "lead, zn; Ag", "--basis",
        "batch", "--unit", "kg", "--products", "conc, tails", "--sieves", "75,150", "--mass-error",
        "0.5 % + 2 g", "--assay-error", "3 %", "--title", 'A "b"',
    )  # fmt: skip
    assert status == 0
    document = tomllib.loads((path / "circuit.toml").read_text("utf-8"))
    assert (document["title"], document["basis"]) == ('A "b"', "batch")
    assert document["analytes"] == {"Pb": {"unit": "%"}, "Zn": {"unit": "%"}, "Ag": {"unit": "g/t"}}
    assert document["errors"] == {
        "dry mass": {"relative": 0.5, "absolute": "2 g"},
        **{name: {"relative": 3} for name in ("Pb", "Zn", "Ag")},
        "class mass": {"relative": 1, "absolute": "0.2 %"},
    }
    assert document["streams"]["conc"] == {"from": "cleaner"}
    assert document["streams"]["tails"] == {"from": "scavenger"}
    assert document["report"]["products"] == ["conc", "tails"]
    rows = table(path / "measurements.csv")
    assert rows[0] == ["stream", "dry mass [kg]", "Pb [%]", "Zn [%]", "Ag [g/t]", "note"]
    sizes = table(path / "sizes.csv")
    assert [row[1:3] for row in sizes[1:4]] == [["", "150"], ["150", "75"], ["75", ""]]
    assert document["lab"]["samples"]["AB-7"] == "conc"


def test_every_number_of_products_where_one_node_makes_them(tmp_path: Path) -> None:
    wanted = wanted_case(kind_named("flotation test"), "t", products="a;b;c;d;e;f")
    make_case(tmp_path / "t", wanted=wanted)
    document = tomllib.loads((tmp_path / "t" / "circuit.toml").read_text("utf-8"))
    assert document["report"] == {"feed": "feed", "products": list("abcdef"), "lost": ["f"]}


def test_times_are_those_that_were_named(tmp_path: Path) -> None:
    """In their order, with the products or as rows of the table of times."""
    wanted = wanted_case(kind_named("timed flotation"), "t", times="1; 4; 2 min")
    make_case(tmp_path / "t", wanted=wanted)
    document = tomllib.loads((tmp_path / "t" / "circuit.toml").read_text("utf-8"))
    timed = {name: entry.get("time") for name, entry in document["streams"].items()}
    assert timed == {"feed": None, "concentrate 1": "1 min", "concentrate 2": "2 min",
                     "concentrate 3": "4 min", "tailings": None}  # fmt: skip
    make_case(tmp_path / "b", wanted=wanted_case(kind_named("timed bottle"), "b", times="1 d"))
    rows = table(tmp_path / "b" / "kinetics.csv")
    assert rows[0][0] == "time [d]" and [row[0] for row in rows[1:]] == ["0", "1"]


def test_the_workbook_has_a_sheet_for_all(tmp_path: Path) -> None:
    make_case(tmp_path / "m.xlsx", wanted=wanted_case(kind_named("month"), "May"))
    book = openpyxl.load_workbook(tmp_path / "m.xlsx")
    told = {row[0] for row in book["read me"].iter_rows(values_only=True) if row[0]}
    assert told == set(book.sheetnames) - {"read me"}
    assert {"stocks", "lab", "lab columns"} <= told <= {*SHEETS, "lab", "sizes"}


REFUSED = {
    ("--kind", "tabel"): "There is no kind of work 'tabel'.\nDid you mean 'table'?\n",
    ("--kind", "flotation"): (
        "There is no kind of work 'flotation'.\nSay which: flotation test or flotation survey.\n"
    ),
    ("--kind", "table", "--metals", "Xq"): (
        "What unit has 'Xq'?\nWrite it with the unit of its grades, as in 'Xq %' or 'Xq g/t'.\n"
    ),
    ("--kind", "table", "--metals", "coper"): (
        "What unit has 'coper'?\nDid you mean 'copper'? Else write it with the unit of its grades, "
        "as in 'coper %' or 'coper g/t'.\n"
    ),
    ("--kind", "table", "--metals", " ,; "): "No metal is named.\nName one at least, as in Sn.\n",
    ("--kind", "table", "--metals", "Sn, tin"): "'Sn' is there twice.\nName it once.\n",
    ("--kind", "table", "--metals", "Sn oz/ton"): None,
    ("--kind", "table", "--metals", "water %"): (
        "'water' cannot be the name of an analyte.\nRename it.\n"
    ),
    ("--kind", "table", "--metals", "sd %"): (
        "'sd' cannot be the name of an analyte: it means something else here.\nGive it another "
        "name.\n"
    ),
    ("--kind", "table", "--products", "a, A"): (
        "There are two streams 'A'.\nGive each its own name.\n"
    ),
    ("--kind", "table", "--products", "a\x1b[2J"): (
        "The list of products 'a[U+001B][2J' has the character U+001B escape.\nType it anew.\n"
    ),
    ("--kind", "bottle roll", "--products", "a"): (
        "The products of a bottle roll are those of its circuit.\nRename them in circuit.toml, or "
        "leave them out.\n"
    ),
    ("--kind", "flotation survey", "--products", "a, b, c"): (
        "A flotation survey has 2 products (concentrate, tailings); 3 are named.\nAdd others "
        "later, in circuit.toml.\n"
    ),
    ("--kind", "timed flotation", "--times", "1, 2"): (
        "The times have no unit.\nWrite one unit, as in 0.5, 1, 2, 4, 8 min.\n"
    ),
    ("--kind", "timed flotation", "--times", "1 min, 2 h"): (
        "The times are in h and in min.\nWrite one unit, as in 0.5, 1, 2, 4, 8 min.\n"
    ),
    ("--kind", "timed flotation", "--times", "0, 2 min"): (
        "'0' is no time.\nWrite them from the start, as in 0.5, 1, 2, 4, 8 min.\n"
    ),
    ("--kind", "timed bottle roll", "--times", "2, 2, 6 h"): (
        "A time is there twice.\nName it once, counted from the start.\n"
    ),
    ("--kind", "timed bottle roll", "--times", "2, 6 m"): (
        "'m' is not a unit of time known here.\nWrite one of: s, min, h, d, wk.\n"
    ),
    ("--kind", "timed flotation", "--times", "1, 2 min", "--products", "a, b"): (
        "2 times are named, and 2 products.\nEach product has its time but the last, which is left "
        "in the end: name one more product than times.\n"
    ),
    ("--kind", "table", "--times", "2 h"): (
        "A table is no test over time.\nLeave the times out.\n"
    ),
    ("--kind", "month", "--basis", "rate"): "The basis of a month is not 'rate'.\nIt is batch.\n",
    ("--kind", "bucket", "--sieves", "75"): (
        "Nothing is sieved in a bucket.\nLeave the sieves out.\n"
    ),
    ("--kind", "table", "--sieves", "75, 75.0"): "The sieve 75.0 is there twice.\nName it once.\n",
    ("--kind", "table", "--mass-error", "200"): (
        "'200' is no error of a weighing.\nWrite it as in 2 g or 0.5 %, or leave it blank.\n"
    ),
    ("--kind", "table", "--assay-error", "0"): (
        "'0' is no error of an assay in percent of the grade.\nWrite a number above 0 and below "
        "50, or leave it blank.\n"
    ),
}  # fmt: skip


def test_a_bare_error_of_a_weighing_is_percent_and_sizes_have_their_rule(
    tmp_path: Path, capsys: Capture
) -> None:
    options = ("--kind", "rougher-survey", "--mass-error", "2", "--sieves", "150, 75")
    assert run(capsys, "new", tmp_path / "a", *options)[0] == 0
    text = (tmp_path / "a" / "circuit.toml").read_text("utf-8")
    assert tomllib.loads(text)["errors"] == {
        "dry rate": {"relative": 2}, "class mass": {"relative": 1, "absolute": "0.2 %"},
    }  # fmt: skip
    assert "cleaner" not in text.split("[streams]")[1]
    assert run(capsys, "new", tmp_path / "b", *options[:2], *options[4:])[0] == 0
    blank = (tmp_path / "b" / "circuit.toml").read_text("utf-8")
    assert '# "class mass" = { relative = 1, absolute = "0.2 %" }' in blank
    assert not read_case(tmp_path / "a").survey.measurements  # the rule is one that is read


@pytest.mark.parametrize("options", list(REFUSED), ids=" ".join)
def test_refused(options: tuple[str, ...], tmp_path: Path, capsys: Capture) -> None:
    status, out, err = run(capsys, "new", tmp_path / "a", *options)
    assert (status, out) == (2, "")
    assert err.startswith("1 problem in the input:\n\n")
    told = REFUSED[options]
    assert told is None or err == f"1 problem in the input:\n\n{told}"
    assert not list(tmp_path.iterdir())


def test_all_that_is_wrong_is_told_at_once(tmp_path: Path, capsys: Capture) -> None:
    status, _, err = run(capsys, "new", tmp_path / "a", "--kind", "table", "--metals", "Xq",
                         "--unit", "bar", "--assay-error", "99", "--title", "a\nb")  # fmt: skip
    assert status == 2 and err.startswith("4 problems in the input:")


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--metals", "Sn"), "--metals: only together with --kind; '--kind list' names them."),
        (("--kind", "blank", "--unit", "g"), "--unit: a blank case takes no other option"),
        (("--kind", "table", "--from", "tin_table"), "Say one of them: --from, or --kind."),
    ],
)
def test_options_that_do_not_go_together(
    options: tuple[str, ...], said: str, tmp_path: Path, capsys: Capture
) -> None:
    status, _, err = run(capsys, "new", tmp_path / "a", *options)
    assert status == 2 and said in err
    assert not list(tmp_path.iterdir())


def test_kinds_are_listed(capsys: Capture) -> None:
    status, out, err = run(capsys, "new", "--kind", "list")
    assert (status, err) == (0, "")
    assert [line[:18].strip() for line in out.splitlines()] == KINDS
    assert max(map(len, out.splitlines())) <= 75  # with a number before it, one line of a terminal


def test_kind_blank_is_the_blank_case(tmp_path: Path, capsys: Capture) -> None:
    run(capsys, "new", tmp_path / "a")
    run(capsys, "new", tmp_path / "b", "--kind", "blank")
    one, two = ((tmp_path / name / "circuit.toml").read_bytes() for name in "ab")
    assert one == two


def test_the_same_answers_give_the_same_bytes() -> None:
    one, two = (case_texts(wanted_case(kind_named("month"), "m")) for _ in range(2))
    assert one == two


ANSWER = st.none() | st.text(max_size=30) | st.lists(
    st.sampled_from(["Sn", "Au g/t", "Cu %", "water", "note", "dry mass", "stream", "150", "75.5",
                     "conc 1", '"', "#x", "a = 1", "[errors]", "mill", "pan", "2 g", "3 %", "t/h",
                     "feed", "2 kg + 1 %", "\x1b", "\u202e", "é", "moisture %", "As in solution"]),
    max_size=4,
).map(", ".join)  # fmt: skip


TIMES = st.none() | st.sampled_from(["", "1 min", "24, 2; 1 h", "1, 2", "1 d, 2 h", "0 s", "x h"])


@settings(max_examples=often(100))
@given(
    name=st.sampled_from(KINDS), title=st.text(max_size=20), metals=ANSWER, products=ANSWER,
    unit=ANSWER, sieves=ANSWER, times=TIMES, mass=ANSWER, assay=ANSWER,
)  # fmt: skip
def test_whatever_is_answered_is_refused_or_can_be_read(
    tmp_path_factory: pytest.TempPathFactory, name: str, title: str, **answers: str | None
) -> None:
    try:
        wanted = wanted_case(kind_named(name), title, **answers)
        texts = case_texts(wanted)
    except InputError as refused:
        assert all(f.problem and f.mend for f in refused.faults)
        return
    path = tmp_path_factory.mktemp("case")
    for file, text in texts.items():
        (path / file).write_text(text, "utf-8")
    case = read_case(path)
    assert [a.name for a in case.survey.analytes] == [m.name for m in wanted.metals]
    assert not case.survey.measurements
