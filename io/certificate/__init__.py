"""`oretally lab` and the streams: whose sample is which, what was typed of it, what is filled in.

Read ``streams``, then ``filling``.
"""

from oretally.io.certificate.document import certificate_document
from oretally.io.certificate.filling import FilledGrade, fill_grades
from oretally.io.certificate.streams import CaseCertificate, case_certificate
from oretally.io.certificate.words import certificate_lines

__all__ = [
    "CaseCertificate",
    "FilledGrade",
    "case_certificate",
    "certificate_document",
    "certificate_lines",
    "fill_grades",
]
