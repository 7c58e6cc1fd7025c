"""Names of flows that their unit makes plain: 'solids [t/h]' is a dry rate, 'wet t/h' a wet one."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from often import often

from oretally.flowsheet import Dimension, InputError, units_of
from oretally.io import Case, read_case

Read = Callable[..., Case]
_CIRCUIT = """title = "t"
basis = "{basis}"
[streams]
feed = {{ to = "table" }}
conc = {{ from = "table" }}
tails = {{ from = "table" }}
[errors]
Sn = {{ relative = 3 }}
"{flow}" = {{ relative = 1 }}
"""
_ROWS = "feed,25.4,0.82\nconc,0.41,31.2\n"
_DRY = ("dry mass", "dry", "solids", "dry solids", "Dry_mass", "dry weight", "DRY", "drymass")
_FORMS = ("{name} [{unit}]", "{name} ({unit})", "{name}, {unit}", "{name} {unit}")


@pytest.fixture
def case(tmp_path: Path) -> Read:
    """Return a reader of a case with these measurements."""

    def read(rows: str, basis: str = "rate") -> Case:
        flow = "dry rate" if basis == "rate" else "dry mass"
        (tmp_path / "circuit.toml").write_text(_CIRCUIT.format(basis=basis, flow=flow), "utf-8")
        (tmp_path / "measurements.csv").write_text(rows, "utf-8")
        return read_case(tmp_path)

    return read


@given(name=st.sampled_from(_DRY), form=st.sampled_from(_FORMS),
       unit=st.sampled_from(units_of(Dimension.RATE)))  # fmt: skip
@settings(max_examples=often(160), deadline=None, derandomize=True)  # fmt: skip
def test_a_dry_mass_in_a_unit_of_rate_is_a_dry_rate(
    case: Read, name: str, form: str, unit: str
) -> None:
    header = form.format(name=name, unit=unit)
    found = case(f'stream,"{header}",Sn [%]\n{_ROWS}').survey
    assert found == case(f"stream,dry rate [{unit}],Sn [%]\n{_ROWS}").survey
    assert found.flow_unit.symbol == unit


@pytest.mark.parametrize("header", ["solids [kg]", "dry kg", "Dry solids (kg)"])
def test_a_unit_of_mass_makes_a_dry_mass(case: Read, header: str) -> None:
    rows = "stream,{},Sn [%]\n" + _ROWS
    found = case(rows.format(header), "batch").survey
    assert found == case(rows.format("dry mass [kg]"), "batch").survey


@pytest.mark.parametrize(
    ("value", "error"),
    [
        ("solids [t/h]", "± solids [rel %]"),
        ("dry t/h", "± dry t/h"),
        ("dry mass [t/h]", "sd of dry mass (rel %)"),
        ("dry weight [t/h]", "± dry_mass [t/h]"),
    ],
)
def test_their_errors_go_with_them(case: Read, value: str, error: str) -> None:
    rows = "stream,{},{},Sn [%]\nfeed,25.4,0.5,0.82\n"
    own = "± dry rate [rel %]" if "rel" in error else "± dry rate [t/h]"
    assert case(rows.format(error, value)).survey == case(rows.format(own, "dry rate [t/h]")).survey


def test_wet_stays_wet(case: Read) -> None:
    rows = "stream,{},moisture [%],± moisture [%],± {}\nfeed,28.2,10,0.1,0.3\n"
    known = case(rows.format("wet rate [t/h]", "wet rate [t/h]"))
    for header in ("wet t/h", "wet mass [t/h]", "Wet [t/h]"):
        assert case(rows.format(header, header)).survey == known.survey
    assert known.survey.measurements[0].value == pytest.approx(0.9 * 28.2)


def test_a_share_of_solids_stays_a_share(case: Read) -> None:
    """Beside each other: the flow of solids has the unit of one, the share its own."""
    with pytest.raises(InputError) as refused:
        case("stream,solids [t/h],± solids [t/h],solids [%],± % solids [%]\nfeed,25.4,1,30,1\n")
    assert [str(f) for f in refused.value.faults] == [
        "measurements.csv, cell D2, stream 'feed', % solids: The % solids goes with nothing: the "
        "dry rate is given as it is.\nTake it out, or give the wet rate in place of the dry rate."
    ]


def test_rows_of_a_long_table(case: Read) -> None:
    rows = "stream,quantity,value,unit,error,error unit\nfeed,{},25.4,t/h,0.2,t/h\n"
    known = case(rows.format("dry rate")).survey
    assert [case(rows.format(name)).survey for name in _DRY] == [known] * len(_DRY)


BROKEN = {
    "neither wet nor dry": ("rate", "mass [t/h]",
        "cell B1, mass: 'mass' does not say whether it is wet or dry.\nName it 'dry rate' if it is "
        "dry\nor 'wet rate' if it is wet, and give the moisture."),
    "a mass among rates": ("rate", "dry mass [kg]",
        "cell B1, dry mass: 'dry mass' belongs to the basis \"batch\", but this case has the basis "
        '"rate".\nGive the dry rate,\nor write basis = "batch".'),
    "a rate among masses": ("batch", "dry mass [t/h]",
        "cell B1, dry mass: 't/h' is the unit of a mass rate, but a mass is wanted.\nWrite one "
        "of: mg, g, kg, t, lb, st, lt, ozt."),
    "a mass under a rate": ("batch", "dry rate [kg]",
        "cell B1, dry rate: 'dry rate' belongs to the basis \"rate\", but this case has the basis "
        '"batch".\nGive the dry mass,\nor write basis = "rate".'),
    "a share in t/h": ("rate", "% solids [t/h]",
        "cell B1, % solids: 't/h' is the unit of a mass rate, but a share of the mass is wanted.\n"
        "Write one of: %, g/g."),
    "tons of three kinds": ("rate", "dry tons/h",
        "cell B1, dry rate: 'tons/h' can be read in three ways: t = 1000 kg, st = 907.185 kg, lt = "
        "1016.047 kg.\nWrite t (tonne), st (short ton) or lt (long ton)."),
    "an error of which": ("rate", "solids [t/h],solids [%],± solids [rel %]",
        "cell D1: The header '± solids [rel %]' can be of the dry rate or of the % solids.\n"
        "Write ± dry rate [rel %]\nor ± % solids [rel %]."),
    "the same twice": ("rate", "dry rate [t/h],solids [t/h]",
        "cell C1: The column 'solids [t/h]' is there twice (also B1).\n"
        "Take one out; replicates go into rows of their own."),
}  # fmt: skip


@pytest.mark.parametrize("name", list(BROKEN))
def test_refused(case: Read, name: str) -> None:
    basis, header, message = BROKEN[name]
    with pytest.raises(InputError) as refused:
        case(f"stream,{header},Sn [%]\nfeed,1{',1' * header.count(',')},0.8\n", basis)
    assert str(refused.value.faults[0]) == f"measurements.csv, {message}"
