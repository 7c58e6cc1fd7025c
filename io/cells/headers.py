"""The spellings of one header: what is a quantity, what its unit, what its stated error.

Taken are forms that can be read in one way only. For the dry mass in kg:

- unit: ``dry mass [kg]``, ``dry mass (kg)``, ``dry mass, kg``, ``dry mass kg``; ``% Sn``, ``Sn %``
- name: any case; ``dry_mass``, ``dry-mass``, ``drymass``, ``mass dry``, ``mass (dry)``,
  ``dry weight``; ``solids`` and ``percent solids`` for ``% solids``
- in a unit of mass or rate ``dry``, ``solids`` and ``dry solids`` are dry, ``wet`` is wet; a dry
  mass in t/h is a dry rate
- error, one standard deviation: before the name ``±``, ``+/-``, ``+-``, ``sd``, ``error``,
  ``standard deviation`` (each with or without ``of``); after it ``±``, ``sd``, ``error``

An uncertainty is not taken as a standard deviation: it may be two of them.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from oretally.flowsheet import Dimension, UnitError, is_unit, parse_unit
from oretally.flowsheet.circuit import fold_name

__all__ = ["RELATIVE", "Heading", "Spellings", "flow_word", "is_relative", "read_heading"]

RELATIVE = "rel %"
"""Unit of an error in percent of the value, as it should be written."""

_SD = r"sd|s\.d\.?|std\.?|st\.? ?dev\.?|std ?dev|standard deviation|error"
_BEFORE = re.compile(rf"(?:±|\+/[-\N{{MINUS SIGN}}]|\+-|(?:{_SD})(?: of)?(?= |\(|$))\s*", re.I)
_AFTER = re.compile(rf"(?:\s*±|\s*\+/-| (?:{_SD}))$", re.IGNORECASE)
_BRACKETS = re.compile(r"(?P<name>[^\[\]]*?)\s*\[(?P<unit>[^\[\]]*)\]")
_ROUND = re.compile(r"(?P<name>.+?)\s*\((?P<unit>[^()]+)\)")
_COMMA = re.compile(r"(?P<name>.+?)\s*,\s*(?P<unit>[^,]+)")
_LAST = re.compile(r"(?P<name>.+) (?P<unit>\S+)")
_SHARE = re.compile(r"(?P<unit>%|wt ?%|pct|percent) ?(?P<name>.+)", re.IGNORECASE)
_ALIASES = {
    "dry weight": "dry mass", "dry wt": "dry mass", "wet weight": "wet mass", "wet wt": "wet mass",
    "solids": "% solids", "percent solids": "% solids", "pct solids": "% solids",
}  # fmt: skip

_FLOWS = {"dry mass", "dry", "dry solids", "solids", "wet mass", "wet"}


@dataclass(frozen=True, slots=True)
class Heading:
    """A header taken apart.

    Attributes
    ----------
    name : str
        The quantity, as known if it is known, else as written; empty if none is named.
    unit : str or None
    is_error : bool
    second_unit : str
        A unit that stands in round brackets beside the one in square brackets, else empty.
    written : str
        The quantity as written.
    """

    name: str
    unit: str | None
    is_error: bool
    second_unit: str = ""
    written: str = ""


class Spellings:
    """The names that are known, found by any spelling that is like no other of them."""

    def __init__(self, names: Iterable[str]) -> None:
        self.exact = {fold_name(name): name for name in names}
        self.loose: dict[object, str | None] = {}
        for folded, name in self.exact.items():
            for key in {_run_together(folded), _words(folded)}:
                self.loose[key] = None if key in self.loose else name  # like two: like none

    def find(self, written: str) -> str | None:
        """Return the known name, or None."""
        folded = fold_name(written)
        found = self.exact.get(folded)
        if found is None:
            found = self.loose.get(_run_together(folded)) or self.loose.get(_words(folded))
        if found is None:
            alias = _ALIASES.get(" ".join(re.split(r"[\s_-]+", folded)))
            found = self.exact.get(alias) if alias else None
        return found


def flow_word(written: str, known: Spellings) -> str | None:
    """Return the plain form of a name that is a flow beside a unit of one; None of another name.

    Examples
    --------
    >>> known = Spellings(["dry mass", "% solids"])
    >>> [flow_word(w, known) for w in ("Dry_mass", "Solids", "wet", "mass", "% solids", "Sn")]
    ['dry mass', 'solids', 'wet', None, None, None]
    """
    word = known.find(written)
    if word is None or word == "% solids":  # 'solids' is a share or a flow, by its unit
        word = " ".join(re.split(r"[\s_-]+", fold_name(written)))
    return word if word in _FLOWS else None


def _run_together(folded: str) -> str:
    return re.sub(r"[\s_-]", "", folded)


def _words(folded: str) -> tuple[str, ...]:
    return tuple(sorted(word for word in re.split(r"[\s_()-]+", folded) if word))


def is_relative(unit: str) -> bool:
    """Tell whether the unit of an error is percent of the value."""
    return "".join(unit.split()).casefold() in ("rel%", "%rel", "rel.%", "relative%")


def read_heading(text: str, known: Spellings) -> Heading | None:
    """Take a header apart; None if its brackets cannot be read.

    Examples
    --------
    >>> read_heading("DRY MASS, kg", Spellings(["dry mass"]))
    Heading(name='dry mass', unit='kg', is_error=False, second_unit='', written='DRY MASS')
    >>> read_heading("sd of Sn (rel %)", Spellings([]))
    Heading(name='Sn', unit='rel %', is_error=True, second_unit='', written='Sn')
    """
    written = " ".join(text.split())
    unit: str | None = None
    square = _BRACKETS.fullmatch(written)
    if square is not None:
        written, unit = square["name"], square["unit"].strip()
    elif "[" in written or "]" in written:
        return None
    is_error = False
    if known.find(written) is None:
        written, is_error = _without_sign(written)
    second = ""
    round_ = _ROUND.fullmatch(written)
    if round_ is not None and _reads_as_unit(round_["unit"]):
        written = round_["name"]
        second, unit = (round_["unit"], unit) if unit is not None else ("", round_["unit"])
    elif unit is None:
        written, unit = _unit_in_words(written, known)
    if not is_error and known.find(written) is None:
        written, is_error = _without_sign(written)  # 'Sn sd (%)'
    name = known.find(written) or written
    if unit is None and name == "% solids":
        unit = "%"
    if "±" in name:
        return None
    return Heading(name, unit, is_error, second, written)


def _without_sign(written: str) -> tuple[str, bool]:
    """Return a name without what says that it is an error, and whether anything did."""
    spaced = written.replace("_", " ")
    for pattern in (_BEFORE.match(spaced), _AFTER.search(spaced)):
        if pattern is not None:
            return (written[: pattern.start()] + written[pattern.end() :]).strip(" _"), True
    return written, False


def _unit_in_words(written: str, known: Spellings) -> tuple[str, str | None]:
    """Return name and unit where the unit stands without brackets."""
    comma = _COMMA.fullmatch(written)
    if comma is not None and _reads_as_unit(comma["unit"]):
        return comma["name"], comma["unit"]
    last = _LAST.fullmatch(written.replace("_", " "))
    if last is not None and _reads_as_unit(last["unit"]):
        name = last["name"]
        if known.find(name) or flow_word(name, known) or _is_grade(last["unit"]):
            return last["name"], last["unit"]
    share = _SHARE.fullmatch(written)
    if share is not None and known.find(written) is None and known.find(share["name"]):
        return share["name"], "%"
    return written, None


def _reads_as_unit(text: str) -> bool:
    if is_unit(text) or is_relative(text):
        return True
    try:
        parse_unit(text)
    except UnitError as error:
        return bool(error.readings)  # 'oz/ton' is a unit too, refused where it is read
    return True


def _is_grade(unit: str) -> bool:
    try:
        return parse_unit(unit, Dimension.GRADE).dimension is Dimension.GRADE
    except UnitError:
        return False
