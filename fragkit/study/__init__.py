"""A whole study, room by room: what changed is done again, what failed is named.

A worker process that measures one photograph comes through here, too, so nothing is loaded before it is asked for.
"""

from typing import TYPE_CHECKING

from fragkit.on_use import loaded_on_use

if TYPE_CHECKING:
    from fragkit.study.bench import Progress as Progress
    from fragkit.study.campaign import Campaign as Campaign
    from fragkit.study.campaign import StudyOutcome as StudyOutcome
    from fragkit.study.campaign import run_campaign as run_campaign
    from fragkit.study.results import StudyResult as StudyResult
    from fragkit.study.run import run_study as run_study
    from fragkit.study.skipped import Skipped as Skipped
    from fragkit.study.summary import summary_rows as summary_rows

_MODULE_OF = {
    "Campaign": "campaign",
    "Progress": "bench",
    "Skipped": "skipped",
    "StudyOutcome": "campaign",
    "StudyResult": "results",
    "run_campaign": "campaign",
    "run_study": "run",
    "summary_rows": "summary",
}

__all__ = sorted(_MODULE_OF)
__getattr__ = loaded_on_use(__name__, _MODULE_OF)
