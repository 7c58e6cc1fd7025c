"""What is made of a case on request: the reports, workbooks and texts of the commands."""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from oretally.flowsheet import Fault, InputError, NotBalanceable, Place
from oretally.flowsheet.faults import did_you_mean
from oretally.io.case import read_case, read_unmeasured
from oretally.io.certificate import case_certificate, certificate_lines
from oretally.io.commands import SVG_MARK, BalancedCase, Outputs, balanced, check_text, planned
from oretally.io.compare import compare_cases, comparison_report, comparison_text
from oretally.io.desk.circuit_table import circuit_table
from oretally.io.desk.traces import fault_row
from oretally.io.draw_limits import LEAST_DRAWS, MOST_DRAWS
from oretally.io.forms import entry_workbook, sampling_form
from oretally.io.laboratory import judged_table, lab_report, lab_summary, read_lab
from oretally.io.pictures import balance_labels, circuit_svg, measured_labels
from oretally.io.plan import plan_json, plan_summary
from oretally.io.results import (
    ALL,
    html_report,
    pdf_report,
    refuse_without_typst,
    summary,
    to_json,
    xlsx_bytes,
)
from oretally.recon import check

__all__ = ["make"]

_HTML, _TEXT, _JSON = "text/html; charset=utf-8", "text/plain; charset=utf-8", "application/json"
_XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
Say = Callable[[str], None]
Made = tuple[str, str, str | bytes]  # ending of its name, type, content


def make(source: Path, job: Mapping[str, Any], say: Say) -> dict[str, Any]:
    """Return what was asked for as a file, and as text where it is one to read.

    Parameters
    ----------
    source : Path
        The case.
    job : mapping
        'what' it is, 'options', 'parts' and 'whatif'.
    say : callable
        Told what is done.
    """
    what, options, text = str(job["what"]), job["options"], ""
    try:
        if what not in _MAKERS:
            mend = did_you_mean(what, list(_MAKERS))
            raise InputError([Fault(f"'{what}' cannot be made.", mend)])
        ending, kind, content = _MAKERS[what](source, options, job["whatif"], say)
        if isinstance(content, tuple):
            content, text = content
    except InputError as error:
        circuit = circuit_table(job["parts"])
        return {"faults": [fault_row(f, job["parts"], circuit) for f in error.faults]}
    except NotBalanceable as error:
        return {"refused": {"reason": error.reason, "mend": error.mend, "repairs": []}}
    data = content.encode() if isinstance(content, str) else content
    if kind == _TEXT:
        text = data.decode()
    return {
        "name": f"{source.stem}{ending}",
        "type": kind,
        "data": base64.b64encode(data).decode(),
        "text": text or None,
    }


def _balanced(
    source: Path, whatif: Mapping[str, Any], options: Mapping[str, Any], say: Say
) -> BalancedCase:
    draws = _whole(options, "draws", LEAST_DRAWS, MOST_DRAWS)
    seed = _whole(options, "seed", 0, 2**63 - 1)
    if seed is not None and draws is None:
        raise InputError([Fault("A seed is of draws, and none are asked for.",
                                "Say how many draws, or leave the seed out.")])  # fmt: skip
    return balanced(
        source, Outputs(), without=whatif.get("without", ()),
        added=whatif.get("with", ()), draws=draws, seed=seed,
        starts=_whole(options, "starts", 1, 1000), say=say,
    )  # fmt: skip


def _whole(options: Mapping[str, Any], key: str, least: int, most: int) -> int | None:
    """Return an option that is a whole number; None if it is not given."""
    given = options.get(key)
    if given is None or given == "":
        return None
    number = int(given) if str(given).isascii() and str(given).isdigit() else -1
    if not least <= number <= most:
        raise InputError([Fault(f"'{key}' is '{given}'; it is a whole number from {least} to "
                                f"{most}.", "Mend it, or leave it out.")])  # fmt: skip
    return number


def _report(source: Path, options: Any, whatif: Any, say: Say) -> Any:
    found = _balanced(source, whatif, options, say)
    page = html_report(found.balance, found.prices, found.otherwise, simulated=found.simulated)
    return ".html", _HTML, page


