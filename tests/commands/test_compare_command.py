"""oretally compare: what it prints and writes."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import jsonschema
import pytest
from compare_runs import EXAMPLES, Capture, Run, change

from oretally.io.cli import main
from oretally.io.compare.document import comparison_schema
from oretally.io.wording import CAUTIONS_HEADING

COMMON = ("--common", "assay batch", "--common-measurement", "feed:Pb")


@pytest.fixture
def run(
    capsys: Capture, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Callable[..., tuple[int, str, str]]:  # fmt: skip
    """Return a runner with --full in a folder that holds copies of the pair of examples."""
    for name in ("grind_coarse", "grind_fine"):
        shutil.copytree(EXAMPLES / name, tmp_path / name)
    monkeypatch.chdir(tmp_path)

    def command(*arguments: str) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as stop:
            main(["compare", *arguments, "--full"])
        shown = capsys.readouterr()
        assert "Traceback" not in shown.err
        return int(stop.value.code or 0), shown.out, shown.err

    return command


def test_verdict_first_table_second_cautions_last(run: Run) -> None:
    status, out, err = run("grind_coarse", "grind_fine", *COMMON)
    assert (status, err) == (0, "")
    verdict, table, notes = out.split("\n\n")[0], out.index("Differences,"), out.index("\n- ")
    flat = " ".join(verdict.split())
    assert flat == (
        "The difference between 'grind_coarse' and 'grind_fine' is real for these two tests; "
        "whether what was changed made it, repeats must show. In plain words: 'grind_fine' has "
        "more Pb in a poorer 'concentrate': which is worth more, the terms of sale tell. "
        "'grind_fine' against 'grind_coarse' "
        "has recovery of Pb to concentrate +1.76 points (95 % limits 1.13 to 2.40, confidence "
        "above 99.9 %); grade of Pb in concentrate -1.47 points (95 % limits -2.71 to -0.23, "
        "confidence 98 %); grade of Pb in "
        "tailings -0.0344 points (95 % limits -0.0456 to -0.0232, confidence above 99.9 %); mass "
        "pull to concentrate +0.152 points (95 % limits 0.056 to 0.248, confidence 99.8 %)."
    )
    assert table < notes
    assert "Common to the tests, as declared: 'assay batch', Pb of 'feed'." in out
    assert "One test of each kind shows nothing of how equal tests scatter" in out


def test_more_in_a_richer_product_is_better_in_both(run: Run) -> None:
    """And the other way round worse; of what is lost nothing is said."""
    change("grind_fine/measurements.csv", "32.8,49.0", "29.5,57.0")
    change("grind_fine/measurements.csv", "967.2,0.241", "970.8,0.205")
    _, out, _ = run("grind_coarse", "grind_fine")
    assert ("In plain words: 'grind_fine' has more Pb in a richer 'concentrate': better in both."
            ) in " ".join(out.split())  # fmt: skip
    assert "a poorer 'tailings'" not in " ".join(out.split())
    _, out, _ = run("grind_fine", "grind_coarse")
    assert ("'grind_coarse' has less Pb in a poorer 'concentrate': worse in both."
            ) in " ".join(out.split())  # fmt: skip


def test_the_assay_that_would_narrow_it_most_is_named(run: Run) -> None:
    """Of the test whose recovery is known worst, where an assay is missing."""
    assert "What would narrow it most" not in run("grind_coarse", "grind_fine")[1]
    lines = Path("grind_fine/measurements.csv").read_text("utf-8").splitlines()
    at = next(i for i, line in enumerate(lines) if "0.241" in line)
    lines[at] = lines[at].replace("0.241", "")
    Path("grind_fine/measurements.csv").write_text("\n".join(lines), "utf-8")
    _, out, _ = run("grind_coarse", "grind_fine")
    assert "What would narrow it most: in 'grind_fine', assay 'tailings' for Pb: " in (
        " ".join(out.split())
    )


def test_limits_and_confidence_stand_on_one_footing(run: Run) -> None:
    """What has limits without 0 has a confidence above 95 %, in the table as in the JSON."""
    run("grind_coarse", "grind_fine", "--json", "c.json")
    rows = json.loads(Path("c.json").read_text("utf-8"))["differences"]
    _, out, _ = run("grind_coarse", "grind_fine")
    for row in rows:
        line = next(ln for ln in out.splitlines() if ln.lstrip().startswith(row["answer"]))
        shown = line[line.index(row["verdict"]) + len(row["verdict"]) :].split()[5]
        assert (float(shown.lstrip(">")) >= 95.0) is (row["low"] * row["high"] > 0.0)


def test_what_looks_common_is_told_not_taken(run: Run) -> None:
    _, out, _ = run("grind_coarse", "grind_fine")
    flat = " ".join(out.split())
    assert (
        "Not decided, which is no proof that they are equal: grade of Pb in concentrate (tests of "
        "each to tell 1.5 points: 7)."
    ) in flat
    assert 'If it was one and the same (one laboratory batch), add --common "assay batch".' in flat
    assert 'If that was one reading, add --common-measurement "feed:Pb".' in flat


def test_what_is_real_only_alone_is_told(run: Run) -> None:
    """An answer at 2.4 sd: not decided as one of four, and real if it is asked for alone."""
    change("grind_fine/measurements.csv", "32.8,49.0", "31.5,50.9")
    change("grind_fine/measurements.csv", "0.241", "0.261")
    _, out, _ = run("grind_coarse", "grind_fine")
    flat, name = " ".join(out.split()), "grade of Pb in tailings"
    assert f"Real if it were the only answer asked for: {name}. 4 answers are judged" in flat
    _, out, _ = run("grind_coarse", "grind_fine", "--answer", name)
    assert "is real for these two tests" in " ".join(out.split())
    assert "Real if it were" not in out


def test_no_difference(run: Run) -> None:
    change("grind_fine/measurements.csv", "1000.3,1.88", "1000.3,1.881")
    change("grind_fine/measurements.csv", "32.8,49.0", "31.5,50.8")
    change("grind_fine/measurements.csv", "0.241", "0.279")
    _, out, _ = run("grind_coarse", "grind_fine")
    flat = " ".join(out.split())
    assert flat.startswith(
        "No difference between 'grind_coarse' and 'grind_fine' is shown: none of 4 answers differs "
        "by more than the stated errors explain. Not decided, which is no proof that they are "
        "equal: recovery of Pb to concentrate (tests of each to tell"
    )
    _, out, _ = run("grind_coarse", "grind_fine", "--least", "2")
    flat = " ".join(out.split())
    assert "Smaller than 2 points either way: recovery of Pb to concentrate; mass pull to" in flat
    assert "a difference of 2 points (of a grade: of the size seen) would be found real" in flat


def test_what_is_real_but_smaller_than_what_matters_is_said(run: Run) -> None:
    """+1.76 points lie within 5 either way: real, and not worth the grinding that 5 would be."""
    arguments = ("grind_coarse", "grind_fine", *COMMON, "--least", "5")
    _, out, _ = run(*arguments)
    flat = " ".join(out.split())
    assert (
        "Real too, but smaller than the 5 points that matter: 'grind_fine' against 'grind_coarse' "
        "has recovery of Pb to concentrate +1.76 points (95 % limits 1.13 to 2.40, confidence "
        "above 99.9 %); mass pull to concentrate"
    ) in flat
    run(*arguments, "--json", "c.json", "--html", "c.html")
    document = json.loads(Path("c.json").read_text("utf-8"))
    jsonschema.Draft202012Validator(comparison_schema()).validate(document)
    assert {d["answer"]: d["verdict"] for d in document["differences"]} == {
        "recovery of Pb to concentrate": "real, smaller than asked",
        "recovery of Pb to tailings": "real, smaller than asked",
        "grade of Pb in concentrate": "real", "grade of Pb in tailings": "real",
        "mass pull to concentrate": "real, smaller than asked",
        "mass pull to tailings": "real, smaller than asked",
    }  # fmt: skip
    html = Path("c.html").read_text("utf-8")
    assert "real, smaller than asked" in html and "but smaller than the 5 points" in html
    _, out, _ = run(*arguments, "--answer", "recovery of Pb to concentrate")
    assert " ".join(out.split()).startswith(
        "The difference between 'grind_coarse' and 'grind_fine' is real for these two tests, "
        "but smaller than the 5 points that matter; whether what was changed made it, repeats must "
        "show. 'grind_fine' against"
    )
    assert "No difference" not in out


def test_what_decides_stands_first_in_the_table(run: Run) -> None:
    """Verdict and tests come before anything that a narrow screen could hide."""
    _, out, _ = run("grind_coarse", "grind_fine", "--html", "c.html")
    head = next(line for line in out.splitlines() if line.startswith(" answer"))
    assert head.split()[:5] == ["answer", "verdict", "tests", "of", "each"]
    html = Path("c.html").read_text("utf-8")
    heads = re.findall(r"<th scope=\"col\"[^>]*>([^<]*)</th>", html.split("</thead>")[0])
    assert heads[:5] == ["answer", "verdict", "tests of each", "difference", "±"]


def test_how_the_level_is_shared_is_said(run: Run) -> None:
    sizes = ("stream,passing [um],retained [um],mass [g],Pb [%]\n"
             "tailings,,75,200,{}\ntailings,75,,300,0.2\n")  # fmt: skip
    for name, grade in (("grind_coarse", 0.39), ("grind_fine", 0.30)):
        Path(name, "sizes.csv").write_text(sizes.format(grade), "utf-8")
        rules = '"class mass" = { relative = 1 }\n"class grades" = { relative = 3 }\n'
        change(f"{name}/circuit.toml", "[sources]", f"{rules}[sources]")
    _, out, _ = run("grind_coarse", "grind_fine", "--json", "c.json")
    flat, document = " ".join(out.split()), json.loads(Path("c.json").read_text("utf-8"))
    jsonschema.Draft202012Validator(comparison_schema()).validate(document)
    n, sized = document["together"], document["together_by_size"]
    assert (n, sized) == (4, 3)
    assert "Of these 5 %, 4 % for whole streams and 1 % for size classes." in flat
    assert (
        "judged as one of all that are looked at: at 1 % each (4 % over 4 answers of whole "
        "streams) and 0.33 % each (1 % over 3 answers of size classes)."
    ) in flat


def test_cautions_of_the_circuits_compared(run: Run) -> None:
    """A mill, or a grind in a name, calls for them; briefly, and never where nothing does."""
    for name in ("grind_coarse", "grind_fine"):
        change(f"{name}/circuit.toml", ", coarse grind" if "coarse" in name else ", fine grind", "")
    shutil.copytree("grind_coarse", "one")
    shutil.copytree("grind_fine", "two")
    _, out, _ = run("one", "two")
    assert CAUTIONS_HEADING not in out
    run("one", "two", "--html", "c.html")
    assert CAUTIONS_HEADING not in Path("c.html").read_text("utf-8")
    mill = '"ground" = { from = "regrind", to = "cell" }\n[nodes]\n"regrind" = { kind = "mill" }\n'
    for folder in ("one", "two"):
        change(f"{folder}/circuit.toml", '{ to = "cell" }', '{ to = "regrind" }')
        change(f"{folder}/circuit.toml", "[analytes]", f"{mill}[analytes]")
    status, out, err = run("one", "two", "--html", "c.html", "--json", "c.json")
    assert (status, err) == (0, "written: c.json\nwritten: c.html\n")
    document = json.loads(Path("c.json").read_text("utf-8"))
    jsonschema.Draft202012Validator(comparison_schema()).validate(document)
    assert [c["hazard"] for c in document["what_can_hurt"]] == ["machinery", "silica"]
    flat, html = " ".join(out.split()), Path("c.html").read_text("utf-8")
    for text in (flat, html):
        assert CAUTIONS_HEADING in text and document["defer"] in text
        for c in document["what_can_hurt"]:
            assert c["title"] in text and c["because"] == ["The circuit has a mill."]
            assert c["usual"][0] in text and c["hurts"] not in text


def test_same_case_twice_is_warned_of(run: Run) -> None:
    status, out, _ = run("grind_fine", "grind_fine")
    assert status == 0
    flat = " ".join(out.split())
    assert (
        "'grind_fine' and 'grind_fine (2)' have the same numbers throughout: one test, given twice?"
    ) in flat
    assert "Stated alike" not in flat
    assert flat.startswith("No difference between 'grind_fine' and 'grind_fine (2)' is shown")


def test_repeats(run: Run) -> None:
    for name in ("grind_coarse", "grind_fine"):
        shutil.copytree(name, f"{name}_2")
    change("grind_coarse_2/measurements.csv", "31.4,50.9", "31.9,50.4")
    change("grind_coarse_2/measurements.csv", "0.277", "0.270")
    change("grind_fine_2/measurements.csv", "0.241", "0.262")
    _, out, _ = run("grind_coarse", "grind_coarse_2", "vs", "grind_fine", "grind_fine_2")
    flat = " ".join(out.split())
    assert "'grind_fine and 1 more'" in flat and "scatter" in flat
    assert "(Student's t, 2 degrees of freedom)" in flat
    assert "One test of each kind" not in flat
    status, told, _ = run("grind_coarse", "grind_coarse_2", "VS", "grind_fine", "grind_fine_2",
                          "--json", "-")  # fmt: skip
    document = json.loads(told)
    assert status == 0 and [len(arm["tests"]) for arm in document["arms"]] == [2, 2]
    assert {d["dof"] for d in document["differences"]} == {2.0}


@pytest.mark.parametrize(
    "spellings",
    [
        ("recovery of Pb to tailings", "Pb recovery to tailings", "recovery of Pb in tailings"),
        ("mass pull to tailings", "mass pull of tailings", "Yield of tailings"),
        ("grade of Pb in tailings", "Pb of tailings", "Pb in tailings", "pb grade in tailings"),
    ],
)
def test_one_answer_by_all_its_names(spellings: tuple[str, ...], run: Run) -> None:
    """The spellings of `oretally plan --for`, each the same answer under one name."""
    shown = set()
    for text in spellings:
        status, out, _ = run("grind_coarse", "grind_fine", "--answer", text, "--json", "-")
        assert status == 0
        shown |= {d["answer"] for d in json.loads(out)["differences"]}
    assert shown == {spellings[0]}


def test_three_cases_against_the_first_or_all_pairs(run: Run) -> None:
    shutil.copytree("grind_fine", "third")
    change("third/measurements.csv", "0.241", "0.262")
    cases = ("grind_coarse", "grind_fine", "third")
    _, out, _ = run(*cases, "--answer", "Recovery of Pb  to tailings")
    assert "third - grind_coarse" in out and "third - grind_fine" not in out
    _, out, _ = run(*cases, "--all-pairs")
    assert "third - grind_fine" in out


def test_numbers_that_agree_poorly_need_not_be_settled_first(run: Run) -> None:
    """As 'balance' says of the same numbers: it may be chance."""
    change("grind_fine/measurements.csv", "0.241", "0.43")
    _, out, _ = run("grind_coarse", "grind_fine")
    flat = " ".join(out.split())
    assert "The numbers of 'grind_fine' do not agree within their stated errors (chi-square" in flat
    assert "is as far off, and no number stands out. Its errors were scaled up by" in flat
    assert "Settle" not in flat


def test_inconsistent_case_is_told(run: Run) -> None:
    change("grind_fine/measurements.csv", "0.241", "0.641")
    _, out, _ = run("grind_coarse", "grind_fine")
    flat = " ".join(out.split())
    assert "The numbers of 'grind_fine' do not agree within their stated errors (chi-square" in flat
    assert "Its errors were scaled up by" in flat and "± scaled" in flat
    assert flat.startswith(
        "Settle 'grind_fine' first: numbers there do not agree, see below. As they stand: The "
        "difference between 'grind_coarse' and 'grind_fine' is real"
    )
    assert (
        "In 'grind_fine' one of these is probably wrong: the shared error 'assay batch' of Pb; Pb "
        "of 'feed'; Pb of 'concentrate'; Pb of 'tailings'. A wrong number"
    ) in flat


def test_a_common_batch_still_cancels_beside_numbers_that_disagree(run: Run) -> None:
    """Before, its 2 % were scaled up in one test only: no number of repeats would have done."""
    change("grind_fine/measurements.csv", "1000.3,1.88", "1000.3,2.3")
    _, out, _ = run("grind_coarse", "grind_fine", "--common", "assay batch", "--json", "c.json")
    flat = " ".join(out.split())
    assert "verdict, but for what is common to the tests." in flat
    document = json.loads(Path("c.json").read_text("utf-8"))
    grade = next(
        d for d in document["differences"] if d["answer"].startswith("grade of Pb in conc")
    )
    factor = document["arms"][1]["tests"][0]["errors_scaled_by"]
    assert factor > 5.0
    batch = [0.02 * grade[v] for v in ("first_value", "second_value")]
    own = [grade[f"{arm}_sd"] ** 2 for arm in ("first", "second")]
    # as if all were a test's own; less what is left of the batch when it is one and the same
    assert grade["scaled_sd"] < (own[0] + factor**2 * own[1]) ** 0.5 - 0.25 * max(batch)
    assert grade["tests_of_each"] == 8


def test_files(run: Run, tmp_path: Path) -> None:
    status, out, err = run("grind_coarse", "grind_fine", *COMMON, "--json", "c.json", "--html",
                           "c.html")  # fmt: skip
    assert (status, err) == (0, "written: c.json\nwritten: c.html\n")
    document = json.loads(Path("c.json").read_text("utf-8"))
    jsonschema.Draft202012Validator(comparison_schema()).validate(document)
    html = Path("c.html").read_text("utf-8")
    for d in document["differences"]:
        assert d["answer"] in out and d["answer"] in html
        assert d["sd"] < d["sd_with_nothing_common"]
        assert d["low"] < d["difference"] < d["high"]
    assert document["together"] == 4
    assert {d["mirror_of"] for d in document["differences"]} == {
        None, "recovery of Pb to concentrate", "mass pull to concentrate",
    }  # fmt: skip
    name_of_svg = 'xmlns="http://www.w3.org/2000/svg"'
    assert "<script" not in html and "http" not in html.replace(name_of_svg, "")
    pictured = [d["answer"] for d in document["differences"] if d["mirror_of"] is None]
    picture = html[html.index("<svg") : html.index("</svg>")]
    assert all(f">{answer}</text>" in picture for answer in pictured)
    assert picture.count("<circle") == len(pictured) == 4
    assert "Lead ore, rougher flotation, fine grind" in html
    again = run("grind_coarse", "grind_fine", *COMMON, "--html", "d.html")
    assert again[0] == 0 and Path("d.html").read_bytes() == Path("c.html").read_bytes()
    assert sorted(p.name for p in (tmp_path / "grind_fine").iterdir()) == [
        "README.md", "circuit.toml", "measurements.csv",
    ]  # fmt: skip


def test_names_from_the_table_are_safe_in_html(run: Run) -> None:
    for name in ("grind_coarse", "grind_fine"):
        change(f"{name}/circuit.toml", "concentrate", "<b>conc</b>")
        change(f"{name}/measurements.csv", "concentrate", "<b>conc</b>")
    run("grind_coarse", "grind_fine", "--html", "c.html")
    assert "<b>conc" not in Path("c.html").read_text("utf-8")


@pytest.mark.parametrize("cases", [2, 3, 4, 9])
def test_first_screen(
    cases: int, run: Run, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """30 lines of 80 columns: what two tests can tell, the table, what looks common, hazards."""
    names = ["grind_coarse", "grind_fine"]
    for i in range(2, cases):
        shutil.copytree("grind_fine", f"fine_{i}")
        names.append(f"fine_{i}")
    every = ["--all-pairs"] * (cases == 9)
    with pytest.raises(SystemExit):
        main(["compare", *names, *every])
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) <= 30 and max(map(len, lines)) <= 80
    assert lines[:2] == [
        "The difference between 'grind_coarse' and 'grind_fine' is real for these two",
        "tests; whether what was changed made it, repeats must show."
        + " 'grind_fine' against" * (cases == 2),
    ]
    assert lines[-2:] == [
        "What can hurt: Silica dust; Rotating machinery. How to keep safe, all figures",
        "and the method: add --full.",
    ]
    table = [line for line in lines if line.startswith("recovery of Pb")]
    if cases == 2:
        assert table == [
            "recovery of Pb to concentrate        1.76    0.34  points  real         –"
        ]
        assert '  and the same (one laboratory batch), add --common "assay batch".' in lines
    assert any(line.startswith("... and ") for line in lines) == (cases == 9)
    _, out, _ = run(*names, *every)
    assert len(out.splitlines()) > 30
