"""What the page asks of this machine, and what it is answered."""

from __future__ import annotations

import base64
import json
import secrets
from collections import OrderedDict
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import aclosing, asynccontextmanager
from importlib.metadata import version
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import Any
from urllib.parse import quote

import click
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from oretally.flowsheet import Fault, InputError
from oretally.io.desk.cases import KIND_OF_WORK, Conflict, OpenCases
from oretally.io.desk.circuit_edits import edited
from oretally.io.desk.circuit_table import circuit_table
from oretally.io.desk.traces import fault_row
from oretally.io.desk.workers import Workers
from oretally.io.desk_files import GivenCase, Parts
from oretally.io.forms import example_names, kinds
from oretally.io.manual import manual_page, manual_style, topics

__all__ = ["application"]

_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".txt": "text/plain; charset=utf-8",
    ".woff2": "font/woff2",
}
_MANUAL_STYLE = "manual.css"
_MADE_KEPT = 24  # files that were made stay so many
Body = dict[str, Any]
Answering = Callable[[Body], Awaitable[Any]]


def application(cases: OpenCases, program: click.Group, first: str | None = None) -> Starlette:
    """Return the server of the page, without its guard.

    Parameters
    ----------
    cases : OpenCases
    program : click.Group
        The command line, which the manual tells of.
    first : str, optional
        The case that the page opens, below the root.
    """
    desk = _Desk(cases, program, first)
    posts: dict[str, Answering] = {
        "start": desk.start, "open": desk.open, "new": desk.new, "edit": desk.edit,
        "save": desk.save, "keep": desk.keep, "forget": desk.forget, "state": desk.state,
        "make": desk.make, "take": desk.take, "survey": desk.survey,
    }  # fmt: skip

    @asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        desk.workers.start()
        try:
            yield
        finally:
            await desk.workers.close()

    routes = [
        Route("/", desk.page),
        Route("/page/{name:path}", desk.page),
        Route("/manual", desk.manual),
        Route(f"/{_MANUAL_STYLE}", desk.manual),
        Route("/made/{number}/{name}", desk.made),
        Route("/api/answer", desk.answer, methods=["POST"]),
        Route("/api/campaign", desk.campaign, methods=["POST"]),
        *(Route(f"/api/{name}", _posted(work), methods=["POST"]) for name, work in posts.items()),
    ]
    return Starlette(routes=routes, lifespan=lifespan)


def _posted(work: Answering) -> Callable[[Request], Awaitable[Response]]:
    """Return an endpoint that takes and gives JSON; what is wrong is told as faults."""

    async def endpoint(request: Request) -> Response:
        try:
            return JSONResponse(await work(await _body(request)))
        except InputError as error:
            return _refusal(error)
        except Conflict as found:
            told = {"changed": found.changed, "theirs": found.theirs, "digests": found.digests}
            return JSONResponse(told, 409)

    return endpoint


def _refusal(error: InputError) -> Response:
    return JSONResponse({"faults": [_fault(f) for f in error.faults]}, 422)


async def _body(request: Request) -> Body:
    try:
        body = json.loads(await request.body())
    except (ValueError, RecursionError):
        body = None
    if not isinstance(body, dict):
        raise InputError([Fault("The request is no JSON object.", "Load the page again.")])
    return body


def _fault(fault: Fault, parts: Parts | None = None) -> dict[str, Any]:
    parts = parts or {}
    circuit = circuit_table(parts) if parts else {"streams": [], "nodes": []}
    row = fault_row(fault, parts, circuit)
    return row | {"file": fault.place.file or None}


def _parts_of(body: Body) -> Parts:
    """Return the parts that the page sent; InputError if they are none."""
    given = body.get("parts")
    if not isinstance(given, dict):
        raise _unknown("parts")
    for name, part in given.items():
        grid = isinstance(part, list) and all(
            isinstance(row, list) and all(isinstance(cell, str) for cell in row) for row in part
        )
        if not isinstance(name, str) or not (grid or isinstance(part, str)):
            raise _unknown("parts")
    return given


def _whatif(body: Body) -> dict[str, list[str]]:
    given = body.get("whatif") or {}
    found = {}
    for key in ("without", "with"):
        texts = given.get(key, []) if isinstance(given, dict) else None
        if not isinstance(texts, list) or not all(isinstance(text, str) for text in texts):
            raise _unknown("whatif")
        found[key] = texts
    return found