def _pdf(source: Path, options: Any, whatif: Any, say: Say) -> Any:
    refuse_without_typst()
    found = _balanced(source, whatif, options, say)
    say("writing")
    brief = bool(options.get("brief"))
    pdf = pdf_report(found.balance, found.prices, found.otherwise, simulated=found.simulated,
                     brief=brief)  # fmt: skip
    return ".pdf", "application/pdf", pdf


def _workbook(source: Path, options: Any, whatif: Any, say: Say) -> Any:
    found = _balanced(source, whatif, options, say)
    say("writing")
    book = xlsx_bytes(found.balance, found.prices, found.otherwise, simulated=found.simulated)
    return " results.xlsx", _XLSX, book


def _json(source: Path, options: Any, whatif: Any, say: Say) -> Any:
    found = _balanced(source, whatif, options, say)
    return ".json", _JSON, to_json(found.balance, found.prices, found.otherwise, found.simulated)


def _full(source: Path, options: Any, whatif: Any, say: Say) -> Any:
    found = _balanced(source, whatif, options, say)
    parts = tuple(options.get("parts", ())) or (ALL,)
    text = summary(found.balance, found.prices, found.otherwise, simulated=found.simulated,
                   parts=parts)  # fmt: skip
    return ".txt", _TEXT, text


def _drawing(source: Path, options: Any, whatif: Any, say: Say) -> Any:
    case = read_case(source)
    if options.get("measured"):
        labels = measured_labels(case.survey)
    else:
        labels = balance_labels(_balanced(source, whatif, options, say).balance)
    return ".svg", "image/svg+xml", circuit_svg(case.circuit, labels) + SVG_MARK


def _check(source: Path, options: Any, whatif: Any, say: Say) -> Any:
    case = read_case(source)
    say("judging")
    found = check(case.circuit, case.survey, feed=case.feeds, products=case.products)
    return " check.txt", _TEXT, check_text(case, found, full=bool(options.get("full")))


def _lab(source: Path, options: Any, whatif: Any, say: Say) -> Any:
    batch = read_lab(source)
    judged, found = judged_table(batch, source.stem), case_certificate(source, batch)
    full = bool(options.get("full"))
    lines = [] if found is None else certificate_lines(found, full=full)
    text = lab_summary(judged, lines, full=full)
    return " laboratory.html", _HTML, (lab_report(judged, lines), text)


def _plan(source: Path, options: Any, whatif: Any, say: Say) -> Any:
    say("planning")
    budget = options.get("budget")
    case, found = planned(
        source, asked=tuple(options.get("for", ())), budget=None if budget is None else str(budget),
        keep=bool(options.get("keep")),
    )  # fmt: skip
    return " plan.json", _JSON, (plan_json(case, found), plan_summary(case, found))


def _compare(source: Path, options: Any, whatif: Any, say: Say) -> Any:
    others = [str(path) for path in options.get("others", ())]
    if not others:
        mend = "Choose the case to compare with."
        raise InputError([Fault("Two cases are needed.", mend, Place(cell="compare"))])
    found = compare_cases(
        [str(source), *others], least=options.get("least"), say=say,
        streams=tuple(options.get("streams", ())), common=tuple(options.get("common", ())),
        common_measurements=tuple(options.get("common_measurements", ())),
        answers=tuple(options.get("answers", ())), every_pair=bool(options.get("every_pair")),
    )  # fmt: skip
    text = comparison_text(found, full=bool(options.get("full")))
    return " comparison.html", _HTML, (comparison_report(found), text)


def _sheet(source: Path, options: Any, whatif: Any, say: Say) -> Any:
    return " sampling.html", _HTML, sampling_form(read_unmeasured(source))


def _sheet_workbook(source: Path, options: Any, whatif: Any, say: Say) -> Any:
    return " sampling.xlsx", _XLSX, entry_workbook(read_unmeasured(source))


_MAKERS: dict[str, Callable[[Path, Any, Any, Say], Any]] = {
    "report": _report,
    "pdf": _pdf,
    "workbook": _workbook,
    "json": _json,
    "drawing": _drawing,
    "check": _check,
    "lab": _lab,
    "plan": _plan,
    "compare": _compare,
    "sheet": _sheet,
    "sheet workbook": _sheet_workbook,
    "full text": _full,
}
