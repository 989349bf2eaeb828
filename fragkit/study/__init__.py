"""A whole study, room by room: what changed is done again, what failed is named."""

from fragkit.study.bench import Progress
from fragkit.study.campaign import Campaign, StudyOutcome, run_campaign
from fragkit.study.results import Skipped, StudyResult
from fragkit.study.run import run_study
from fragkit.study.summary import summary_rows

__all__ = [
    "Campaign",
    "Progress",
    "Skipped",
    "StudyOutcome",
    "StudyResult",
    "run_campaign",
    "run_study",
    "summary_rows",
]
