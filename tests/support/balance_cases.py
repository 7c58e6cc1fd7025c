"""Cases and surveys that property tests of the balance share."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

Maker = Callable[..., Any]
