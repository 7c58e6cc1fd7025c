"""`oretally new`: a case for a kind of work, asked for on a terminal or stated by options.

Read ``made_case`` first.
"""

from oretally.io.beginning.made_case import begun_case

__all__ = ["begun_case"]
