"""The sheet 'weighing' of an entry workbook: with content less empty, for what is not computed yet.

A spreadsheet program computes the net masses of the sheet 'measurements' when it saves. Any other
program that types into the workbook does not: then they are computed here, by the same rule.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial

from oretally.flowsheet import Dimension, Fault, Unit, UnitError, parse_unit
from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.faults import did_you_mean
from oretally.io.cells import NOT_MEASURED, folded_word, read_number
from oretally.io.files import Cell, Table

__all__ = [
    "EMPTY_MASS", "WEIGHED_IN", "WEIGHING", "WITH_CONTENT", "is_weighing", "with_net_masses",
]  # fmt: skip

WEIGHING = "weighing"
WEIGHED_IN, WITH_CONTENT, EMPTY_MASS = "weighed in", "with content", "empty"
_DRY, _WET, _WATER = "dry mass [kg]", "wet mass [kg]", "water [kg]"
_SHARES = ("moisture [%]", "% solids [%]")
_KG = partial(parse_unit, dimension=Dimension.MASS)


def is_weighing(table: Table) -> bool:
    """Tell whether a sheet called 'weighing' is that of an entry workbook, and not one's own."""
    return {"stream", "container", WEIGHED_IN, WITH_CONTENT, EMPTY_MASS} <= set(_words(table))


def with_net_masses(
    table: Table, weighing: Table, containers: Mapping[str, float], faults: list[Fault]
) -> Table:
    """Return the measurements with the masses that their formulas come to.

    Cells that hold a number, or a formula with its saved value, stay as they are. The net mass is
    dry, unless the row has a moisture or % solids: then wet; of a solution it is water.

    Parameters
    ----------
    table, weighing : Table
        The sheets of an entry workbook.
    containers : mapping of str to float
        Empty masses in kg.
    faults : list of Fault
        What is wrong with a weighing is added: no empty mass, a unit that is none.
    """
    net = _net_masses(weighing, containers, faults)
    words = _words(table)
    if "stream" not in words:
        return table
    stream = words.index("stream")
    masses = [j for j, word in enumerate(words) if word in (_DRY, _WET, _WATER)]
    shares = [j for j, word in enumerate(words) if word in _SHARES]
    rows = []
    for row in table.rows:
        open_ = [j for j in masses if row[j].uncomputed]
        cells = list(row)
        wet = any(not row[j].blank for j in shares)
        for j in open_:
            here = len(open_) == 1 or (words[j] == _WET) == wet
            value = net.get(fold_name(row[stream].text)) if here else None
            cells[j] = row[j]._replace(value=value, problem="")
        rows.append(tuple(cells))
    return Table(table.place, table.header, tuple(rows), table.decimal, table.undecided)


def _words(table: Table) -> list[str]:
    return [cell.text.casefold() for cell in table.header]


def _net_masses(
    weighing: Table, containers: Mapping[str, float], faults: list[Fault]
) -> dict[str, float]:
    """Return the net mass in kg by stream, in folded names."""
    at = {word: j for j, word in reversed(list(enumerate(_words(weighing))))}
    net: dict[str, float] = {}
    for row in weighing.rows:
        name, full, empty = (row[at[w]] for w in ("stream", WITH_CONTENT, EMPTY_MASS))
        if full.blank or name.blank or folded_word(full) in NOT_MEASURED:
            continue
        unit = _unit(row[at[WEIGHED_IN]], faults)
        if unit is None:
            continue
        tare = _tare(row[at["container"]], empty, containers, unit, faults)
        mass = _number(full, weighing, faults)
        if isinstance(tare, Cell):
            tare = _number(tare, weighing, faults)
        if mass is not None and tare is not None:
            net[fold_name(name.text)] = unit.to_base(mass - tare)
    return net


def _unit(cell: Cell, faults: list[Fault]) -> Unit | None:
    try:
        return _KG(cell.text)
    except UnitError as error:
        faults.append(Fault(error.problem, "Write g, kg or t: that in which it was weighed.",
                            cell.place))  # fmt: skip
        return None


def _tare(
    container: Cell, empty: Cell, containers: Mapping[str, float], unit: Unit, faults: list[Fault]
) -> Cell | float | None:
    """Return the cell of the empty mass, or that of the container that is named, in ``unit``."""
    if not (empty.blank or empty.uncomputed):
        return empty
    named = {fold_name(name): mass for name, mass in containers.items()}
    mass = named.get(fold_name(container.text))
    if mass is not None:
        return unit.from_base(mass)
    if container.blank:
        problem = "It was weighed with its container, and no empty mass stands beside it."
        mend = "Type the mass of the empty container; 0 if the scale was set to 0 with it."
    else:
        problem = f"The container '{container.text}' is none of the case's: its mass is not known."
        mend = did_you_mean(container.text, list(containers), "Containers")
        mend = f"{mend} Or type its empty mass beside it." if containers else (
            "Type its empty mass beside it."
        )  # fmt: skip
    faults.append(Fault(problem, mend, empty.place))
    return None


def _number(cell: Cell, table: Table, faults: list[Fault]) -> float | None:
    found = read_number(cell, table, cell.place, "mass")
    if isinstance(found, Fault):
        faults.append(found)
        return None
    if found.below or found.above:
        faults.append(Fault(f"The mass is '{cell.text}'.", "Write what the scale showed.",
                            cell.place))  # fmt: skip
        return None
    return found.value
