"""The record: one page to read, open tables and drawings to work from; all files are written here."""

from fragkit.record.as_built import AsBuilt, compare_as_built
from fragkit.record.comparing import Change, Revision, compare_records
from fragkit.record.reading import Record, read_record
from fragkit.record.schema import SCHEMA_VERSION
from fragkit.record.sign_off import write_as_built, write_revision
from fragkit.record.study_result import StudyResult
from fragkit.record.writing import write_record

__all__ = [
    "SCHEMA_VERSION",
    "AsBuilt",
    "Change",
    "Record",
    "Revision",
    "StudyResult",
    "compare_as_built",
    "compare_records",
    "read_record",
    "write_as_built",
    "write_record",
    "write_revision",
]
