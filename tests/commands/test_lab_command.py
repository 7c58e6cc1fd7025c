"""A laboratory batch from its table to its verdict, and as the source of stated errors."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from lab_batches import SEND, STANDARDS, batch_case, duplicate_pairs, verdict_on

from oretally.flowsheet import InputError
from oretally.io import read_case
from oretally.io.cli import main
from oretally.io.laboratory import error_rule, judged_table, lab_summary, read_lab
from oretally.io.laboratory.batches import LabBatch

EXAMPLE = Path(__file__).resolve().parents[2] / "examples" / "tin_table" / "lab.csv"


def _summary(folder: Path) -> str:
    return lab_summary(judged_table(read_lab(folder), "x"), full=True)


def _batch(folder: Path) -> LabBatch:
    return read_lab(folder).batches[0]


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
    rows = duplicate_pairs(30, 0.01, 0.03) + standards + blanks
    assert verdict_on(tmp_path, rows) == ("Nothing speaks against this batch.",)
    certified = STANDARDS.replace("K", "STD") + blanks
    few = ("Standards and blanks show nothing against this batch.",
           "Its precision is not known: there are {}, and 8 are needed.")  # fmt: skip
    for n, told in ((0, "no duplicate pairs"), (7, "7 duplicate pairs")):
        rows = duplicate_pairs(n, 0.01, 0.03) + certified
        assert verdict_on(tmp_path, rows) == (few[0], few[1].format(told))
    first, *_ = verdict_on(tmp_path, standards + blanks)  # 3 % scatter is much by the certificate
    assert first.startswith("The standard 'STD0' to 'STD7' is off ('STD1' 5.2 sd too high; ")
    assert first.endswith(
        ": ask the laboratory whether its own scatter explains that; one sd is the certificate's "
        "alone."
    )


def test_errors_from_the_batch(tmp_path: Path) -> None:
    """sd = a + b grade of the duplicates, its source told; and the true one within a third."""
    case = read_case(batch_case(tmp_path, duplicate_pairs(200, 0.02, 0.03)))
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
    batch = _batch(batch_case(tmp_path, rows))
    assert [(p.name, p.first, p.second) for p in batch.pairs] == [("P1", 0.5, 0.52)]


def test_no_verdict_without_evidence(tmp_path: Path) -> None:
    assert verdict_on(tmp_path, "a,sample,Sn,0.50,%,,,\n") == (
        "Too few to judge: no standards, no blanks.", SEND
    )  # fmt: skip


def test_other_units_and_below_detection(tmp_path: Path) -> None:
    """Grams per tonne among percent; a pair below detection is left out and said."""
    rows = (
        "a,duplicate,Sn,0.5,%,P1,,\nb,duplicate,Sn,5200,g/t,P1,,\n"
        "c,duplicate,Sn,<0.02,%,P2,,\nd,duplicate,Sn,<0.02,%,P2,,\n"
    )
    batch = _batch(batch_case(tmp_path, rows))
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
    batch = _batch(batch_case(tmp_path, rows))
    assert batch.pairs == []
    assert batch.notes == [
        "The pair 'P1' (<0.02, 0.03) is no pair of numbers: it was not used for the precision.",
        "The pair 'b' (>30, 31) is no pair of numbers: it was not used for the precision.",
    ]


def test_words_in_place_of_values(tmp_path: Path) -> None:
    rows = "a,sample,Sn,i.s.,%,,,\nb,blank,Sn,<0.01,%,,,\nSTD,standard,Sn,>20,%,,15,0.1\n"
    batch = _batch(batch_case(tmp_path, rows))
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
    first, *_ = verdict_on(tmp_path, rows)
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
    "certified duplicate": (
        "x,duplicate,Sn,1,%,P1,1.1,0.1\ny,duplicate,Sn,1,%,P1,,\n",
        "lab.csv, cell G2: A duplicate has no certified value.\n"
        "Clear it, or write standard as the type.",
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
        read_lab(batch_case(tmp_path, rows))
    assert str(refused.value) == text


def test_too_few_duplicates_give_no_error(tmp_path: Path) -> None:
    with pytest.raises(InputError) as refused:
        read_case(batch_case(tmp_path, duplicate_pairs(3, 0.01, 0.03)))
    assert str(refused.value) == (
        "circuit.toml, line 9, Sn: The error is to come from the laboratory batch, but its "
        "duplicates give none for this quantity: 8 pairs are needed.\nSee 'oretally lab', or state "
        "the error."
    )


def test_no_batch_at_all(tmp_path: Path) -> None:
    folder = batch_case(tmp_path, "")
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
    first, *rest = verdict_on(tmp_path, duplicate_pairs(30, 0.01, 0.03) + rows)
    assert first == (
        "The standard 'H0' to 'H5' reads 5.3 % high: do not use Sn of this batch; ask the "
        "laboratory to assay it again."
    )
    assert "The standard 'L0' to 'L5' reads 5.2 % low." in rest
    assert not any(sentence.startswith("The standards read") for sentence in rest)
