"""Mappings that cannot be written to, for frozen rows."""

from __future__ import annotations

import copyreg
from collections.abc import Mapping
from types import MappingProxyType
from typing import TypeVar

__all__ = ["freeze", "read_only"]

_Key = TypeVar("_Key")
_Value = TypeVar("_Value")


def read_only(items: Mapping[_Key, _Value]) -> MappingProxyType[_Key, _Value]:
    """Return a copy that cannot be written to.

    Examples
    --------
    >>> read_only({"Sn": 1.2})["Sn"] = 1.3
    Traceback (most recent call last):
    TypeError: 'mappingproxy' object does not support item assignment
    """
    return MappingProxyType(dict(items))


def freeze(row: object, *names: str) -> None:
    """Make mappings of a frozen dataclass read-only, in its ``__post_init__``."""
    for name in names:
        object.__setattr__(row, name, read_only(getattr(row, name)))


# results travel between processes, and pickle does not know the type by itself
copyreg.pickle(MappingProxyType, lambda items: (read_only, (dict(items),)))
