"""Faulty descriptions of sampling: each message by its whole text."""

from __future__ import annotations

from pathlib import Path

import pytest

from oretally.flowsheet import Fault, Place
from oretally.io.cli import main
from oretally.io.sampling import read_sampling

_PLACE = Place(file="circuit.toml", line=12)
_AT = "circuit.toml, line 12: "
GOOD: dict[str, object] = {
    "top": "2 mm", "mass": "1.5 kg", "lot": "25 kg", "liberation": "0.1 mm",
    "mineral density": "6.9 kg/L", "gangue density": "2.7 kg/L", "mineral grade": "78.77 %",
    "shape": 0.5, "granulometric": 0.25,
}  # fmt: skip
_LENGTHS = "or give the series 'ASTM E11' if that is meant."
_STAGES = ('Write stages = [{ top = "10 mm", mass = "20 kg" }, { top = "1 mm", mass = "500 g" }], '
           "in the order of work\n(in a sheet 20 kg at 10 mm; 500 g at 1 mm).")  # fmt: skip
_ONE = {"top": "10 mm", "mass": "20 kg"}

# name: (what differs from GOOD (None takes it out), the whole message)
BROKEN: dict[str, tuple[dict[str, object], str]] = {
    "mesh without a series": ({"top": "10 mesh"},
        f"{_AT}Top size: '10 mesh' is a sieve number without a series, and ASTM E11, Tyler and "
        "BS 410 number sieves differently; as ASTM E11 No. 10 it is 2000 um.\n"
        f"Write the opening, '2000 um', {_LENGTHS} A series stands in brackets: "
        "'10 mesh [ASTM E11]'."),
    "unknown series": ({"top": "10 mesh [Sieves R Us]"},
        f"{_AT}Top size: 'Sieves R Us' is not a series of sieves known here.\n"
        "Write one of: 'ASTM E11', 'ISO 565 R20/3', 'ISO 565 R40/3'."),
    "size in inches": ({"top": "1/2 in"},
        f"{_AT}Top size: '1/2 in' can be read in two ways: as ASTM E11 1/2 in it is 12500 um, as "
        f"a length 12700 um.\nWrite the opening, '12500 um', {_LENGTHS} A series stands in "
        "brackets: '1/2 in [ASTM E11]'."),
    "size without a unit": ({"top": 10},
        f"{_AT}Top size: '10' is a sieve number without a series, and ASTM E11, Tyler and BS 410 "
        "number sieves differently; as ASTM E11 No. 10 it is 2000 um.\n"
        f"Write the opening, '2000 um', {_LENGTHS} If it is an opening, write its unit: '10 mm' "
        "or '10 um'. A series stands in brackets: '10 [ASTM E11]'."),
    "size of zero": ({"liberation": "0 mm"},
        f"{_AT}Liberation size: The size '0 mm' is not above zero.\nWrite the sieve's opening."),
    "size beyond all": ({"top": "20000 mm"},
        f"{_AT}The top size is 20000 mm; it is between 0.01 um and 10 m.\n"
        'Correct it, as in top = "2 mm".'),
    "nothing said of the top size": ({"top": None},
        f"{_AT}The top size is not stated.\nWrite for example top = \"2 mm\": the opening that "
        "95 % of the mass passes."),
    "nothing said of the liberation": ({"liberation": None},
        f"{_AT}The liberation size is not stated.\nWrite for example liberation = \"0.1 mm\": the "
        "top size below which the mineral is free; 'unknown' takes the largest error."),
    "nothing said of the mineral": ({"mineral grade": None},
        f"{_AT}The grade of the mineral is not stated.\nWrite for example \"mineral grade\" = "
        '"78.77 %": the analyte in its pure mineral, as Sn in cassiterite; 100 % for native '
        "metal."),
    "a formula for the mineral": ({"mineral grade": "SnO2"},
        f"{_AT}The grade of the mineral is 'SnO2'; it is a number with its unit.\n"
        'Write for example "mineral grade" = "78.77 %".'),
    "mineral beyond the whole": ({"mineral grade": "120 %"},
        f"{_AT}The grade of the mineral is 120 %; it must be above 0 and at most 100 %.\n"
        "Give the analyte in its pure mineral, as Sn in cassiterite; 100 % for native metal."),
    "mass without a unit": ({"mass": 1.5},
        f"{_AT}The mass of the sample is '1.5'; it is a number with its unit.\n"
        'Write for example mass = "1.5 kg".'),
    "mass with a comma": ({"mass": "1,5 kg"},
        f"{_AT}The mass of the sample is '1,5 kg', with a comma.\n"
        'Write decimals with a point, nothing between thousands: mass = "1.5 kg".'),
    "ambiguous mass": ({"lot": "2 tons"},
        f"{_AT}Mass of the lot: 'tons' can be read in three ways: t = 1000 kg, st = 907.185 kg, "
        "lt = 1016.047 kg.\nWrite t (tonne), st (short ton) or lt (long ton)."),
    "mass of nothing": ({"mass": "0 kg"},
        f"{_AT}The mass of the sample is 0 kg: it must be above 0.\n"
        "Correct the value or its unit."),
    "endless mass": ({"lot": "1e999 kg"},
        f"{_AT}The mass of the lot is '1e999 kg'; it is a number with its unit.\n"
        'Write for example lot = "25 kg".'),
    "mass beyond all": ({"lot": "1e30 kg"},
        f"{_AT}The mass of the lot is 1e30 kg: more than the whole Earth.\n"
        "Correct the value or its unit."),
    "sample heavier than its lot": ({"mass": "30 kg"},
        f"{_AT}The mass of the sample is 30 kg, more than its lot, 25 kg.\n"
        "Give the dry mass before the split as the lot, the mass kept as mass."),
    "density in a unit of something else": ({"mineral density": "6.9 kg"},
        f"{_AT}Density of the mineral: 'kg' is the unit of a mass, but a density is wanted.\n"
        "Write one of: kg/L, g/cm3, t/m3, kg/m3, g/L, lb/ft3."),
    "density of no mineral": ({"gangue density": "2.7 kg/m3"},
        f"{_AT}The density of the gangue is 2.7 kg/m3; that of grains is between 1 and 23 kg/L.\n"
        "Correct the value or its unit."),
    "shape beyond a cube": ({"shape": 5},
        f"{_AT}The shape factor is 5; it is a number above 0 and at most 1.\n"
        "Leave it out for 0.5, that of most ores."),
    "granulometric factor in words": ({"granulometric": "usual"},
        f"{_AT}The granulometric factor is usual; it is a number above 0 and at most 1.\n"
        "Leave it out for 0.25, that of all sizes below the top size."),
    "misspelt": ({"liberaton": "1 mm"},
        f"{_AT}'liberaton' says nothing about sampling.\nDid you mean 'liberation'?"),
    "something else": ({"colour": "grey"},
        f"{_AT}'colour' says nothing about sampling.\nEntries: top, mass, lot, stages, "
        "liberation, mineral density, gangue density, mineral grade, shape, granulometric."),
    "stages and a top size": ({"stages": [_ONE], "mass": None},
        f"{_AT}Both top and stages are given; they say the same twice.\nTake one of them out."),
    "stages in words": ({"top": None, "mass": None, "stages": "two"},
        f"{_AT}The stages are not a list of top sizes and masses.\n{_STAGES}"),
    "no stages": ({"top": None, "mass": None, "stages": []},
        f"{_AT}The stages are not a list of top sizes and masses.\n{_STAGES}"),
    "stage that grows": ({"top": None, "mass": None, "stages": [_ONE | {"mass": "2 kg"},
                                                               {"top": "1 mm", "mass": "5 kg"}]},
        f"{_AT}The mass of the sample of stage 2 is 5 kg, more than what the stage before kept, "
        "2 kg.\nGive the dry mass before the split as the lot, the mass kept as mass."),
    "stage that is coarser": ({"top": None, "mass": None,
                               "stages": [_ONE, {"top": "15 mm", "mass": "1 g"}]},
        f"{_AT}The top size of stage 2 is 15 mm, above that of the stage before, 10 mm.\n"
        "Give the stages in the order of work: crushing makes pieces smaller."),
    "stage without a mass": ({"top": None, "mass": None, "stages": [{"top": "10 mm"}]},
        f"{_AT}The mass of the sample of stage 1 is not stated.\n"
        'Write for example mass = "1.5 kg": the dry mass that is kept.'),
    "stage with its own lot": ({"top": None, "mass": None, "stages": [_ONE | {"lot": "90 kg"}]},
        f"{_AT}'lot' says nothing about sampling of stage 1.\n"
        "Entries: top, mass, granulometric."),
}  # fmt: skip


