"""Addresses that hold without a network: of a record by its inputs, of a file by its content."""

from __future__ import annotations

import json
import uuid
from urllib.parse import quote

from fragkit.record.study_result import StudyResult


def record_address(result: StudyResult) -> str:
    """A UUID made from the hashes of all inputs, so the same study has the same address."""
    return uuid.uuid5(uuid.NAMESPACE_OID, json.dumps(sorted(result.survey.sources.items()))).urn


def place_address(result: StudyResult, *parts: str) -> str:
    """Something in the record, as a fragment of its address."""
    return f"{record_address(result)}#{'/'.join(quote(part, safe='') for part in parts)}"


def hash_address(sha256: str) -> str:
    """A file by its content (RFC 6920, section 7)."""
    return f"nih:sha-256;{sha256}"
