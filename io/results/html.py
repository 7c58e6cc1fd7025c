"""The report: one HTML file with everything in it, to read, print or send."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.metadata import version
from importlib.resources import files
from typing import Any

from oretally.flowsheet.digits import DASH, format_number, format_with_sd
from oretally.io.definition import Price
from oretally.io.pictures import (
    adjustment_svg,
    balance_labels,
    circuit_svg,
    flow_svg,
    grade_recovery_svg,
    measured_labels,
    partition_svg,
    passing_svg,
)
from oretally.io.wording import (
    CAUTION,
    CAUTIONS_HEADING,
    LOSS_HEADING,
    MONEY_CAUTION,
    NOT_A_BALANCE,
    SD_LEGEND,
    SIMULATION_HEADING,
    SIMULATION_LEGEND,
    SUSPECTS_HEADING,
    TEST_LEGEND,
    UNTOUCHED,
    WHAT_IF_HEADING,
    ResultTable,
    Simulated,
    amount_table,
    amount_tables,
    cautions_of,
    certificate_figures,
    class_labels,
    class_value_table,
    closure_table,
    counts,
    curve_tables,
    cut_table,
    defer,
    error_part_table,
    expectation_table,
    explanation_columns,
    fit_table,
    formula_table,
    group_table,
    head_table,
    hidden_sentences,
    hidden_table,
    is_quiet,
    largest_move,
    law_table,
    loss_meaning,
    loss_readings,
    loss_tables,
    measured_tables,
    metal_table,
    notes_of,
    opinion_sentence,
    otherwise_sentences,
    otherwise_tables,
    p80_table,
    partition_tables,
    passing_tables,
    quiet_sentence,
    recovery_budget_table,
    recovery_sentences,
    recovery_table,
    search_sentence,
    separation_table,
    simulation_sentences,
    simulation_table,
    size_recovery_tables,
    suspect_words,
    unbalanced_blocks,
    unexplained_sentence,
    value_table,
    variance_factor_sentences,
    variance_factor_table,
    verdict,
    worth_table,
)
from oretally.recon.result import Balance, WhatIf

__all__ = ["html_report"]

_FIGURE_SPACE = "\u2007"  # as wide as a digit: pads numbers so that decimal points align


def _cells(table: ResultTable) -> list[list[tuple[str, str]]]:
    """Return rows of (text, kind), kind being 'name', 'word' or 'number'."""
    columns = [
        [text.replace(" ", _FIGURE_SPACE) for text in column] if kind == "number" else column
        for column, kind in zip(table.columns, table.kinds, strict=False)
    ]
    return [list(zip(row, table.kinds, strict=True)) for row in zip(*columns, strict=True)]


def html_report(
    balance: Balance, prices: Sequence[Price] = (), otherwise: WhatIf | None = None,
    simulated: Simulated | None = None,
) -> str:  # fmt: skip
    """Return the report of a balance as one self-contained HTML document.

    No date, no network, no script: the same balance gives the same bytes.

    Parameters
    ----------
    balance : Balance
    prices : sequence of Price, optional
        Then metal is shown in money too.
    otherwise : WhatIf, optional
        The answers with other measurements, shown beside.
    simulated : Simulated, optional
        What drawn surveys say of the answers.
    """
    import jinja2

    template_text = files("oretally.io").joinpath("templates/report.html.j2").read_text("utf-8")
    environment = jinja2.Environment(
        autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined
    )
    move = largest_move(balance)
    flows = [
        (a.name, flow_svg(balance, a.name))
        for a in balance.survey.analytes
        if any(r.analyte == a.name and r.recovery is not None for r in balance.recoveries)
    ]
    labels = balance_labels(balance) if balance.converged else measured_labels(balance.survey)
    return environment.from_string(template_text).render(
        title=balance.survey.title,
        converged=balance.converged,
        counts=counts(balance),
        verdict=verdict(balance),
        recoveries=recovery_sentences(balance),
        move=move,
        moved_to=format_with_sd(move.adjusted, move.adjusted_sd)[0] if move else "",
        moved_from=format_number(move.measured) if move else "",
        suspects=suspect_words(balance),
        suspects_heading=SUSPECTS_HEADING,
        untouched=UNTOUCHED,
        quiet=quiet_sentence(balance),
        unexplained=unexplained_sentence(balance),
        explanations=explanation_columns(balance)
        if balance.gross_errors.explanations and not is_quiet(balance)
        else None,
        opinion=opinion_sentence(balance),
        variance_factor=variance_factor_sentences(balance),
        unseen=hidden_sentences(balance),
        searched=search_sentence(balance) if balance.gross_errors.tests else "",
        tests=[
            table
            for table in (
                group_table(balance),
                hidden_table(balance),
                variance_factor_table(balance),
            )
            if table.rows
        ],
        unbalanced=unbalanced_blocks(balance),
        measured=measured_tables(balance, class_labels(balance.survey)),
        circuit=circuit_svg(balance.circuit, labels),
        flows=flows,
        answers=[
            table
            for table in (
                recovery_table(balance),
                separation_table(balance),
                *amount_tables(balance),
                amount_table(balance),
            )
            if table.rows
        ],
        values=value_table(balance, without=class_labels(balance.survey)),
        class_values=class_value_table(balance, class_labels(balance.survey)),
        **_sizes(balance),
        **_losses(balance),
        what_if_heading=WHAT_IF_HEADING,
        what_if=otherwise_sentences(otherwise) if otherwise else (),
        what_if_tables=otherwise_tables(otherwise) if otherwise else [],
        simulation_heading=SIMULATION_HEADING,
        simulation_legend=SIMULATION_LEGEND,
        simulation=simulation_sentences(simulated) if simulated else (),
        simulation_table=simulation_table(simulated) if simulated else None,
        worth=worth_table(balance, prices) if prices else None,
        money_caution=MONEY_CAUTION,
        budgets=[
            table
            for table in (recovery_budget_table(balance), error_part_table(balance))
            if table.rows
        ],
        plot=adjustment_svg(balance, without=class_labels(balance.survey)),
        checks=[
            table
            for table in (
                closure_table(balance.closures),
                head_table(balance.heads, adjusted=balance.converged),
                formula_table(balance),
            )
            if table.rows
        ],
        cells=_cells,
        notes=notes_of(balance, simulated=simulated is not None),
        figures=_figures(balance),
        sd_legend=SD_LEGEND,
        caution=CAUTION,
        not_a_balance=NOT_A_BALANCE,
        dash=DASH,
        version=version("oretally"),
    )


def _sizes(balance: Balance) -> dict[str, Any]:
    """Return what the section on sizes shows; nothing without sizes."""
    found = balance.sizes
    partitions = [
        (table, p.node, partition_svg(p))
        for table, p in zip(partition_tables(balance), found.partitions, strict=True)
    ]
    cuts, metal = cut_table(balance), metal_table(balance)
    return {
        "passing_curves": passing_svg(found.streams),
        "passing": [p80_table(balance), *passing_tables(balance)] if found.streams else [],
        "partitions": partitions,
        "cuts": cuts if cuts.rows else None,
        "partition_fits": fit_table(balance) if cuts.rows else None,
        "metal": metal if metal.rows else None,
        "laws": law_table(balance) if found.streams else None,
    }


def _losses(balance: Balance) -> dict[str, Any]:
    """Return what the section on losses shows, and the cautions."""
    tests = expectation_table(balance)
    return {
        "losses_heading": LOSS_HEADING,
        "lost_means": loss_meaning(balance),
        "losses": loss_readings(balance),
        "loss_tables": loss_tables(balance),
        "loss_tests": tests if tests.rows else None,
        "test_legend": TEST_LEGEND,
        "curves": [
            (table, curve.analyte, grade_recovery_svg(curve))
            for table, curve in zip(curve_tables(balance), balance.losses.curves, strict=True)
        ],
        "size_recoveries": size_recovery_tables(balance),
        "cautions_heading": CAUTIONS_HEADING,
        "cautions": cautions_of(balance),
        "defer": defer(),
    }


def _figures(balance: Balance) -> list[tuple[str, str]]:
    """Return how the solver ended, for those who want to know."""
    test = balance.global_test
    return [
        ("why it stopped", balance.status),
        ("iterations", str(balance.iterations)),
        ("sum of squared adjustments", format_number(balance.objective, 6)),
        ("degrees of freedom", str(test.dof)),
        *certificate_figures(balance),
    ]
