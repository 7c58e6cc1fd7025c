"""The first screen of balance and check: it fits, and says the one thing to know first."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from example_balances import example_balance, example_case
from hypothesis import given, settings
from hypothesis import strategies as st
from often import NIGHTLY, often
from random_circuits import RandomCircuit

from oretally.flowsheet import (
    Analyte,
    Basis,
    Circuit,
    Measurement,
    Survey,
    parse_unit,
)
from oretally.flowsheet.digits import format_with_sd
from oretally.io.case import Case, read_case
from oretally.io.cli import oretally
from oretally.io.commands.check import check_text
from oretally.io.first_page import product_tables
from oretally.io.results import PARTS, summary
from oretally.recon import Balance, check, reconcile

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
ALL_EXAMPLES = sorted(path.parent.name for path in EXAMPLES.glob("*/circuit.toml"))
IN_SOLUTION = {"leach_test", "bottle_roll_times"}  # what is not listed holds some of the metal
LINES, COLUMNS = 30, 80
LONG = " of the mill in the valley, bank three, day shift only, second survey"
NODES = ("cell", "cyanide, acid, mercury, retort, roaster and crusher")  # the last has all cautions
NAMES = [(long, node) for long in (0, 30, len(LONG)) for node in NODES]


def _assert_one_screen(text: str) -> None:
    lines = text.splitlines()
    assert len(lines) <= LINES, text
    assert max(map(len, lines)) <= COLUMNS, text


def _assert_fits(balance: Balance) -> None:
    """Both screens of what was balanced."""
    _assert_one_screen(summary(balance))
    case = Case(
        balance.circuit, balance.survey, balance.feeds, balance.products, (), balance.survey.title,
        balance.notes, balance.gross_errors.rates, (), Path("case"),
    )  # fmt: skip
    found = check(balance.circuit, balance.survey, feed=balance.feed, products=balance.products)
    _assert_one_screen(check_text(case, found))


# ---- it fits


def _printed(name: str) -> str:
    """Return what the command prints of an example: the balance, and what reading it found."""
    case, found = example_case(name), example_balance(name)
    told = replace(
        found, notes=(*found.notes, *case.notes),
        contradictions=(*case.contradictions, *found.contradictions),
    )  # fmt: skip
    return summary(told, case.prices)


@pytest.mark.parametrize("name", ALL_EXAMPLES)
def test_every_example_fits(name: str) -> None:
    _assert_one_screen(_printed(name))
    answer = CliRunner().invoke(oretally, ["check", str(EXAMPLES / name)])
    assert answer.exit_code == 0, answer.output
    _assert_one_screen(answer.stdout)


@pytest.mark.parametrize("name", ["tin_table", "month_with_stockpile"])
def test_an_example_fits_as_it_is_printed(name: str) -> None:
    answer = CliRunner().invoke(oretally, ["balance", str(EXAMPLES / name)])
    assert answer.stdout.rstrip() == _printed(name).rstrip()


@settings(derandomize=True, max_examples=often(30))
@given(
    seed=st.integers(0, 10_000), nodes=st.integers(1, 12 if NIGHTLY else 6),
    analytes=st.integers(1, 8),
    missing=st.sampled_from([0.0, 0.3, 0.6, 0.8]), wrong=st.integers(0, 1),
    noise=st.sampled_from([1.0, 2.0]),
)  # fmt: skip
def test_random_circuits_fit(
    seed: int, nodes: int, analytes: int, missing: float, wrong: int, noise: float
) -> None:
    made = RandomCircuit(seed, nodes, analytes)
    assert len(made.circuit.streams) <= 25
    survey = made.survey(noise=noise, missing=missing, wrong=wrong)
    _assert_fits(reconcile(made.circuit, survey))


def _cell(
    products: Sequence[str], analytes: int, feed: str = "feed", node: str = "cell",
    title: str = "Invented",
) -> Balance:  # fmt: skip
    """Return a cell with many products, all measured without error."""
    circuit = Circuit.build({feed: (None, node), **{s: (node, None) for s in products}})
    rate, percent, found = parse_unit("t/h"), parse_unit("%"), []
    names = ("Cu", "Au", "Fe", "Sn", "Pb", "Zn", "SiO2", "WO3")[:analytes]
    masses = {s: 1.0 + (7 * i) % len(products) for i, s in enumerate(products)}
    masses[feed] = sum(masses.values())
    grades = {(s, a): 0.5 + ((3 + k) * i + k) % 11 for i, s in enumerate(products)
              for k, a in enumerate(names)}  # fmt: skip
    for a in names:
        grades[feed, a] = sum(masses[s] * grades[s, a] for s in products) / masses[feed]
    for s, w in masses.items():
        found.append(Measurement(s, "dry rate", w, rate, 0.01 * w))
        found += [Measurement(s, a, grades[s, a], percent, 0.02 * grades[s, a]) for a in names]
    survey = Survey(
        Basis.RATE, rate, tuple(Analyte(a, percent) for a in names), tuple(found), title
    )
    return reconcile(circuit, survey)


@pytest.mark.parametrize(("long", "node"), NAMES if NIGHTLY else [NAMES[0], NAMES[-1]])
@pytest.mark.parametrize(("products", "analytes"), [(1, 1), (2, 8), (5, 3), (12, 1), (12, 8)])
def test_many_products_and_long_names_fit(
    products: int, analytes: int, long: int, node: str
) -> None:
    names = [f"product {i}{LONG[:long]}" for i in range(products)]
    title = f"Invented: a cell{LONG[:long]}{LONG[:long]}"
    balance = _cell(names, analytes, f"feed{LONG[:long]}", node, title)
    _assert_fits(balance)
    tables = product_tables(balance, COLUMNS, most=4, lines=20)
    for table in tables:
        shown = [row[0] for row in table.rows]
        assert len(set(shown)) == len(shown)  # names stay apart, however much they are shortened
    if products > 4:
        assert tables[-1].below[0].startswith(f"{products - 4} more product")


# ---- the table of products


def _columns(balance: Balance) -> dict[str, dict[str, str]]:
    """Return the cells of the whole table: header, then product."""
    found: dict[str, dict[str, str]] = {}
    for table in product_tables(balance, COLUMNS):
        names = [row[0] for row in table.rows]
        for i, header in enumerate(table.header[1:], 1):
            key = header if header not in found else f"{header} {len(found)}"
            found[key] = dict(zip(names, (row[i] for row in table.rows), strict=True))
    return found


def _shares(balance: Balance) -> list[dict[str, str]]:
    columns = _columns(balance)
    return [cells for header, cells in columns.items() if header.startswith("dist. %")]


@pytest.mark.parametrize("name", [n for n in ALL_EXAMPLES if n not in IN_SOLUTION])
def test_distributions_add_up(name: str) -> None:
    balance = example_balance(name)
    whole = "calculated head" in _columns(balance)["dist. %"]
    shares = _shares(balance)
    assert len(shares) == len(balance.survey.analytes)
    for cells in shares:
        total = sum(float(cells[s]) for s in balance.products)
        # each is rounded to two decimals at the most, a few to one
        assert (total == pytest.approx(100.0, abs=0.2)) == whole or len(balance.products) == 1
        assert total < 100.3


@pytest.mark.parametrize("name", ALL_EXAMPLES)
def test_the_table_shows_the_balance(name: str) -> None:
    """Masses, grades and distributions are those of the balance, in its own digits."""
    balance = example_balance(name)
    columns, quantity = _columns(balance), balance.survey.basis.quantity
    mass = columns[f"{quantity.removeprefix('dry ')} [{balance.survey.flow_unit}]"]
    for s in balance.products:
        if any(v.stream == s and v.quantity == quantity for v in balance.values):
            value = balance.value(s, quantity)
            assert mass[s] == format_with_sd(value.adjusted, value.adjusted_sd)[0]
            assert float(mass[s]) == pytest.approx(value.adjusted, rel=0.01, abs=1.0)
    for a, cells in zip(balance.survey.analytes, _shares(balance), strict=True):
        grades = columns[f"{a.name} [{a.unit}]"]
        for s in balance.products:
            share = balance.recovery(s, a.name).recovery
            assert float(cells[s]) == pytest.approx(share, abs=0.06)
            if any((v.stream, v.quantity) == (s, a.name) for v in balance.values):
                value = balance.value(s, a.name)
                assert grades[s] == format_with_sd(value.adjusted, value.adjusted_sd)[0]
    assert ("assayed head" in mass) == any(
        v.measured is not None and v.stream == balance.feed for v in balance.values
    )


# ---- the options


def _run(*words: Any) -> tuple[int, str, str]:
    answer = CliRunner().invoke(oretally, ["balance", *map(str, words)])
    return answer.exit_code, answer.stdout, answer.stderr


def test_show_prints_the_parts_and_no_more() -> None:
    status, out, _ = _run(EXAMPLES / "tin_table", "--show", "Values, recoveries")
    assert status == 0
    assert out.index("Recovery and distribution") < out.index("Measured against adjusted")
    assert "Sound: use it." not in out and "More: " not in out


def test_every_part_that_is_there_is_named_and_can_be_shown() -> None:
    for name in ("wrong_assay", "tails_by_size"):
        screen = " ".join(summary(example_balance(name)).split())
        told = screen.split("More: --show ")[1].split("; or --full.")[0]
        named = told.replace(" (or ", ", ").removesuffix(")").split(", ")
        assert set(named) < set(PARTS)
        full = summary(example_balance(name), parts=("all",))
        for part in named:
            shown = summary(example_balance(name), parts=(part,)).splitlines()[1:-1]
            assert len(shown) > 1 and "\n".join(shown) in full
        for part in set(PARTS) - {*named, "summary"}:
            absent = f"Nothing here to show of: {part}."
            assert absent in summary(example_balance(name), parts=(part,))


@pytest.mark.parametrize("parts", ["grades", "values,grades", "", ","])
def test_unknown_parts_are_refused(parts: str) -> None:
    status, out, err = _run(EXAMPLES / "tin_table", "--show", parts)
    assert (status, out) == (2, "")
    said = " ".join(err.split())
    assert said.endswith(f"Parts: {', '.join(PARTS)}.")
    assert ("no part of the report is called 'grades'" in said) == ("grades" in parts)


def test_a_part_that_is_not_there_is_said_so() -> None:
    status, out, _ = _run(EXAMPLES / "tin_table", "--show", "sizes,worth,values")
    assert status == 0
    assert "Nothing here to show of: sizes, worth." in out
    assert "Measured against adjusted" in out


def test_brief_needs_a_pdf() -> None:
    status, out, err = _run(EXAMPLES / "tin_table", "--brief")
    assert (status, out) == (2, "")
    assert "--brief needs --pdf FILE: the report that it shortens." in err


def test_cells_of_another_unit_stand_in_the_unit_of_their_column(tmp_path: Path) -> None:
    """A grade typed in g/t among percents, a mass in g among kg."""
    shutil.copytree(EXAMPLES / "tin_table", tmp_path / "case")
    table = tmp_path / "case" / "measurements.csv"
    text = table.read_text("utf-8")
    assert ",31.2," in text and ",420," in text
    table.write_text(text.replace(",31.2,", ",312000 g/t,").replace(",420,", ",0.42 kg,"), "utf-8")
    case = read_case(tmp_path / "case")
    found = reconcile(case.circuit, case.survey, feed=case.feeds, products=case.products)
    assert summary(found) == summary(example_balance("tin_table"))
