"""What `oretally lab` says of a batch: what to do first, and never more than the batch can tell."""

from __future__ import annotations

from pathlib import Path

import pytest
from lab_batches import (
    BLANKS,
    LAB_HEADER,
    SEND,
    STANDARDS,
    batch_case,
    duplicate_pairs,
    verdict_on,
)

from oretally.flowsheet import InputError
from oretally.io.cli import main
from oretally.io.laboratory import judged_table, lab_summary, read_lab

EXAMPLE = Path(__file__).resolve().parents[2] / "examples" / "tin_table" / "lab.csv"
FEW = {
    "one blank": (STANDARDS + "B1,blank,Sn,<0.01,%,,,\n", "1 blank"),
    "one reading": ("K1,standard,Sn,1.51,%,,1.52,0.02\n" + BLANKS, "1 reading of a standard"),
    "one reading of each": (
        "K1,standard,Sn,1.51,%,,1.52,0.02\nL1,standard,Sn,5.03,%,,5,0.02\n" + BLANKS,
        "1 reading of each standard",
    ),
    "nothing else": (duplicate_pairs(8, 0.01, 0.03), "no standards, no blanks"),
    "no limit": (STANDARDS + "B1,blank,Sn,0.01,%,,,\nB2,blank,Sn,0.02,%,,,\n",
                 "no detection limit to hold the blanks against"),
    "no error": ("K1,standard,Sn,1.51,%,,1.52,0\nK2,standard,Sn,1.53,%,,1.52,0\n" + BLANKS,
                 "no error of the standards is known"),
}  # fmt: skip


@pytest.mark.parametrize("name", list(FEW))
def test_too_few_to_judge_is_never_a_good_batch(name: str, tmp_path: Path) -> None:
    rows, told = FEW[name]
    assert verdict_on(tmp_path, rows) == (f"Too few to judge: {told}.", SEND)


REFUSE = "do not use Sn of this batch; ask the laboratory to assay it again."
CONTRADICTIONS = {
    "standard": (
        "K3,standard,Sn,<0.01,%,,1.52,0.02\n",
        "1 of 3 readings of standards contradicts its certificate ('K3' reads <0.01 where 1.52 % "
        "is certified)",
    ),
    "standard above": (
        "K3,standard,Sn,>10,%,,1.52,0.02\nK4,standard,Sn,> 10,%,,1.52,0.02\n",
        "2 of 4 readings of standards contradict their certificates ('K3' reads >10 where 1.52 % "
        "is certified)",
    ),
    "blank": (
        "B9,blank,Sn,>10,%,,,\n",
        "A blank that should hold nothing is above the range ('B9' reads >10)",
    ),
    "pair": (
        "x,sample,Sn,<0.01,%,,,\ny,duplicate,Sn,5.83,%,x,,\n",
        "Two assays of one sample contradict each other ('x' reads <0.01 and 5.83)",
    ),
    "pair of bounds": (
        "x,sample,Sn,>10,%,,,\ny,duplicate,Sn,<100 g/t,%,x,,\n",
        "Two assays of one sample contradict each other ('x' reads >10 and <100 g/t)",
    ),
}  # fmt: skip


@pytest.mark.parametrize("fitted", [True, False], ids=["fitted", "no fit"])
@pytest.mark.parametrize("name", list(CONTRADICTIONS))
def test_what_is_no_number_but_contradicts_is_said_first(
    name: str, fitted: bool, tmp_path: Path
) -> None:
    """Whether or not there is a precision; and before a bias."""
    rows, told = CONTRADICTIONS[name]
    sound = STANDARDS + BLANKS + duplicate_pairs(30, 0.01, 0.03) * fitted
    assert verdict_on(tmp_path, sound + rows)[0] == f"{told}: {REFUSE}"
    biased = sound.replace(",1.51,", ",1.91,").replace(",1.53,", ",1.92,")
    first, second, *_ = verdict_on(tmp_path, biased + rows)
    assert first == f"{told}: {REFUSE}"
    assert second == "The standards read 26 % high."


@pytest.mark.parametrize("fitted", [True, False], ids=["fitted", "no fit"])
def test_a_bound_that_may_be_true_is_no_failure(fitted: bool, tmp_path: Path) -> None:
    """Near the limit, overlapping, or both below it."""
    rows = (
        "K3,standard,Sn,<1.5,%,,1.52,0.02\nK4,standard,Sn,>1,%,,1.52,0.02\n"
        "a,sample,Sn,<0.01,%,,,\na2,duplicate,Sn,0.015,%,a,,\n"
        "b,sample,Sn,<0.01,%,,,\nb2,duplicate,Sn,<0.02,%,b,,\n"
        "c,sample,Sn,>10,%,,,\nc2,duplicate,Sn,12.5,%,c,,\n"
    )
    verdict = verdict_on(
        tmp_path, STANDARDS + BLANKS + duplicate_pairs(30, 0.01, 0.03) * fitted + rows
    )
    assert verdict[0] == (
        "Nothing speaks against this batch." if fitted
        else "Standards and blanks show nothing against this batch."
    )  # fmt: skip


