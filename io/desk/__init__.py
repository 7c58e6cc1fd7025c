"""``oretally desk``: a page on the user's own machine to describe, type, balance and print.

Read ``launch``, then ``server``.
"""

from typing import TYPE_CHECKING

from oretally.flowsheet.late_names import late_names

if TYPE_CHECKING:
    from oretally.io.desk.launch import run_desk
else:
    __getattr__ = late_names(__name__, {"launch": "run_desk"})

__all__ = ["run_desk"]
