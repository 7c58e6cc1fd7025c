"""Who may speak to the page's server: one browser of this machine, and no page of anybody else.

Every request passes here first: exact Host (no name that somebody else may point at this machine),
the cookie that was given for the token of this run, and for what changes anything its Origin and
Content-Type. Every answer carries the policy that keeps the page from reaching anything else.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Iterable

from starlette.datastructures import Headers, MutableHeaders, QueryParams
from starlette.exceptions import HTTPException
from starlette.requests import cookie_parser
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["LARGEST_BODY", "MADE_POLICY", "PAGE_POLICY", "Guard"]

LARGEST_BODY = 48 * 1024 * 1024
"""Bytes of a request: more than any case that the page can show."""
PAGE_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; form-action 'none'; frame-ancestors 'none'; base-uri 'none'"
)
MADE_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; font-src data:; "
    "form-action 'none'; frame-ancestors 'none'; base-uri 'none'; sandbox"
)
"""Of what the page made: a report has its own style, and never a script."""
_MADE = "/made/"
_ALWAYS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=(), payment=(), usb=()",
    "cache-control": "no-store",
}
_TOO_MUCH = "That is more than the page may send."
_CLOSED = "Open the address that 'oretally desk' printed; it works once, in one browser."


class Guard:
    """Lets through what comes from the page that was opened with the token of this run.

    Parameters
    ----------
    app : ASGIApp
    port : int
        On which this run listens, on the loopback alone.
    token : str, optional
        Exchanged once for the cookie; made here unless given.
    """

    def __init__(self, app: ASGIApp, port: int, token: str | None = None) -> None:
        self.app, self.port = app, port
        self.token: str | None = token or secrets.token_urlsafe(32)
        self.secret = secrets.token_urlsafe(32)
        self.cookie = f"oretally-desk-{port}"  # cookies do not know ports; two runs may stand open
        self.hosts = {f"127.0.0.1:{port}", f"localhost:{port}"}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or let it through."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":  # no web sockets here
            await send({"type": "websocket.close", "code": 1008})
            return
        made = scope["path"].startswith(_MADE)

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _ALWAYS.items():
                    headers[name] = value
                headers["content-security-policy"] = MADE_POLICY if made else PAGE_POLICY
            await send(message)

        answer = self.refusal(scope)
        if answer is not None:
            await answer(scope, receive, send_guarded)
            return
        read = 0

        async def receive_limited() -> Message:
            nonlocal read
            message = await receive()
            read += len(message.get("body", b""))
            if read > LARGEST_BODY:
                raise HTTPException(413, _TOO_MUCH)
            return message

        await self.app(scope, receive_limited, send_guarded)

    def refusal(self, scope: Scope) -> Response | None:
        """Return what to answer in place of the page; None if the request may pass."""
        headers, method = Headers(scope=scope), scope["method"]
        hosts = headers.getlist("host")
        if len(hosts) != 1 or hosts[0].lower() not in self.hosts:
            return _plain(421, "This is not the address of the page.")
        if method not in ("GET", "HEAD", "POST"):
            return _plain(405, "No such request is known here.")
        own = f"http://{hosts[0].lower()}"
        if headers.get("sec-fetch-site", "same-origin") == "cross-site" and method != "GET":
            return _plain(403, "The request comes from another page.")
        if scope["path"] == "/open" and method == "GET":
            return self._opened(scope, headers)
        if not self._known(headers.getlist("cookie")):
            return _plain(403, _CLOSED)
        if method != "POST":
            return None
        if headers.getlist("origin") != [own]:
            return _plain(403, "The request comes from another page.")
        if headers.get("content-type", "").split(";")[0].strip().lower() != "application/json":
            return _plain(415, "Send application/json.")
        length = headers.get("content-length", "0")
        if not length.isdigit() or int(length) > LARGEST_BODY:
            return _plain(413, _TOO_MUCH)
        return None

    def _known(self, cookies: Iterable[str]) -> bool:
        given = (cookie_parser(line).get(self.cookie, "") for line in cookies)
        return any(hmac.compare_digest(one.encode(), self.secret.encode()) for one in given)

    def _opened(self, scope: Scope, headers: Headers) -> Response:
        """Exchange the token for the cookie, once; whoever has the cookie goes on to the page."""
        given = QueryParams(scope["query_string"]).get("token", "")
        known = self._known(headers.getlist("cookie"))
        if self.token is None or not hmac.compare_digest(given.encode(), self.token.encode()):
            return RedirectResponse("/", 303) if known else _plain(403, _CLOSED)
        self.token = None
        answer = RedirectResponse("/", 303)
        answer.set_cookie(self.cookie, self.secret, httponly=True, samesite="strict", path="/")
        return answer


def _plain(status: int, text: str) -> Response:
    return PlainTextResponse(text + "\n", status)
