"""Size data from a table: shares and grades of classes, their stacks, their errors."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import pytest
from balance_cases import only_balanced
from hypothesis import given, settings
from hypothesis import strategies as st
from often import often
from sizes_rows import (
    EXAMPLE,
    GRAM,
    PERCENT,
    ROWS,
    RULES,
    SHARES,
    read_rows,
)

from oretally.flowsheet import (
    Dimension,
    ErrorRule,
    Fault,
    Measurement,
    Place,
)
from oretally.flowsheet.survey import DETECTION_LIMIT, PROPAGATED
from oretally.io.case import read_case
from oretally.io.cli import main
from oretally.io.sizes import SizesReading
from oretally.io.sizes.stacks import SieveClass, crossing_stacks


def by_name(found: SizesReading) -> dict[tuple[str, str], Measurement]:
    return {(m.stream, m.quantity): m for m in found.measurements}


def test_shares_from_masses_with_propagation(tmp_path: Path) -> None:
    found, faults = read_rows(tmp_path, ROWS, {})
    assert not faults
    assert found.grid.openings == (150.0, 75.0)
    m = by_name(found)["feed", "mass in -150+75 um"]
    assert (m.value, str(m.unit), m.unit.dimension) == (30.0, "%", Dimension.SHARE)
    # 0.5 g of 100 g; that all shares add up to 100 % the balance knows
    assert m.sd == pytest.approx(0.5, rel=1e-12) and found.stacks == {"feed"}
    assert (m.error_source, m.typed, m.note) == (PROPAGATED, False, "from 30 g of 100 g")
    assert str(m.place) == "sizes.csv, cell D3, stream 'feed', mass in -150+75 um"


def test_grades_of_classes(tmp_path: Path) -> None:
    found, faults = read_rows(tmp_path, ROWS, {})
    assert not faults
    named = by_name(found)
    m = named["feed", "Pb in +150 um"]
    assert (m.value, str(m.unit), m.sd, m.error_source) == (2.0, "%", 0.08, "row")
    low = named["feed", "Pb in -75 um"]
    assert (low.value, low.error_source) == (0.025, DETECTION_LIMIT)
    assert low.sd == pytest.approx(0.05 / 12**0.5)
    assert found.notes == (
        "Pb in -75 um of 'feed' is below detection (< 0.05 %); it enters as 0.025 ± 0.014 %.",
    )


def test_percent_stays_as_given(tmp_path: Path) -> None:
    found, faults = read_rows(tmp_path, SHARES)
    assert not faults and not found.notes
    m = by_name(found)["overflow", "mass in -75 um"]
    assert (m.value, m.error_source, m.note) == (70.0, "quantity", "")
    assert m.sd == pytest.approx(math.hypot(0.7, 0.2), rel=1e-12)


def test_percent_is_scaled_with_a_note(tmp_path: Path) -> None:
    found, faults = read_rows(tmp_path, SHARES.replace("75,0,70,4.1", "75,0,70.4,4.1"))
    assert not faults
    assert found.notes == (
        "The shares of the size classes of 'overflow' add up to 100.4 %; they are scaled to 100 %.",
    )
    of = [m for m in found.measurements if m.stream == "overflow" and "mass" in m.quantity]
    assert math.fsum(m.value for m in of) == pytest.approx(100.0, abs=1e-12)
    assert of[2].value == pytest.approx(70.4 / 1.004, rel=1e-12)
    assert of[2].note == "from 70.4 % of 100.4 %"


@pytest.mark.parametrize(("last", "taken"), [("69", True), ("71", True), ("68.9", False),
                                             ("71.1", False)])  # fmt: skip
def test_sums_at_the_limits(last: str, taken: bool, tmp_path: Path) -> None:
    _, faults = read_rows(tmp_path, SHARES.replace("75,0,70,4.1", f"75,0,{last},4.1"))
    assert (not faults) is taken


@pytest.mark.parametrize(
    ("rule", "sd"),
    [
        # of the share: 1 % of 30 and 0.2
        (ErrorRule(1.0, 0.2, PERCENT), math.hypot(0.3, 0.2)),
        # of the mass: 0.5 g of 100 g
        (ErrorRule(0.0, 0.5, GRAM), 0.5),
        # relative alone: of the mass, 30 g of 100 g
        (ErrorRule(2.0), 0.6),
    ],
)
def test_rules_of_class_mass(rule: ErrorRule, sd: float, tmp_path: Path) -> None:
    text = ROWS.replace(",0.5,3.0", ",,3.0").replace(",1,2.0", ",,2.0").replace(",0.4,<", ",,<")
    found, faults = read_rows(tmp_path, text, {"class mass": rule})
    assert not faults
    assert by_name(found)["feed", "mass in -150+75 um"].sd == pytest.approx(sd, rel=1e-12)


def test_class_grades_go_before_the_rule_of_the_analyte(tmp_path: Path) -> None:
    plain, _ = read_rows(tmp_path, SHARES)
    own, _ = read_rows(tmp_path, SHARES, RULES | {"class grades": ErrorRule(5.0)})
    name = ("feed", "Pb in +150 um")
    assert by_name(plain)[name].sd == pytest.approx(0.06, rel=1e-12)
    assert by_name(own)[name].sd == pytest.approx(0.1, rel=1e-12)
    assert by_name(own)[name].error_source == "quantity"


def test_retained_alone_says_what_was_passed(tmp_path: Path) -> None:
    text = "stream,retained [um],mass [%]\nfeed,150,50\nfeed,75,30\nfeed,pan,20\n"
    found, faults = read_rows(tmp_path, text)
    assert not faults
    assert [m.quantity for m in found.measurements] == [
        "mass in +150 um", "mass in -150+75 um", "mass in -75 um"
    ]  # fmt: skip


def test_a_stack_that_lacks_a_sieve_measures_a_run(tmp_path: Path) -> None:
    text = SHARES.replace("overflow,,150,5,2.1\noverflow,150,75,25,3.1\n",
                          "overflow,,75,30,3.0\n")  # fmt: skip
    found, faults = read_rows(tmp_path, text)
    assert not faults
    assert found.grid.runs == ((0, 1),)
    assert by_name(found)["overflow", "mass in +75 um"].value == 30.0
    assert found.notes == (
        "The stack of 'overflow' lacks sieves that others have: +75 um counts as the sum of the "
        "finer classes.",
    )


def test_several_runs_of_one_stack_are_told_in_the_plural(tmp_path: Path) -> None:
    """Invented: the overflow lacks two of the feed's sieves, one above and one below 75 um."""
    text = SHARES.replace("feed,75,0,20,4.0\n", "feed,75,38,12,4.0\nfeed,38,0,8,4.5\n")
    text = text.replace("overflow,,150,5,2.1\noverflow,150,75,25,3.1\n",
                        "overflow,,75,30,3.0\n")  # fmt: skip
    found, faults = read_rows(tmp_path, text)
    assert not faults
    assert found.notes == (
        "The stack of 'overflow' lacks sieves that others have: +75 um and -75 um count each as "
        "the sum of the finer classes.",
    )


