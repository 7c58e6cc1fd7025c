"""Cases opened, saved, kept and watched: nothing is lost, nothing overwritten unasked."""

from __future__ import annotations

import errno
import json
import os
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from oretally.flowsheet import InputError
from oretally.io.case import read_case
from oretally.io.desk.cases import Conflict, OpenCases
from oretally.io.desk.kept import RecentCases, kept_file
from oretally.io.files import replace_file
from oretally.io.forms import example_names, kinds, make_case

Document = dict[str, Any]


@pytest.fixture
def cases(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> OpenCases:
    for name in ("_SEEN", "_BESIDE"):  # nobody is taken for gone because the machine is busy
        monkeypatch.setattr(f"oretally.io.desk.cases.{name}", 3600.0)
    (tmp_path / "root").mkdir()
    return OpenCases(tmp_path / "root", RecentCases(tmp_path / "state" / "recent.json"))


def contents(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in folder.iterdir()}


def changed(document: Document, text: str = "24950") -> Document:
    parts = json.loads(json.dumps(document["parts"]))
    parts["measurements.csv" if document["kind"] == "folder" else "measurements"][1][1] = text
    return {**document, "parts": parts}


def save(cases: OpenCases, document: Document, *, force: bool = False) -> dict[str, Any]:
    return cases.save(document["case"], document["parts"], document["digests"], force=force)


@pytest.mark.parametrize("example", [name for name, _ in example_names()])
def test_what_was_opened_is_saved_byte_for_byte(cases: OpenCases, example: str) -> None:
    for name in (example, f"{example}.xlsx"):
        document = cases.new(example, name)
        path = cases.root / name
        before = contents(path) if path.is_dir() else path.read_bytes()
        assert save(cases, document)["saved"] == []
        assert (contents(path) if path.is_dir() else path.read_bytes()) == before


def test_only_what_changed_is_written(cases: OpenCases) -> None:
    document = cases.new("tin_table", "a")
    folder = cases.root / "a"
    before = contents(folder)
    told = save(cases, changed(document))
    assert told["saved"] == ["measurements.csv"]
    after = contents(folder)
    assert after.pop("measurements.csv") == before.pop("measurements.csv").replace(
        b"24952", b"24950"
    )
    assert after == before
    assert read_case(folder).survey.measurements[0].value == 24950.0
    again = changed({**document, "digests": told["digests"]}, "24951")
    assert save(cases, again)["saved"] == ["measurements.csv"]


def test_a_change_on_the_disk_is_told_and_never_written_over(cases: OpenCases) -> None:
    document = cases.new("tin_table", "a")
    file = cases.root / "a" / "measurements.csv"
    theirs = file.read_bytes().replace(b"420", b"421")
    file.write_bytes(theirs)
    assert cases.state(document["case"], "w", document["digests"])["changed"] == [
        "measurements.csv"]  # fmt: skip
    with pytest.raises(Conflict) as found:
        save(cases, changed(document))
    assert found.value.changed == ["measurements.csv"]
    assert found.value.theirs["measurements.csv"][2][1] == "421"
    assert file.read_bytes() == theirs
    save(cases, changed(document), force=True)
    assert b"24950" in file.read_bytes()
    assert b"421" not in file.read_bytes()


def test_a_new_file_beside_the_page_is_a_change_too(cases: OpenCases) -> None:
    document = cases.new("tin_table", "a")
    (cases.root / "a" / "stocks.csv").write_text("node,when\n", encoding="utf-8")
    with pytest.raises(Conflict, match=r"stocks\.csv"):
        save(cases, changed(document))
    assert (cases.root / "a" / "stocks.csv").is_file()


def test_a_table_that_was_added_and_undone_goes_again(cases: OpenCases) -> None:
    document = cases.new("tin_table", "a")
    more = {**document, "parts": {**document["parts"], "sizes.csv": [["stream"]]}}
    told = save(cases, more)
    assert told["saved"] == ["sizes.csv"]
    told = save(cases, {**document, "digests": told["digests"]})
    assert told["removed"] == ["sizes.csv"]
    assert not (cases.root / "a" / "sizes.csv").exists()


def test_the_two_windows_of_one_case_know_of_each_other(cases: OpenCases) -> None:
    document = cases.new("tin_table", "a")
    ask = (document["digests"],)
    assert cases.state(document["case"], "one", *ask)["windows"] == 0
    assert cases.state(document["case"], "two", *ask)["windows"] == 1
    assert cases.state(document["case"], "one", *ask)["windows"] == 1
    save(cases, changed(document))  # the first window saves; the second has not seen it
    with pytest.raises(Conflict):
        save(cases, changed(document, "1"))


def test_another_run_on_the_same_case_is_told(cases: OpenCases, tmp_path: Path) -> None:
    document = cases.new("tin_table", "a")
    other = OpenCases(tmp_path / "root", RecentCases(tmp_path / "state" / "recent.json"))
    mine = other.open(cases.root / "a")
    cases.keep(document["case"], document["parts"], {})
    assert other.state(mine["case"], "w", mine["digests"])["windows"] == 1
    assert cases.state(document["case"], "w", document["digests"])["windows"] == 0


@pytest.mark.parametrize("name", ["a", "a.xlsx"])
def test_work_that_was_kept_is_offered_again(cases: OpenCases, tmp_path: Path, name: str) -> None:
    document = changed(cases.new("tin_table", name))
    whatif = {"without": ["tailings:Sn"], "with": []}
    cases.keep(document["case"], document["parts"], whatif)
    later = OpenCases(tmp_path / "root", RecentCases(tmp_path / "state" / "recent.json"))
    found = later.open(cases.root / name)
    assert found["parts"] != document["parts"]
    assert found["recovered"]["parts"] == document["parts"]
    assert found["recovered"]["whatif"] == whatif
    assert found["recovered"]["changed"] == []
    save(later, {**found, "parts": found["recovered"]["parts"]})
    assert not kept_file(cases.root / name).exists()
    assert later.open(cases.root / name)["recovered"] is None


def test_kept_work_that_is_forgotten_or_as_saved_is_not_offered(cases: OpenCases) -> None:
    document = cases.new("tin_table", "a")
    cases.keep(document["case"], document["parts"], {})
    assert cases.open(cases.root / "a")["recovered"] is None
    cases.keep(document["case"], changed(document)["parts"], {})
    cases.forget(document["case"])
    assert cases.open(cases.root / "a")["recovered"] is None


@pytest.mark.parametrize("text", ["", "{", "[]", '{"oretally": "desk"}', '{"parts": {}}'])
def test_a_spoilt_recovery_file_is_none(cases: OpenCases, text: str) -> None:
    cases.new("tin_table", "a")
    kept_file(cases.root / "a").write_text(text, encoding="utf-8")
    assert cases.open(cases.root / "a")["recovered"] is None


def test_a_recovery_file_is_no_part_of_the_case(cases: OpenCases) -> None:
    document = cases.new("tin_table", "a")
    cases.keep(document["case"], changed(document)["parts"], {})
    assert cases.state(document["case"], "w", document["digests"])["changed"] == []
    assert read_case(cases.root / "a").survey.measurements[0].value == 24952.0


def test_a_case_is_saved_under_another_name_and_nothing_is_written_over(cases: OpenCases) -> None:
    document = changed(cases.new("tin_table", "a"))
    there = cases.save_as(document["case"], document["parts"], "b")
    assert there["name"] == "b"
    assert read_case(cases.root / "b").survey.measurements[0].value == 24950.0
    assert read_case(cases.root / "a").survey.measurements[0].value == 24952.0
    with pytest.raises(InputError, match="exists already"):
        cases.save_as(document["case"], document["parts"], "b")
    with pytest.raises(InputError, match="outside the folder"):
        cases.save_as(document["case"], document["parts"], "../c")


@pytest.mark.parametrize("kind", [kind.name for kind in kinds()])
def test_a_case_for_a_kind_of_work_is_made_and_opened(kind: str, cases: OpenCases) -> None:
    document = cases.new(f"kind: {kind}", "my_test")
    assert document["title"] == "my test"
    assert document["parts"]["measurements.csv"][0][0] == "stream"
    assert "lab.csv" in document["parts"]
    with pytest.raises(InputError, match="There is no kind of work"):
        cases.new("kind: nonsense", "other")


def test_recent_cases_are_listed_the_latest_first(cases: OpenCases) -> None:
    for name in ("a", "b", "c"):
        cases.new("tin_table", name)
    cases.open(cases.root / "a")
    assert [Path(row["path"]).name for row in cases.recent.rows()] == ["a", "c", "b"]
    assert cases.open_recent(str(cases.root / "b"))["name"] == "b"
    assert cases.recent.file is not None
    cases.recent.file.write_text("nonsense", encoding="utf-8")
    assert cases.recent.rows() == []


def test_a_state_folder_that_cannot_be_written_hinders_nothing(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    recent = RecentCases(tmp_path / "file" / "recent.json")
    make_case(tmp_path / "a", "tin_table")
    assert OpenCases(tmp_path, recent).open(tmp_path / "a")["recovered"] is None
    assert recent.rows() == []


def test_line_ends_and_marks_of_circuit_toml_are_kept(cases: OpenCases) -> None:
    cases.new("tin_table", "a")
    file = cases.root / "a" / "circuit.toml"
    windows = b"\xef\xbb\xbf" + file.read_bytes().replace(b"\n", b"\r\n")
    file.write_bytes(windows)
    document = cases.open(cases.root / "a")
    assert "\r" not in document["parts"]["circuit.toml"]
    assert save(cases, document)["saved"] == []
    text = document["parts"]["circuit.toml"].replace("test 4", "test 5")
    save(cases, {**document, "parts": {**document["parts"], "circuit.toml": text}})
    assert file.read_bytes() == windows.replace(b"test 4", b"test 5")


def test_links_that_go_round_and_names_that_are_too_long(cases: OpenCases) -> None:
    (cases.root / "ring").symlink_to("other ring")
    (cases.root / "other ring").symlink_to("ring")
    make_case(cases.root / "a", "tin_table")
    assert [one["path"] for one in cases.listed()] == ["a"]
    opened = cases.open_named("a")
    for name in ("ring", "ring/a", "x" * 300):
        with pytest.raises(InputError, match="cannot be looked at|not a case"):
            cases.open_named(name)
        with pytest.raises(InputError, match="cannot be looked at|exists already"):
            cases.save_as(opened["case"], opened["parts"], name)
    cases.recent.add(Path("y" * 300), "too long")
    assert [row["title"] for row in cases.recent.rows()] == [opened["title"]]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="there are no pipes with a name here")
def test_what_is_no_plain_file_is_not_waited_for(cases: OpenCases) -> None:
    make_case(cases.root / "a", "tin_table")
    os.mkfifo(cases.root / "a" / "sizes.csv")
    with pytest.raises(InputError, match=r"sizes\.csv: This is no plain file"):
        cases.open_named("a")


def test_a_batch_under_no_name_is_none(cases: OpenCases) -> None:
    make_case(cases.root / "a", "wrong_head")
    opened = cases.open_named("a")
    opened["parts"]["circuit.toml"] += '[lab]\nfile = "a\\u0000.xlsx"\n'
    job = cases.job({"case": opened["case"]}, opened["parts"])
    assert sorted(job["files"]) == ["circuit.toml", "measurements.csv"]


def test_a_save_that_fails_halfway_is_no_change_by_somebody_else(
    cases: OpenCases, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_case(cases.root / "a", "tin_table")
    document = changed(cases.open_named("a"))
    document["parts"]["circuit.toml"] += "# one more line\n"
    with monkeypatch.context() as disk:
        taken = list[Path]()

        def full(path: Path, data: bytes, **judge: Any) -> None:
            taken.append(path)
            if len(taken) > 1:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            replace_file(path, data, **judge)

        disk.setattr("oretally.io.desk.cases.replace_file", full)
        with pytest.raises(InputError, match="No space left"):
            save(cases, document)
    assert len(taken) == 2
    told = save(cases, document)  # with the digests of before
    assert told["saved"] == [taken[1].name]


def test_a_workbook_that_has_formulas_by_now_is_not_written_over(cases: OpenCases) -> None:
    path = cases.root / "a.xlsx"
    make_case(path, "tin_table")
    document = changed(cases.open_named("a.xlsx"))
    book = openpyxl.load_workbook(path)
    book["measurements"]["B2"] = "=24000+952"
    book.create_sheet("my own")["A1"] = "not to be lost"
    book.save(path)
    there = path.read_bytes()
    with pytest.raises(InputError, match="has formulas"):
        save(cases, document, force=True)
    assert path.read_bytes() == there
