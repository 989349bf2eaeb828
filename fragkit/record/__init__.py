"""The record: one page to read, open tables and drawings to work from; all files are written here.

A run that finds its record as it left it draws nothing, so nothing is loaded before it is asked for.
"""

from typing import TYPE_CHECKING

from fragkit.on_use import loaded_on_use

if TYPE_CHECKING:
    from fragkit.record.as_built import AsBuilt as AsBuilt
    from fragkit.record.as_built import compare_as_built as compare_as_built
    from fragkit.record.comparing import Change as Change
    from fragkit.record.comparing import Revision as Revision
    from fragkit.record.comparing import compare_records as compare_records
    from fragkit.record.reading import Record as Record
    from fragkit.record.reading import read_record as read_record
    from fragkit.record.schema import SCHEMA_VERSION as SCHEMA_VERSION
    from fragkit.record.sign_off import write_as_built as write_as_built
    from fragkit.record.sign_off import write_revision as write_revision
    from fragkit.record.study_result import StudyResult as StudyResult
    from fragkit.record.writing import write_record as write_record

_MODULE_OF = {
    "SCHEMA_VERSION": "schema",
    "AsBuilt": "as_built",
    "Change": "comparing",
    "Record": "reading",
    "Revision": "comparing",
    "StudyResult": "study_result",
    "compare_as_built": "as_built",
    "compare_records": "comparing",
    "read_record": "reading",
    "write_as_built": "sign_off",
    "write_record": "writing",
    "write_revision": "sign_off",
}

__all__ = sorted(_MODULE_OF)
__getattr__ = loaded_on_use(__name__, _MODULE_OF)
