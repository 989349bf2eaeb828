"""A whole study, room by room: what changed is done again, what failed is named."""

from fragkit.study.bench import Progress
from fragkit.study.results import Skipped, StudyResult
from fragkit.study.run import run_study

__all__ = ["Progress", "Skipped", "StudyResult", "run_study"]
