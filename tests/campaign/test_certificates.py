"""Grades of a laboratory, into the surveys that the labels of their samples name."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from campaign_surveys import example_campaign

from oretally.flowsheet import InputError
from oretally.io.campaign import SurveyEntry, open_campaign
from oretally.io.campaign_commands import certified_text

HEAD = "sample,type,analyte,value,unit,pair\n"


def _certificate(path: Path, *rows: str) -> Path:
    path.write_text(HEAD + "".join(f"{row}\n" for row in rows))
    return path


def test_blank_cells_are_filled_in_and_both_stay(tmp_path: Path) -> None:
    file = str(tmp_path / "c.db")
    example_campaign(tmp_path / "c.db")
    certificate = _certificate(
        tmp_path / "batch.csv",
        "week 2/middlings,sample,Sn,1.71,%,", "WEEK 4/ore,sample,Sn,0.655,%,",
        "D-1,duplicate,Sn,0.665,%,WEEK 4/ore", "week 1/ore,sample,Fe,8.41,%,",
        "week 99/ore,sample,Sn,0.6,%,", "sweepings,sample,Sn,0.6,%,",
    )  # fmt: skip
    told = certified_text(file, [certificate], by="assay office")
    assert "batch.csv: 2 of 3 surveys corrected." in told
    assert "Fe of 'ore': 9.41 % typed, 8.41 % certified" in told
    assert "Samples of no survey: week 99/ore, sweepings." in told
    campaign = open_campaign(file)
    new, old = campaign.history(campaign.entry("week 4"))
    assert new.why == "grades of the certificate batch.csv"
    assert new.added_by == "assay office"
    assert new.time == old.time
    assert new.kind == old.kind
    assert new.source.endswith("batch.csv")

    def tin(entry: SurveyEntry) -> list[float]:
        survey = campaign.case(entry).survey
        return [m.value for m in survey.measurements if (m.stream, m.quantity) == ("ore", "Sn")]

    assert tin(old) == []
    assert tin(new) == [pytest.approx(0.66)]  # the mean of sample and duplicate
    assert len(campaign.history(campaign.entry("week 1"))) == 1
    # a second time nothing is blank
    assert "0 of 3 surveys corrected" in certified_text(file, [certificate], by="assay office")
    assert len(campaign.entries(every=True)) == 14


def test_a_certificate_of_no_survey_says_how_samples_are_called(tmp_path: Path) -> None:
    example_campaign(tmp_path / "c.db")
    certificate = _certificate(tmp_path / "batch.csv", "ore,sample,Sn,0.6,%,")
    with pytest.raises(InputError, match=r"(?s)they are called 'ore'.*'week 1/ore'"):
        certified_text(str(tmp_path / "c.db"), [certificate], by=None)


def test_one_survey_that_cannot_be_filled_in_stops_the_certificate(tmp_path: Path) -> None:
    campaign = example_campaign(tmp_path / "c.db")
    certificate = _certificate(
        tmp_path / "batch.csv",
        "week 2/middlings,sample,Sn,1.71,%,", "week 3/slimes,sample,Sn,0.6,%,",
    )  # fmt: skip
    with pytest.raises(InputError, match="survey 'week 3', "):
        certified_text(str(tmp_path / "c.db"), [certificate], by=None)
    assert len(campaign.entries(every=True)) == 12


def test_a_file_that_would_be_written_outside_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "c.db"
    example_campaign(file)
    with closing(sqlite3.connect(file)) as database, database:
        database.execute(
            "insert into survey_files (survey, name, hash) "
            "select 1, '../outside.csv', hash from files limit 1"
        )
    certificate = _certificate(tmp_path / "batch.csv", "week 1/ore,sample,Sn,0.6,%,")
    with pytest.raises(InputError, match="outside its case"):
        certified_text(str(file), [certificate], by=None)


def _samples(path: Path, *lines: str) -> Path:
    path.write_text("[lab.samples]\n" + "".join(f"{line}\n" for line in lines))
    return path


def test_numbers_of_the_laboratory_are_whose_a_file_says(tmp_path: Path) -> None:
    file = str(tmp_path / "c.db")
    campaign = example_campaign(tmp_path / "c.db")
    certificate = _certificate(
        tmp_path / "batch.csv",
        "L-417,sample,Sn,1.71,%,", "l-418,sample,Sn,0.655,%,", "L-500,duplicate,Sn,0.665,%,l-418",
        "week 1/ore,sample,Fe,8.41,%,", "L-419,sample,Sn,0.6,%,",
    )  # fmt: skip
    said = _samples(
        tmp_path / "lab.toml",
        '"L-417" = "week 2/middlings"', '"L-418" = "WEEK 4/ore"', '"L-999" = "week 99/ore"',
    )  # fmt: skip
    told = certified_text(file, [certificate], by=None, samples_file=said)
    assert "batch.csv: 2 of 3 surveys corrected." in told
    assert "Sn of 'middlings' 1.71 (L-417)." in told
    assert "Sn of 'ore' 0.655 (l-418)" in told and "0.665 (L-500)" in told
    assert "Fe of 'ore': 9.41 % typed, 8.41 % certified" in told
    assert "Samples of no survey: L-419." in told and "L-999" not in told
    new = campaign.history(campaign.entry("week 4"))[0]
    assert new.place == "samples l-418, L-500"
    again = certified_text(file, [certificate], by=None, samples_file=said)
    assert "0 of 3 surveys corrected" in again


def test_the_file_may_name_the_columns_of_the_laboratory_too(tmp_path: Path) -> None:
    file = str(tmp_path / "c.db")
    example_campaign(tmp_path / "c.db")
    export = tmp_path / "export.csv"
    export.write_text("A laboratory\nLab no;QC;Tin\nL1;sample;1,71\nL2;sample;0,655\n")
    said = tmp_path / "lab.toml"
    said.write_text(
        '[lab]\nfile = "another.csv"\ncolumns = { sample = "Lab no", type = "QC" }\n'
        'analytes = { Sn = { column = "Tin", unit = "%" } }\n'
        '[lab.samples]\nL1 = "week 2/middlings"\nL2 = "week 4/ore"\n'
    )
    told = certified_text(file, [export], by=None, samples_file=said)
    assert "2 of 2 surveys corrected" in told and "1.71 (L1)" in told and "0.655 (L2)" in told


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ('L1 = "week 2/midlings"',
         r"^lab\.toml, line 2: The sample 'L1' is said to be of 'midlings', which is no "
         r"stream\.\nDid you mean 'middlings'\?"),
        ('L1 = "week 22/ore"',
         r"lab\.toml, line 2: The sample 'L1' is said to be of 'week 22/ore', and there is no "
         r"survey 'week 22'\.\nDid you mean 'week 2'\?"),
        ('L1 = "ore"',
         r"line 2: .* which names no survey\.\nWrite survey and stream: \"L1\" = \"week 1/ore\"\."),
        ('L1 = 7', r"line 2: The sample 'L1' is said to be of 7; it is the name of a stream"),
        ('L1 = "week 2/ore"\nl1 = "week 3/ore"', "The sample 'l1' is there twice"),
        ('L2 = "week 2/ore"', r"called 'L1'\.\nLabel samples .* 'week 1/ore';\n.*--samples"),
    ],
)  # fmt: skip
def test_what_is_wrong_with_whose_sample_is_which(tmp_path: Path, line: str, message: str) -> None:
    campaign = example_campaign(tmp_path / "c.db")
    certificate = _certificate(tmp_path / "batch.csv", "L1,sample,Sn,1.71,%,")
    said = _samples(tmp_path / "lab.toml", line)
    with pytest.raises(InputError, match=rf"(?s){message}"):
        certified_text(str(tmp_path / "c.db"), [certificate], by=None, samples_file=said)
    assert len(campaign.entries(every=True)) == 12


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('title = "x"\n', r"lab\.toml: There is no table \[lab\]"),
        ("sample,stream\nL1,week 1/ore\n", r"lab\.toml: This is not TOML"),
        (None, r"lab\.toml: "),
    ],
)
def test_a_file_that_says_nothing_of_samples(
    tmp_path: Path, text: str | None, message: str
) -> None:
    example_campaign(tmp_path / "c.db")
    certificate = _certificate(tmp_path / "batch.csv", "L1,sample,Sn,1.71,%,")
    said = tmp_path / "lab.toml"
    if text is not None:
        said.write_text(text)
    with pytest.raises(InputError, match=message):
        certified_text(str(tmp_path / "c.db"), [certificate], by=None, samples_file=said)
