"""What property tests of the balance share."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

from oretally.recon import reconcile

Maker = Callable[..., Any]

# the balance and its answers; to look for wrong numbers too takes most of the time
only_balanced = partial(reconcile, suspects=False)
