"""The options of the command that tells how much sample is needed; nothing heavy is loaded."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

__all__ = ["sample_mass_options"]

_OPTIONS = (
    ("grade", "GRADE", "The analyte in the ore, as you expect it: '0.8 %', '3 g/t'."),
    ("top", "SIZE", "Opening that 95 % of the mass passes: '2 mm', '10 mesh [ASTM E11]'."),
    ("liberation", "SIZE", "Top size below which the mineral is free; 'unknown' takes the worst."),
    ("mineral-grade", "GRADE", "The analyte in its pure mineral: '78.77 %'; native metal '100 %'."),
    ("mineral-density", "DENSITY", "Of the mineral's grains: '6.9 kg/L'."),
    ("gangue-density", "DENSITY", "Of the other grains: '2.65 kg/L' for quartz."),
    ("error", "PERCENT", "Error wanted, one standard deviation of the grade: '5 %'."),
    ("mass", "MASS", "Dry mass of a sample: tells the error that it leaves."),
    ("lot", "MASS", "Dry mass before the split; left out, far larger than the sample."),
    ("shape", "NUMBER", "Gy's f; left out, 0.5; flaky gold 0.2."),
    ("granulometric", "NUMBER", "Gy's g; left out, 0.25: all sizes below the top size."),
)


def sample_mass_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add FILE, --json and the options to a command; '--mineral-grade' is ``mineral_grade``."""
    said = "Write the answer as JSON; - prints it."
    command = click.option("--json", "json_file", metavar="FILE", help=said)(command)
    for name, metavar, said in reversed(_OPTIONS):
        command = click.option(f"--{name}", metavar=metavar, help=said)(command)
    return click.argument("file", required=False, type=click.Path(path_type=Path))(command)
