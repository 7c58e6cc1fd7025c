"""A case as the parts that the page shows, and back: a folder, a workbook, a survey of a campaign.

Read ``case_files`` first.
"""

from oretally.io.desk_files.case_files import (
    METALLICS_FILE,
    TABLES,
    CaseFiles,
    CasePart,
    Parts,
    Stored,
    digests,
    files_of,
    lab_file_of,
)
from oretally.io.desk_files.survey_files import GivenCase, files_of_survey, given_case

__all__ = [
    "METALLICS_FILE",
    "TABLES",
    "CaseFiles",
    "CasePart",
    "GivenCase",
    "Parts",
    "Stored",
    "digests",
    "files_of",
    "files_of_survey",
    "given_case",
    "lab_file_of",
]
