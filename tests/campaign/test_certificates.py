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
    with pytest.raises(InputError, match=r"(?s)they are called 'ore'.*'week 1/feed'"):
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
