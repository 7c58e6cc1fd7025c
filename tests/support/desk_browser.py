"""A running desk and a browser on it, for tests of the page."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner

from oretally.io.cli import oretally
from oretally.io.forms import make_case

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)
_SPARING = ["--disable-gpu", "--disable-gpu-compositing", "--renderer-process-limit=1"]  # of work
WAIT = 300_000  # ms, against hanging; nothing is judged by it


@dataclass
class Desk:
    """One run of `oretally desk`."""

    process: subprocess.Popen[str]
    address: str

    @property
    def origin(self) -> str:
        return self.address.split("/open?")[0]


def _own_places(home: Path) -> dict[str, str]:
    """Variables that keep what a program leaves behind within a folder."""
    names = ("HOME", "XDG_STATE_HOME", "XDG_CONFIG_HOME", "XDG_CACHE_HOME", "XDG_DATA_HOME")
    return dict.fromkeys(names, str(home))


@contextmanager
def running_desk(folder: Path, *arguments: str) -> Iterator[Desk]:
    """Start the desk in a folder; what it remembers of recent cases stays there too."""
    home = folder / ".home"
    home.mkdir(exist_ok=True)
    process = subprocess.Popen(
        [sys.executable, "-m", "oretally.io", "desk", "--no-browser", *arguments],
        cwd=folder, env={**os.environ, **_own_places(home), "PYTHONUNBUFFERED": "1"},
        stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        assert process.stdout is not None
        yield Desk(process, process.stdout.readline().strip())
    finally:
        process.kill()
        process.communicate()


@contextmanager
def chromium() -> Iterator[Browser]:
    """Start Debian's chromium; skip where it, or what drives it, is missing."""
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    if CHROMIUM is None:
        pytest.skip("chromium is not installed")
    with tempfile.TemporaryDirectory() as home, playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(
            executable_path=CHROMIUM, env={**os.environ, **_own_places(Path(home))},
            chromium_sandbox=os.geteuid() != 0,  # chromium refuses a sandbox to root
            timeout=WAIT, args=_SPARING,
        )  # fmt: skip
        try:
            yield browser
        finally:
            browser.close()


@dataclass
class Seen:
    """What a page did that nobody should see."""

    requests: list[str] = field(default_factory=list)
    mistakes: list[str] = field(default_factory=list)


class Hand:
    """A page, and what hands do with it."""

    def __init__(self, browser: Browser, **options: Any) -> None:
        context = browser.new_context(viewport={"width": 1280, "height": 900}, **options)
        context.set_default_timeout(WAIT)
        context.grant_permissions(["clipboard-read", "clipboard-write"])
        self.context = context
        self.seen = Seen()
        self.page = self.another()

    def another(self) -> Page:
        """Open one more window of the same browser."""
        page = self.context.new_page()
        page.on("request", lambda request: self.seen.requests.append(request.url))
        page.on("pageerror", lambda error: self.seen.mistakes.append(str(error)))
        page.on("dialog", lambda dialog: dialog.accept())
        return page

    def open(self, desk: Desk) -> None:
        """Open the address that the desk printed."""
        self.page.goto(desk.address)
        self.page.wait_for_selector("html[data-ready=true]")

    def start(self, desk: Desk) -> None:
        """Open the start page; the desk's cookie is there already."""
        self.page.goto(desk.origin + "/?case=")
        self.page.wait_for_selector("html[data-ready=true]")

    def case(self, desk: Desk, name: str) -> None:
        """Open a case in the desk's folder, from the start page."""
        self.start(desk)
        self.page.fill("#start form input", name)
        self.page.click("#start form button")
        self.page.wait_for_selector(f'#path:text-is("{name}")')

    def press(self, *keys: str) -> None:
        for key in keys:
            self.page.keyboard.press(key)

    def type(self, *texts: str, after: str = "Tab") -> None:
        """Type texts, each followed by a key."""
        for text in texts:
            self.page.keyboard.type(text)
            self.page.keyboard.press(after)

    def tab_to(self, selector: str, most: int = 120) -> None:
        """Press Tab until the focus is there."""
        for _ in range(most):
            if self.page.locator(f"{selector}:focus").count():
                return
            self.page.keyboard.press("Tab")
        raise AssertionError(f"Tab never reaches {selector}")

    def settled(self) -> None:
        """Wait until the answer is that of what stands in the page; nothing is drawn anew then.

        An edit of the circuit is made by the server: whoever made one first waits for ``stands``.
        """
        self.page.wait_for_selector("#answer[data-current=true]")

    def stands(self, key: str, value: str) -> None:
        """Wait until a field of the circuit was drawn with what was typed in it."""
        self.page.wait_for_selector(f'[data-key="{key}"][data-was="{value}"]')

    def told(self, text: str) -> None:
        """Wait for a message at the foot, which is seen for some seconds and stands there after."""
        self.page.wait_for_selector(f"#told:has-text('{text}')", state="attached")

    def no_dialog(self) -> None:
        """Wait until what a dialog was answered with has been taken."""
        self.page.wait_for_selector("dialog", state="detached")

    def answer(self) -> str:
        self.settled()
        return self.page.inner_text("#answer-body")

    def to_cell(self, name: str) -> None:
        """Make a cell of the table the active one, by mouse."""
        letters = name.rstrip("0123456789")
        column = sum((ord(c) - 64) * 26**i for i, c in enumerate(reversed(letters)))
        row = int(name[len(letters) :]) - 1
        self.page.click(f'.cells tr[data-row="{row}"] td:nth-of-type({column})')

    def paste(self, text: str) -> None:
        self.page.evaluate("text => navigator.clipboard.writeText(text)", text)
        self.press("Control+v")

    def screen(self) -> str:
        """The first screen as the command line would print it."""
        self.settled()
        return self.page.text_content('details[data-key="screen"] pre') or ""


@dataclass
class AtWork:
    """A desk that several tests use, its folder, and what lets a browser in."""

    folder: Path
    desk: Desk
    cookies: Any

    def copies(self, place: str, *examples: str) -> Path:
        """Copy examples into a folder of that name, below that of the desk."""
        for example in examples:
            make_case(self.folder / place / example, example)
        return self.folder / place

    def hand(self, browser: Browser) -> Hand:
        """Return a hand that has been let in."""
        return Hand(browser, storage_state=self.cookies)


def quiet(hand: Hand, desk: Desk) -> None:
    """Nothing went wrong in the page, and nothing left it."""
    assert not hand.seen.mistakes
    assert {url.split("/", 3)[2] for url in hand.seen.requests} == {desk.origin[7:]}


def printed(case: Path, *options: str) -> str:
    """What the command line prints of a case."""
    done = CliRunner().invoke(oretally, ["balance", str(case), *options])
    assert done.exit_code == 0, done.output
    return done.stdout
