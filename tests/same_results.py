"""Whether records agree to 1e-9 whatever Python wrote them: `python tests/same_results.py RECORD RECORD …`."""

import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

TOLERANCE_RATIO, FLOOR = 1e-9, 1e-12
"""Numbers agree within this share of the larger, or within the floor: below it they are a zero and its rounding."""
APART = ("provenance", "files", "created", "written")
"""What tells of the run itself, not of the study."""


def differences(one: Any, other: Any, where: str = "") -> Iterator[str]:
    """Places at which two parsed results differ by more than the tolerance."""
    if isinstance(one, dict) and isinstance(other, dict):
        for name in sorted({*one, *other} - set(APART)):
            yield from differences(one.get(name), other.get(name), f"{where}/{name}")
    elif isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        for number, pair in enumerate(zip(one, other, strict=True)):
            yield from differences(*pair, f"{where}/{number}")
    elif not _equal(one, other):
        yield f"{where}: {one!r} and {other!r}"


def _equal(one: Any, other: Any) -> bool:
    numbers = all(isinstance(v, int | float) and not isinstance(v, bool) for v in (one, other))
    return (
        abs(one - other) <= max(TOLERANCE_RATIO * max(abs(one), abs(other)), FLOOR) if numbers else bool(one == other)
    )


def main(records: list[str]) -> int:
    first, *rest = (json.loads((Path(name) / "results.json").read_text(encoding="utf-8")) for name in records)
    found = [
        f"{name}{line}" for name, other in zip(records[1:], rest, strict=True) for line in differences(first, other)
    ]
    print("\n".join(found[:40]) or f"{len(records)} records agree to {TOLERANCE_RATIO:g}")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
