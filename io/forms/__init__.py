"""Before the test: blank cases, sampling form, workbooks to type into.

Read ``new_case`` first.
"""

from oretally.io.forms.entry_workbook import entry_workbook
from oretally.io.forms.new_case import example_names, make_case
from oretally.io.forms.sampling_form import sampling_form

__all__ = ["entry_workbook", "example_names", "make_case", "sampling_form"]