@given(st.sets(st.sampled_from([300.0, 150.0, 75.0, 38.0, 20.0]), min_size=2), st.data())
@settings(max_examples=40)
def test_a_coarser_stack_never_crosses(openings: set[float], data: st.DataObject) -> None:
    """Any choice of one stack's own sieves holds whole classes of it."""
    fewer = data.draw(st.sets(st.sampled_from(sorted(openings)), min_size=1))
    faults: list[Fault] = []
    crossing_stacks({"feed": _stack(openings), "overflow": _stack(fewer)}, faults)
    assert not faults


@given(st.sets(st.sampled_from([300.0, 150.0, 75.0]), min_size=1),
       st.sets(st.sampled_from([212.0, 106.0, 53.0]), min_size=1))  # fmt: skip
@settings(max_examples=40)
def test_stacks_that_share_no_sieve_cross(one: set[float], other: set[float]) -> None:
    faults: list[Fault] = []
    crossing_stacks({"feed": _stack(one), "overflow": _stack(other)}, faults)
    assert [f.mend for f in faults] == [
        "The two have no sieve in common: sieve one of the two again on sieves of the other\n"
        "or leave the sizes of 'overflow' out."
    ]


def _stack(openings: set[float]) -> list[SieveClass]:
    bounds = [math.inf, *sorted(openings, reverse=True), 0.0]
    return [SieveClass(low, high, (), Place(), ())
            for high, low in zip(bounds, bounds[1:], strict=False)]  # fmt: skip


def test_words_blanks_and_own_units(tmp_path: Path) -> None:
    """Blank is not measured; 'trace' is below the limit stated for the analyte."""
    text = SHARES.replace("50,2.0", "50,").replace("30,3.0", "30,n.s.").replace("20,4.0", "20,tr")
    text = text.replace("25,3.1", "0.25 g/g,31000 ppm")
    found, faults = read_rows(tmp_path, text)
    assert not faults
    named = by_name(found)
    assert ("feed", "Pb in +150 um") not in named and ("feed", "Pb in -150+75 um") not in named
    assert named["feed", "Pb in -75 um"].value == pytest.approx(0.01)
    assert named["overflow", "mass in -150+75 um"].value == pytest.approx(25.0, rel=1e-12)
    assert named["overflow", "Pb in -150+75 um"].value_base == pytest.approx(0.031, rel=1e-12)
    assert found.notes == (
        "Pb in -150+75 um of 'feed' is 'n.s.': no sample was taken; it counts as not measured.",
        "Pb in -75 um of 'feed' is below detection (< 0.02 %); it enters as 0.01 ± 0.0058 %.",
    )


