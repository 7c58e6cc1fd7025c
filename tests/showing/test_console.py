"""Lines of text: sentences wrapped to the terminal, tables aligned whatever the script."""

from __future__ import annotations

import os
import re
import sys
from collections import Counter
from unicodedata import east_asian_width

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import oretally.io.wording.console as console
from oretally.io.wording import PIPE, ResultTable, Terminal, this_terminal

WORDS = st.text(st.sampled_from("ab ±é選鉱\u0301-,"), max_size=60)


def _columns(line: str) -> int:
    return sum(0 if c == "\u0301" else 2 if east_asian_width(c) == "W" else 1 for c in line)


@settings(derandomize=True, max_examples=200)
@given(word=WORDS, text=WORDS, width=st.integers(10, 120))
def test_sentence_fits_and_loses_nothing(word: str, text: str, width: int) -> None:
    lines = Terminal(width).sentence(word, text)
    said = "".join(" ".join(lines).split())
    assert sorted(said) == sorted("".join((word + text).split()))
    assert all(_columns(line) <= 14 + max(20, min(92, width - 14)) for line in lines)
    assert all(_columns(line) <= width for line in Terminal(width).text(text))


def test_sentence_stands_beside_its_word() -> None:
    assert Terminal(40).sentence("agreement", "The numbers agree within their stated errors.") == [
        "agreement     The numbers agree within",
        "              their stated errors.",
    ]
    assert Terminal(40).sentence("a name that is long", "Lost.") == [
        "a name that   Lost.",
        "is long",
    ]


def test_long_word_is_cut_not_lost() -> None:
    assert Terminal(10).text("x abcdefghijklmnop y") == ["x", "abcdefghij", "klmnop y"]
    assert Terminal(10).text("選鉱選鉱選鉱") == ["選鉱選鉱選", "鉱"]


def test_table_of_any_script_is_aligned() -> None:
    table = ResultTable("Grades", ["stream", "Cu [%]"], [["選鉱", "12.5"], ["feed", "0.81"]], 1)
    assert PIPE.table(table) == [
        "", "Grades", "",
        " stream   Cu [%]",
        " ───────────────",
        " 選鉱      12.5",
        " feed       0.81",
        "",
    ]  # fmt: skip


def test_wide_table_stands_in_parts_a_value_with_its_sd() -> None:
    table = ResultTable(
        "Wide", ["name", "Cu [%]", "±", "Au [g/t]", "±", "told by"],
        [["feed", "0.81", "0.02", "1.20", "0.05", "the others, all of them as it is"],
         ["tailings", "0.10", "0.01", "0.31", "0.02", "itself"]], 1, 1,
    )  # fmt: skip
    assert Terminal(54).table(table) == [
        "", "Wide", "",
        " name       Cu [%]      ±   Au [g/t]      ±",
        " ──────────────────────────────────────────",
        " feed         0.81   0.02       1.20   0.05",
        " tailings     0.10   0.01       0.31   0.02",
        "",
        " name       told by",
        " ───────────────────────────────────────────",
        " feed       the others, all of them as it is",
        " tailings   itself",
        "",
    ]  # fmt: skip
    folded = Terminal(70).table(table)[3:8]
    assert [line[46:] for line in folded] == [
        "told by", "───────────────────────", "the others, all of them", "as it is", "itself",
    ]  # fmt: skip


@settings(derandomize=True, max_examples=100)
@given(
    cells=st.lists(
        st.tuples(*[st.text(st.sampled_from("ab 選"), max_size=12)] * 3), min_size=1, max_size=4
    ),
    width=st.integers(45, 90),
)
def test_table_fits_and_loses_nothing(cells: list[tuple[str, ...]], width: int) -> None:
    rows = [[f"s{i}", "1.25", "0.5", "22", *words] for i, words in enumerate(cells)]
    table = ResultTable("T", ["stream", "Cu", "±", "Fe", "a", "b", "c"], rows, 1, 3)
    lines = Terminal(width).table(table)[2:]
    assert all(_columns(line) <= width for line in lines)
    said = Counter("".join("".join(lines).replace("─", "").split()))
    assert not Counter("".join("".join(map("".join, [table.header, *rows])).split())) - said


def test_name_is_never_cut() -> None:
    table = ResultTable("Wide", ["name", "value"], [["a" * 200, "1"]], 1)
    assert Terminal(40).table(table) == PIPE.table(table)


def test_headings_are_bold_on_a_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    assert PIPE.heading("Losses") == ["", "Losses"]
    assert Terminal(styled=True).heading("Losses") == ["", "\x1b[1mLosses\x1b[0m"]
    styled = Terminal(60, styled=True).sentence("recovery", "Sn 49.87 %")
    assert [re.sub(r"\x1b\[\d+m", "", line) for line in styled] == ["recovery      Sn 49.87 %"]
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(console, "get_terminal_size", lambda: os.terminal_size((72, 20)))
    monkeypatch.setenv("TERM", "xterm")
    assert this_terminal() == Terminal(72, styled=True)
    monkeypatch.setenv("TERM", "dumb")
    assert this_terminal() == Terminal(72)


def test_a_pipe_is_wide_and_plain(capsys: pytest.CaptureFixture[str]) -> None:
    assert this_terminal() == PIPE
