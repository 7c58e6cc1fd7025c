"""Which numbers are probably wrong.

Read ``findings``, then ``search``.
"""

from oretally.recon.gross_errors.candidates import further_errors
from oretally.recon.gross_errors.findings import foresee, gross_errors
from oretally.recon.gross_errors.likeliest import Likeliest, likeliest_suspects

__all__ = ["Likeliest", "foresee", "further_errors", "gross_errors", "likeliest_suspects"]
