"""Size data from a table: shares and grades of classes, propagation, whole messages."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oretally.flowsheet import (
    Analyte,
    Dimension,
    ErrorModel,
    ErrorRule,
    Fault,
    InputError,
    Measurement,
    Place,
    Stream,
    parse_unit,
)
from oretally.flowsheet.circuit import Content
from oretally.flowsheet.survey import DETECTION_LIMIT, PROPAGATED
from oretally.io.case import read_case
from oretally.io.cli import main
from oretally.io.definition import DefinitionRows, define
from oretally.io.forms.case_workbook import case_workbook
from oretally.io.sizes import SizesReading, read_sizes, sizes_table
from oretally.io.sizes.stacks import SieveClass, crossing_stacks
from oretally.recon import reconcile

EXAMPLE = Path(__file__).resolve().parents[2] / "examples" / "grinding_by_size"
STREAMS = [
    Stream("feed", None, "cyclone"), Stream("overflow", "cyclone", None),
    Stream("underflow", "cyclone", None),
    Stream("wash water", None, "cyclone", content=Content.SOLUTION),
]  # fmt: skip
ROWS_OF_CASE = DefinitionRows(
    basis="batch", water=(True, Place()), streams=STREAMS, kinds=[("cyclone", "separator", Place())]
)
DEFINITION, _ = define(ROWS_OF_CASE)
PERCENT, GRAM = parse_unit("%", Dimension.SHARE), parse_unit("g")
LEAD = (Analyte("Pb", parse_unit("%"), detection=0.0002),)
RULES = {"class mass": ErrorRule(1.0, 0.2, PERCENT), "pb": ErrorRule(3.0)}
# invented: one stream, three classes
ROWS = """\
stream,passing [um],retained [um],mass [g],± mass [g],Pb [%],± Pb [rel %],note
feed,,150,50,1,2.0,4,
feed,150,75,30,0.5,3.0,4,
feed,75,,20,0.4,<0.05,,slimes
"""
# invented: two streams in percent
SHARES = """\
stream,passing [um],retained [um],mass [%],Pb [%]
feed,,150,50,2.0
feed,150,75,30,3.0
feed,75,0,20,4.0
overflow,,150,5,2.1
overflow,150,75,25,3.1
overflow,75,0,70,4.1
"""


def read(
    folder: Path, text: str, rules: dict[str, ErrorRule] | None = None,
    analytes: Sequence[Analyte] = LEAD, in_doubt: frozenset[str] = frozenset(),
) -> tuple[SizesReading, list[str]]:  # fmt: skip
    (folder / "sizes.csv").write_text(text, "utf-8")
    faults: list[Fault] = []
    table = sizes_table(folder, faults)
    if table is None:
        return SizesReading(), [str(fault) for fault in faults]
    definition = replace(
        DEFINITION, analytes=tuple(analytes), rules_in_doubt=in_doubt,
        errors=ErrorModel(RULES if rules is None else rules),
    )  # fmt: skip
    found = read_sizes(table, definition, faults)
    return found, [str(fault) for fault in faults]


def by_name(found: SizesReading) -> dict[tuple[str, str], Measurement]:
    return {(m.stream, m.quantity): m for m in found.measurements}


# ---- what is read


def test_shares_from_masses_with_propagation(tmp_path: Path) -> None:
    found, faults = read(tmp_path, ROWS, {})
    assert not faults
    assert found.grid.openings == (150.0, 75.0)
    m = by_name(found)["feed", "mass in -150+75 um"]
    assert (m.value, str(m.unit), m.unit.dimension) == (30.0, "%", Dimension.SHARE)
    # 0.5 g of 100 g; that all shares add up to 100 % the balance knows
    assert m.sd == pytest.approx(0.5, rel=1e-12) and found.stacks == {"feed"}
    assert (m.error_source, m.typed, m.note) == (PROPAGATED, False, "from 30 g of 100 g")
    assert str(m.place) == "sizes.csv, cell D3, stream 'feed', mass in -150+75 um"


def test_grades_of_classes(tmp_path: Path) -> None:
    found, faults = read(tmp_path, ROWS, {})
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
    found, faults = read(tmp_path, SHARES)
    assert not faults and not found.notes
    m = by_name(found)["overflow", "mass in -75 um"]
    assert (m.value, m.error_source, m.note) == (70.0, "quantity", "")
    assert m.sd == pytest.approx(math.hypot(0.7, 0.2), rel=1e-12)


def test_percent_is_scaled_with_a_note(tmp_path: Path) -> None:
    found, faults = read(tmp_path, SHARES.replace("75,0,70,4.1", "75,0,70.4,4.1"))
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
    _, faults = read(tmp_path, SHARES.replace("75,0,70,4.1", f"75,0,{last},4.1"))
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
    found, faults = read(tmp_path, text, {"class mass": rule})
    assert not faults
    assert by_name(found)["feed", "mass in -150+75 um"].sd == pytest.approx(sd, rel=1e-12)


def test_class_grades_go_before_the_rule_of_the_analyte(tmp_path: Path) -> None:
    plain, _ = read(tmp_path, SHARES)
    own, _ = read(tmp_path, SHARES, RULES | {"class grades": ErrorRule(5.0)})
    name = ("feed", "Pb in +150 um")
    assert by_name(plain)[name].sd == pytest.approx(0.06, rel=1e-12)
    assert by_name(own)[name].sd == pytest.approx(0.1, rel=1e-12)
    assert by_name(own)[name].error_source == "quantity"


def test_retained_alone_says_what_was_passed(tmp_path: Path) -> None:
    text = "stream,retained [um],mass [%]\nfeed,150,50\nfeed,75,30\nfeed,pan,20\n"
    found, faults = read(tmp_path, text)
    assert not faults
    assert [m.quantity for m in found.measurements] == [
        "mass in +150 um", "mass in -150+75 um", "mass in -75 um"
    ]  # fmt: skip


def test_a_stack_that_lacks_a_sieve_measures_a_run(tmp_path: Path) -> None:
    text = SHARES.replace("overflow,,150,5,2.1\noverflow,150,75,25,3.1\n",
                          "overflow,,75,30,3.0\n")  # fmt: skip
    found, faults = read(tmp_path, text)
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
    found, faults = read(tmp_path, text)
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
    found, faults = read(tmp_path, text)
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
    found, faults = read(tmp_path, SHARES + "underflow,,150,,\nunderflow,150,75,,\n")
    assert not faults
    assert {m.stream for m in found.measurements} == {"feed", "overflow"}


def test_headers_say_what_is_assayed(tmp_path: Path) -> None:
    text = SHARES.replace("Pb [%]", "Ag [g/t],± Ag [rel %]").replace("\nfeed", "\nfeed")
    text = "\n".join(line if "Ag" in line else f"{line},5" for line in text.splitlines())
    found, faults = read(tmp_path, text, analytes=())
    assert not faults
    assert [(a.name, str(a.unit)) for a in found.analytes] == [("Ag", "g/t")]


def test_two_columns_of_masses(tmp_path: Path) -> None:
    """One stream weighed in grams, another known in percent."""
    text = (
        "stream,passing [um],retained [um],mass [g],mass [%],± mass [rel %]\n"
        "feed,,75,40,,1\nfeed,75,,60,,1\noverflow,,75,,25,2\noverflow,75,,,75,2\n"
    )
    found, faults = read(tmp_path, text, {})
    assert not faults
    named = by_name(found)
    assert named["overflow", "mass in -75 um"].sd == pytest.approx(1.5, rel=1e-12)
    assert named["feed", "mass in -75 um"].sd == pytest.approx(0.6, rel=1e-12)
    assert found.stacks == {"feed", "overflow"}


# ---- one survey, however it is written

FORMS: dict[str, tuple[str, Callable[[float], str]]] = {
    "um": ("um", lambda um: f"{um:g}"),
    "mm": ("mm", lambda um: f"{um / 1000:g}"),
    "mesh": ("ASTM E11", lambda um: {300: "50", 150: "No. 100", 75: "#200", 38: "400"}[int(um)]),
    "ISO": ("ISO 565 R40/3", lambda um: f"{um:g} um"),
    "own unit": ("mm", lambda um: f"{um:g} um"),
}


@settings(derandomize=True, deadline=None, max_examples=25)
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
            found, faults = read(folder, "\n".join(lines))
            assert not faults
            named = by_name(found)
            base = base or named
            assert found.grid.openings == tuple(ends)
            assert named.keys() == base.keys()
            for key, m in named.items():
                assert m.value_base == pytest.approx(base[key].value_base, rel=1e-12)
                assert m.sd_base == pytest.approx(base[key].sd_base, rel=1e-12)


# ---- the example, and what sizes tell of the whole


def test_example_finds_the_rates_that_nobody_gauged() -> None:
    """The circuit from which the numbers were drawn has 252.9 t/h to the cyclone."""
    case = read_case(EXAMPLE)
    assert len(case.survey.measurements) == 4 + 5 * 6 + 3 * 6
    balance = reconcile(case.circuit, case.survey, feed=case.feed, products=case.products)
    rate = {v.stream: v for v in balance.values if v.quantity == "dry rate"}
    found = rate["cyclone feed"]
    assert found.measured is None
    assert found.adjusted is not None and found.adjusted_sd is not None
    assert abs(found.adjusted - 252.9) < 3.0 * found.adjusted_sd < 25.0
    assert balance.global_test.consistent


def test_example_through_the_command_line(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        main(["balance", str(EXAMPLE)])
    shown = capsys.readouterr()
    assert not stop.value.code
    assert "measured      52 numbers, 52 of them checked by others" in shown.out
    assert "The numbers agree within their stated errors" in shown.out
    assert ("The shares of the size classes of 'fresh feed' add up to 100.1 %; they are scaled to "
            "100 %.") in " ".join(shown.out.split())  # fmt: skip


def _case(folder: Path, sizes: str = "", circuit: str = "", bulk: str = "") -> Path:
    """Write a grinding circuit whose bulk is measured, with sizes or without."""
    folder.mkdir(exist_ok=True)
    text = circuit or (EXAMPLE / "circuit.toml").read_text("utf-8")
    (folder / "circuit.toml").write_text(text, "utf-8")
    rows = bulk or (
        "stream,dry rate [t/h],Pb [%]\nfresh feed,85.8,3.75\ncyclone feed,250,4.0\n"
        "cyclone overflow,85.4,3.57\ncyclone underflow,,4.3\nmill discharge,,4.2\n"
    )
    (folder / "measurements.csv").write_text(rows, "utf-8")
    (folder / "sizes.csv").unlink(missing_ok=True)
    if sizes:
        (folder / "sizes.csv").write_text(sizes, "utf-8")
    return folder


def _bulk(path: Path) -> dict[tuple[str, str], tuple[float, float]]:
    case = read_case(path)
    balance = reconcile(case.circuit, case.survey, feed=case.feed, products=case.products)
    return {(v.stream, v.quantity): (v.adjusted, v.adjusted_sd or 0.0) for v in balance.values
            if v.quantity in ("dry rate", "Pb") and v.adjusted is not None}  # fmt: skip


@pytest.mark.parametrize("stream", ["fresh feed", "cyclone underflow"])
def test_shares_of_one_stream_leave_the_bulk_as_it_is(stream: str, tmp_path: Path) -> None:
    """Nothing else is sieved: they say nothing of flows and grades, in three classes or in two."""
    without = _bulk(_case(tmp_path / "a"))
    head = "stream,passing [um],retained [um],mass [%]\n"
    three = f"{head}{stream},,150,50\n{stream},150,75,30\n{stream},75,,20\n"
    two = f"{head}{stream},,75,80\n{stream},75,,20\n"
    for text in (three, two):
        found = _bulk(_case(tmp_path / "a", text))
        assert found.keys() == without.keys() and len(found) == 10
        for key, (value, sd) in found.items():
            assert value == pytest.approx(without[key][0], rel=1e-7), key
            assert sd == pytest.approx(without[key][1], rel=1e-5), key


def test_merged_classes_leave_the_bulk_within_its_error(tmp_path: Path) -> None:
    """The two coarsest classes of the example made one: less is known, nothing else is found."""
    lines = (EXAMPLE / "sizes.csv").read_text("utf-8").splitlines()
    merged = [lines[0]]
    rows = [line.split(",") for line in lines[1:]]
    for a, b in zip(rows, rows[1:], strict=False):
        if a[1] == "":  # the coarsest of its stream, and the next
            mass = float(a[3]) + float(b[3])
            grade = ""
            if a[4]:
                grade = repr((float(a[3]) * float(a[4]) + float(b[3]) * float(b[4])) / mass)
            merged.append(f"{a[0]},,{b[2]},{mass!r},{grade}")
        elif a[1] != "50":
            merged.append(",".join(a))
    merged.append(",".join(rows[-1]))
    assert len(merged) == 1 + 5 * 5
    bulk = (EXAMPLE / "measurements.csv").read_text("utf-8")
    one = _bulk(EXAMPLE)
    two = _bulk(_case(tmp_path / "b", "\n".join(merged), bulk=bulk))
    assert one.keys() == two.keys()
    for key, (value, sd) in two.items():
        assert abs(value - one[key][0]) < sd, key
    assert two["cyclone feed", "dry rate"][1] > one["cyclone feed", "dry rate"][1]


def test_a_sheet_of_a_workbook(tmp_path: Path) -> None:
    names = ("circuit.toml", "measurements.csv", "sizes.csv")
    circuit, bulk, sizes = ((EXAMPLE / name).read_text("utf-8") for name in names)
    path = tmp_path / "case.xlsx"
    path.write_bytes(case_workbook(circuit, bulk, sizes=sizes))
    assert read_case(path).survey == read_case(EXAMPLE).survey
    book = openpyxl.load_workbook(path)
    book["sizes"]["D3"] = -1
    book.save(path)
    with pytest.raises(InputError) as stop:
        read_case(path)
    assert str(stop.value) == (
        "case.xlsx, sheet 'sizes', cell D3, stream 'fresh feed', mass in -300+150 um: The mass of "
        "a class is -1 %; it cannot be negative.\n"
        "Correct it; a tare taken off twice makes small masses negative."
    )


# ---- what is refused

# invented: feed and underflow on 300, 150 and 75 um, the overflow on 212 and 75 um
CROSSING = """\
stream,passing [um],retained [um],mass [%],Pb [%]
feed,,300,20,1.0
feed,300,150,30,1.5
feed,150,75,25,2.5
feed,75,,25,3.5
overflow,,212,5,0.55
overflow,212,75,35,1.4
overflow,75,,60,3.1
underflow,,300,30,1.02
underflow,300,150,42,1.6
underflow,150,75,20,3.2
underflow,75,,8,5.0
"""

NO_MASS = "without it the shares of all are not known."
FAULTS = {
    "reversed": (
        SHARES.replace("feed,150,75,30", "feed,75,150,30"),
        "sizes.csv, cell C3, stream 'feed': The class passed 75 um and was retained on 150 um, "
        "which is coarser.\nExchange them: passing 150 um, retained 75 um.",
    ),
    "numbers of sieves": (
        "stream,passing [um],retained [um],mass [%]\nfeed,,100,30\nfeed,100,200,70\n",
        "sizes.csv, cell C3, stream 'feed': The class passed 100 um and was retained on 200 um, "
        "which is coarser.\nName the columns [ASTM E11] if these are numbers of sieves\n"
        "or exchange them: passing 200 um, retained 100 um.",
    ),
    "the same": (
        SHARES.replace("feed,150,75,30", "feed,75,75,30"),
        "sizes.csv, cell C3, stream 'feed': The class passed 75 um and was retained on the same.\n"
        "Correct one of the two openings.",
    ),
    "overlap": (
        SHARES.replace("feed,75,0,20", "feed,106,0,20"),
        "sizes.csv, cell C4, stream 'feed': The classes -150+75 um and -106 um of 'feed' overlap.\n"
        "Each class passes the sieve that retained the one above it: here 75 um.",
    ),
    "crossing stacks": (
        CROSSING,
        "sizes.csv, cell C6, stream 'overflow': The stacks of 'overflow' and 'feed' cross: +212 um "
        "of 'overflow' holds a part of -300+150 um of 'feed' (cell C3), and nothing says how "
        "much.\nIn 'overflow' add together the classes between the sieves that both have (75 um): "
        "+212 um and -212+75 um to +75 um\nor leave the sizes of 'overflow' out.",
    ),
    "the stack that most streams have stays": (
        "\n".join([CROSSING.split("\n")[0], *CROSSING.split("\n")[5:8],
                   *CROSSING.split("\n")[1:5], *CROSSING.split("\n")[8:]]),
        "sizes.csv, cell C2, stream 'overflow': The stacks of 'overflow' and 'feed' cross: +212 um "
        "of 'overflow' holds a part of -300+150 um of 'feed' (cell C6), and nothing says how "
        "much.\nIn 'overflow' add together the classes between the sieves that both have (75 um): "
        "+212 um and -212+75 um to +75 um\nor leave the sizes of 'overflow' out.",
    ),
    "crossing stacks in two places": (
        "stream,passing [um],retained [um],mass [%]\nfeed,,300,10\nfeed,300,150,10\n"
        "feed,150,75,10\nfeed,75,38,10\nfeed,38,,60\noverflow,,212,20\noverflow,212,150,10\n"
        "overflow,150,106,10\noverflow,106,53,10\noverflow,53,45,10\noverflow,45,,40\n",
        "sizes.csv, cell C7, stream 'overflow': The stacks of 'overflow' and 'feed' cross: +212 um "
        "of 'overflow' holds a part of -300+150 um of 'feed' (cell C3), and nothing says how "
        "much.\nIn 'overflow' add together the classes between the sieves that both have (150 "
        "um): +212 um and -212+150 um to +150 um; -150+106 um, -106+53 um, -53+45 um and -45 um "
        "to -150 um\nor leave the sizes of 'overflow' out.",
    ),
    "gap": (
        SHARES.replace("feed,75,0,20", "feed,38,0,20"),
        "sizes.csv, cell C4, stream 'feed': Between -150+75 um and -38 um of 'feed' the class "
        "-75+38 um is missing.\nAdd its row, or correct the openings.",
    ),
    "no pan": (
        SHARES.replace("feed,75,0,20,4.0\n", ""),
        "sizes.csv, cell C3, stream 'feed': The finest class of 'feed' is -150+75 um: what passed "
        "75 um is missing.\nAdd the row of the pan: passing 75 um, retained blank.",
    ),
    "no top": (
        SHARES.replace("feed,,150", "feed,300,150"),
        "sizes.csv, cell C2, stream 'feed': Nothing says what is coarser than 300 um in 'feed'.\n"
        "Add the row of what stayed on that sieve: retained 300 um, passing blank (mass 0 if "
        "nothing did)\nor leave the passing of -300+150 um blank: then it is all that stayed on "
        "150 um.",
    ),
    "one class": (
        SHARES.replace("feed,150,75,30,3.0\nfeed,75,0,20,4.0\n", ""),
        "sizes.csv, cell C2, stream 'feed': 'feed' has one class only, +150 um.\n"
        "Give a row for each class of the stack, from what stayed on the coarsest sieve to what "
        "passed the finest.",
    ),
    "one sieve in two ways": (
        SHARES.replace("overflow,150,75,", "overflow,150,74,").replace("flow,75,0", "flow,74,0"),
        "sizes.csv, cell C6, stream 'overflow': The opening is 74 um here and 75 um in cell C3 "
        "(stream 'feed'). They differ by 1.4 %, less than two sieves do: it is likely one sieve, "
        "written in two ways.\nWrite the same opening in both: 75 um is a sieve of ASTM E11, the "
        "other is not.",
    ),
    "no mass": (
        SHARES.replace("feed,150,75,30,3.0", "feed,150,75,,3.0"),
        "sizes.csv, cell D3, stream 'feed': The class -150+75 um of 'feed' has no mass, but an "
        f"assay of Pb.\nEnter it, 0 if nothing stayed on the sieve: {NO_MASS} The others add up to "
        "70 %.",
    ),
    "no mass in grams": (
        ROWS.replace("feed,150,75,30,0.5,3.0,4", "feed,150,75,,,,"),
        "sizes.csv, cell D3, stream 'feed': The class -150+75 um of 'feed' has no mass.\n"
        f"Enter it, 0 if nothing stayed on the sieve: {NO_MASS}",
    ),
    "an assay of nothing": (
        SHARES.replace("feed,,150,50,2.0", "feed,,150,0,2.0").replace("75,0,20,", "75,0,70,"),
        "sizes.csv, cell E2, stream 'feed', Pb in +150 um: The class has the mass 0, but an "
        "assay.\nClear the assay, or correct the mass.",
    ),
    "unknown stream": (
        SHARES.replace("overflow", "overflw"),
        "sizes.csv, cell A5: There is no stream 'overflw' in the circuit.\n"
        "Did you mean 'overflow'?",
    ),
    "solution": (
        SHARES.replace("overflow", "wash water"),
        "sizes.csv, cell A5: The stream 'wash water' is a solution: it has no solids to be "
        'sieved.\nTake its rows out, or correct its content in the circuit to "pulp".',
    ),
    "nameless row": (
        SHARES.replace("overflow,,150", ",,150"),
        "sizes.csv, cell C5: The row names no stream.\nWrite the stream, or clear the row.\n\n"
        "sizes.csv, cell C6, stream 'overflow': Nothing says what is coarser than 150 um in "
        "'overflow'.\nAdd the row of what stayed on that sieve: retained 150 um, passing blank "
        "(mass 0 if nothing did)\nor leave the passing of -150+75 um blank: then it is all that "
        "stayed on 75 um.",
    ),
    "unknown analyte": (
        SHARES.replace("Pb [%]", "Zn [%]"),
        "sizes.csv, cell E1: 'Zn' is no analyte of this case.\n"
        "Analytes: Pb. List a new one under [analytes].",
    ),
    "no unit": (
        SHARES.replace("mass [%]", "mass"),
        "sizes.csv, cell D1, mass: A mass stands without a unit.\n"
        "Write one of: mg, g, kg, t, lb, st, lt, ozt.\nFor shares write mass [%].",
    ),
    "no unit of a grade": (
        SHARES.replace("Pb [%]", "Pb"),
        "sizes.csv, cell E1, Pb: A grade stands without a unit.\nWrite one of: %, g/g, g/kg, kg/t, "
        "g/t, mg/kg, ppm, ppb, lb/st, lb/t, lb/lt, ozt/st, ozt/t, ozt/lt.",
    ),
    "no unit of sizes": (
        SHARES.replace("retained [um]", "retained"),
        "sizes.csv, cell C1: The sizes stand without a unit.\n"
        "Write retained [um] or [mm] for openings\nor the series of the designations: [ASTM E11], "
        "[ISO 565 R20/3], [ISO 565 R40/3].",
    ),
    "mesh without series": (
        SHARES.replace("retained [um]", "retained [mesh]"),
        "sizes.csv, cell C1: 'mesh' does not say of which series: ASTM E11, Tyler and BS 410 "
        "number sieves differently.\nWrite retained [um] or [mm] for openings\nor the series of "
        "the designations: [ASTM E11], [ISO 565 R20/3], [ISO 565 R40/3].",
    ),
    "mesh in a cell": (
        SHARES.replace("feed,,150,50", "feed,,100 mesh,50"),
        "sizes.csv, cell C2, stream 'feed', retained: '100 mesh' is a sieve number without a "
        "series, and ASTM E11, Tyler and BS 410 number sieves differently; as ASTM E11 No. 100 it "
        "is 150 um.\nWrite the opening, '150 um', or give the series 'ASTM E11' if that is meant.",
    ),
    "another series": (
        SHARES.replace("retained [um]", "retained [Tyler]"),
        "sizes.csv, cell C1: 'Tyler' is not a unit known here.\nWrite um or mm for openings\n"
        "or a series of designations: [ASTM E11], [ISO 565 R20/3], [ISO 565 R40/3].",
    ),
    "not of the series": (
        "stream,retained [ASTM E11],mass [%]\nfeed,74 um,50\nfeed,,50\n",
        "sizes.csv, cell B2, stream 'feed', retained: The opening 74 um is none of ASTM E11.\n"
        "Write the sieve that was used; the nearest is 75 um\nor name the column retained [um].",
    ),
    "negative opening": (
        SHARES.replace("feed,150,75,30", "feed,150,-75,30"),
        "sizes.csv, cell C3, stream 'feed', retained: The opening is -75 um; an opening is above "
        "0.\nWrite the opening of the sieve, or leave the cell blank for the finest class.",
    ),
    "passing 0": (
        SHARES.replace("feed,150,75,30", "feed,0,75,30"),
        "sizes.csv, cell B3, stream 'feed', passing: What passed has the opening 0 um; an opening "
        "is above 0.\nWrite the opening of the sieve, or leave the cell blank for the coarsest "
        "class.",
    ),
    "no opening": (
        SHARES.replace("feed,150,75,30", "feed,150,seventy,30"),
        "sizes.csv, cell C3, stream 'feed', retained: 'seventy' is not the opening or the "
        "designation of one sieve.\nWrite a number (with a point for decimals) and a unit, for "
        "example '75 um' or '0.075 mm', or a designation and its series, for example '200' and "
        "'ASTM E11'.",
    ),
    "huge opening": (
        SHARES.replace("feed,,150,50", "feed,,1e300,50"),
        "sizes.csv, cell C2, stream 'feed', retained: The opening is 1e300 um; no sieve has "
        "that.\nCorrect it or its unit.",
    ),
    "negative mass": (
        SHARES.replace("feed,150,75,30", "feed,150,75,-30"),
        "sizes.csv, cell D3, stream 'feed', mass in -150+75 um: The mass of a class is -30 %; it "
        "cannot be negative.\nCorrect it; a tare taken off twice makes small masses negative.",
    ),
    "negative grade": (
        SHARES.replace("30,3.0", "30,-3.0"),
        "sizes.csv, cell E3, stream 'feed', Pb in -150+75 um: The grade is -3 %; it cannot be "
        "negative.\nCorrect it, or leave the cell blank if it was not measured.",
    ),
    "more than the whole": (
        SHARES.replace("30,3.0", "30,103"),
        "sizes.csv, cell E3, stream 'feed', Pb in -150+75 um: The grade is 103 %, more than the "
        "whole (100 %).\nCorrect the value or its unit.",
    ),
    "sum too small": (
        SHARES.replace("75,0,20,", "75,0,2,"),
        "sizes.csv, cell D2, stream 'feed', mass in +150 um: The shares of the 3 classes of 'feed' "
        "add up to 82 %; 18 % of the whole are missing.\nCorrect them: each share is that of the "
        "class by itself, not cumulative\nor give the masses as weighed, mass [g].",
    ),
    "sum too large": (
        SHARES.replace("75,0,20,", "75,0,100,"),
        "sizes.csv, cell D2, stream 'feed', mass in +150 um: The shares of the 3 classes of 'feed' "
        "add up to 180 %; that is 80 % too much.\nCorrect them: each share is that of the class by "
        "itself, not cumulative\nor give the masses as weighed, mass [g].",
    ),
    "nothing at all": (
        ROWS.replace("50,1,2.0,4", "0,1,,").replace("30,0.5,3.0,4", "0,1,,")
        .replace("20,0.4,<0.05", "0,1,"),
        "sizes.csv, cell D2, stream 'feed', mass in +150 um: All classes of 'feed' have the mass "
        "0.\nEnter what was weighed, or clear the rows.",
    ),
    "twice": (
        SHARES.replace("feed,150,75,30,3.0\n", "feed,150,75,15,3.0\nfeed,150,75,15,3.2\n"),
        "sizes.csv, cell C4, stream 'feed': The class -150+75 um of 'feed' is there twice (also "
        "cell C3). Replicates of a screening are not read.\nGive one row a class: the masses added "
        "up, or those of one screening.",
    ),
    "masses and percent": (
        "stream,retained [um],mass [g],mass [%]\nfeed,75,12,\nfeed,,,88\n",
        "sizes.csv, cell D3, stream 'feed', mass in -75 um: This class of 'feed' has a share in "
        "percent, others have a mass.\nGive one of the two for all classes of a stream: here the "
        "mass.",
    ),
    "mass and percent in one row": (
        "stream,retained [um],mass [g],mass [%]\nfeed,75,12,12\nfeed,,,88\n",
        "sizes.csv, cell D2, stream 'feed', mass in +75 um: Both mass [g] and mass [%] are given.\n"
        "Take one of them out.",
    ),
    "not from coarse to fine": (
        "stream,retained [um],mass [%]\nfeed,75,50\nfeed,150,30\nfeed,,20\n",
        "sizes.csv, cell B3, stream 'feed': The rows of 'feed' do not stand from coarse to fine, "
        "and nothing else says what each class passed.\nPut them from coarse to fine, or add the "
        "column passing [um].",
    ),
    "cumulative": (
        SHARES.replace("Pb [%]", "cum passing [%]"),
        "sizes.csv, cell E1: 'cum passing' looks cumulative; what is read is the mass of each "
        "class by itself.\nGive the column mass [g] or mass [%]: what stayed on each sieve.",
    ),
    "wet": (
        SHARES.replace("mass [%]", "wet mass [g]"),
        "sizes.csv, cell D1: A size class is weighed dry here: its moisture is not known.\n"
        "Dry the classes, weigh them, and name the column mass [g].",
    ),
    "no retained": (
        "stream,passing [um],mass [%]\nfeed,,50\nfeed,75,50\n",
        "sizes.csv: The column 'retained' is missing.\nColumns: stream, passing [um], retained "
        "[um], mass [g] or mass [%], and for each analyte one such as Pb [%], each with its ± "
        "column.",
    ),
    "a column twice": (
        SHARES.replace("Pb [%]", "dry mass [%]"),
        "sizes.csv, cell E1: The column 'dry mass [%]' is there twice.\nTake one out.",
    ),
    "a stray error column": (
        ROWS.replace("± mass [g]", "± mass [%]"),
        "sizes.csv, cell E1: The error column '± mass [%]' has no column to go with it.\n"
        "Write ± mass [g] for an error in g\nor ± mass [rel %] for one in percent of the value.",
    ),
    "an error alone": (
        ROWS.replace("0.5,3.0,4", "0.5,,4"),
        "sizes.csv, cell G3, stream 'feed', Pb in -150+75 um: There is an error but no value.\n"
        "Enter the value, or clear the error.",
    ),
    "an error of 0": (
        ROWS.replace("30,0.5,", "30,0,"),
        "sizes.csv, cell E3, stream 'feed', mass in -150+75 um: The stated error is 0; it must be "
        "above 0.\nEnter one standard deviation, or leave the cell blank.",
    ),
    "below what": (
        SHARES.replace("30,3.0", "<30,3.0"),
        "sizes.csv, cell D3, stream 'feed', mass in -150+75 um: The mass of a class is <30: "
        "weighed it is a number.\nWeigh it; write 0 if nothing stayed on the sieve.",
    ),
    "a word with two meanings": (
        SHARES.replace("30,3.0", "30,n.d."),
        "sizes.csv, cell E3, stream 'feed', Pb in -150+75 um: 'n.d.' can be read as not detected "
        "or as not determined.\nWrite <0.01 (the limit) for not detected\nor leave the cell blank "
        "for not determined.",
    ),
    "no number": (
        SHARES.replace("30,3.0", "30,three"),
        "sizes.csv, cell E3, stream 'feed', Pb in -150+75 um: The value is 'three', not a number.\n"
        "Write a number, or leave the cell blank if it was not measured.",
    ),
    "a unit of something else": (
        SHARES.replace("30,3.0", "30,3 kg"),
        "sizes.csv, cell E3, stream 'feed', Pb in -150+75 um: 'kg' is the unit of a mass, but a "
        "grade is wanted.\nWrite one of: %, g/g, g/kg, kg/t, g/t, mg/kg, ppm, ppb, lb/st, lb/t, "
        "lb/lt, ozt/st, ozt/t, ozt/lt.",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", FAULTS)
def test_whole_messages(name: str, tmp_path: Path) -> None:
    text, message = FAULTS[name]
    found, faults = read(tmp_path, text)
    assert "\n\n".join(faults) == message
    assert not found.measurements


def test_no_error_is_never_invented(tmp_path: Path) -> None:
    _, faults = read(tmp_path, SHARES, {})
    assert faults == [
        "sizes.csv, cell D2, stream 'feed', mass in +150 um: No error is stated (and for 5 more "
        "below it).\nEnter it beside the value (column ± mass [%] or [rel %])\nor state a rule: "
        '[errors] "class mass" = { relative = 1, absolute = "0.2 %" } (a usual figure; common '
        "practice, no source).",
        "sizes.csv, cell E2, stream 'feed', Pb in +150 um: No error is stated (and for 5 more "
        "below it).\nEnter it beside the value (column ± Pb [%] or [rel %])\nor state a rule: "
        '[errors] Pb = { relative = 3 }, or "class grades" = { relative = 5 } (a usual figure; '
        "common practice, no source).",
    ]
    for doubt in (frozenset({"class mass", "pb"}), frozenset({"class mass", "class grades"}),
                  frozenset("*")):  # fmt: skip
        assert read(tmp_path, SHARES, {}, in_doubt=doubt)[1] == []


def test_an_error_of_a_mass_for_shares(tmp_path: Path) -> None:
    rules = RULES | {"class mass": ErrorRule(0.0, 0.5, GRAM)}
    _, faults = read(tmp_path, SHARES.split("overflow")[0], rules)
    assert len(faults) == 3
    assert faults[0] == (
        "sizes.csv, cell D2, stream 'feed', mass in +150 um: The error of 'class mass' is stated "
        "in g, but the masses of this stream are given in percent of the whole.\n"
        'State it as a share, for example absolute = "0.3 %".'
    )


def test_a_relative_error_of_nothing(tmp_path: Path) -> None:
    text = "stream,retained [um],mass [%]\nfeed,75,0\nfeed,,100\n"
    _, faults = read(tmp_path, text, {"class mass": ErrorRule(2.0)})
    assert faults == [
        "sizes.csv, cell C2, stream 'feed', mass in +75 um: The value is 0 and its error is stated "
        "in percent of the value, which is 0 too.\nState an absolute error for it."
    ]


def _errors(tmp_path: Path, rules: str) -> list[str]:
    circuit = (EXAMPLE / "circuit.toml").read_text("utf-8")
    start, end = circuit.index("[errors]"), circuit.index("[report]")
    text = circuit[:start] + rules + circuit[end:]
    path = _case(tmp_path / "c", (EXAMPLE / "sizes.csv").read_text("utf-8"), text)
    try:
        read_case(path)
    except InputError as error:
        return [str(fault) for fault in error.faults]
    return []


GOOD = '[errors]\n"dry rate" = { relative = 1 }\nPb = { relative = 2 }\n'


def test_rules_of_classes_are_quantities(tmp_path: Path) -> None:
    assert _errors(tmp_path, f'{GOOD}"class mass" = {{ absolute = "0.3 %" }}\n') == []
    assert _errors(tmp_path, f'{GOOD}"class masses" = {{ absolute = "0.3 %" }}\n')[0] == (
        "circuit.toml, line 22, class masses: An error is stated for 'class masses', which is no "
        "quantity of this case (basis \"rate\").\nDid you mean 'class mass'?"
    )
    assert _errors(tmp_path, f'{GOOD}"class mass" = {{ absolute = "3 um" }}\n') == [
        "circuit.toml, line 22, class mass: 'um' is the unit of a length, but a share of the mass "
        "is wanted.\nWrite one of: %, g/g."
    ]
    grams = _errors(tmp_path, f'{GOOD}"class mass" = {{ absolute = "3 g" }}\n')
    assert "The error of 'class mass' is stated in g" in grams[0]


def test_sources_of_classes_are_refused(tmp_path: Path) -> None:
    source = '[sources]\n"screens" = { of = "class mass", relative = 1 }\n'
    assert _errors(tmp_path, f'{GOOD}"class mass" = {{ relative = 2 }}\n{source}') == [
        "circuit.toml, line 24, class mass: An error source is stated for 'class mass'; of size "
        "classes only whole errors are read.\nState the whole error under [errors]."
    ]


def test_all_faults_of_all_files_at_once(tmp_path: Path) -> None:
    path = _case(tmp_path / "d", (EXAMPLE / "sizes.csv").read_text("utf-8").replace("31.3", "-1"))
    text = (path / "measurements.csv").read_text("utf-8").replace("85.8", "many")
    (path / "measurements.csv").write_text(text, "utf-8")
    with pytest.raises(InputError) as stop:
        read_case(path)
    assert [f.place.file for f in stop.value.faults] == ["sizes.csv", "measurements.csv"]
    assert stop.value.faults[0].place == Place(
        file="sizes.csv", cell="D2", stream="fresh feed", quantity="mass in +300 um"
    )


def test_sizes_of_a_leach_feed(tmp_path: Path) -> None:
    """Analytes are spelt as the measurements spell them; a grade of the solution is none."""
    (tmp_path / "circuit.toml").write_text(
        'water = true\nbasis = "batch"\n[streams]\nore = { to = "tank" }\n'
        'pulp = { from = "tank" }\n[nodes]\ntank = { kind = "mixer" }\n[errors]\n'
        '"dry mass" = { relative = 1 }\nwater = { relative = 1 }\nAu = { relative = 5 }\n'
        '"Au in solution" = { relative = 5 }\n"class mass" = { absolute = "0.3 %" }\n',
        "utf-8",
    )
    (tmp_path / "measurements.csv").write_text(
        "stream,dry mass [kg],Au [g/t],water [kg],Au in solution [mg/L]\n"
        "ore,10,3,20,0.1\npulp,10,2.9,20,0.1\n", "utf-8",
    )  # fmt: skip
    sizes = "stream,retained [um],mass [%],au [g/t]\nore,75,40,2\nore,,60,3\n"
    (tmp_path / "sizes.csv").write_text(sizes, "utf-8")
    survey = read_case(tmp_path).survey
    assert [a.name for a in survey.analytes] == ["Au"]
    assert survey.measured("ore", "Au in -75 um") is not None
    assert survey.measured("ore", "Au in solution") is not None
