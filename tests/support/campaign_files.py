"""A drawn campaign as files: circuit.toml and one long table, as a mill keeps it."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path

from campaign_cases import CIRCUIT, FLOW_SD, GRADE_SD

from oretally.flowsheet.survey import DatedSurvey

_QUANTITIES = ("dry rate", "Sn", "Fe")


def write_campaign(folder: Path, surveys: Sequence[DatedSurvey]) -> tuple[Path, Path]:
    """Write a campaign; return the table and the circuit."""
    table, circuit = folder / "surveys.csv", folder / "circuit.toml"
    ends = (("from", "source"), ("to", "target"))
    streams = "\n".join(
        f'"{s.name}" = {{ '
        + ", ".join(f'{k} = "{getattr(s, a)}"' for k, a in ends if getattr(s, a))
        + " }"
        for s in CIRCUIT.streams
    )
    circuit.write_text(
        f'title = "Tin shed"\nbasis = "rate"\n[streams]\n{streams}\n'
        '[analytes]\nSn = { unit = "%" }\nFe = { unit = "%" }\n'
        f'[errors]\n"dry rate" = {{ relative = {100 * FLOW_SD} }}\n'
        f"Sn = {{ relative = {100 * GRADE_SD} }}\nFe = {{ relative = {100 * GRADE_SD} }}\n"
        '[report]\nfeed = "feed"\nproducts = ["concentrate", "tailings"]\n',
        "utf-8",
    )
    with table.open("w", newline="", encoding="utf-8") as file:
        rows = csv.writer(file)
        rows.writerow(["survey", "time", "kind", "stream", "dry rate [t/h]", "Sn [%]", "Fe [%]"])
        for dated in surveys:
            for stream in CIRCUIT.stream_names:
                found = [dated.survey.measured(stream, q) for q in _QUANTITIES]
                if any(found):
                    cells = ["" if m is None else f"{m.value:.5g}" for m in found]
                    time = "" if dated.time is None else dated.time.isoformat(" ", "minutes")
                    rows.writerow([dated.label, time, dated.kind, stream, *cells])
    return table, circuit