def _known(body: Body) -> dict[str, str]:
    given = body.get("digests")
    return {k: v for k, v in given.items() if isinstance(v, str)} if isinstance(given, dict) else {}


def _unknown(key: str) -> InputError:
    return InputError([Fault(f"'{key}' is not as the page sends it.", "Load the page again.")])


def _page_files(folder: Traversable, above: str = "") -> Iterator[tuple[str, bytes]]:
    """Yield the files of the page, each with its name below its folder."""
    for entry in folder.iterdir():
        if entry.is_dir():
            yield from _page_files(entry, f"{above}{entry.name}/")
        elif "." + entry.name.rpartition(".")[2] in _TYPES:
            yield f"{above}{entry.name}", entry.read_bytes()


class _Desk:
    """The answers, each to one request."""

    def __init__(self, cases: OpenCases, program: click.Group, first: str | None) -> None:
        self.cases, self.program, self.first = cases, program, first
        self.workers, self.manual_html = Workers(), ""
        self.page_files = dict(_page_files(files("oretally.io").joinpath("desk", "page")))
        self.kept: OrderedDict[str, tuple[str, str, bytes]] = OrderedDict()

    async def page(self, request: Request) -> Response:
        """Return a file of the page."""
        name = request.path_params.get("name", "index.html")
        if name not in self.page_files:
            return Response("There is no such page.\n", 404, media_type="text/plain")
        return Response(self.page_files[name], media_type=_TYPES["." + name.rpartition(".")[2]])

    async def manual(self, request: Request) -> Response:
        """Return the manual, or how it looks: no page here has styles within."""
        if request.url.path.endswith(_MANUAL_STYLE):
            return Response(manual_style(), media_type=_TYPES[".css"])
        if not self.manual_html:
            told = topics(self.program)
            self.manual_html = await run_in_threadpool(manual_page, told, _MANUAL_STYLE)
        return Response(self.manual_html, media_type=_TYPES[".html"])

    async def start(self, body: Body) -> Body:
        """Return the case of that path, or what there is to begin with where it is ''."""
        path = body.get("path")
        path = self.first if path is None else path
        if path:
            opened = await run_in_threadpool(self.cases.open_named, path)
            return opened if "campaign" in opened else {"case": opened}
        examples = [{"name": n, "title": t, "text": ""} for n, t in example_names()]
        blank = {"name": "blank", "title": "A blank case",
                 "text": "Circuit and measurements to fill in, with hints."}  # fmt: skip
        begun = [{"name": f"{KIND_OF_WORK}{kind.name}", "title": kind.name, "text": kind.said}
                 for kind in kinds()]  # fmt: skip
        return {
            "case": None,
            "root": str(self.cases.root),
            "cases": self.cases.listed(),
            "templates": [*begun, blank],
            "examples": examples,
            "recent": self.cases.recent.rows(),
            "version": version("oretally"),
        }

    async def open(self, body: Body) -> Body:
        """Open a case."""
        if "recent" in body:
            return await run_in_threadpool(self.cases.open_recent, body["recent"])
        return await run_in_threadpool(self.cases.open_named, body.get("path"))

    async def new(self, body: Body) -> Body:
        """Make a case and open it."""
        return await run_in_threadpool(self.cases.new, body.get("from"), body.get("folder"))

    async def edit(self, body: Body) -> Body:
        """Change the circuit."""
        parts, edits = _parts_of(body), body.get("edits")
        if not isinstance(edits, list) or not all(isinstance(edit, dict) for edit in edits):
            raise _unknown("edits")
        parts = await run_in_threadpool(edited, parts, edits)
        return {"parts": parts, "circuit": circuit_table(parts)}

    async def take(self, body: Body) -> Body:
        """Write what-ifs into the case's own cells."""
        last = await self._last(await self._job(body, "take"))
        return last["taken"] if "taken" in last else {"bug": last.get("bug")}

    async def save(self, body: Body) -> Body:
        """Write the case, or another one beside it."""
        parts, known, force = _parts_of(body), _known(body), body.get("force") is True
        if "as" in body:
            return await run_in_threadpool(
                self.cases.save_as, body.get("case"), parts, body["as"]
            )  # fmt: skip
        return await run_in_threadpool(
            self.cases.save, body.get("case"), parts, known, force=force
        )  # fmt: skip

    async def keep(self, body: Body) -> Body:
        """Write the recovery file."""
        parts, whatif = _parts_of(body), _whatif(body)
        return await run_in_threadpool(self.cases.keep, body.get("case"), parts, whatif)

    async def forget(self, body: Body) -> Body:
        """Remove the recovery file."""
        return await run_in_threadpool(self.cases.forget, body.get("case"))

    async def state(self, body: Body) -> Body:
        """Tell what changed beside the page."""
        return await run_in_threadpool(
            self.cases.state, body.get("case"), body.get("window"), _known(body)
        )

    async def _job(self, body: Body, do: str) -> Body:
        parts = _parts_of(body)
        job = await run_in_threadpool(self.cases.job, body, parts)
        packed = {name: base64.b64encode(data).decode() for name, data in job["files"].items()}
        return job | {"do": do, "files": packed, "whatif": _whatif(body)}

    async def answer(self, request: Request) -> Response:
        """Return the stages of an answer as they come, then the answer, a line of JSON each."""
        try:
            body = await _body(request)
            job = await self._job(body, "answer")
        except InputError as error:
            return _refusal(error)
        return self._lines(job, f"{body.get('case')} {body.get('window', '')}", body.get("number"))

    async def campaign(self, request: Request) -> Response:
        """Return the stages of a view of a campaign as they come, then the view."""
        try:
            body = await _body(request)
            view, labels = body.get("view"), body.get("labels") or []
            if not isinstance(labels, list) or not all(isinstance(one, str) for one in labels):
                raise _unknown("labels")
            file = await run_in_threadpool(self.cases.campaign, body.get("campaign"))
        except InputError as error:
            return _refusal(error)
        job = {"do": "campaign", "file": str(file), "view": str(view), "labels": labels}
        return self._lines(job, f"{file} {view} {body.get('window', '')}")

    def _lines(self, job: Body, window: str, number: object = None) -> Response:
        """Return what comes of a job as it comes, a line of JSON each."""

        async def lines() -> AsyncIterator[bytes]:
            async with aclosing(self.workers.run(job, window)) as rows:
                async for row in rows:
                    if "answer" in row:
                        row["answer"]["number"] = number
                    row.pop("id", None)
                    yield json.dumps(row).encode() + b"\n"

        return StreamingResponse(lines(), media_type="application/x-ndjson")

    async def survey(self, body: Body) -> Body:
        """Open a survey of a campaign, as it counts there, to be read."""
        file, label = self.cases.campaign(body.get("campaign")), body.get("label")
        if not isinstance(label, str):
            raise _unknown("label")
        last = await self._last({"do": "survey", "file": str(file), "label": label})
        if "survey" not in last:
            return last
        told = last["survey"]
        files = {name: base64.b64decode(data) for name, data in told["files"].items()}
        given = GivenCase(told["name"], told["kind"], files)
        return await run_in_threadpool(
            self.cases.open_survey, file, label, told["number"], given, told["story"]
        )

    async def _last(self, job: Body) -> Body:
        """Return what came of a job in the end."""
        last: Body = {"bug": "nothing came of it"}
        async with aclosing(self.workers.run(job)) as rows:
            async for row in rows:
                last = row
        return last

    async def make(self, body: Body) -> Body:
        """Make a report, a workbook, a text, and say where it is."""
        options = body.get("options") or {}
        if not isinstance(options, dict):
            raise _unknown("options")
        others = options.get("others", [])
        if not isinstance(others, list):
            raise _unknown("options")
        options = {**options, "others": [str(self.cases.confined(o)) for o in others]}
        job = await self._job(body, "make") | {"what": body.get("what"), "options": options}
        last = await self._last(job)
        if "made" not in last:
            return {"bug": last.get("bug")}
        made: Body = last["made"]
        if "data" not in made:
            return made
        number = secrets.token_urlsafe(12)
        self.kept[number] = (made["name"], made["type"], base64.b64decode(made["data"]))
        while len(self.kept) > _MADE_KEPT:
            self.kept.popitem(last=False)
        return {"url": f"/made/{number}/{quote(made['name'], safe='')}", "name": made["name"],
                "text": made["text"]}  # fmt: skip

    async def made(self, request: Request) -> Response:
        """Return a file that was made."""
        found = self.kept.get(request.path_params["number"])
        if found is None or found[0] != request.path_params["name"]:
            return Response("This is no longer here; make it again.\n", 404,
                            media_type="text/plain")  # fmt: skip
        name, kind, data = found
        shown = kind.startswith(("text/", "image/"))
        how = f"{'inline' if shown else 'attachment'}; filename*=UTF-8''{quote(name, safe='')}"
        return Response(data, media_type=kind, headers={"content-disposition": how})