def test_a_stream_that_was_not_sieved_stays_blank(tmp_path: Path) -> None:
    found, faults = read_rows(tmp_path, SHARES + "underflow,,150,,\nunderflow,150,75,,\n")
    assert not faults
    assert {m.stream for m in found.measurements} == {"feed", "overflow"}


def test_headers_say_what_is_assayed(tmp_path: Path) -> None:
    text = SHARES.replace("Pb [%]", "Ag [g/t],± Ag [rel %]").replace("\nfeed", "\nfeed")
    text = "\n".join(line if "Ag" in line else f"{line},5" for line in text.splitlines())
    found, faults = read_rows(tmp_path, text, analytes=())
    assert not faults
    assert [(a.name, str(a.unit)) for a in found.analytes] == [("Ag", "g/t")]


def test_two_columns_of_masses(tmp_path: Path) -> None:
    """One stream weighed in grams, another known in percent."""
    text = (
        "stream,passing [um],retained [um],mass [g],mass [%],± mass [rel %]\n"
        "feed,,75,40,,1\nfeed,75,,60,,1\noverflow,,75,,25,2\noverflow,75,,,75,2\n"
    )
    found, faults = read_rows(tmp_path, text, {})
    assert not faults
    named = by_name(found)
    assert named["overflow", "mass in -75 um"].sd == pytest.approx(1.5, rel=1e-12)
    assert named["feed", "mass in -75 um"].sd == pytest.approx(0.6, rel=1e-12)
    assert found.stacks == {"feed", "overflow"}


FORMS: dict[str, tuple[str, Callable[[float], str]]] = {
    "um": ("um", lambda um: f"{um:g}"),
    "mm": ("mm", lambda um: f"{um / 1000:g}"),
    "mesh": ("ASTM E11", lambda um: {300: "50", 150: "No. 100", 75: "#200", 38: "400"}[int(um)]),
    "ISO": ("ISO 565 R40/3", lambda um: f"{um:g} um"),
    "own unit": ("mm", lambda um: f"{um:g} um"),
}


@settings(derandomize=True, deadline=None, max_examples=often(60))
@given(
    masses=st.lists(st.integers(1, 5000), min_size=5, max_size=5),
    grades=st.lists(st.floats(0.1, 40.0), min_size=5, max_size=5),
)
def test_one_survey_in_every_form(
    tmp_path_factory: pytest.TempPathFactory, masses: list[int], grades: list[float]
) -> None:
    folder = tmp_path_factory.mktemp("forms")
    ends = [300.0, 150.0, 75.0, 38.0]
    total = sum(masses)
    base: dict[tuple[str, str], Measurement] = {}
    for unit, write in FORMS.values():
        for mass, scale in (("g", 1.0), ("kg", 1e-3), ("%", 100.0 / total)):
            lines = [f"stream,passing [{unit}],retained [{unit}],mass [{mass}],Pb [%]"]
            for i in range(5):
                up, low = write(ends[i - 1]) if i else "", write(ends[i]) if i < 4 else ""
                lines.append(f"feed,{up},{low},{masses[i] * scale!r},{grades[i]!r}")
            found, faults = read_rows(folder, "\n".join(lines))
            assert not faults
            named = by_name(found)
            base = base or named
            assert found.grid.openings == tuple(ends)
            assert named.keys() == base.keys()
            for key, m in named.items():
                assert m.value_base == pytest.approx(base[key].value_base, rel=1e-12)
                assert m.sd_base == pytest.approx(base[key].sd_base, rel=1e-12)


def test_example_finds_the_rates_that_nobody_gauged() -> None:
    """The circuit from which the numbers were drawn has 252.9 t/h to the cyclone."""
    case = read_case(EXAMPLE)
    assert len(case.survey.measurements) == 4 + 5 * 6 + 3 * 6
    balance = only_balanced(case.circuit, case.survey, feed=case.feed, products=case.products)
    rate = {v.stream: v for v in balance.values if v.quantity == "dry rate"}
    found = rate["cyclone feed"]
    assert found.measured is None
    assert found.adjusted is not None and found.adjusted_sd is not None
    assert abs(found.adjusted - 252.9) < 3.0 * found.adjusted_sd < 25.0
    assert balance.global_test.consistent


def test_example_through_the_command_line(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        main(["balance", str(EXAMPLE), "--full"])
    shown = capsys.readouterr()
    assert not stop.value.code
    assert "measured      52 numbers, 52 of them checked by others" in shown.out
    assert "The numbers agree within their stated errors" in shown.out
    assert ("The shares of the size classes of 'fresh feed' add up to 100.1 %; they are scaled to "
            "100 %.") in " ".join(shown.out.split())  # fmt: skip