def _faults(changed: dict[str, object], grade_max: float = 1.0) -> list[str]:
    entry = {key: value for key, value in (GOOD | changed).items() if value is not None}
    faults: list[Fault] = []
    assert read_sampling(entry, _PLACE, faults, grade_max=grade_max) is None
    return [str(fault) for fault in faults]


@pytest.mark.parametrize("name", BROKEN)
def test_broken(name: str) -> None:
    changed, message = BROKEN[name]
    assert _faults(changed) == [message]


def test_mineral_above_the_max_of_the_analyte() -> None:
    assert _faults({"mineral grade": "80 %"}, 0.7877) == [
        f"{_AT}The grade of the mineral is 80 %; it must be above 0 and at most 78.77 %, the max "
        "of the analyte.\n"
        "Give the analyte in its pure mineral, as Sn in cassiterite; 100 % for native metal."
    ]


def test_all_faults_at_once() -> None:
    found = _faults({"top": "10 mesh", "mass": "1,5 kg", "shape": 0, "mineral density": None})
    assert len(found) == 4


# ---- the command

_ORE = ("--grade", "0.8 %", "--top", "2 mm", "--liberation", "0.1 mm", "--mineral-grade",
        "78.77 %", "--mineral-density", "6.9 kg/L", "--gangue-density", "2.7 kg/L")  # fmt: skip
