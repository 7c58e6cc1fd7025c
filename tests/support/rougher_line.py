"""A rougher whose scavenger concentrate goes back, with a mixer before it: invented."""

from __future__ import annotations

__all__ = ["LINE"]

LINE = """\
title = "line"
basis = "rate"
[streams]
feed = { to = "mix" }
mixed = { from = "mix", to = "rougher" }
con = { from = "rougher" }
middlings = { from = "rougher", to = "scavenger" }
back = { from = "scavenger", to = "mix" }
tails = { from = "scavenger" }
[nodes]
mix = { kind = "mixer" }
[analytes]
Cu = { unit = "%" }
[errors]
"dry rate" = { relative = 1 }
Cu = { relative = 3 }
"""
