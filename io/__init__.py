"""Where the balance meets people and files: cases in, reports out."""

from oretally.io.case import Case, read_case
from oretally.io.frames import survey_from_frame

__all__ = ["Case", "read_case", "survey_from_frame"]
