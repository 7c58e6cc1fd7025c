"""What is said of suspects: silence, mix-ups, what came in, groups as a kind."""

from __future__ import annotations

from dataclasses import replace

import pytest
from example_balances import example_balance

from oretally.flowsheet import (
    Analyte,
    Basis,
    Circuit,
    Measurement,
    Survey,
    parse_unit,
)
from oretally.io.results import ALL, html_report, summary
from oretally.io.wording import (
    SUSPECTS_HEADING,
    is_quiet,
    quiet_sentence,
    suspect_words,
    unexplained_sentence,
)
from oretally.io.wording.suspects import group_words
from oretally.recon import Balance, reconcile
from oretally.recon.result import ErrorPlace

TRAY = 0.412  # kg
MASSES = {"head": 12.0, "conc": 0.35, "sands": 9.42, "slimes": 2.23}
TIN = {"head": 0.52, "conc": 10.4, "sands": 0.19, "slimes": 0.367}


def _bucket(masses: dict[str, float]) -> Balance:
    """Return the balance of a bucket test with one tray in use; invented."""
    circuit = Circuit.build({
        "head": (None, "pan"), "conc": ("pan", None), "sands": ("pan", None),
        "slimes": ("pan", None),
    })  # fmt: skip
    kg, percent = parse_unit("kg"), parse_unit("%")
    rows = [Measurement(s, "dry mass", v, kg, 0.02 + 0.002 * v) for s, v in masses.items()]
    rows += [Measurement(s, "Sn", v, percent, 0.04 * v) for s, v in TIN.items()]
    survey = Survey(
        Basis.BATCH, kg, (Analyte("Sn", percent),), tuple(rows), containers={"tray": TRAY}
    )
    return reconcile(circuit, survey)


def _slimes_with_tray() -> Balance:
    return _bucket({**MASSES, "slimes": MASSES["slimes"] + TRAY})


@pytest.mark.parametrize("name", ["tin_table", "leach_test", "grinding_by_size", "rougher_cleaner"])
def test_a_sound_survey_is_told_in_one_sentence(name: str) -> None:
    balance = example_balance(name)
    assert is_quiet(balance) and not suspect_words(balance)
    said = quiet_sentence(balance)
    assert said.startswith("No number stands out; all right: ")
    full = summary(balance, parts=(ALL,))
    for text in (full, html_report(balance)):
        assert SUSPECTS_HEADING not in text and "No number stands out" in text
    assert "Recoveries under each explanation" not in full
    assert "none stands out." in " ".join(summary(balance).split())


def test_a_tray_left_on() -> None:
    """The tray fits, so it goes before all else; nothing is lost where more came out than went in.

    Nor are the stated errors to blame.
    """
    balance = _slimes_with_tray()
    first = balance.gross_errors.explanations[0]
    assert [(s.kind, s.readings[0].stream) for s in first.slips] == [("container", "slimes")]
    assert balance.suspects[0].group[0] == ("measurement", "slimes", "dry mass")
    assert first.slips[0].misfit < 1.0
    kinds = {p.kind: chance for p, chance in balance.gross_errors.probabilities}
    assert kinds.get("loss", 0.0) < 0.01
    screen, text = (" ".join(summary(balance, parts=p).split()) for p in ((), (ALL,)))
    assert "the mass of the container 'tray' not taken off? Nothing here tells which." in screen
    assert "the mass of the container 'tray' not taken off?" in text
    assert "lost at" not in text.split(SUSPECTS_HEADING)[1].split("Recoveries under")[0]
    assert "probably stated too small" not in text


def test_what_came_in_is_no_loss() -> None:
    """More out than in by no slip that is known of: the pan gains."""
    balance = _bucket({**MASSES, "sands": 9.9})
    gains = [p for p, _ in balance.gross_errors.probabilities if p.kind == "gain"]
    assert [p.where for p in gains] == ["pan"]
    assert str(gains[0]) == "something that came in unseen at 'pan'"


def test_a_mixup_is_one_suspect() -> None:
    balance = example_balance("swapped_assays")
    (suspect,) = balance.suspects
    assert suspect.together and len(suspect.group) == 2
    (words,) = suspect_words(balance)
    assert words.head == (
        "The two readings changed places: WO3 of 'mill product' and WO3 of 'spiral conc'."
    )
    assert "reads 3.52, fits 0.626 %" in words.details[0]
    assert not unexplained_sentence(balance)


def test_groups_of_many_are_a_kind() -> None:
    sizes = [ErrorPlace("measurement", "tailings", f"mass in {i} um") for i in range(6)]
    tin = [ErrorPlace("measurement", f"s{i}", "Sn") for i in range(5)]
    assert group_words(tin[:2]) == "Sn of 's0' and Sn of 's1'"
    assert group_words(sizes) == "any of 6 numbers of 'tailings'"
    assert group_words(tin) == "Sn of any of 5 streams"
    assert group_words([*tin, sizes[0]]) == "any of 6 numbers, Sn of 's0' among them"


def test_an_explanation_that_fits_nothing_is_none() -> None:
    """The likeliest of what was tried leaves chi-square far out: that is said first."""
    balance = _slimes_with_tray()
    assert not unexplained_sentence(balance)
    bad = tuple(replace(e, objective=500.0) for e in balance.gross_errors.explanations)
    worse = replace(balance, gross_errors=replace(balance.gross_errors, explanations=bad))
    said = unexplained_sentence(worse)
    assert said.startswith("Nothing that was tried explains the numbers")
    assert "chi-square is still 500 on" in said
