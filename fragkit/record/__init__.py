"""The record: one page to read, open tables and drawings to work from; all files are written here."""

from fragkit.record.comparing import Change, Revision, compare_records
from fragkit.record.reading import Record, read_record
from fragkit.record.schema import SCHEMA_VERSION
from fragkit.record.sign_off import write_revision
from fragkit.record.study_result import StudyResult
from fragkit.record.writing import write_record

__all__ = [
    "SCHEMA_VERSION",
    "Change",
    "Record",
    "Revision",
    "StudyResult",
    "compare_records",
    "read_record",
    "write_record",
    "write_revision",
]
