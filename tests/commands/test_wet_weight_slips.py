"""A wet weight with a slip is judged as a dry one is, by itself and beside other surveys."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from oretally.io.case import read_case
from oretally.io.cli import oretally
from oretally.recon import Balance, reconcile

_STREAMS = """basis = "batch"
[streams]
"mill feed" = { to = "rougher" }
"final conc" = { from = "rougher" }
"final tails" = { from = "rougher" }
"""
_ERRORS = """[errors]
"wet mass" = { relative = 1 }
"dry mass" = { relative = 1 }
moisture = { absolute = "0.2 %" }
Cu = { relative = 2 }
"""
_COLUMNS = "stream,wet mass [{0}],moisture [%],dry mass [{0}],Cu [%]"
_FED = (1980.0, 2110.0, 2045.0, 2090.0, 1960.0, 2075.0)
"""Wet feed of other surveys; invented."""


def _rows(feed: float, typed: float | None = None) -> list[str]:
    """Return a survey of some wet feed, and what was typed for it; its unit is the table's."""
    part = feed / 2186.3
    return [f"mill feed,{feed if typed is None else typed:.8g},3.82,,1.2",
            f"final conc,{99.0 * part:.6g},9,,24.7",
            f"final tails,,,{2012.8 * part:.6g},0.15"]  # fmt: skip


def _case(folder: Path, typed: float, unit: str = "t", more: str = "") -> Path:
    """Return a case whose feed weighed 2186.3 wet."""
    (folder / "circuit.toml").write_text(_STREAMS + more + _ERRORS, "utf-8")
    (folder / "measurements.csv").write_text(
        "\n".join([_COLUMNS.format(unit), *_rows(2186.3, typed)]), "utf-8"
    )
    return folder


def _balance(folder: Path) -> Balance:
    case = read_case(folder)
    return reconcile(case.circuit, case.survey, feed=case.feeds, products=case.products)


def _said(*words: str | Path) -> str:
    done = CliRunner().invoke(oretally, [*map(str, words)])
    assert done.exit_code == 0, done.output
    return " ".join(done.output.split())


@pytest.mark.parametrize(
    ("typed", "kind", "reason"),
    [
        (21863.0, "decimal point", "the decimal point one place too far to the right"),
        (2.1863, "decimal point", "the decimal point 3 places too far to the left"),
        (2816.3, "digits", "two digits changed round"),
    ],
)
def test_a_slip_of_a_wet_weight_is_told(
    tmp_path: Path, typed: float, kind: str, reason: str
) -> None:
    """The digits are those of what was weighed; the dry mass is in proportion to it."""
    first = _balance(_case(tmp_path, typed)).suspects[0]
    slip = first.slips[0]
    assert (slip.kind, slip.reason) == (kind, reason)
    (reading,) = slip.readings
    assert (reading.stream, reading.quantity, reading.unit) == ("mill feed", "dry mass", "t")
    assert reading.read == pytest.approx(typed * (1.0 - 0.0382))
    assert reading.fits == pytest.approx(2186.3 * (1.0 - 0.0382))
    assert reading.note.startswith("from wet mass ") and reading.note.endswith(" %")
    said = _said("balance", tmp_path)
    assert " t and moisture 3.82 ± 0.20 %), the others say 2103 ± " in said
    assert f": {reason}? Then it is 2103 t." in said
    assert "left on the scale" not in said


def test_a_tray_is_taken_off_what_was_weighed(tmp_path: Path) -> None:
    folder = _case(tmp_path, 2598.3, "g", '[containers]\ntray = "412 g"\n')
    slip = _balance(folder).suspects[0].slips[0]
    assert slip.kind == "container"
    assert slip.readings[0].fits == pytest.approx(2186.3 * 0.9618)


def test_what_was_weighed_wet_is_no_wet_weight_given_as_dry(tmp_path: Path) -> None:
    first = _balance(_case(tmp_path, 2500.0)).suspects[0]
    assert first.group[0].where == "mill feed"
    assert "wet mass" not in {slip.kind for slip in first.slips}


@pytest.mark.parametrize(("unit", "asked"), [("g", True), ("kg", False), ("t", False)])
def test_a_tray_is_asked_for_where_one_can_stand(tmp_path: Path, unit: str, asked: bool) -> None:
    """A surplus of 314 g may be a tray; of 314 kg, or t, nothing of it stood on the scale."""
    said = _said("balance", _case(tmp_path, 2500.0, unit))
    assert "mill feed" in said and ("left on the scale" in said) == asked


def _campaign(folder: Path, feeds: tuple[float, ...]) -> Path:
    """Return a file of surveys; the feed of W1 was typed one place too far."""
    table = ["survey," + _COLUMNS.format("t")]
    for i, rows in enumerate((_rows(2186.3, 21863.0), *map(_rows, feeds))):
        table += [f"W{i + 1},{row}" for row in rows]
    (folder / "circuit.toml").write_text(_STREAMS + _ERRORS, "utf-8")
    (folder / "surveys.csv").write_text("\n".join(table) + "\n", "utf-8")
    file = folder / "mill.db"
    _said("campaign", file, "add", folder)
    return file


def test_ten_times_what_the_other_surveys_weighed_is_far(tmp_path: Path) -> None:
    """A dry mass that was made of a wet one is held against the others as one that was typed."""
    said = _said("campaign", _campaign(tmp_path, _FED), "show", "W1")
    assert "the decimal point one place too far to the right? Then it is 210" in said
    assert "reads 21028 t, 6 other surveys 1885 to 2029: that counts in what is likely" in said
    assert "none is far" not in said


def test_so_few_others_do_not_say_what_is_far(tmp_path: Path) -> None:
    said = _said("campaign", _campaign(tmp_path, _FED[:2]), "show", "W1")
    assert "reads 21028 t, 2 other surveys 1904 to 2029: too few to say what is far." in said
    assert "none is far" not in said
