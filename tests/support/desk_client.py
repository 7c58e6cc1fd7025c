"""A window of the page, without the page: asks the server of the desk what the page asks."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx

__all__ = ["DeskWindow", "running_desk"]

_LONGEST = 1200.0  # s: against hanging


class DeskWindow:
    """One window that was opened with the token."""

    def __init__(self, address: str, process: subprocess.Popen[str]) -> None:
        self.address, self.process = address, process
        self.base = address.partition("/open")[0]
        self.client = httpx.Client(
            base_url=self.base, headers={"origin": self.base}, timeout=_LONGEST, trust_env=False
        )

    def enter(self) -> httpx.Response:
        """Exchange the token."""
        return self.client.get(self.address)

    def ask(self, name: str, **body: Any) -> httpx.Response:
        """Return what the server answers."""
        return self.client.post(f"/api/{name}", json=body)

    def told(self, name: str, **body: Any) -> Any:
        """Return the JSON of an answer that must be one."""
        found = self.ask(name, **body)
        assert found.status_code == 200, (found.status_code, found.text)
        return found.json()

    def answer(self, document: dict[str, Any], **body: Any) -> dict[str, Any]:
        """Return the answer to a document, after its stages."""
        asked = {"case": document["case"], "parts": document["parts"], "whatif": {}, "number": 1}
        with self.client.stream("POST", "/api/answer", json=asked | body) as found:
            rows = [json.loads(line) for line in found.iter_lines()]
        assert "answer" in rows[-1], rows
        return dict(rows[-1]["answer"])

    def kill(self) -> None:
        """End the server as a power cut would."""
        self.process.kill()
        self.process.wait(_LONGEST)


@contextmanager
def running_desk(
    *arguments: str, folder: Path | None = None, state: Path | None = None
) -> Iterator[DeskWindow]:
    """Run the command and give the window that its address opens; interrupted at the end."""
    kept = state or Path(tempfile.mkdtemp(prefix="oretally-desk-test-"))
    process = subprocess.Popen(
        [sys.executable, "-m", "oretally.io", "desk", *arguments, "--no-browser"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=folder,
        env=os.environ | {"XDG_STATE_HOME": str(kept), "LOCALAPPDATA": str(kept)},
    )  # fmt: skip
    assert process.stdout is not None
    window = DeskWindow(process.stdout.readline().strip(), process)
    try:
        yield window
    finally:
        window.client.close()
        killed = process.poll() == -signal.SIGKILL
        if not killed:  # as every command that is interrupted: one line, and by that signal
            process.send_signal(signal.SIGINT)
        _, error = process.communicate(timeout=_LONGEST)
        expected = (-signal.SIGKILL, "") if killed else (-signal.SIGINT, "Stopped.\n")
        assert (process.returncode, error) == expected, (process.returncode, error)
