"""Before the test: blank cases, sampling form, workbooks to type into.

Read ``new_case`` first; what a case of a kind is begun with, ``kinds``.
"""

from oretally.io.forms.answers import (
    WantedCase,
    assay_error,
    basis_of,
    mass_error,
    products_of,
    proposed_products,
    sieves_of,
    times_of,
    title_from,
    title_of,
    unit_of,
    wanted_case,
)
from oretally.io.forms.entry_workbook import entry_workbook
from oretally.io.forms.kinds import WorkKind, kind_named, kinds
from oretally.io.forms.metals import metals_of
from oretally.io.forms.new_case import MANY_SURVEYS, example_names, make_case, refuse_taken
from oretally.io.forms.sampling_form import sampling_form

__all__ = [
    "MANY_SURVEYS",
    "WantedCase",
    "WorkKind",
    "assay_error",
    "basis_of",
    "entry_workbook",
    "example_names",
    "kind_named",
    "kinds",
    "make_case",
    "mass_error",
    "metals_of",
    "products_of",
    "proposed_products",
    "refuse_taken",
    "sampling_form",
    "sieves_of",
    "times_of",
    "title_from",
    "title_of",
    "unit_of",
    "wanted_case",
]