_FILE = """\
grade = "0.8 %"
liberation = "0.1 mm"
"mineral density" = "6.9 kg/L"
"gangue density" = "2.7 kg/L"
"mineral grade" = "78.77 %"
stages = [
  { top = "10 mm [ASTM E11]", mass = "20 kg" },  # a jaw crusher {1}
  { top = "1 mm", mass = "500 g" },
]
"""


def _refused(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    with pytest.raises(SystemExit) as stop:
        main(["sample-mass", *arguments])
    assert stop.value.code == 2
    return capsys.readouterr().err


def _one(text: str) -> str:
    return f"1 problem in the input:\n\n{text}\n"


COMMANDS: dict[str, tuple[tuple[str, ...], str]] = {
    "nothing is asked": (_ORE,
        "Neither an error nor a mass is stated, so nothing is asked.\n"
        'Write --error "5 %" for the mass that is needed (one standard deviation, in percent of '
        'the grade)\nor --mass "1.5 kg" for the error that this mass leaves.'),
    "error without a unit": ((*_ORE, "--error", "5"),
        "--error: The error wanted is '5'; it is a number with its unit.\n"
        'Write for example --error "5 %".'),
    "error of everything": ((*_ORE, "--error", "100 %"),
        "--error: The error wanted is 100 %; it must be above 0 and below 100 %.\n"
        'Write for example --error "5 %": one standard deviation, in percent of the grade.'),
    "error in a unit of grades": ((*_ORE, "--error", "5 g/t"),
        "--error: Error wanted: 'g/t' is the unit of a grade, but a share of the mass is "
        "wanted.\nWrite one of: %, g/g."),
    "ambiguous grade": (("--grade", "0.3 oz/ton", *_ORE[2:], "--error", "5 %"),
        "--grade: Grade of the ore: 'oz/ton' can be read in three ways: ozt/st = 34.2857 g/t, "
        "ozt/t = 31.1035 g/t, ozt/lt = 30.6122 g/t.\nWrite the one the laboratory means."),
    "ore richer than its mineral": (("--grade", "79 %", *_ORE[2:], "--error", "5 %"),
        "--grade: The grade of the ore is 79 %, above that of its mineral, 78.77 %.\n"
        "Give both for the same analyte."),
    "no grade": ((*_ORE[2:], "--error", "5 %"),
        'The grade of the ore is not stated.\nWrite for example --grade "0.8 %": the analyte in '
        "the ore, as you expect it."),
    "a grade that is nothing": (("--grade", "1e-320 %", *_ORE[2:], "--error", "5 %"),
        "--grade: The grade of the ore is 1e-320 %; it must be above 0 and at most 100 %.\n"
        "Give the analyte in the ore, as you expect it."),
}  # fmt: skip


@pytest.mark.parametrize("name", COMMANDS)
def test_options(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    arguments, message = COMMANDS[name]
    assert _refused(capsys, *arguments) == _one(message)


FILES: dict[str, tuple[str, tuple[str, ...], str]] = {
    "fault in the second stage": (_FILE.replace('"1 mm"', '"11 mm"'), (),
        "chain.toml, line 8: The top size of stage 2 is 11 mm, above that of the stage before, "
        "10 mm.\nGive the stages in the order of work: crushing makes pieces smaller."),
    "fault in a key": (_FILE.replace("6.9 kg/L", "6.9"), (),
        "chain.toml, line 3: The density of the mineral is '6.9'; it is a number with its unit.\n"
        'Write for example "mineral density" = "6.9 kg/L".'),
    "stages as tables": (_FILE[: _FILE.index("stages")] + '[[stages]]\ntop = "9 mm"\n'
                         'mass = "2 kg"\n[[stages]]\ntop = "1 mm"\n', (),
        "chain.toml, line 9: The mass of the sample of stage 2 is not stated.\n"
        'Write for example mass = "1.5 kg": the dry mass that is kept.'),
    "said twice": (_FILE, ("--grade", "1 %"),
        "--grade: It is given in chain.toml too: they say the same twice.\n"
        "Take one of them out."),
    "mass beside stages": (_FILE, ("--mass", "1 kg"),
        "--mass: Both mass and stages are given; they say the same twice.\n"
        "Take one of them out."),
    "no TOML": ("grade = 0.8 %\n", (),
        "chain.toml: This is not TOML: Expected newline or end of document after a statement (at "
        'line 1, column 13).\nWrite one entry a line, amounts in quotes: grade = "0.8 %".'),
    "misspelt": (_FILE + 'titel = "x"\n', (),
        "chain.toml, line 10: 'titel' says nothing about sampling.\nDid you mean 'title'?"),
}  # fmt: skip


@pytest.mark.parametrize("name", FILES)
def test_files(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text, options, message = FILES[name]
    file = tmp_path / "chain.toml"
    file.write_text(text, "utf-8")
    assert _refused(capsys, str(file), *options) == _one(message)


def test_no_such_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "none.toml"
    assert _refused(capsys, str(file)) == _one(
        f"{file}: The file cannot be read: No such file or directory.\nCheck its name."
    )


def test_file_that_is_no_text(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "chain.toml"
    file.write_bytes(b"\xff\xfe\x00")
    assert _refused(capsys, str(file)) == _one(
        "chain.toml: The file is not text in UTF-8.\nSave it as UTF-8."
    )
