"""oretally compare: every message about what is wrong, by its whole text."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from compare_runs import EXAMPLES, Capture, Run, change

from oretally.io.cli import main


@pytest.fixture
def run(
    capsys: Capture, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Callable[..., tuple[int, str, str]]:  # fmt: skip
    """Return a runner in a folder that holds copies of the pair of examples."""
    for name in ("grind_coarse", "grind_fine"):
        shutil.copytree(EXAMPLES / name, tmp_path / name)
    monkeypatch.chdir(tmp_path)

    def command(*arguments: str) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as stop:
            main(["compare", *arguments])
        shown = capsys.readouterr()
        assert "Traceback" not in shown.err
        return int(stop.value.code or 0), shown.out, shown.err

    return command


ONE = "1 problem in the input:\n\n"


STREAMS = "There are: feed, concentrate, tailings."


# name: (arguments, file to change, its old and new text, the whole message)
BROKEN: dict[str, tuple[tuple[str, ...], tuple[str, str, str] | None, str]] = {
    "no case": ((), None,
        f"{ONE}No case is given; to compare takes two or more.\nWrite oretally compare CASE CASE, "
        "or with repeats oretally compare A1 A2 vs B1 B2.\n"),
    "one case": (("grind_fine",), None,
        f"{ONE}One case is given; to compare takes two or more.\nWrite oretally compare CASE CASE, "
        "or with repeats oretally compare A1 A2 vs B1 B2.\n"),
    "nothing against": (("grind_fine", "vs"), None,
        f"{ONE}'vs' stands between repeats, but on one side of it there is no case.\nWrite "
        "oretally compare A1 A2 vs B1 B2; a case called 'vs' is written ./vs.\n"),
    "no such case": (("grind_fine", "grind_corse"), None,
        f"{ONE}grind_corse: There is no such file or folder.\nCheck the spelling; a case is a "
        "folder with circuit.toml and measurements.csv, or a workbook.\n"),
    "a faulty number in one of them": (("grind_coarse", "grind_fine"),
        ("grind_fine/measurements.csv", "0.241", "-0.241"),
        f"{ONE}grind_fine/measurements.csv, cell C4, stream 'tailings', Pb: The grade is -0.241 "
        "%; it cannot be negative.\nCorrect it, or leave the cell blank if it was not measured.\n"),
    "least that is no number": (("grind_coarse", "grind_fine", "--least", "much"), None,
        f"{ONE}--least 'much' is not a number of points above 0 and up to 100.\nWrite the "
        "percentage points that matter to you, as in --least 1.5.\n"),
    "least of nothing": (("grind_coarse", "grind_fine", "--least", "0"), None,
        f"{ONE}--least '0' is not a number of points above 0 and up to 100.\nWrite the percentage "
        "points that matter to you, as in --least 1.5.\n"),
    "pair without a sign": (("grind_coarse", "grind_fine", "--stream", "conc"), None,
        f"{ONE}--stream 'conc' has no '='.\nWrite --stream \"A=B\": A as 'grind_coarse' calls it, "
        "B as the other does.\n"),
    "unknown streams in a pair": (("grind_coarse", "grind_fine", "--stream", "concentrat=slag"),
        None,
        "2 problems in the input:\n\n--stream 'concentrat=slag': 'grind_coarse' has no stream "
        "'concentrat'.\nDid you mean 'concentrate'?\n\n--stream 'concentrat=slag': 'grind_fine' "
        f"has no stream 'slag'.\n{STREAMS}\n"),
    "stream in two pairs": (("grind_coarse", "grind_fine", "--stream", "feed=tailings",
                             "--stream", "feed=feed"), None,
        f"{ONE}--stream 'feed=feed': 'feed' is in another pair.\nName each stream in one pair.\n"),
    "unknown source": (("grind_coarse", "grind_fine", "--common", "asay batch"), None,
        f"{ONE}--common 'asay batch': no case has a shared source of error of that name.\nDid you "
        "mean 'assay batch'?\n"),
    "source of one case": (("grind_coarse", "grind_fine", "--common", "assay batch"),
        ("grind_fine/circuit.toml", '"assay batch"', '"batch 9"'),
        f"{ONE}--common 'assay batch': only 'grind_coarse' has that shared source of error.\nState "
        "it under [sources] of every case that it moved, with the same name and shared = true.\n"),
    "source that nothing shares": (("grind_fine", "grind_fine", "--common", "assay batch"),
        ("grind_fine/circuit.toml", "shared = true, ", ""),
        f"{ONE}--common 'assay batch': each number has that error by itself, so tests cannot share "
        "it.\nIf one and the same error moves all of its numbers, write shared = true for it under "
        "[sources].\n"),
    "measurement without a sign": (("grind_coarse", "grind_fine", "--common-measurement", "feed"),
        None,
        f"{ONE}--common-measurement 'feed' has no ':'.\nWrite stream:quantity, as in 'feed:Sn'.\n"),
    "measurement of an unknown stream": (
        ("grind_coarse", "grind_fine", "--common-measurement", "ore:Pb"), None,
        f"{ONE}--common-measurement 'ore:Pb': 'grind_coarse' has no stream 'ore'.\n{STREAMS}\n"),
    "measurement that is not there": (
        ("grind_coarse", "grind_fine", "--common-measurement", "feed:Zn"), None,
        f"{ONE}--common-measurement 'feed:Zn': 'grind_coarse' has not measured that.\nMeasured of "
        "'feed': dry mass, Pb. Give one that both have.\n"),
    "two readings": (("grind_coarse", "grind_fine", "--common-measurement", "feed:dry mass"), None,
        f"{ONE}--common-measurement 'feed:dry mass': 'grind_coarse' has 999.6 ± 0.5 g, "
        "'grind_fine' 1000.3 ± 0.5 g; one reading has one value and one error.\nState it alike in "
        "both cases, or leave the option out if there were two readings.\n"),
    "one reading in two batches": (
        ("grind_fine", "grind_fine", "--common-measurement", "tailings:Pb"), None,
        f"{ONE}--common-measurement 'tailings:Pb': its error has a part from 'assay batch', which "
        "is not declared common; one reading has one such error.\nAdd --common 'assay batch', or "
        "take the stream out of that source where it does not belong.\n"),
    "unknown answer": (("grind_coarse", "grind_fine", "--answer", "recovery of Pb to tailing"),
        None,
        f"{ONE}--answer 'recovery of Pb to tailing': 'grind_coarse' gives no such answer.\nDid you "
        "mean 'recovery of Pb to tailings'?\n"),
    "answer of something else": (("grind_coarse", "grind_fine", "--answer", "xyz"), None,
        f"{ONE}--answer 'xyz': 'grind_coarse' gives no such answer.\nWrite 'recovery of ANALYTE "
        "to STREAM', 'mass pull to STREAM' (or 'yield of STREAM') or 'QUANTITY of STREAM' (or "
        "'grade of ANALYTE in STREAM'). Here for example 'recovery of Pb to concentrate'.\n"),
}  # fmt: skip


@pytest.mark.parametrize("name", BROKEN)
def test_broken(name: str, run: Run) -> None:
    arguments, changed, message = BROKEN[name]
    if changed is not None:
        change(*changed)
    status, out, err = run(*arguments)
    assert (status, out, err) == (2, "", message)


def test_nothing_in_common(run: Run) -> None:
    shutil.copytree(EXAMPLES / "rougher_cleaner", "plant")
    status, out, err = run("grind_coarse", "plant")
    assert (status, out) == (2, "")
    assert err == (
        f"{ONE}There is no answer that two of the tests have in common ('grind_coarse' has "
        "products concentrate, tailings and analytes Pb; 'plant' has products final conc, final "
        'tails and analytes Cu, Fe, Au).\nPair streams of other names with --stream "A=B".\n'
        "recovery of Pb to concentrate: 'plant' has no such answer.\n"
        "recovery of Pb to tailings: 'plant' has no such answer.\n"
        "grade of Pb in concentrate: 'plant' has no such answer.\n"
    )
    status, out, _ = run("grind_coarse", "plant", "--stream", "concentrate=final conc")
    assert status == 0
    assert "mass pull to concentrate" in out and "recovery" not in out.split("\n- ")[0]
    assert "Recoveries and mass pulls refer to feeds of different names" in out


def test_case_that_does_not_balance_is_named(run: Run) -> None:
    change("grind_fine/measurements.csv", "1000.3", "")
    change("grind_fine/measurements.csv", "32.8", "")
    change("grind_fine/measurements.csv", "967.2", "")
    status, out, err = run("grind_coarse", "grind_fine")
    assert (status, out) == (1, "")
    assert err.startswith("This cannot be balanced.\n\n'grind_fine': ")


def test_both_cases_faulty_are_told_at_once(run: Run) -> None:
    change("grind_fine/measurements.csv", "0.241", "-0.241")
    change("grind_coarse/measurements.csv", "0.277", "-0.277")
    status, _, err = run("grind_coarse", "grind_fine", "--least", "x")
    assert status == 2
    assert err.startswith("3 problems in the input:\n\n--least 'x'")
    assert "grind_coarse/measurements.csv" in err and "grind_fine/measurements.csv" in err


def test_results_are_never_written_over_a_case(run: Run) -> None:
    before = Path("grind_fine/README.md").read_bytes()
    status, _, err = run("grind_coarse", "grind_fine", "--html", "grind_fine/README.md")
    assert status == 2 and "whose name ends in .html" in err
    Path("grind_fine/c.html").write_text("mine", encoding="utf-8")
    status, _, err = run("grind_coarse", "grind_fine", "--html", "grind_fine/c.html")
    assert status == 2 and "is part of the case" in err
    assert Path("grind_fine/c.html").read_text("utf-8") == "mine"
    assert Path("grind_fine/README.md").read_bytes() == before
