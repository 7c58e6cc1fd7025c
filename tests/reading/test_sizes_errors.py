"""Stated errors of classes: never invented, refused where they cannot be."""

from __future__ import annotations

from pathlib import Path

import pytest
from sizes_rows import (
    EXAMPLE,
    GRAM,
    RULES,
    SHARES,
    read_rows,
    sized_case,
)

from oretally.flowsheet import (
    ErrorRule,
    InputError,
    Place,
)
from oretally.io.case import read_case


def test_no_error_is_never_invented(tmp_path: Path) -> None:
    _, faults = read_rows(tmp_path, SHARES, {})
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
        assert read_rows(tmp_path, SHARES, {}, in_doubt=doubt)[1] == []


def test_an_error_of_a_mass_for_shares(tmp_path: Path) -> None:
    rules = RULES | {"class mass": ErrorRule(0.0, 0.5, GRAM)}
    _, faults = read_rows(tmp_path, SHARES.split("overflow")[0], rules)
    assert len(faults) == 3
    assert faults[0] == (
        "sizes.csv, cell D2, stream 'feed', mass in +150 um: The error of 'class mass' is stated "
        "in g, but the masses of this stream are given in percent of the whole.\n"
        'State it as a share, for example absolute = "0.3 %".'
    )


def test_a_relative_error_of_nothing(tmp_path: Path) -> None:
    text = "stream,retained [um],mass [%]\nfeed,75,0\nfeed,,100\n"
    _, faults = read_rows(tmp_path, text, {"class mass": ErrorRule(2.0)})
    assert faults == [
        "sizes.csv, cell C2, stream 'feed', mass in +75 um: The value is 0 and its error is stated "
        "in percent of the value, which is 0 too.\nState an absolute error for it,\n"
        "or leave the cell empty if it was not measured: 0 means that there was none."
    ]


def _errors(tmp_path: Path, rules: str) -> list[str]:
    circuit = (EXAMPLE / "circuit.toml").read_text("utf-8")
    start, end = circuit.index("[errors]"), circuit.index("[report]")
    text = circuit[:start] + rules + circuit[end:]
    path = sized_case(tmp_path / "c", (EXAMPLE / "sizes.csv").read_text("utf-8"), text)
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
    path = sized_case(
        tmp_path / "d", (EXAMPLE / "sizes.csv").read_text("utf-8").replace("31.3", "-1")
    )
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
