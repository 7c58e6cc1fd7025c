"""What may stand in a definition: texts that can be read, numbers that can be reckoned with."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

from oretally.flowsheet import Fault, Place
from oretally.flowsheet.foreign_text import shown, unreadable_character
from oretally.io.cells.number_range import range_fault, written_out_of_range
from oretally.io.files import BUDGET

__all__ = ["plain_document"]

_CHARACTER = "Take it out: it cannot be seen, or changes what is seen."


def plain_document(
    document: Mapping[str, Any], at: Callable[..., Place], faults: list[Fault]
) -> dict[str, Any]:
    """Return a document of TOML; what is refused is added to ``faults``, 1 stands in for numbers.

    Parameters
    ----------
    document : mapping
    at : callable
        Returns the place of an entry by its keys.
    faults : list of Fault
    """
    return {
        key: _plain(value, (key,), at, faults) for key, value in _read(document, (), at, faults)
    }


def _plain(value: Any, keys: tuple[str, ...], at: Callable[..., Place], faults: list[Fault]) -> Any:
    if isinstance(value, dict):
        return {
            key: _plain(entry, (*keys, key), at, faults)
            for key, entry in _read(value, keys, at, faults)
        }
    if isinstance(value, list):
        return [_plain(entry, keys, at, faults) for entry in value]
    if isinstance(value, str):
        _check(value, keys, at, faults)
    if written_out_of_range(value):
        faults.append(range_fault(f"number of '{shown(keys[-1])}'", value, at(*keys)))
        return 1
    return value


def _read(
    entries: Mapping[str, Any], keys: tuple[str, ...], at: Callable[..., Place],
    faults: list[Fault],
) -> Iterable[tuple[str, Any]]:  # fmt: skip
    """Return the entries of a table, their names checked."""
    for key in entries:
        _check(key, (*keys, key), at, faults)
    return entries.items()


def _check(text: str, keys: tuple[str, ...], at: Callable[..., Place], faults: list[Fault]) -> None:
    """Refuse a name or text that cannot be read as it stands."""
    wrong = unreadable_character(text, name=True)
    if wrong:
        faults.append(Fault(f"'{shown(text)}' has the character {wrong}.", _CHARACTER, at(*keys)))
    elif len(text) > BUDGET.cell:
        problem = (
            f"A name or text has {len(text):,} characters; no more than {BUDGET.cell:,} are read."
        )
        mend = "Shorten it, or look for a quotation mark that is not closed."
        faults.append(Fault(problem, mend, at(*keys)))
