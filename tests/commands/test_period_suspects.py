"""`campaign period` where numbers do not agree: which number of which survey, and what to type."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import jsonschema
import openpyxl
import pytest
from click.testing import CliRunner, Result

from oretally.io.campaign import open_campaign
from oretally.io.cli import oretally
from oretally.io.periods import period_of, period_schema, read_span
from oretally.io.periods.what_stays import stays_sentences
from oretally.recon.periods import STOCK_CHANGE, Period

CIRCUIT = """title = "Gold mill"
basis = "batch"
[streams]
"mine ore" = { to = "ROM pile" }
"mill feed" = { from = "ROM pile", to = "mill" }
"concentrate" = { from = "mill" }
"tailings" = { from = "mill" }
[nodes]
"ROM pile" = { kind = "stockpile" }
[errors]
"dry mass" = { relative = 1 }
"wet mass" = { relative = 1 }
moisture = { absolute = "0.2 %" }
Au = { relative = 4 }
[report]
feed = "mill feed"
products = ["concentrate", "tailings"]
"""
HEADER = "survey,time,stream,dry mass [t],± dry mass [t],Au [g/t],± Au [rel %]"
# mine ore, mill feed, its Au, concentrate, its Au, Au of tailings (invented)
SHIFTS = (
    (210, 312, 2.95, 9.1, 92.1, 0.31),
    (230, 298, 3.20, 8.8, 95.0, 0.33),
    (190, 305, 2.88, 9.0, 88.0, 0.28),
    (250, 321, 3.11, 9.6, 94.8, 0.35),
    (240, 310, 2.79, 8.9, 86.0, 0.29),
)


def table(
    *, made: float = 86.0, opening: float = 4000.0, closing: float = 3574.0,
    unweighed: tuple[int, ...] = (), ore: bool = True,
) -> str:  # fmt: skip
    """Return the five shifts: the true stock goes from 4000 t to 3574 t, or to 2454 without ore."""
    lines = [HEADER, f"s1,2026-06-01 06:00,opening stock of ROM pile,{opening:g},40,3.1,10"]
    for i, (mined, fed, of_fed, mass, of_made, of_tails) in enumerate(SHIFTS):
        at = f"s{i + 1},2026-06-{3 * i + 1:02d} 06:00"
        gold = made if i == 4 else of_made
        if ore:
            lines.append(f"{at},mine ore,{',,' if i in unweighed else f'{mined},,3.1'},")
        lines += [f"{at},mill feed,{fed},,{of_fed},", f"{at},concentrate,{mass},,{gold},",
                  f"{at},tailings,,,{of_tails},"]  # fmt: skip
    lines.append(f"s5,2026-06-13 06:00,closing stock of ROM pile,{closing:g},40,3.0,8")
    return "\n".join(lines) + "\n"


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(oretally, ["campaign", *map(str, words)], standalone_mode=False)


def month(folder: Path, rows: str) -> tuple[Path, Period]:
    """Return a file of the surveys of its own, and their period, which is balanced once."""
    data, found = _month(rows)
    file = folder / "mill.db"
    file.write_bytes(data)
    return file, found


@cache
def _month(rows: str) -> tuple[bytes, Period]:
    with TemporaryDirectory() as folder:
        file, found = _made(Path(folder), rows)
        return file.read_bytes(), found


def _made(folder: Path, rows: str) -> tuple[Path, Period]:
    (folder / "plant").mkdir()
    mined = '"mine ore" = { to = "ROM pile" }\n'
    circuit = CIRCUIT if "mine ore" in rows else CIRCUIT.replace(mined, "")
    (folder / "plant" / "circuit.toml").write_text(circuit, "utf-8")
    (folder / "plant" / "surveys.csv").write_text(rows, "utf-8")
    file = folder / "mill.db"
    assert run(file, "add", folder / "plant").exception is None
    found, _ = period_of(
        open_campaign(str(file)), read_span("2026-06"), by=None, common=(), stood_still=False,
        hours=None,
    )  # fmt: skip
    return file, found


def test_the_other_surveys_tell_which_number_is_a_slip(tmp_path: Path) -> None:
    """860 for 86: the balances alone would rather move the mill feed tenfold."""
    file, found = month(tmp_path, table(made=860.0))
    first = found.suspects[0]
    assert (first.label, first.stream, first.quantity) == ("s5", "concentrate", "Au")
    assert first.probability > 0.99
    assert first.usual == (4, 88.0, 95.0)
    assert abs(first.meant - 86.0) < 2.0 * first.meant_sd
    assert first.test.consistent
    shown = " ".join(run(file, "show", "s5").output.split())
    beside = (
        "Over time: Au of 'concentrate' reads 860 g/t, 4 other surveys 88 to 95: that counts "
        "in what is likely above."
    )
    assert beside in shown
    text = run(file, "period", "2026-06").output
    told = " ".join(text.split())
    assert "Au of 'concentrate' in 's5' (above 99 %) reads 860 g/t" in told
    assert "4 other surveys lie between 88 and 95 (the decimal point one place" in told
    assert "too far to the right? Then it is 86 g/t)." in told
    command = f'oretally campaign {file} decide "s5" "left out" --of "concentrate:Au" --why "..."'
    assert command in told
    assert "Not to be used yet. Recovered in 5 of some 10 surveys: " in told
    assert "Not to be used yet. Produced in 5 of some 10 surveys (none from " in told
    done = run(file, "decide", "s5", "left out", "--of", "concentrate:Au", "--why", "a slip")
    assert done.exception is None
    assert "Before: Recovered:" in done.output and "Now: Recovered:" in done.output
    mended = run(file, "period", "2026-06").output
    assert "agree within their stated errors" in mended and "Not to be used" not in mended


@pytest.mark.parametrize(
    ("made", "slip", "fits"),
    [(8.6, "left", 86.0), (860.0, "right", 86.0), (68.0, "changed round", 86.0),
     (120.0, "", None), (57.3, "", None)],
)  # fmt: skip
def test_a_slip_is_told_where_it_fits_what_the_others_say(
    tmp_path: Path, made: float, slip: str, fits: float | None
) -> None:
    _, found = month(tmp_path, table(made=made))
    first = found.suspects[0]
    assert (first.label, first.stream, first.quantity) == ("s5", "concentrate", "Au")
    assert first.slip.endswith(slip) and bool(first.slip) == bool(slip)
    assert first.fits == fits


def test_what_stays_is_pointed_to_where_it_was_not_looked_for() -> None:
    """In many surveys that takes too long; where the numbers agree nobody asks."""
    with TemporaryDirectory() as folder:
        _, found = month(Path(folder), table(made=860.0))
    assert found.persistent is not None and not found.persistent.biases
    assert [*stays_sentences(found)] == []
    (told,) = stays_sentences(replace(found, persistent=None))
    assert told.endswith("stays from survey to survey: oretally campaign FILE bias.")
    assert [*stays_sentences(replace(found, persistent=None, suspects=()))] == []


def weighed_wet(rows: str, shift: str, times: float) -> str:
    """Return the table with the mill feed wet, at 5 %; that of one shift typed so many times."""
    head, *lines = rows.splitlines()
    found = [f"{head},wet mass [t],moisture [%]"]
    for line in lines:
        name, at, stream, mass, *rest = line.split(",")
        wet = float(mass) / 0.95 * (times if name == shift else 1.0) if stream == "mill feed" else 0
        own = ["", *rest, f"{wet:.2f}", "5"] if wet else [mass, *rest, *[""] * (5 - len(rest))]
        found.append(",".join([name, at, stream, *own]))
    return "\n".join(found) + "\n"


def test_a_slip_of_a_wet_weight_is_told_as_one_of_a_dry_one(tmp_path: Path) -> None:
    file, found = month(tmp_path, weighed_wet(table(), "s3", 10.0))
    first = found.suspects[0]
    assert (first.label, first.stream, first.quantity) == ("s3", "mill feed", "dry mass")
    assert first.slip == "the decimal point one place too far to the right"
    assert first.measured == pytest.approx(3050.0, rel=1e-4)
    assert first.fits == pytest.approx(305.0, rel=1e-4)
    shown = " ".join(run(file, "show", "s3").output.split())
    assert "dry mass of 'mill feed' reads 3050 t, 4 other surveys 298 to 321: " in shown
    assert "none is far" not in shown


def test_the_suspects_stand_in_page_workbook_and_all_figures(tmp_path: Path) -> None:
    file, found = month(tmp_path, table(made=860.0))
    book, page = tmp_path / "p.xlsx", tmp_path / "p.html"
    shown = run(file, "period", "2026-06", "--xlsx", book, "--html", page, "--full")
    (s,) = found.suspects
    header, row = openpyxl.load_workbook(book)["suspects"].iter_rows(values_only=True)
    assert dict(zip(header, row, strict=True)) == {
        "survey": "s5", "stream": "concentrate", "quantity": "Au", "unit": "g/t",
        "probability [%]": 100.0 * s.probability, "measured": 860, "the others say": s.meant,
        "±": s.meant_sd, "other surveys": 4, "least of them": 88, "most of them": 95,
        "slip": s.slip, "then it is": 86, "p of the rest": s.test.p,
    }  # fmt: skip
    for text in (page.read_text("utf-8"), shown.output):
        assert "Which number is wrong" in text
        for word in ("88 to 95 (4)", "&gt;99" if "<html" in text else ">99", "the decimal point"):
            assert word in text
    sound = tmp_path / "sound"
    sound.mkdir()
    fine, _ = month(sound, table())
    run(fine, "period", "2026-06", "--xlsx", book, "--html", page)
    assert "suspects" not in openpyxl.load_workbook(book).sheetnames
    assert "Which number is wrong" not in page.read_text("utf-8")


def test_both_stocks_of_a_pile_are_named_where_they_check_each_other_alone(tmp_path: Path) -> None:
    _, found = month(tmp_path, table(opening=2900.0, closing=2454.0, ore=False))
    two = found.suspects[:2]
    assert {(s.label, s.stream) for s in two} == {
        ("s1", "opening stock of ROM pile"), ("s5", "closing stock of ROM pile"),
    }  # fmt: skip
    opening = next(s for s in two if s.label == "s1")
    # by hand: the closing stock and what was fed
    assert abs(opening.meant - 4000.0) < 3.0 * opening.meant_sd
    assert opening.usual is None
    assert sum(s.probability for s in two) > 0.9


def test_numbers_that_agree_have_no_suspect_and_the_stock_is_told(tmp_path: Path) -> None:
    file, found = month(tmp_path, table())
    assert found.test.consistent and found.suspects == ()
    told = " ".join(run(file, "period", "2026-06").output.split())
    assert "In stock, ROM pile: 39" in told or "In stock, ROM pile: 40" in told
    (change,) = (
        a for a in found.whole.amounts if a.item == STOCK_CHANGE and a.quantity == "dry mass"
    )
    assert change.check_out == pytest.approx(1120 - 1546, abs=10.0) and not change.by_difference


def test_what_was_not_weighed_makes_the_change_closing_less_opening(tmp_path: Path) -> None:
    file, found = month(tmp_path, table(unweighed=(2, 3)))
    (change,) = (
        a for a in found.whole.amounts if a.item == STOCK_CHANGE and a.quantity == "dry mass"
    )
    assert change.by_difference and change.not_out == ("s3", "s4")
    # by hand: two stocks of 40 t each, that nothing else checks
    assert change.check_out == pytest.approx(-426.0, abs=0.5)
    assert change.check_out_sd == pytest.approx(40.0 * 2**0.5, rel=0.01)
    told = " ".join(run(file, "period", "2026-06").output.split())
    assert "with the ± of both: what went in or out is not known in 's3' and 's4'" in told


def test_a_month_with_a_shift_missing_says_so_where_its_metal_stands(tmp_path: Path) -> None:
    """A shift that was refused is in no sum: neither is the ore that it moved."""
    rows = "\n".join(r for r in table().splitlines() if not r.startswith("s3,"))
    file, found = month(tmp_path, rows)
    assert found.interrupted == (("s2", "s4"),) and found.n_missing == 1 + 5
    (change,) = (
        a for a in found.whole.amounts if a.item == STOCK_CHANGE and a.quantity == "dry mass"
    )
    # by hand: two stocks of 40 t each, that nothing else checks
    assert change.by_difference and change.not_out == ()
    assert change.check_out == pytest.approx(3574.0 - 4000.0, abs=0.5)
    assert change.check_out_sd == pytest.approx(40.0 * 2**0.5, rel=0.01)
    told = " ".join(run(file, "period", "2026-06").output.split())
    assert "Produced in 4 of some 10 surveys (none about 2026-06-07 and from 2026-06-16 to " in told
    assert "Recovered in 4 of some 10 surveys: " in told
    assert "what went in or out is not known between 's2' and 's4')." in told
    still = " ".join(run(file, "period", "2026-06", "--stood-still").output.split())
    assert "Produced: " in still and "Recovered: " in still and "not known" not in still


def test_words_that_nearly_act_are_asked_about_and_others_are_notes(tmp_path: Path) -> None:
    file, _ = month(tmp_path, table())
    for typed, meant in (("leave out", "left out"), ("takn back", "taken back in")):
        error = run(file, "decide", "s1", typed, "--why", "x").exception
        assert error is not None and f"Did you mean '{meant}'?" in str(error)
    noted = run(file, "decide", "s1", "assayed again", "--why", "x").output
    assert noted == "'s1': assayed again.\nKept as a note: it changes nothing.\n"
    assert "counts in no answer" in run(file, "decide", "s1", "left out", "--why", "x").output
    wrong = run(file, "decide", "s2", "left out", "--of", "tailings Au", "--why", "x").exception
    assert 'Write --of "tailings:Au".' in str(wrong)


def test_the_file_comes_before_the_command(tmp_path: Path) -> None:
    error = run("list", tmp_path / "mill.db").exception
    assert error is not None and "FILE comes first: oretally campaign" in str(error)


def test_few_surveys_are_shown_one_by_one(tmp_path: Path) -> None:
    file, _ = month(tmp_path, table())
    text = run(file, "trend").output
    for label, day in (("s1", "2026-06-01"), ("s5", "2026-06-13")):
        row = next(line for line in text.splitlines() if line.split()[:1] == [label])
        assert day in row and float(row.split()[-2]) == pytest.approx(90.0, abs=2.0)


def test_show_says_beside_the_balance_what_the_others_have(tmp_path: Path) -> None:
    """A number that nothing here checks; a survey that is as all; how its recovery stands."""
    file, _ = month(tmp_path, table())
    sound = " ".join(run(file, "show", "s5").output.split())
    assert "Sound: use it." in sound and "Over time" not in sound  # nothing balanced, nothing far
    run(file, "balance")
    low, high = (" ".join(run(file, "show", name).output.split()) for name in ("s5", "s2"))
    assert "Over time: Recovery of Au in 'concentrate' is higher than in " in low + high
    unchecked = tmp_path / "unchecked"
    unchecked.mkdir()
    rows = [r for r in table(made=860.0).splitlines() if "s5" not in r or "stock" not in r]
    rows = [r.replace(",310,,2.79,", ",310,,,") for r in rows]
    far, found = month(unchecked, "\n".join(rows))
    assert found.suspects == () and [(f.label, f.stream) for f in found.far] == [
        ("s5", "concentrate")
    ]
    shown = " ".join(run(far, "show", "s5").output.split())
    assert (
        "Over time: Au of 'concentrate' reads 860 g/t, 4 other surveys 88 to 95: far from all of "
        "them, though nothing here speaks against it." in shown
    )
    told = " ".join(run(far, "period", "2026-06").output.split())
    assert (
        "Far from all other surveys: Au of 'concentrate' in 's5' reads 860 g/t, 4 others 88 to 95. "
        "Look it up: what no balance checks may be wrong unseen." in told
    )
    document = json.loads(run(far, "period", "2026-06", "--json", "-").stdout)
    jsonschema.Draft202012Validator(period_schema()).validate(document)
    assert document["far"][0]["measured"] == 860.0


def test_a_survey_left_out_by_decision_is_not_called_missing(tmp_path: Path) -> None:
    """It was taken: nothing is handed on over it, and its metal is in no sum."""
    file, whole = month(tmp_path, table())
    run(file, "decide", "s3", "left out", "--why", "the sampler stood")
    days = ("--from", "2026-06-01", "--to", "2026-06-13")
    told = " ".join(run(file, "period", *days).output.split())
    assert "Recovered in 4 of 5 surveys: " in told and "(without 's3')" in told
    found = json.loads(run(file, "period", *days, "--json", "-").stdout)
    assert found["gaps"] == [] and whole.handed_on == 4 and found["handed_on"] == 2
    assert found["interrupted"] == [["s2", "s4"]]
    assert found["notes"][0] == "'s3' is in no sum: left out by decision."
    # beyond the period it is not named
    early = json.loads(run(file, "period", "--to", "2026-06-04", "--json", "-").stdout)
    assert early["left_out"] == [] and early["gaps"] == []


def test_a_number_that_is_a_suspect_already_is_not_told_twice(tmp_path: Path) -> None:
    file, found = month(tmp_path, table(made=860.0))
    assert found.far and found.suspects
    assert "Far from all other surveys" not in run(file, "period", "2026-06").output
