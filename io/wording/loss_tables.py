"""What a balance says of its losses, as tables of text cells for terminal and report."""

from __future__ import annotations

from dataclasses import replace

from oretally.flowsheet.digits import chance_percent, format_with_sd
from oretally.io.wording.losses import EXPLANATIONS
from oretally.io.wording.sentences import quoted
from oretally.io.wording.tables import ResultTable
from oretally.recon.result import Balance, GradeRecovery, SizeRecovery

__all__ = ["curve_caption", "curve_tables", "expectation_table", "loss_tables",
           "recovery_by_size_tables", "size_recovery_tables"]  # fmt: skip

_TEST_LEGEND = (
    "Chance to tell: that the result lies beyond the limits of every other explanation (two-sided, "
    "5 %), if this one holds. ± holds the error of the prediction and, as stated, of one assay of "
    "each part; errors of splitting and screening that are not in it come on top. A result beyond "
    "the limits of all of them says that none holds.",
)
_LOSS_LEGEND = (
    "Of its own, of feed: share of what that product's solids hold, and of what the feed holds. "
    "x whole, x head: grade of the class over that of the product's solids, and of the feed's.",
)
_BY_SIZE_LEGEND = (
    "In the feed, lost: in percent of all that the feed has. Recovered: of what the feed has in "
    "that class. Told only where no mill lies between feed and products.",
)
_TESTS_SHOWN = 6  # in a terminal
_Pair = tuple[float, float] | None


def _cells(pair: _Pair) -> list[str]:
    return list(format_with_sd(*(pair or (None, None))))


def loss_tables(balance: Balance) -> list[ResultTable]:
    """Return one table an analyte: its lost products, class by class."""
    tables = []
    for analyte in balance.survey.analytes:
        rows = []
        losses = [x for x in balance.losses.found if x.analyte == analyte.name and x.parts]
        for loss in losses:
            for i, part in enumerate(loss.parts):
                pairs = (part.grade, part.of_loss, part.of_feed, part.against_loss,
                         part.against_head)  # fmt: skip
                cells = (text for pair in pairs for text in _cells(pair))
                rows.append([loss.stream if i == 0 else "", part.label, *cells])
        if rows:
            unit = analyte.unit.symbol
            heads = (f"{analyte.name} [{unit}]", "of its own [%]", "of feed [%]",
                     "x whole", "x head")  # fmt: skip
            header = ["product", "class", *(h for head in heads for h in (head, "±"))]
            tables.append(ResultTable(f"{analyte.name} by size", header, rows, 2))
    changed = balance.losses.sizes_change_at
    why = (f"Recovery by size is not told: between feed and products, at {quoted(changed)}, grains "
           "come into a class and leave it.",) if changed else ()  # fmt: skip
    # one legend for all of them, below the last
    return [*tables[:-1],
            *(replace(table, legend=_LOSS_LEGEND, below=why) for table in tables[-1:])]  # fmt: skip


def recovery_by_size_tables(balance: Balance) -> list[ResultTable]:
    """Return one table an analyte: what of each class of the feed is recovered, and what lost."""
    tables = []
    for found in balance.losses.by_size:
        rows = [[row.label, *(text for pair in (row.of_feed, row.recovery, row.lost)
                              for text in _cells(pair))] for row in found.classes]  # fmt: skip
        heads = ("in the feed [%]", "recovered of it [%]", "lost [%]")
        header = ["class", *(h for head in heads for h in (head, "±"))]
        caption = f"Recovery by size: {found.analyte} of '{found.of}' to {quoted(found.kept)}"
        tables.append(ResultTable(caption, header, rows, 1))
    return [*tables[:-1], *(replace(table, legend=_BY_SIZE_LEGEND) for table in tables[-1:])]


def expectation_table(balance: Balance, *, brief: bool = False) -> ResultTable:
    """Return what each explanation predicts for the tests proposed, and the chance to tell.

    ``brief`` keeps to the first of many tests.
    """
    found = [(loss, test) for loss in balance.losses.found for test in loss.tests]
    caption = "What the test would show under each explanation"
    if brief and len(found) > _TESTS_SHOWN:
        caption += f" ({len(found) - _TESTS_SHOWN} more tests: see --html or --json)"
        found = found[:_TESTS_SHOWN]
    rows = []
    for loss, test in found:
        for i, each in enumerate(test.expected):
            name = [loss.stream, f"{loss.analyte} [{loss.unit}]", test.part or "all"]
            rows.append([
                    *(name if i == 0 else ["", "", ""]), EXPLANATIONS[each.explanation],
                    *_cells((each.value, each.sd)), chance_percent(each.chance),
                ])  # fmt: skip
    header = ["test of", "analyte", "class", "if it is", "difference", "±", "chance to tell [%]"]
    return ResultTable(caption, header, rows, 4, below=_TEST_LEGEND, wraps=True)


def size_recovery_tables(balance: Balance) -> list[ResultTable]:
    """Return for each separator what share of each class goes to the richest product.

    Those that a partition table shows, as the richest product is the coarsest, are left out, and
    that of a node which is the whole circuit: it is the recovery by size.
    """
    shown = {(p.node, p.product) for p in balance.sizes.partitions}
    found = [r for r in balance.losses.by_separator
             if (r.node, r.product) not in shown and not _whole(balance, r)]  # fmt: skip
    tables = []
    for node in dict.fromkeys(r.node for r in found):
        own = [r for r in found if r.node == node]
        labels = [label for label, _ in own[0].classes]
        rows = [
            [label, *(text for r in own for text in _cells(r.classes[c][1]))]
            for c, label in enumerate(labels)
        ]
        header = ["class", *(h for r in own for h in (f"{r.analyte} to {r.product}", "±"))]
        caption = f"Recovery by size at '{node}': to the richest product, class by class [%]"
        tables.append(ResultTable(caption, header, rows, 1))
    return tables


def _whole(balance: Balance, found: SizeRecovery) -> bool:
    """Return whether a node's recovery by size is that of the circuit."""
    circuit = balance.circuit
    ends = set(circuit.inlets(found.node)), set(circuit.outlets(found.node))
    return any(
        (r.analyte, r.kept) == (found.analyte, (found.product,))
        and ends == (set(balance.feeds), {*r.kept, *r.lost})
        for r in balance.losses.by_size
    )


def curve_tables(balance: Balance) -> list[ResultTable]:
    """Return grade against recovery, products taken together from the richest down."""
    tables = []
    for curve in balance.losses.curves:
        rows = [
            [f"{'' if i == 0 else '+ '}{p.stream}", *_cells(p.mass_pull), *_cells(p.grade),
             *_cells(p.recovery)]
            for i, p in enumerate(curve.points)
        ]  # fmt: skip
        header = ["products together", "mass pull [%]", "±", f"{curve.analyte} [{curve.unit}]",
                  "±", "recovery [%]", "±"]  # fmt: skip
        tables.append(ResultTable(curve_caption(curve), header, rows, 1))
    return tables


def curve_caption(curve: GradeRecovery) -> str:
    """Return what stands above grade against recovery, as a table or a picture."""
    return f"Grade and recovery of {curve.analyte}, from the richest product down"
