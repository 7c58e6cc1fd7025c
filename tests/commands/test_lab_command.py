"""A laboratory batch from its table to its verdict, and as the source of stated errors."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from oretally.flowsheet import InputError
from oretally.io import read_case
from oretally.io.cli import main
from oretally.io.laboratory import error_rule, judged_table, lab_summary, read_lab
from oretally.io.laboratory.batches import LabBatch

EXAMPLE = Path(__file__).resolve().parents[2] / "examples" / "tin_table" / "lab.csv"
_HEADER = "sample,type,analyte,value,unit,pair,certified,certified sd\n"
_CIRCUIT = """title = "t"
basis = "batch"
[streams]
feed = { to = "table" }
conc = { from = "table" }
tails = { from = "table" }
[errors]
"dry mass" = { relative = 1 }
Sn = "from lab"
"""
_ROWS = "stream,dry mass [kg],Sn [%]\nfeed,25.4,0.82\nconc,0.41,31.2\ntails,,0.31\n"


def _pairs(n: int, a: float, b: float, seed: int = 1) -> str:
    """Return duplicate rows with the sd a + b grade."""
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(n):
        grade = 10.0 ** rng.uniform(-1.0, 1.5)
        for half in "ab":
            value = max(grade + (a + b * grade) * rng.standard_normal(), 1e-3)
            rows.append(f"S{i}{half},duplicate,Sn,{value:.5g},%,P{i},,")
    return "\n".join(rows) + "\n"


def _summary(folder: Path) -> str:
    return lab_summary(judged_table(read_lab(folder), "x"), full=True)


def _verdict(folder: Path, rows: str) -> tuple[str, ...]:
    """Return the sentences on the one analyte of a batch."""
    (judgement,) = judged_table(read_lab(_case(folder, rows)), "x").judgements
    return judgement.verdict


def _batch(folder: Path) -> LabBatch:
    return read_lab(folder).batches[0]


def _case(folder: Path, lab: str) -> Path:
    (folder / "circuit.toml").write_text(_CIRCUIT, "utf-8")
    (folder / "measurements.csv").write_text(_ROWS, "utf-8")
    (folder / "lab.csv").write_text(_HEADER + lab, "utf-8")
    return folder


def test_example_batch(capsys: pytest.CaptureFixture[str]) -> None:
    """A biased standard and a dirty blank are told, with their figures."""
    with pytest.raises(SystemExit) as done:
        main(["lab", str(EXAMPLE.parent), "--full"])
    assert done.value.code == 0
    out = capsys.readouterr().out
    assert "24 pairs; pooled relative sd 5.5 % (4.3 to 7.7)" in out
    assert "sd of one assay = 0.013 % + 2.9 % of the grade" in out
    assert "4 readings of 1 standard; errors from the duplicates and the certificate" in out
    rules = "z in order: +2.0 +1.8 +2.2 +2.2; two of three beyond 2 sd: 'STD-A18'"
    assert rules in " ".join(out.split())
    assert out.splitlines()[3].startswith("  verdict    The standards read 8.1 % high: do not use")
    with pytest.raises(SystemExit):
        main(["lab", str(EXAMPLE.parent)])
    assert (
        capsys.readouterr().out
        == """Laboratory batch 'tin_table'

Sn  The standards read 8.1 % high: do not use Sn of this batch; ask the
    laboratory to assay it again. Two of three readings of 'STD-A0' to 'STD-A18'
    lie beyond 2 sd on one side, at 'STD-A18'. A blank shows more than 3
    detection limits, 0.03 % ('B31' shows 0.09 %).
    duplicates  24 pairs; pooled relative sd 5.5 % (4.3 to 7.7)
    standards   4 readings of 1 standard; relative bias +8.1 % (+5.4 to +11), p
                below 0.0001
    blanks      4, highest 0.09 %; may show 3 detection limits, 0.03 %

