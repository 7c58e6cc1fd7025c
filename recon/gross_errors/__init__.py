"""Which numbers are probably wrong.

Read ``findings``, then ``search``.
"""

from oretally.recon.gross_errors.findings import foresee, gross_errors

__all__ = ["foresee", "gross_errors"]
