"""When there is no balance: why, and what would make one possible.

Read ``unbalanced`` first.
"""

from typing import TYPE_CHECKING

from oretally.flowsheet.late_names import late_names

if TYPE_CHECKING:
    from oretally.recon.no_balance.no_balance import NoBalance
else:
    __getattr__ = late_names(__name__, {
        "no_balance": "NoBalance",
    })  # fmt: skip

__all__ = ["NoBalance"]
