"""The balance as text, for a terminal or a pipe."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from oretally.flowsheet.digits import format_number, format_with_sd
from oretally.io.definition import Price
from oretally.io.wording import (
    CAUTION,
    CAUTIONS_HEADING,
    LOSS_HEADING,
    MONEY_CAUTION,
    NOT_A_BALANCE,
    SD_LEGEND,
    SIMULATION_HEADING,
    SUSPECTS_HEADING,
    TEST_LEGEND,
    WHAT_IF_HEADING,
    WIDTH,
    ResultTable,
    Simulated,
    amount_table,
    amount_tables,
    cautions_of,
    class_labels,
    class_sentence,
    closure_table,
    counts,
    curve_tables,
    cut_table,
    defer,
    error_part_table,
    expectation_table,
    explanation_table,
    fit_table,
    formula_table,
    head_table,
    hidden_sentences,
    largest_move,
    loss_meaning,
    loss_readings,
    loss_tables,
    measured_table,
    metal_table,
    notes_of,
    opinion_sentence,
    otherwise_sentences,
    otherwise_tables,
    p80_table,
    partition_tables,
    passing_tables,
    print_heading,
    print_table,
    quiet_sentence,
    recovery_budget_table,
    recovery_sentences,
    recovery_table,
    sentence_row,
    separation_table,
    simulation_sentences,
    simulation_table,
    size_recovery_tables,
    suspect_words,
    unbalanced_blocks,
    unexplained_sentence,
    value_table,
    variance_factor_sentences,
    verdict,
    worth_table,
)
from oretally.recon.result import Balance, WhatIf

if TYPE_CHECKING:
    from rich.console import Console

__all__ = ["print_summary", "summary"]

_SUSPECTS_SHOWN = 3
_NAMES_SHOWN = 4  # analytes named beside a reading
_AMOUNTS_SHOWN = 6  # rows of metal in mass, where no price asks for them
_CHANGES_SHOWN = 12  # values that change in a what if
_BUDGETS_SHOWN = 12  # recoveries; the budgets of more are left to report and JSON


def summary(
    balance: Balance, prices: Sequence[Price] = (), otherwise: WhatIf | None = None,
    simulated: Simulated | None = None,
) -> str:  # fmt: skip
    """Return the summary as plain text."""
    from rich.console import Console

    buffer = io.StringIO()
    console = Console(file=buffer, width=WIDTH, color_system=None, force_terminal=False)
    print_summary(balance, console, prices, otherwise, simulated)
    return "\n".join(line.rstrip() for line in buffer.getvalue().splitlines()) + "\n"


def print_summary(
    balance: Balance, console: Console, prices: Sequence[Price] = (),
    otherwise: WhatIf | None = None, simulated: Simulated | None = None,
) -> None:  # fmt: skip
    """Print the summary to a rich console."""
    if not balance.converged:
        _unbalanced(console, balance, otherwise)
        return
    print_heading(console, f"Balance of '{balance.survey.title}'")
    for word, sentence in (*counts(balance), ("agreement", verdict(balance))):
        console.print(sentence_row(word, sentence))
    move = largest_move(balance)
    if move is not None:
        now, _ = format_with_sd(move.adjusted, move.adjusted_sd)
        console.print(
            sentence_row(
                "largest move",
                f"{move.quantity} of '{move.stream}' {format_number(move.measured)} -> {now} "
                f"{move.unit}, standardised {move.standardised:+.1f}",
            )
        )
    sizes = class_sentence(balance)
    if sizes:
        console.print(sentence_row("sizes", sizes))
    for sentence in recovery_sentences(balance):
        console.print(sentence_row("recovery", sentence))
    for sentence in hidden_sentences(balance):
        console.print(sentence_row("unseen", sentence))
    for sentence in variance_factor_sentences(balance):
        console.print(sentence_row("errors", sentence))
    _suspects(console, balance)
    if otherwise is not None:
        _what_if(console, otherwise)
    if simulated is not None:
        _simulation(console, simulated)
    for table in _tables(balance, prices):
        print_table(table, console)
    if prices:
        print_table(worth_table(balance, prices), console)
        console.print(sentence_row("CAUTION", MONEY_CAUTION))
    _losses(console, balance)
    _cautions(console, balance)
    _notes(console, notes_of(balance, simulated=simulated is not None))
    console.print()
    console.print(sentence_row("", f"{SD_LEGEND} {CAUTION}"))


def _unbalanced(console: Console, balance: Balance, otherwise: WhatIf | None) -> None:
    """Print what was measured, and why there is no balance: no answers."""
    print_heading(console, f"Balance of '{balance.survey.title}': NOT CONVERGED")
    console.print(sentence_row("NO BALANCE", NOT_A_BALANCE))
    for word, sentence in (*counts(balance), ("why", verdict(balance))):
        console.print(sentence_row(word, sentence))
    for heading, lines in unbalanced_blocks(balance):
        print_heading(console, heading)
        for word, sentence in lines:
            console.print(sentence_row(word, sentence))
    if otherwise is not None:
        _what_if(console, otherwise)
    labels = class_labels(balance.survey)
    for table in (
        measured_table(balance, without=labels),
        closure_table(balance.closures),
        head_table(balance.heads, adjusted=False),
    ):
        if table.rows:
            print_table(table, console)
    _notes(console, balance.notes)
    console.print()
    console.print(sentence_row("", SD_LEGEND))


def _notes(console: Console, notes: Sequence[str]) -> None:
    if notes:
        print_heading(console, "Notes")
        for note in notes:
            console.print(sentence_row("            -", note))


def _suspects(console: Console, balance: Balance) -> None:
    words = suspect_words(balance)
    if quiet_sentence(balance):
        console.print(sentence_row("suspects", quiet_sentence(balance)))
        return
    if words:
        print_heading(console, SUSPECTS_HEADING)
    if unexplained_sentence(balance):
        console.print(sentence_row("", unexplained_sentence(balance)))
    for suspect in words[:_SUSPECTS_SHOWN]:
        console.print(sentence_row(suspect.chance, suspect.head))
        for sentence in suspect.details:
            console.print(sentence_row("", sentence))
    if len(words) > _SUSPECTS_SHOWN:
        console.print(
            sentence_row("", f"{len(words) - _SUSPECTS_SHOWN} more: see --html or --json.")
        )
    if balance.gross_errors.explanations:
        print_table(explanation_table(balance), console)
    opinion = opinion_sentence(balance)
    if opinion:
        console.print(sentence_row("other methods", opinion))


def _what_if(console: Console, otherwise: WhatIf) -> None:
    """Print the answers with other measurements beside those as they are."""
    print_heading(console, WHAT_IF_HEADING)
    for sentence in otherwise_sentences(otherwise):
        console.print(sentence_row("", sentence))
    for table in otherwise_tables(otherwise, _CHANGES_SHOWN):
        print_table(table, console)


def _simulation(console: Console, simulated: Simulated) -> None:
    """Print what drawn surveys say of the answers."""
    print_heading(console, SIMULATION_HEADING)
    for sentence in simulation_sentences(simulated):
        console.print(sentence_row("", sentence))
    print_table(simulation_table(simulated, brief=True, shortest=False), console)


def _losses(console: Console, balance: Balance) -> None:
    """Print where the metal is lost, and the test that would tell why."""
    meaning = loss_meaning(balance)
    if not meaning:
        return
    for table in loss_tables(balance):
        print_table(table, console)
    print_heading(console, LOSS_HEADING)
    console.print(sentence_row("", meaning))
    for reading in loss_readings(balance):
        word = ", ".join(reading.analytes) if len(reading.analytes) < _NAMES_SHOWN else "losses"
        for sentence in reading.sentences:
            console.print(sentence_row(word, sentence))
            word = ""
        for i, sentence in enumerate(reading.tests):
            console.print(sentence_row("next test" if i == 0 else "", sentence))
    tests = expectation_table(balance, brief=True)
    if tests.rows:
        print_table(tests, console)
        console.print(sentence_row("", TEST_LEGEND))


def _cautions(console: Console, balance: Balance) -> None:
    """Print what can hurt, in full."""
    shown = cautions_of(balance)
    if not shown:
        return
    print_heading(console, CAUTIONS_HEADING)
    for caution in shown:
        console.print(sentence_row("CAUTION", f"{caution.title}. {' '.join(caution.because)}"))
        console.print(sentence_row("", caution.hurts))
        for sentence in caution.usual:
            console.print(sentence_row("            -", sentence))
    console.print(sentence_row("", defer()))


def _tables(balance: Balance, prices: Sequence[Price]) -> Iterable[ResultTable]:
    amounts = amount_table(balance)
    for table in (
        recovery_table(balance),
        separation_table(balance),
        *curve_tables(balance),
        *amount_tables(balance),
        amounts if prices or len(amounts.rows) <= _AMOUNTS_SHOWN else None,
        value_table(balance, brief=True, without=class_labels(balance.survey)),
        p80_table(balance),
        *passing_tables(balance, brief=True),
        metal_table(balance, brief=True),
        *partition_tables(balance),
        cut_table(balance, brief=True),
        fit_table(balance, brief=True),
        *size_recovery_tables(balance),
        error_part_table(balance),
        recovery_budget_table(balance) if len(balance.budgets) <= _BUDGETS_SHOWN else None,
        closure_table(balance.closures),
        head_table(balance.heads),
        formula_table(balance),
    ):
        if table is not None and table.rows:
            yield table
