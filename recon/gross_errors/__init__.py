"""Which numbers are probably wrong.

Read ``suspects``, then ``search``.
"""

from oretally.recon.gross_errors.foresight import foresee
from oretally.recon.gross_errors.suspects import Inquiry

__all__ = ["Inquiry", "foresee"]
