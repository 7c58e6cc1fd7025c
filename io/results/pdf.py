"""The report as a PDF, to print or to send: set by typst, which the extra 'pdf' installs."""

from __future__ import annotations

import json
from collections.abc import Sequence
from importlib.resources import files
from importlib.util import find_spec
from tempfile import TemporaryDirectory
from typing import Any

from oretally.flowsheet import Fault, InputError, Place
from oretally.io.definition import Price
from oretally.io.report import Section
from oretally.io.results.pdf_pages import pages, section_pages
from oretally.io.wording import Simulated
from oretally.recon.result import Balance, WhatIf

__all__ = ["INSTALL", "pdf_report", "refuse_without_typst", "sections_pdf"]

INSTALL = "python3 -m pip --python .venv/bin/python install --no-cache-dir '.[pdf]'"
"""As the README has it; its environment has no pip of its own."""
_FOREIGN = (
    "Some names are in a script that the fonts of this program do not have. They are set in fonts "
    "of the machine that made these pages; where it has none, boxes stand for characters."
)


def refuse_without_typst() -> None:
    """Refuse to write a PDF where what sets it is not installed.

    Raises
    ------
    InputError
        Saying how to install it.
    """
    if find_spec("typst") is None:
        raise InputError([
            Fault("A PDF needs the library 'typst', which is not installed.",
                  f"Install it, in the folder of oretally's README: {INSTALL}\n"
                  "or write --html FILE and print that to a PDF from the browser.",
                  Place(cell="option --pdf"))
        ])  # fmt: skip


def pdf_report(
    balance: Balance, prices: Sequence[Price] = (), otherwise: WhatIf | None = None, *,
    simulated: Simulated | None = None, brief: bool = False,
) -> bytes:  # fmt: skip
    """Return the report of a balance as a PDF: A4, pages numbered, its fonts within.

    No date, no network, no file read: the same balance gives the same bytes. Fonts of this
    machine are used for scripts that the fonts of typst do not have, and for nothing else.

    Parameters
    ----------
    balance : Balance
    prices : sequence of Price, optional
        Then metal is shown in money too.
    otherwise : WhatIf, optional
        The answers with other measurements, shown beside.
    simulated : Simulated, optional
        What drawn surveys say of the answers.
    brief : bool
        Whether to stop after what everybody reads: one page.

    Raises
    ------
    InputError
        If typst is not installed.
    """
    refuse_without_typst()
    return _set(pages(balance, prices, otherwise, simulated=simulated, brief=brief))


def sections_pdf(title: str, sections: Sequence[Section]) -> bytes:
    """Return a report of any sections as a PDF, set as that of a balance.

    Raises
    ------
    InputError
        If typst is not installed.
    """
    refuse_without_typst()
    return _set(section_pages(title, sections))


def _set(found: dict[str, Any]) -> bytes:
    """Return pages as a PDF."""
    import typst

    covered = _covered(json.dumps(found, ensure_ascii=False))
    if not covered:
        found["parts"].append(
            {"wide": False, "beside": 0.0, "blocks": [{"kind": "words", "texts": [_FOREIGN]}]}
        )
    report = json.dumps(found, ensure_ascii=False)
    template = files("oretally.io").joinpath("templates/report.typ").read_bytes()
    try:
        empty = TemporaryDirectory()
    except OSError as error:
        mend = "Make room on the disk of temporary files, or name another one in TMPDIR."
        fault = Fault("A PDF needs an empty folder for a moment, and none can be made.", mend,
                      Place(cell="option --pdf"))  # fmt: skip
        raise InputError([fault]) from error
    with empty as nothing:  # the only folder that a template could read from
        set_pages: Any = typst.compile  # its stubs want a root of bytes for a template of bytes
        pdf: bytes = set_pages(
            template, root=nothing, format="pdf", ignore_system_fonts=covered,
            sys_inputs={"report": report}, timestamp=0,
        )  # fmt: skip
    return pdf


def _covered(text: str) -> bool:
    """Tell whether the fonts that come with typst have every character."""
    # Latin, Greek, Cyrillic; their marks and extensions; punctuation, arrows, signs
    return all(
        c <= "\u052f" or "\u1d00" <= c <= "\u1fff" or "\u2000" <= c <= "\u22ff" for c in text
    )
