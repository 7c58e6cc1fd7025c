"""What is assayed, as somebody names it: 'Sn, Cu g/t', each with the unit of its grades."""

from __future__ import annotations

import re
from dataclasses import dataclass

from oretally.flowsheet import Dimension, Fault, InputError, UnitError, parse_unit
from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.faults import nearest_name
from oretally.flowsheet.foreign_text import shown, unreadable_character

__all__ = ["Metal", "listed_names", "metals_of", "readable_answer", "refused_answer"]

_PER_TONNE = frozenset("Au Ag Pt Pd Rh Ir Ru Os".split())
_IN_PERCENT = frozenset(
    "Al As Ba Bi C Ca Cd Ce Co Cr Cu F Fe Ga Ge In K La Li Mg Mn Mo Na Nb Nd Ni P Pb Re S Sb Se Si "
    "Sn Sr Ta Te Th Ti U V W Y Zn Zr "
    "Al2O3 BaSO4 CaF2 Cr2O3 Fe2O3 Li2O Nb2O5 P2O5 SiO2 Ta2O5 TiO2 WO3 ZrO2".split()
)
_WORDS = {
    "antimony": "Sb", "cobalt": "Co", "copper": "Cu", "gold": "Au", "iron": "Fe", "lead": "Pb",
    "lithium": "Li", "molybdenum": "Mo", "nickel": "Ni", "platinum": "Pt", "silver": "Ag",
    "tin": "Sn", "tungsten": "W", "zinc": "Zn",
}  # fmt: skip
_SYMBOLS = {name.casefold(): name for name in _PER_TONNE | _IN_PERCENT}
_METAL = re.compile(r"([^\W\d_][^\W_]*)(?:\s+(.+))?")


@dataclass(frozen=True, slots=True)
class Metal:
    """An analyte and the unit of its grades."""

    name: str
    unit: str


def refused_answer(problem: str, mend: str) -> InputError:
    """Return the refusal of an answer."""
    return InputError([Fault(problem, mend)])


def readable_answer(text: str, what: str) -> str:
    """Return a name or title with single spaces; refuse what cannot be seen in it."""
    wrong = unreadable_character(text, name=True)
    if wrong:
        raise refused_answer(
            f"The {what} '{shown(text)}' has the character {wrong}.", "Type it anew."
        )
    return " ".join(text.split())


def listed_names(text: str) -> list[str]:
    """Return the parts of a list with commas or semicolons."""
    return [part.strip() for part in re.split(r"[,;]", text) if part.strip()]


def metals_of(text: str) -> tuple[Metal, ...]:
    """Return analytes from a text such as 'Sn, Cu g/t'; an unknown one needs its unit.

    Raises
    ------
    InputError
        If a name or unit cannot be taken, a name is there twice, or there is none.

    Examples
    --------
    >>> metals_of("tin, Au; Insol %")
    (Metal(name='Sn', unit='%'), Metal(name='Au', unit='g/t'), Metal(name='Insol', unit='%'))
    """
    found: dict[str, Metal] = {}
    for part in listed_names(readable_answer(text, "list of metals")):
        match = _METAL.fullmatch(part)
        if match is None:
            raise refused_answer(
                f"'{shown(part)}' is no metal with its unit.",
                "Write a symbol, or a symbol and a unit: Sn, Au g/t.",
            )
        word = match[1].casefold()
        name = _WORDS.get(word) or _SYMBOLS.get(word) or match[1]
        known = "g/t" if name in _PER_TONNE else "%" if name in _IN_PERCENT else ""
        if not (match[2] or known):
            near = nearest_name(name, sorted([*_SYMBOLS.values(), *_WORDS]))
            mend = f"Write it with the unit of its grades, as in '{name} %' or '{name} g/t'."
            raise refused_answer(f"What unit has '{name}'?",
                           f"Did you mean '{near}'? Else {mend[0].lower()}{mend[1:]}" if near
                           else mend)  # fmt: skip
        try:
            unit = parse_unit(match[2] or known, Dimension.GRADE)
        except UnitError as error:
            raise refused_answer(f"{name}: {error.problem}", error.mend) from error
        if fold_name(name) in found:
            raise refused_answer(f"'{name}' is there twice.", "Name it once.")
        found[fold_name(name)] = Metal(name, unit.symbol)
    if not found:
        raise refused_answer("No metal is named.", "Name one at least, as in Sn.")
    return tuple(found.values())