Every reading, and what the figures mean: add --full.
"""
    )


def test_a_clean_batch_has_nothing_against_it(tmp_path: Path) -> None:
    rng = np.random.default_rng(12)
    standards = "".join(
        f"STD{i},standard,Sn,{1.5 + 0.05 * rng.standard_normal():.4g},%,,1.5,0.01\n"
        for i in range(8)
    )
    blanks = "".join(f"B{i},blank,Sn,<0.01,%,,,\n" for i in range(5))
    rows = _pairs(30, 0.01, 0.03) + standards + blanks
    assert _verdict(tmp_path, rows) == ("Nothing speaks against this batch.",)
    certified = _STANDARDS.replace("K", "STD") + blanks
    few = ("Standards and blanks show nothing against this batch.",
           "Its precision is not known: there are {}, and 8 are needed.")  # fmt: skip
    for n, told in ((0, "no duplicate pairs"), (7, "7 duplicate pairs")):
        rows = _pairs(n, 0.01, 0.03) + certified
        assert _verdict(tmp_path, rows) == (few[0], few[1].format(told))
    first, *_ = _verdict(tmp_path, standards + blanks)  # 3 % scatter is much by the certificate
    assert first.startswith("The standard 'STD0' to 'STD7' is off ('STD1' 5.2 sd too high; ")
    assert first.endswith(
        ": ask the laboratory whether its own scatter explains that; one sd is the certificate's "
        "alone."
    )


def test_errors_from_the_batch(tmp_path: Path) -> None:
    """sd = a + b grade of the duplicates, its source told; and the true one within a third."""
    case = read_case(_case(tmp_path, _pairs(200, 0.02, 0.03)))
    fit = error_rule(_batch(tmp_path))
    assert fit is not None
    for stream in ("feed", "conc", "tails"):
        m = case.survey.measured(stream, "Sn")
        assert m is not None
        assert m.error_source == "200 duplicate pairs"
        assert m.sd == pytest.approx(fit.absolute + fit.slope * m.value)
        assert m.sd == pytest.approx(0.02 + 0.03 * m.value, rel=0.33)


def test_a_duplicate_goes_with_its_sample(tmp_path: Path) -> None:
    rows = "a,sample,Sn,0.50,%,P1,,\na2,duplicate,Sn,0.52,%,P1,,\nb,sample,Sn,0.7,%,P2,,\n"
    batch = _batch(_case(tmp_path, rows))
    assert [(p.name, p.first, p.second) for p in batch.pairs] == [("P1", 0.5, 0.52)]


def test_no_verdict_without_evidence(tmp_path: Path) -> None:
    assert _verdict(tmp_path, "a,sample,Sn,0.50,%,,,\n") == (
        "Too few to judge: no standards, no blanks.", SEND
    )  # fmt: skip


def test_other_units_and_below_detection(tmp_path: Path) -> None:
    """Grams per tonne among percent; a pair below detection is left out and said."""
    rows = (
        "a,duplicate,Sn,0.5,%,P1,,\nb,duplicate,Sn,5200,g/t,P1,,\n"
        "c,duplicate,Sn,<0.02,%,P2,,\nd,duplicate,Sn,<0.02,%,P2,,\n"
    )
    batch = _batch(_case(tmp_path, rows))
    assert len(batch.pairs) == 1
    assert (batch.pairs[0].first, batch.pairs[0].second) == pytest.approx((0.5, 0.52))
    assert batch.detection == pytest.approx(0.02)
    assert batch.notes == [
        "The pair 'P2' (<0.02, <0.02) is no pair of numbers: it was not used for the precision."
    ]


def test_half_of_a_pair_below_detection_is_no_pair(tmp_path: Path) -> None:
    """The limit itself is no assay: such a pair has no difference."""
    rows = (
        "a,sample,Sn,<0.02,%,P1,,\na2,duplicate,Sn,0.03,%,P1,,\n"
        "b,sample,Sn,>30,%,,,\nb2,duplicate,Sn,31,%,b,,\n"
    )
    batch = _batch(_case(tmp_path, rows))
    assert batch.pairs == []
    assert batch.notes == [
        "The pair 'P1' (<0.02, 0.03) is no pair of numbers: it was not used for the precision.",
        "The pair 'b' (>30, 31) is no pair of numbers: it was not used for the precision.",
    ]


def test_words_in_place_of_values(tmp_path: Path) -> None:
    rows = "a,sample,Sn,i.s.,%,,,\nb,blank,Sn,<0.01,%,,,\nSTD,standard,Sn,>20,%,,15,0.1\n"
    batch = _batch(_case(tmp_path, rows))
    assert batch.notes == [
        "The sample 'a' is 'i.s.': there was too little sample.",
        "The standard 'STD' reads >20: that is no number, and was not used for the bias.",
    ]
    assert batch.blanks[0].before is None


def test_carry_over_without_the_first_blank(tmp_path: Path) -> None:
    """A blank before which nothing stands does not keep the others from being judged."""
    rows = "B0,blank,Sn,0.01,%,,,\n" + "".join(
        f"S{i},sample,Sn,{grade},%,,,\nB{i},blank,Sn,{0.02 * grade + 0.001 * (-1) ** i:.4g},%,,,\n"
        for i, grade in enumerate((1, 5, 12, 20, 31), start=1)
    )
    first, *_ = _verdict(tmp_path, rows)
    assert first == (
        "2 % of a sample is carried over into the next (p below 0.0001): ask the laboratory to "
        "assay again what followed rich samples."
    )


MESSAGES = {
    "unknown type": (
        "x,standrad,Sn,1,%,,1,0.1\n",
        "lab.csv, cell B2: The type is 'standrad'.\nDid you mean 'standard'?",
    ),
    "one of a pair": (
        "x,duplicate,Sn,1,%,P1,,\n",
        "lab.csv, cell D2, Sn: The pair 'P1' has 1 assay of Sn; a pair has two.\n"
        "Give both rows the same name under 'pair': the duplicate, and its sample or another "
        "duplicate; or give the duplicate the name of its sample.",
    ),
    "no pair": (
        "x,duplicate,Sn,1,%,,,\n",
        "lab.csv, cell D2, Sn: The duplicate 'x' names no pair.\n"
        "Give both assays of a sample the same name under 'pair'.",
    ),
    "no certificate": (
        "x,standard,Sn,1,%,,,\n",
        "lab.csv, cell D2, Sn: The standard 'x' has no certified value.\n"
        "Give it under 'certified', in the unit of the row.",
    ),
    "ambiguous unit": (
        "x,blank,Au,0.01,oz/ton,,,\n",
        "lab.csv, cell D2, Au: 'oz/ton' can be read in three ways: ozt/st = 34.2857 g/t, ozt/t = "
        "31.1035 g/t, ozt/lt = 30.6122 g/t.\nWrite the one the laboratory means.",
    ),
    "negative": (
        "x,blank,Sn,-0.01,%,,,\n",
        "lab.csv, cell D2, Sn: The value is -0.01.\nWrite <0.01 if that is how the laboratory "
        "writes 'below detection', else a grade of 0 or more.",
    ),
    "below what": (
        "x,blank,Sn,trace,%,,,\n",
        "lab.csv, cell D2, Sn: 'trace' gives no limit of detection.\nWrite the limit, as in <0.01, "
        "or leave the cell blank if it was not assayed.",
    ),
    "limit of 0": (
        "x,blank,Sn,<0,%,,,\n",
        "lab.csv, cell D2, Sn: The value is <0: the limit is 0.\nWrite the limit, as in <0.01.",
    ),
    "certified below": (
        "x,standard,Sn,1,%,,<1,0.1\n",
        "lab.csv, cell G2: The certified value of 'x' is <1.\nGive what the certificate says.",
    ),
    "three of a pair": (
        "x,sample,Sn,1,%,,,\ny,duplicate,Sn,1.1,%,x,,\nz,duplicate,Sn,1.2,%,x,,\n",
        "lab.csv, cell D2, Sn: The pair 'x' has 3 assays of Sn; a pair has two.\n"
        "Give both rows the same name under 'pair': the duplicate, and its sample or another "
        "duplicate; or give the duplicate the name of its sample.",
    ),
    "no analyte": (
        "x,blank,,1,%,,,\n",
        "lab.csv, cell D2: The row names no analyte.\nWrite it.",
    ),
    "no type": (
        "x,,Sn,1,%,,,\n",
        "lab.csv, cell B2: The row has no type.\nTypes: sample, standard, blank, duplicate, leave "
        "out.",
    ),
    "nothing": (
        "x,blank,Sn,,%,,,\n",
        "lab.csv: No row gives an assay.\nFill in the column of values.",
    ),
    "not a number": (
        "x,blank,Sn,low,%,,,\n",
        "lab.csv, cell D2, Sn: The value is 'low', not a number.\nWrite a number, or leave the "
        "cell blank if it was not measured.",
    ),
}


@pytest.mark.parametrize("name", list(MESSAGES))
def test_message(name: str, tmp_path: Path) -> None:
    rows, text = MESSAGES[name]
    with pytest.raises(InputError) as refused:
        read_lab(_case(tmp_path, rows))
    assert str(refused.value) == text


def test_too_few_duplicates_give_no_error(tmp_path: Path) -> None:
    with pytest.raises(InputError) as refused:
        read_case(_case(tmp_path, _pairs(3, 0.01, 0.03)))
    assert str(refused.value) == (
        "circuit.toml, line 9, Sn: The error is to come from the laboratory batch, but its "
        "duplicates give none for this quantity: 8 pairs are needed.\nSee 'oretally lab', or state "
        "the error."
    )


def test_no_batch_at_all(tmp_path: Path) -> None:
    folder = _case(tmp_path, "")
    (folder / "lab.csv").unlink()
    with pytest.raises(InputError, match=r"There is no lab\.csv in the folder"):
        read_case(folder)


def test_a_bias_of_one_standard_is_told_though_the_mean_is_sound(tmp_path: Path) -> None:
    """One high, one low: together nothing, each by itself a bias; three tests share 5 %."""
    rows = "".join(
        f"H{i},standard,Sn,{1.58 + 0.01 * (-1) ** i},%,,1.5,0.01\n"
        f"L{i},standard,Sn,{4.74 + 0.02 * (-1) ** i},%,,5,0.03\n"
        for i in range(6)
    )
    first, *rest = _verdict(tmp_path, _pairs(30, 0.01, 0.03) + rows)
    assert first == (
        "The standard 'H0' to 'H5' reads 5.3 % high: do not use Sn of this batch; ask the "
        "laboratory to assay it again."
    )
    assert "The standard 'L0' to 'L5' reads 5.2 % low." in rest
    assert not any(sentence.startswith("The standards read") for sentence in rest)


SEND = "Send each standard twice, 2 blanks and 8 duplicates at least with a batch."
_STANDARDS = "K1,standard,Sn,1.51,%,,1.52,0.02\nK2,standard,Sn,1.53,%,,1.52,0.02\n"
_BLANKS = "B1,blank,Sn,<0.01,%,,,\nB2,blank,Sn,<0.01,%,,,\n"
FEW = {
    "one blank": (_STANDARDS + "B1,blank,Sn,<0.01,%,,,\n", "1 blank"),
    "one reading": ("K1,standard,Sn,1.51,%,,1.52,0.02\n" + _BLANKS, "1 reading of a standard"),
    "one reading of each": (
        "K1,standard,Sn,1.51,%,,1.52,0.02\nL1,standard,Sn,5.03,%,,5,0.02\n" + _BLANKS,
        "1 reading of each standard",
    ),
    "nothing else": (_pairs(8, 0.01, 0.03), "no standards, no blanks"),
    "no limit": (_STANDARDS + "B1,blank,Sn,0.01,%,,,\nB2,blank,Sn,0.02,%,,,\n",
                 "no detection limit to hold the blanks against"),
    "no error": ("K1,standard,Sn,1.51,%,,1.52,0\nK2,standard,Sn,1.53,%,,1.52,0\n" + _BLANKS,
                 "no error of the standards is known"),
}  # fmt: skip


@pytest.mark.parametrize("name", list(FEW))
def test_too_few_to_judge_is_never_a_good_batch(name: str, tmp_path: Path) -> None:
    rows, told = FEW[name]
    assert _verdict(tmp_path, rows) == (f"Too few to judge: {told}.", SEND)


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
    sound = _STANDARDS + _BLANKS + _pairs(30, 0.01, 0.03) * fitted
    assert _verdict(tmp_path, sound + rows)[0] == f"{told}: {REFUSE}"
    biased = sound.replace(",1.51,", ",1.91,").replace(",1.53,", ",1.92,")
    first, second, *_ = _verdict(tmp_path, biased + rows)
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
    verdict = _verdict(tmp_path, _STANDARDS + _BLANKS + _pairs(30, 0.01, 0.03) * fitted + rows)
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
    parts = [_STANDARDS + _BLANKS for _ in range(n)]
    parts[-1] = parts[-1].replace(",1.51,", ",1.81,").replace(",1.53,", ",1.82,")
    rows = "".join(part.replace(",Sn,", f",A{i},") for i, part in enumerate(parts))
    (tmp_path / "lab.csv").write_text(_HEADER + rows, "utf-8")
    found = judged_table(read_lab(tmp_path / "lab.csv"), "x")
    lines = lab_summary(found).splitlines()
    assert len(lines) <= 30 and max(map(len, lines)) <= 80
    assert lines[2].startswith(f"A{n - 1} ") and "The standards read 19 % high: do not" in lines[2]
    assert lines[-1] == "Every reading, and what the figures mean: add --full."
    assert any(line.startswith("... and ") for line in lines) == (n == 40)
    assert "and" in lab_summary(found, full=True) and len(
        lab_summary(found, full=True).splitlines()
    ) > len(lines)
