"""What a case says of its reagents: purity, and the strength of stock solutions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from oretally.flowsheet import Fault, Place, UnitError
from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.faults import did_you_mean
from oretally.flowsheet.survey import solution_unit
from oretally.io.cells import read_amount, read_definition_number
from oretally.io.definition import ReagentRow
from oretally.io.files import toml_key
from oretally.io.kinetics.columns import ReagentColumns

__all__ = ["reagent_contents"]


def reagent_contents(
    rows: Sequence[ReagentRow], reagents: Mapping[str, ReagentColumns], place: Place,
    faults: list[Fault],
) -> dict[str, tuple[float, float]]:  # fmt: skip
    """Return mass of each reagent in a mass of what was added, with its sd, by folded names.

    Purity times the strength of the stock solution, at 1 kg/L; 1 for a pure one that is weighed.
    The error, in percent of that, must be stated where either is.

    Parameters
    ----------
    rows : sequence of ReagentRow
    reagents : mapping of str to ReagentColumns
        Those of the table of times, by folded names.
    place : Place
        Of that table.
    faults : list of Fault
        What is wrong is added.
    """
    stated = {}
    for row in rows:
        at, key = row.place.about(quantity=row.name), fold_name(row.name)
        if key not in reagents:
            known = [r.name for r in reagents.values()]
            otherwise = f"Reagents of the table: {', '.join(known) or 'none'}."
            mend = did_you_mean(row.name, known, otherwise=otherwise)
            faults.append(Fault(f"The table of times has no reagent '{row.name}'.", mend, at))
        elif key in stated:
            faults.append(Fault("This reagent is there twice.", "Take one out.", at))
        else:
            stated[key] = _content(row, at, faults)
    contents = {}
    for key, columns in reagents.items():
        strength, content = stated.get(key, (False, (1.0, 0.0)))
        if columns.by_volume and not strength:
            faults.append(
                Fault(f"'{columns.name}' is added by volume, and nothing says how strong the stock "
                      "solution is.",
                      f'State it: [reagents] {toml_key(columns.name)} = {{ strength = "50 g/L", '
                      "relative = 2 }.", place)
            )  # fmt: skip
        elif strength and not columns.by_volume:
            faults.append(
                Fault(f"'{columns.name}' has the strength of a stock solution, but is added by "
                      "mass.", f"Name the column {columns.name} added [mL],\nor take the strength "
                      "out.", place)
            )  # fmt: skip
        contents[key] = content
    return contents


def _content(
    row: ReagentRow, place: Place, faults: list[Fault]
) -> tuple[bool, tuple[float, float]]:
    """Return whether a strength is stated, and what is in a mass of what is added, with its sd."""
    value, strength = 1.0, row.strength not in (None, "")
    purity = row.purity
    if purity not in (None, ""):
        text = purity.strip().removesuffix("%") if isinstance(purity, str) else purity
        percent = read_definition_number(text)
        if percent is None or not 0.0 < percent <= 100.0:
            faults.append(Fault(f"The purity is '{purity}'; it is above 0 and at most 100 %.",
                                "Write for example purity = 98.", place))  # fmt: skip
            return strength, (1.0, 0.0)
        value *= percent / 100.0
    if strength:
        amount = read_amount(row.strength)
        try:
            unit = None if amount is None else solution_unit(amount[1])
        except UnitError as error:
            faults.append(Fault(error.problem, error.mend, place))
            return True, (1.0, 0.0)
        if amount is None or unit is None or not 0.0 < unit.to_base(amount[0]) <= 1.0:
            faults.append(Fault(f"The strength is '{row.strength}'; it is a number above 0 with "
                                "its unit.", 'Write for example strength = "50 g/L".',
                                place))  # fmt: skip
            return True, (1.0, 0.0)
        value *= unit.to_base(amount[0])
    relative = 0.0 if row.relative in (None, "") else read_definition_number(row.relative)
    if relative is None or not 0.0 <= relative < 100.0:
        faults.append(Fault(f"The relative error is '{row.relative}'; it is in percent of what is "
                            "delivered.", "Write for example relative = 2.", place))  # fmt: skip
    elif relative == 0.0:
        faults.append(Fault("No error is stated of purity and strength.",
                            "Write for example relative = 2: one standard deviation, in percent.",
                            place))  # fmt: skip
    return strength, (value, value * (relative or 0.0) / 100.0)
