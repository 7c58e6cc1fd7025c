"""The work of the commands, their options, exit status, output files.

``cli`` imports each module by itself and late: `--help` loads none of the others. What the page
shows goes the same ways, through this door.

Read ``balance`` first.
"""

from typing import TYPE_CHECKING

from oretally.flowsheet.late_names import late_names

if TYPE_CHECKING:
    from oretally.io.commands.balance import BalancedCase, Outputs, balanced
    from oretally.io.commands.check import check_text
    from oretally.io.commands.output_files import SVG_MARK
    from oretally.io.commands.plan import planned
    from oretally.io.commands.what_if import changed_survey
else:
    __getattr__ = late_names(__name__, {
        "balance": "BalancedCase Outputs balanced",
        "check": "check_text",
        "output_files": "SVG_MARK",
        "plan": "planned",
        "what_if": "changed_survey",
    })  # fmt: skip

__all__ = [
    "SVG_MARK",
    "BalancedCase",
    "Outputs",
    "balanced",
    "changed_survey",
    "check_text",
    "planned",
]
