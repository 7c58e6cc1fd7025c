"""Names and texts that cannot be seen, or change what is seen: refused where they are read."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from oretally.flowsheet import Fault, InputError, NotBalanceable, Place
from oretally.flowsheet.foreign_text import shown, unreadable_character
from oretally.io import read_case
from oretally.io.cli import main

EXAMPLE = Path(__file__).resolve().parents[2] / "examples" / "tin_table"
_MEND = "Take it out: it cannot be seen, or changes what is seen."
BAD = {
    "\x1b": "U+001B escape", "\x07": "U+0007 bell", "\x7f": "U+007F delete",
    "\x9b": "U+009B control character", "\u202e": "U+202E right-to-left override",
    "\u2066": "U+2066 left-to-right isolate", "\ufffe": "U+FFFE no character",
    "\ufdd0": "U+FDD0 no character", "\u2028": "U+2028 line separator",
    "\U0001ffff": "U+1FFFF no character", "\U000e0041": "U+E0041 tag latin capital letter a",
}  # fmt: skip


def _case(folder: Path, file: str, old: str, new: str) -> Path:
    shutil.copytree(EXAMPLE, folder)
    text = (folder / file).read_text("utf-8")
    assert old in text
    (folder / file).write_text(text.replace(old, new), "utf-8")
    return folder


def _told(path: Path) -> str:
    with pytest.raises(InputError) as refused:
        read_case(path)
    return str(refused.value)


def _status(arguments: list[str]) -> object:
    with pytest.raises(SystemExit) as stop:
        main(arguments)
    return stop.value.code


@pytest.mark.parametrize("character", list(BAD))
def test_in_a_table(character: str, tmp_path: Path) -> None:
    path = _case(tmp_path / "case", "measurements.csv", "tailings", f"tail{character}ings")
    text = _told(path)
    code = f"[U+{ord(character):04X}]"
    assert f"'tail{code}ings' has the character {BAD[character]}" in text
    assert _MEND in text and character not in text


@pytest.mark.parametrize("character", [*BAD, "\u200b", "\t", "\n"])
def test_in_the_circuit(character: str, tmp_path: Path) -> None:
    if 0xD800 <= ord(character) < 0xE000:
        return
    written = f'"tail\\U{ord(character):08x}ings"'
    path = _case(tmp_path / "case", "circuit.toml", '"tailings"', written)
    text = _told(path)
    assert f"has the character U+{ord(character):04X}" in text
    assert "circuit.toml, line " in text
    assert character == "\n" or character not in text


@pytest.mark.parametrize("name", ["تغذية", "питание", "מחצב", "浮选", "flow → 2", "Zn–Pb"])
def test_names_in_any_writing_are_read(name: str, tmp_path: Path) -> None:
    path = _case(tmp_path / "case", "circuit.toml", "tailings", name)
    table = path / "measurements.csv"
    table.write_text(table.read_text("utf-8").replace("tailings", name), "utf-8")
    assert name in read_case(path).circuit.stream_names


def test_the_rule() -> None:
    for character, named in BAD.items():
        assert unreadable_character(f"a{character}b") == named
    assert unreadable_character("\ud800") == "U+D800 half of a character"
    assert unreadable_character("a\u200bb\n") == ""  # taken out of cells, space there
    assert unreadable_character("a\u200bb", name=True) == "U+200B zero width space"


def test_messages_show_what_they_quote() -> None:
    fault = Fault("There is no stream 'a\x1b[31m\u202e'.", "Look.", Place(file="x\x07.csv"))
    assert str(fault) == "x[U+0007].csv: There is no stream 'a[U+001B][31m[U+202E]'.\nLook."
    assert str(NotBalanceable("a\x1b", "b")) == "a[U+001B]\nb"
    assert shown("x" * 1000).endswith("xxx...") and len(shown("x" * 1000)) < 300


def test_a_file_name_that_cannot_be_shown(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "case\x1b[31m"
    shutil.copytree(EXAMPLE, path)
    assert _status(["balance", str(path)]) == 2
    told = capsys.readouterr().err
    assert "The name of the case has the character U+001B escape.\nRename it." in told
    assert "\x1b" not in told


@pytest.mark.parametrize("file", ["measurements.csv", "circuit.toml"])
def test_a_link_to_itself(file: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "case"
    shutil.copytree(EXAMPLE, path)
    (path / file).unlink()
    (path / file).symlink_to(file)
    (tmp_path / "loop").symlink_to("loop")
    (tmp_path / "out.html").symlink_to("out.html")
    assert _status(["balance", str(path)]) == 2
    assert _status(["lab", str(tmp_path / "loop")]) == 2
    assert _status(["compare", str(tmp_path / "loop"), str(EXAMPLE)]) == 2
    assert _status(["balance", str(EXAMPLE), "--html", str(tmp_path / "out.html")]) == 2
    assert _status(["balance", str(tmp_path / ("x" * 300))]) == 2
    assert "mistake in oretally" not in capsys.readouterr().err


CIRCUIT_NUMBERS = {
    "1e300": "1e+300", "1e-300": "1e-300", "9" * 4300: "an integer of 4300 digits",
    "0x" + "f" * 5000: "an integer of 6021 digits",
}  # fmt: skip


@pytest.mark.parametrize("number", list(CIRCUIT_NUMBERS), ids=lambda n: n[:8])
def test_numbers_of_the_definition(number: str, tmp_path: Path) -> None:
    path = _case(tmp_path / "case", "circuit.toml", "relative = 3", f"relative = {number}")
    assert (
        f"The number of 'relative' is {CIRCUIT_NUMBERS[number]}; numbers are 0, or between 1e-12 "
        "and 1e+15." in _told(path)
    )


def test_what_stands_twice(tmp_path: Path) -> None:
    path = _case(tmp_path / "case", "circuit.toml", "[streams]", 'basis = "batch"\n[streams]')
    text = _told(path)
    assert "basis stands in line " in text and "Keep one of them." in text


def test_many_unknown_streams_are_told_without_a_search_for_each(tmp_path: Path) -> None:
    path = _case(tmp_path / "case", "measurements.csv", "tailings", "tailing")
    table = path / "measurements.csv"
    rows = "".join(f"stream {i},1\n" for i in range(300))
    table.write_text(table.read_text("utf-8") + rows, "utf-8")
    with pytest.raises(InputError) as refused:
        read_case(path)
    mends = [f.mend for f in refused.value.faults if "There is no stream" in f.problem]
    assert len(mends) == 301 and mends[0].startswith("Did you mean 'tailings'?")
    assert (
        sum(mend.startswith("Check its spelling, as that of the others.") for mend in mends) >= 200
    )
