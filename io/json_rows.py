"""Rows of a result as JSON: a row is an object of its fields, in their order.

What is written otherwise is told, type by type, as its keys or as a function. Enums are their
values, what has no limit is null, and a value with its sd is ``{"value": ..., "sd": ...}``.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import is_dataclass
from enum import Enum
from importlib.resources import files
from math import isinf
from operator import attrgetter
from types import UnionType
from typing import Any, get_args, get_type_hints

from oretally.recon.result import Estimate

__all__ = ["Form", "JsonRows", "document_text", "packaged_schema"]

Form = str | Callable[[Any], object]
"""The keys of a row, see `JsonRows.keys`; or a function to what is written in its place."""


class JsonRows:
    """Writes values of a result as plain dicts, lists and numbers.

    Parameters
    ----------
    forms : mapping of type to Form
        Of rows that are not written by their fields.
    """

    def __init__(self, forms: Mapping[type, Form]) -> None:
        self.forms = forms
        self._hints: dict[type, dict[str, Any]] = {}

    def __call__(self, value: object, hint: object = None) -> Any:
        """Return a value as JSON has it; ``hint``: how its field was declared."""
        form = self.forms.get(type(value))
        if form is not None:
            return self.keys(value, form) if isinstance(form, str) else self(form(value))
        if is_dataclass(value) or hasattr(value, "_fields"):
            return self.keys(value, " ".join(self._declared(type(value))))
        if isinstance(value, Enum):
            return value.value
        if isinstance(value, float):
            return None if isinf(value) else value
        if isinstance(hint, UnionType):  # with None
            hint = next(part for part in get_args(hint) if part is not type(None))
        if isinstance(value, tuple) and hint == Estimate:
            return dict(zip(("value", "sd"), value, strict=True))
        of_each = next((part for part in get_args(hint) if part not in (str, ...)), None)
        if isinstance(value, Mapping):
            return {name: self(each, of_each) for name, each in value.items()}
        if isinstance(value, tuple | list):
            return [self(each, of_each) for each in value]
        return value

    def keys(self, row: object, keys: str) -> dict[str, Any]:
        """Return a row by some of its fields and properties.

        Parameters
        ----------
        row : object
        keys : str
            Apart by spaces. ``class=label`` writes the field ``label`` as ``class``, and
            ``p=test.p`` a field of a field; a ``?`` at the end makes null of what is empty.

        Examples
        --------
        >>> from oretally.recon.result import Hold
        >>> JsonRows({}).keys(Hold("tails", ""), "of=stream quantity?")
        {'of': 'tails', 'quantity': None}
        """
        hints, found = self._declared(type(row)), {}
        for word in keys.split():
            key, _, field = word.rstrip("?").partition("=")
            value = attrgetter(field or key)(row)
            known = (value or None) if word.endswith("?") else value
            found[key] = self(known, hints.get(field or key))
        return found

    def _declared(self, kind: type) -> dict[str, Any]:
        """Return the fields of a row, in their order, each with what it was declared as."""
        if kind not in self._hints:
            self._hints[kind] = get_type_hints(kind)
        return self._hints[kind]


def document_text(document: Mapping[str, Any]) -> str:
    """Return a document as JSON text.

    Raises
    ------
    ValueError
        If a number is none (NaN): that is a mistake of ours, and no result.
    """
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False)


def packaged_schema(name: str) -> dict[str, Any]:
    """Return the JSON Schema of a document, such as 'balance', 'comparison' or 'bias'."""
    text = files("oretally.io").joinpath(f"schemas/{name}.schema.json").read_text("utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema
