"""What the first screen says first: sound, which number to check, or why not to use it."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

from click.testing import CliRunner
from example_balances import example_balance
from random_circuits import RandomCircuit
from stocks_case import balanced_stocked, read_stocked

from oretally.flowsheet import (
    Circuit,
    Survey,
)
from oretally.io.cli import oretally
from oretally.io.results import summary
from oretally.recon import Balance, reconcile

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"


# ---- the verdict


def _opening(balance: Balance) -> str:
    """Return what stands between the title and the first empty line."""
    head = summary(balance).split("\n\n")[0]
    return " ".join(head.splitlines()[1:])


def test_sound() -> None:
    assert _opening(example_balance("tin_table")) == (
        "Sound: use it. The 8 numbers agree within their stated errors, and none stands out."
    )
    # what nothing checks is not said to agree
    assert _opening(example_balance("rougher_cleaner")).startswith(
        "Sound: use it. 25 of the 29 numbers are checked by others; they agree"
    )


def _spoilt(folder: Path, name: str, old: str, new: str) -> str:
    """Return the first screen of an example with another table of measurements."""
    case = folder / name
    shutil.copytree(EXAMPLES / name, case)
    (case / "lab.csv").unlink(missing_ok=True)  # its batch fails, which would be said first
    table = case / "measurements.csv"
    text = table.read_text("utf-8")
    assert old in text
    table.write_text(text[: text.index(old)] if not new else text.replace(old, new), "utf-8")
    done = CliRunner().invoke(oretally, ["balance", str(case)])
    assert not done.exception, done.output
    return " ".join(done.output.split())


def test_agreement_alone_is_no_answer(tmp_path: Path) -> None:
    """A table cut off, and the header of the masses exchanged with that of an error."""
    assert ("Not enough was measured: no recovery into a product follows from these numbers. "
            "'oretally check' says what to measure.") in _spoilt(
        tmp_path, "wet_as_dry", "final conc", "")  # fmt: skip
    swapped = "stream,± Sn [rel %],± dry mass [g],Sn [%],dry mass [g]"
    told = _spoilt(
        tmp_path, "tin_table", "stream,dry mass [g],± dry mass [g],Sn [%],± Sn [rel %]", swapped
    )
    assert "Not enough was measured: no recovery into a product follows from these" in told


def test_one_number_to_check() -> None:
    text = summary(example_balance("wrong_assay"))
    assert _opening(example_balance("wrong_assay")) == (
        "Check one number first: Cu of 'final tails' reads 1.64 %, the others say 0.145 ± 0.024: "
        "the decimal point one place too far to the right? Then it is 0.164 %. That is above 99 % "
        "likely. Assay Cu of 'final tails' again, mend it, and balance again: all below rests on "
        "it."
    )
    told = " ".join(text.split())
    assert "Not to be used yet. Recovered: 71.61 ± 0.91 % of the Cu" in told
    assert "With that mended 82.04 ± 0.54 % of the Cu." in told
    assert "\nNext: " not in text  # checking it is the next step


def test_a_reading_that_the_balance_puts_beyond_its_bounds(tmp_path: Path) -> None:
    """Its ± is so wide that the numbers agree, and would be called sound."""
    assert ("Check one number first: Pb of 'tailings' was reported as above 0.4 %; the balance "
            "puts it at 0.289 ± 0.050 %: one or the other is wrong. Recovered: ") in _spoilt(
        tmp_path, "grind_coarse", "0.277", ">0.4")  # fmt: skip


def test_a_number_within_its_own_error_has_no_slip(tmp_path: Path) -> None:
    """2 g with its ± of 5 g, read as 2 t with ± 5 t, would agree with whatever the others say."""
    assert ("Check one number first: dry mass of 'tailings' reads 2 g, the others say 21326 ± 60. "
            "That is above 99 % likely. Weigh") in _spoilt(
        tmp_path, "tin_table", "tailings,21358,40,0.303,3", "tailings,2")  # fmt: skip


def test_a_mix_up() -> None:
    said = _opening(example_balance("swapped_assays"))
    assert said.startswith(
        "Check first: perhaps the two readings changed places: WO3 of 'mill product' and WO3 of "
        "'spiral conc'. That is above 99 % likely. Look up which is which"
    )


def test_several_numbers_to_check() -> None:
    made = RandomCircuit(0, 4, 3)
    balance = reconcile(made.circuit, made.survey(wrong=2))
    likely = [s for s in balance.suspects if (s.probability or 0.0) > 0.5]
    assert len(likely) == 2
    assert _opening(balance).startswith("Check 2 numbers first, beginning with this: ")


def test_numbers_that_do_not_agree() -> None:
    """Errors twice as large as stated: all numbers are a little off, and no one stands out."""
    made = RandomCircuit(2, 2, 2)
    balance = reconcile(made.circuit, made.survey(noise=2.0))
    test = balance.global_test
    assert test.consistent is False and test.p is not None and test.p < 0.001
    assert _opening(balance) == (
        "Do not use: the numbers do not agree within their stated errors, and no single one "
        "explains it. Several are wrong, or errors are stated too small."
    )


def _table(
    make_survey: Callable[..., Survey], two_products: Circuit, *, feed: float | None
) -> Balance:
    """Return the balance of a table with masses good to 1 %, assays to 3 %; invented."""
    masses = {"conc": 0.0312, "tails": 1.96} | ({} if feed is None else {"feed": feed})
    tin = {"feed": 0.91, "conc": 38.4, "tails": 0.312}
    survey = make_survey(
        {s: (x, 0.01 * x) for s, x in masses.items()},
        {"Sn": {s: (x, 0.03 * x) for s, x in tin.items()}},
    )
    return reconcile(two_products, survey)


def test_numbers_that_agree_poorly_may_be_chance(
    two_products: Circuit, make_survey: Callable[..., Survey]
) -> None:
    """Likelier than not all are right: nobody says that several are wrong; one left out helps."""
    balance = _table(make_survey, two_products, feed=2.08)
    assert balance.global_test.consistent is False and balance.gross_errors.quiet
    assert _opening(balance) == (
        "Use with care: the numbers agree poorly, but nothing stands out. One sound survey in 130 "
        "is as far off as this (p 0.0074), or errors are stated too small. What would help most: "
        "weigh 'feed' again."
    )
    full = " ".join(summary(balance, parts=("all",)).split())
    assert "one sound survey in 130 is as far off" in full and "settle that first" not in full
    without = _table(make_survey, two_products, feed=None)
    assert without.global_test.statistic < 0.01


def _bucket(make_survey: Callable[..., Survey], *, sd: float, head: bool) -> Balance:
    """Return the balance of a bucket of ore on a pan, masses good to ``sd`` g; invented."""
    circuit = Circuit.build({"feed": (None, "pan"), "concentrate": ("pan", None),
                             "middlings": ("pan", None), "tailings": ("pan", None)})  # fmt: skip
    masses = {"concentrate": 611.0, "middlings": 2228.0, "tailings": 9978.0}
    tin = {"concentrate": 37.2, "middlings": 3.22, "tailings": 0.31}
    masses |= {} if head else {"feed": 12820.0}
    tin |= {"feed": 2.66} if head else {}
    survey = make_survey(
        {s: (x, sd) for s, x in masses.items()},
        {"Sn": {s: (x, 0.03 * x) for s, x in tin.items()}},
    )
    return reconcile(circuit, survey)


def test_one_check_of_several_numbers_lets_errors_pass(make_survey: Callable[..., Survey]) -> None:
    """A head assay alone checks three masses: a wrong one need not show, and the worst is named."""
    balance = _bucket(make_survey, sd=5.0, head=True)
    assert balance.global_test.dof == 1
    said = _opening(balance)
    assert said.startswith(
        "Sound: use it. The 7 numbers agree within their stated errors, and none stands out. It is "
        "one check only. Any error up to its whole size would pass unnoticed in dry mass of "
        "'middlings', 2228 kg: a tenth of it moves the recovery of Sn to "
    )
    assert "would show" not in said


def test_what_nothing_checks_is_named_before_what_is_checked(
    make_survey: Callable[..., Survey],
) -> None:
    """Four masses check each other, no assay is checked."""
    balance = _bucket(make_survey, sd=5.0, head=False)
    assert balance.global_test.dof == 1
    said = _opening(balance)
    assert " It is one check only. Nothing checks Sn of 'concentrate': one sd, " in said


def test_as_many_numbers_as_would_help_alike_are_named(
    two_products: Circuit, make_survey: Callable[..., Survey]
) -> None:
    """One check of masses: no data tells which."""
    balance = reconcile(two_products, make_survey(
        {"feed": (103.1, 1.0), "conc": (10.0, 0.1), "tails": (90.0, 1.0)}, {}))  # fmt: skip
    assert balance.mildly_off
    said = _opening(balance)
    assert said.endswith(
        "What would help most: weigh 'feed' again, weigh 'conc' again or weigh 'tails' again."
    )


def test_nothing_checks_anything(two_products: Circuit, make_survey: Callable[..., Survey]) -> None:
    survey = make_survey(
        {"feed": (100.0, 1.0)},
        {"Sn": {"feed": (1.0, 0.02), "conc": (31.0, 0.4), "tails": (0.487, 0.01)}},
    )
    balance = reconcile(two_products, survey)
    assert balance.global_test.consistent is None
    assert _opening(balance) == (
        "Not checked: no number here checks another, so a wrong one would not show. Use the "
        "answers with care."
    )
    assert "Recovered: " in summary(balance)


def test_no_balance(make_survey: Callable[..., Survey]) -> None:
    """What goes on and what comes back are richer than feed and product: no finite flow fits."""
    circuit = Circuit.build(
        {"feed": (None, "a"), "on": ("a", "b"), "back": ("b", "a"), "out": ("b", None)}
    )
    grades = {"feed": (1.0, 0.01), "on": (5.0, 0.01), "back": (5.0, 0.01), "out": (1.0, 0.01)}
    balance = reconcile(circuit, make_survey({"feed": (10.0, 0.1)}, {"Sn": grades}))
    assert not balance.converged
    text = summary(balance)
    assert _opening(balance).startswith("Do not use: there is no balance of these numbers. ")
    assert "More: --show obstacles (or repairs," in text
    for word in ("Recovered", "product ", "Caution", "Next"):
        assert word not in text
    assert len(text.splitlines()) <= 30


def test_a_contradiction(tmp_path: Path) -> None:
    """A tank of which more was drawn than it held; nothing checks a number, and none can stand."""
    circuit = """basis = "batch"
water = true
[streams]
in = { to = "tank", carries = "water" }
out = { from = "tank", carries = "water" }
[nodes]
tank = { kind = "stockpile" }
[errors]
water = { relative = 1 }
"""
    rows = "stream,water [m3]\nin,1000\nout,1500\n"
    stocks = "node,when,water [m3]\ntank,opening,100\n"
    balance = balanced_stocked(read_stocked(tmp_path, circuit, rows, stocks))
    said = _opening(balance)
    assert said.startswith("Do not use: what was measured leaves -400 ± 18 m3 of water for")
    assert "Sound" not in said and "\nNext: " not in summary(balance)
    assert len(summary(balance).splitlines()) <= 30
