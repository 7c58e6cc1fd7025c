"""Who is let in: this machine's one browser; nobody by another name, page or port."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import httpx
import pytest

from oretally.io.cli import oretally
from oretally.io.desk.cases import OpenCases
from oretally.io.desk.guard import LARGEST_BODY, MADE_POLICY, PAGE_POLICY, Guard
from oretally.io.desk.kept import RecentCases
from oretally.io.desk.server import application
from oretally.io.forms import make_case

PORT = 8123
HOST = f"127.0.0.1:{PORT}"
OWN = f"http://{HOST}"
JSON = {"origin": OWN, "content-type": "application/json"}


class Browser:
    """Asks the server in this process, cookies and all, and follows no redirects."""

    def __init__(self, app: Any) -> None:
        self.app, self.cookies, self.headers = app, httpx.Cookies(), dict[str, str]()

    def request(self, method: str, path: str, **asked: Any) -> httpx.Response:
        """Return the answer to one request."""
        headers = [*self.headers.items(), *asked.pop("headers", {}).items()]
        given = {name.lower(): value for name, value in headers}

        async def answered() -> httpx.Response:
            transport = httpx.ASGITransport(app=self.app)
            async with httpx.AsyncClient(
                transport=transport, base_url=OWN, cookies=self.cookies, trust_env=False
            ) as client:
                found = await client.request(method, path, headers=given, **asked)
                self.cookies.update(client.cookies)
                return found

        with ThreadPoolExecutor(1) as other:  # a browser of other tests may hold this thread's loop
            return other.submit(asyncio.run, answered()).result()

    def get(self, path: str, **asked: Any) -> httpx.Response:
        """Return a page."""
        return self.request("GET", path, **asked)

    def post(self, path: str, **asked: Any) -> httpx.Response:
        """Return the answer to what the page asks."""
        return self.request("POST", path, **asked)


@pytest.fixture
def guard(tmp_path: Path) -> Guard:
    make_case(tmp_path / "root" / "test", "tin_table")
    (tmp_path / "outside").mkdir()
    (tmp_path / "outside" / "circuit.toml").write_text("title = 'secret'", encoding="utf-8")
    cases = OpenCases(tmp_path / "root", RecentCases(tmp_path / "recent.json"))
    return Guard(application(cases, oretally), PORT, "token")


@pytest.fixture
def stranger(guard: Guard) -> Browser:
    return Browser(guard)


@pytest.fixture
def window(guard: Guard) -> Browser:
    found = Browser(guard)
    assert found.get("/open?token=token").status_code == 303
    found.headers.update(JSON)
    return found


def test_the_token_is_exchanged_once(guard: Guard, stranger: Browser) -> None:
    opened = stranger.get("/open?token=token")
    assert opened.status_code == 303
    assert opened.headers["location"] == "/"
    cookie = opened.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "samesite=strict" in cookie.lower()
    assert guard.secret in cookie
    assert stranger.get("/open?token=token").status_code == 303  # the same browser goes on
    assert Browser(guard).get("/open?token=token").status_code == 403


@pytest.mark.parametrize("token", ["", "wrong", "token2", "t\u00f6ken"])
def test_a_wrong_token_opens_nothing(stranger: Browser, token: str) -> None:
    refused = stranger.get("/open", params={"token": token})
    assert refused.status_code == 403
    assert "set-cookie" not in refused.headers


@pytest.mark.parametrize(
    "path", ["/", "/page/main.js", "/made/x/y.html", "/open", "/manual", "/manual.css"]
)
def test_without_the_cookie_nothing_is_seen(stranger: Browser, path: str) -> None:
    assert stranger.get(path).status_code == 403


@pytest.mark.parametrize("cookie", ["", "x", "s\u00e9cret"])
def test_a_wrong_cookie_is_none(stranger: Browser, guard: Guard, cookie: str) -> None:
    headers = {**JSON, "cookie": f"{guard.cookie}={cookie}".encode()}
    assert stranger.post("/api/start", json={}, headers=headers).status_code == 403


@pytest.mark.parametrize(
    "host",
    ["evil.example", f"evil.example:{PORT}", "127.0.0.1", "localhost", "127.0.0.1:81",
     f"127.0.0.2:{PORT}", f"[::1]:{PORT}", f"0.0.0.0:{PORT}", f"127.0.0.1:{PORT}.evil.example",
     f"localhost.evil.example:{PORT}", ""],
)  # fmt: skip
def test_another_host_is_refused(window: Browser, host: str) -> None:
    """A name that somebody else points at this machine (DNS rebinding) is not its name."""
    for path in ("/", "/open?token=token"):
        assert window.get(path, headers={"host": host}).status_code == 421
    refused = window.post("/api/start", json={}, headers={"host": host, "origin": f"http://{host}"})
    assert refused.status_code == 421


def test_localhost_is_this_machine(window: Browser) -> None:
    mine = f"localhost:{PORT}"
    found = window.post("/api/start", json={}, headers={"host": mine, "origin": f"http://{mine}"})
    assert found.status_code in (200, 403)  # the cookie was given to the other name


@pytest.mark.parametrize(
    "origin", ["http://evil.example", f"https://{HOST}", "null", f"http://localhost:{PORT}",
               "http://127.0.0.1", "http://127.0.0.1:81"],
)  # fmt: skip
def test_a_post_of_another_page_is_refused(window: Browser, origin: str) -> None:
    assert window.post("/api/start", json={}, headers={"origin": origin}).status_code == 403


def test_a_post_without_origin_is_refused(window: Browser) -> None:
    del window.headers["origin"]
    assert window.post("/api/start", json={}).status_code == 403


def test_a_post_that_the_browser_calls_cross_site_is_refused(window: Browser) -> None:
    headers = {"sec-fetch-site": "cross-site"}
    assert window.post("/api/start", json={}, headers=headers).status_code == 403


@pytest.mark.parametrize(
    "kind", ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data", ""]
)
def test_a_form_of_another_page_is_refused(window: Browser, kind: str) -> None:
    """What a form can send without asking first is never JSON."""
    refused = window.post("/api/start", content=b"{}", headers={"content-type": kind})
    assert refused.status_code == 415


@pytest.mark.parametrize("method", ["PUT", "DELETE", "OPTIONS", "TRACE"])
def test_other_methods_are_refused(window: Browser, method: str) -> None:
    assert window.request(method, "/api/start").status_code == 405


def test_more_than_a_case_can_be_is_refused(window: Browser) -> None:
    told = window.post("/api/start", content=b"{}", headers={"content-length": str(10**12)})
    assert told.status_code == 413

    async def pieces() -> AsyncIterator[bytes]:
        for _ in range(LARGEST_BODY // 2**20 + 2):
            yield b" " * 2**20

    assert window.post("/api/start", content=pieces()).status_code == 413


def test_every_answer_carries_the_policy(window: Browser, stranger: Browser) -> None:
    for found in (window.get("/nothing"), window.post("/api/start", json={}),
                  stranger.get("/", headers={"host": "evil.example"})):  # fmt: skip
        assert found.headers["content-security-policy"] == PAGE_POLICY
        assert found.headers["x-content-type-options"] == "nosniff"
        assert found.headers["referrer-policy"] == "no-referrer"
        assert found.headers["cross-origin-resource-policy"] == "same-origin"
        assert "access-control-allow-origin" not in found.headers
    assert window.get("/made/x/y.html").headers["content-security-policy"] == MADE_POLICY
    for policy in (PAGE_POLICY, MADE_POLICY):
        assert "default-src 'none'" in policy
        assert "unsafe-eval" not in policy
    assert "unsafe-inline" not in PAGE_POLICY
    assert "script-src" not in MADE_POLICY
    assert MADE_POLICY.endswith("sandbox")


@pytest.mark.parametrize(
    "path", ["../outside", "../../etc", "/etc/passwd", "test/../../outside", "", "\x00", "link"]
)
def test_a_path_out_of_the_folder_is_refused(window: Browser, tmp_path: Path, path: str) -> None:
    (tmp_path / "root" / "link").symlink_to(tmp_path / "outside")
    for name, body in (
        ("open", {"path": path}),
        ("new", {"from": "blank", "folder": path}),
        ("campaign", {"campaign": path, "view": "list"}),
        ("survey", {"campaign": path, "label": "week 1"}),
    ):
        refused = window.post(f"/api/{name}", json=body)
        assert refused.status_code == 422
        assert "secret" not in refused.text
    refused = window.post("/api/open", json={"recent": str(tmp_path / "outside")})
    assert refused.status_code == 422


@pytest.mark.parametrize(
    "path",
    ["/page/../server.py", "/page/..%2fserver.py", "/page/%2e%2e/server.py", "/page//etc/passwd",
     "/page/.hidden.js", "/page/..\\server.py", "/page/../../cli.py", "/page/", "/page/x.py"],
)  # fmt: skip
def test_nothing_but_the_page_is_served(window: Browser, path: str) -> None:
    found = window.get(path)
    assert found.status_code in (403, 404)
    assert "import" not in found.text


def test_a_part_that_is_a_link_out_of_the_case_is_refused(window: Browser, tmp_path: Path) -> None:
    case = tmp_path / "root" / "test"
    (case / "measurements.csv").unlink()
    (case / "measurements.csv").symlink_to(tmp_path / "outside" / "circuit.toml")
    refused = window.post("/api/open", json={"path": "test"})
    assert refused.status_code == 422
    assert "not a file in the folder of the case" in refused.text
    assert "secret" not in refused.text


@pytest.mark.parametrize("name", ["../x.csv", "/x.csv", "a/b.csv", ".csv/..", "notes.txt", ""])
def test_a_part_of_another_name_is_not_written(window: Browser, tmp_path: Path, name: str) -> None:
    document = window.post("/api/open", json={"path": "test"}).json()
    before = sorted(tmp_path.rglob("*"))
    parts = {**document["parts"], name: [["x"]]}
    body = {"case": document["case"], "parts": parts, "digests": document["digests"]}
    assert window.post("/api/save", json=body).status_code == 422
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.parametrize(
    "body", [b"", b"[]", b"{", b"null", b'{"parts": 1}', b"[" * 10_000, b'{"parts": {"a": [1]}}']
)
def test_nonsense_is_told_as_a_fault(window: Browser, body: bytes) -> None:
    for name in (
        "open",
        "new",
        "edit",
        "save",
        "keep",
        "forget",
        "state",
        "make",
        "take",
        "answer",
        "campaign",
        "survey",
    ):
        assert window.post(f"/api/{name}", content=body).status_code == 422
