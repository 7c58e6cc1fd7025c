"""One browser and one desk for all tests of the page: each takes seconds to start."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest
from desk_browser import AtWork, Hand, chromium, running_desk

if TYPE_CHECKING:
    from playwright.sync_api import Browser


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    with chromium() as found:
        yield found


@pytest.fixture(scope="session")
def at_work(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[AtWork]:
    folder = tmp_path_factory.mktemp("desk")
    with running_desk(folder) as desk:
        hand = Hand(browser)
        hand.open(desk)
        cookies = hand.context.storage_state()
        hand.context.close()
        yield AtWork(folder, desk, cookies)