def test_the_example_with_its_standards_below_detection(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Three of four standards '<0.01' and a blank '>10': said first, on one screen."""
    text = EXAMPLE.read_text("utf-8").replace("B31,blank,Sn,0.09", "B31,blank,Sn,>10")
    for name, value in (("STD-A0", "1.64"), ("STD-A6", "1.63"), ("STD-A12", "1.65")):
        text = text.replace(f"{name},standard,Sn,{value}", f"{name},standard,Sn,<0.01")
    (tmp_path / "lab.csv").write_text(text, "utf-8")
    with pytest.raises(SystemExit):
        main(["lab", str(tmp_path / "lab.csv")])
    flat = " ".join(capsys.readouterr().out.split())
    assert flat.startswith(
        "Laboratory batch 'lab' Sn 3 of 4 readings of standards contradict their certificates "
        f"('STD-A0' reads <0.01 where 1.52 % is certified): {REFUSE} A blank that should hold "
        "nothing is above the range ('B31' reads >10). Too few to judge the rest: 1 reading of a "
        "standard."
    )


@pytest.mark.parametrize("n", [1, 3, 6, 14, 40])
def test_one_screen_however_many_analytes(n: int, tmp_path: Path) -> None:
    """30 lines of 80 columns; what must not be used stands first, and what is cut is counted."""
    parts = [STANDARDS + BLANKS for _ in range(n)]
    parts[-1] = parts[-1].replace(",1.51,", ",1.81,").replace(",1.53,", ",1.82,")
    rows = "".join(part.replace(",Sn,", f",A{i},") for i, part in enumerate(parts))
    (tmp_path / "lab.csv").write_text(LAB_HEADER + rows, "utf-8")
    found = judged_table(read_lab(tmp_path / "lab.csv"), "x")
    lines = lab_summary(found).splitlines()
    assert len(lines) <= 30 and max(map(len, lines)) <= 80
    assert lines[2].startswith(f"A{n - 1} ") and "The standards read 19 % high: do not" in lines[2]
    assert lines[-1] == "Every reading, and what the figures mean: add --full."
    assert any(line.startswith("... and ") for line in lines) == (n == 40)
    assert "and" in lab_summary(found, full=True) and len(
        lab_summary(found, full=True).splitlines()
    ) > len(lines)


ASK = "ask the laboratory"
NONSENSE = {
    "blank of 50 %": (
        BLANKS + "B9,blank,Sn,50,%,,,\n",
        f"A blank that should hold nothing reads as samples do ('B9' reads 50 %): {REFUSE}",
    ),
    "blank without a limit": (
        "B1,blank,Sn,5,%,,,\nB2,blank,Sn,0.02,%,,,\n",
        f"A blank that should hold nothing reads as samples do ('B1' reads 5 %): {REFUSE}",
    ),
    "blind blank": (  # its limit is none for the others
        BLANKS + "B8,blank,Sn,<10,%,,,\nB9,blank,Sn,0.09,%,,,\n",
        "A blank shows more than 3 detection limits, 0.03 % ('B9' shows 0.09 %): "
        f"{ASK} for the cause, and to assay the poor samples of this batch again.",
    ),
    "pair far apart": (
        BLANKS + "x,sample,Sn,1,%,,,\ny,duplicate,Sn,100,%,x,,\n",
        "Two assays of one sample differ by more than 3 times ('x', 1 and 100): "
        f"{ASK} to assay it again.",
    ),
    "copied duplicates": (
        BLANKS + "".join(f"s{i},sample,Sn,{i}.5,%,,,\nd{i},duplicate,Sn,{i}.5,%,s{i},,\n"
                         for i in range(9)),
        "All 9 duplicate pairs agree to the last digit: "
        f"{ASK} whether their duplicates were assayed, or copied.",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", list(NONSENSE))
def test_nonsense_is_no_good_batch(name: str, tmp_path: Path) -> None:
    rows, told = NONSENSE[name]
    assert verdict_on(tmp_path, STANDARDS + rows)[0] == told


CERTIFIED = {
    "exchanged": (
        STANDARDS.replace("1.52,0.02", "0.02,1.52"),
        "The certificate of 'K1' says 0.02 ± 1.52 %: so large an error certifies nothing.",
    ),
    "two of one name": (
        STANDARDS + "K1,standard,Sn,5.1,%,,5,0.02\n",
        "The standard 'K1' is certified 5 ± 0.02 % here, and 1.52 ± 0.02 % in cell D2.",
    ),
    "more than the whole": (
        STANDARDS.replace("1.51", "151"),
        "The grade is 151 %, more than the whole.",
    ),
}


@pytest.mark.parametrize("name", list(CERTIFIED))
def test_certificates_that_cannot_be(name: str, tmp_path: Path) -> None:
    rows, told = CERTIFIED[name]
    with pytest.raises(InputError) as refused:
        read_lab(batch_case(tmp_path, rows + BLANKS))
    assert refused.value.faults[0].problem == told
