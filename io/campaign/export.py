"""What a campaign comes to as one table, a row a survey: Parquet, CSV, workbook."""

from __future__ import annotations

import io
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from oretally.flowsheet import Fault, InputError, Place
from oretally.io.campaign.listing import of_measurement, when
from oretally.io.campaign.results import Result
from oretally.io.campaign.store import Campaign
from oretally.io.files import sealed, write_tables

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["result_frame", "to_csv", "to_parquet", "to_workbook"]

_INSTALL = "python3 -m pip --python .venv/bin/python install --no-cache-dir '.[parquet]'"


def result_frame(campaign: Campaign, results: Mapping[int, Result]) -> pd.DataFrame:
    """Return the current surveys in order of time, with what they come to; blank where nothing.

    Times with an offset from UTC that is not the same in all, as where the clocks change, are those
    of UTC: a column of a table has one offset.
    """
    import pandas as pd

    out = campaign.left_out()
    rows = list[dict[str, Any]]()
    for entry in campaign.entries():
        found, left = results.get(entry.number), out.get(entry.number, frozenset())
        state = "left out" if ("", "") in left else ""
        rows.append(
            {
                "survey": entry.label,
                "time": None if entry.time is None else entry.time,
                "kind": entry.kind,
                "state": state,
                "left out": "; ".join(f"{s}:{q}" for s, q in sorted(left) if s),
                "balanced": None if found is None else not found.reason,
                "reason": "" if found is None else found.reason,
                **({} if found is None else {**found.words, **found.columns}),
            }
        )
    frame = pd.DataFrame(rows)
    if len(frame):
        offsets = {row["time"].utcoffset() for row in rows if row["time"] is not None}
        frame["time"] = pd.to_datetime(frame["time"], utc=len(offsets) > 1)
        frame["balanced"] = frame["balanced"].astype("boolean")
    return frame


def to_parquet(frame: pd.DataFrame) -> bytes:
    """Return a frame as Parquet.

    Raises
    ------
    InputError
        If the library that writes it is not installed.
    """
    content, frame = io.BytesIO(), frame.copy(deep=False)
    frame.attrs["made by"] = "oretally"  # by this it may be written anew
    try:
        frame.to_parquet(content, index=False)
    except ImportError as error:
        problem, mend = "Parquet needs pyarrow.", f"Install it: {_INSTALL}"
        raise InputError([Fault(problem, mend, Place(cell="--parquet"))]) from error
    return content.getvalue()


def to_csv(frame: pd.DataFrame) -> str:
    """Return a frame as CSV."""
    return str(frame.to_csv(index=False, lineterminator="\n"))


def to_workbook(campaign: Campaign, frame: pd.DataFrame) -> bytes:
    """Return a frame as a workbook, with decisions and corrections on sheets of their own."""
    from openpyxl import Workbook

    book = Workbook()
    book.remove(book["Sheet"])
    cells = frame.astype(object).where(frame.notna(), None)
    rows = [tuple(_cell(value) for value in row) for row in cells.itertuples(index=False)]
    write_tables(book.create_sheet("surveys"), [("", tuple(frame.columns), rows)])
    every = campaign.entries(every=True)
    label = {e.number: e.label for e in every}
    decided = [
        (label[d.survey], of_measurement(d), d.what, d.why, d.by, d.at)
        for d in campaign.decisions()
    ]
    header = ("survey", "of", "decision", "why", "by", "at")
    write_tables(book.create_sheet("decisions"), [("", header, decided)])
    added = [
        (e.label, when(e), e.kind, e.source, e.place, "corrected since" if not e.current else "",
         e.why, e.added_by, e.added_at, e.version)
        for e in sorted(every, key=lambda e: e.number)
    ]  # fmt: skip
    said = ("survey", "time", "kind", "source", "place", "state", "why", "by", "at", "version")
    write_tables(book.create_sheet("added"), [("", said, added)])
    return sealed(book, "Campaign")


def _cell(value: object) -> object:
    """Return a value as the cells of a workbook have it."""
    as_text = getattr(value, "isoformat", None)
    if callable(as_text):
        return str(as_text(sep=" ", timespec="minutes")).removesuffix(" 00:00")
    item = getattr(value, "item", None)
    return item() if callable(item) else value
