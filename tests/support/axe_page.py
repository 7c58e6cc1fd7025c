"""Whether everybody can read a page, by axe-core."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Page


def grave(page: Page) -> list[tuple[str, str]]:
    """Return what keeps somebody from reading a page: rule and element; skip without axe-core."""
    axe: Any = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    found = axe.run(page).response["violations"]
    some = [v for v in found if v["impact"] in ("serious", "critical")]
    return [(v["id"], v["nodes"][0]["html"]) for v in some]
