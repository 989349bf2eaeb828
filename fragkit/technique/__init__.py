"""How the motifs were placed and how each was formed, weighed with calibrated evidence."""

from fragkit.technique.discoveries import false_discoveries
from fragkit.technique.priors import FORMINGS, PLACINGS, OutlineSpread, Priors
from fragkit.technique.recurrence import Recurrence, find_recurrence
from fragkit.technique.regularity import RegularArea, map_regularity
from fragkit.technique.signs import SPEAKS_FOR, Sign
from fragkit.technique.verdict import Verdict
from fragkit.technique.weigh import Technique, reweigh, weigh_technique

__all__ = [
    "FORMINGS",
    "PLACINGS",
    "SPEAKS_FOR",
    "OutlineSpread",
    "Priors",
    "Recurrence",
    "RegularArea",
    "Sign",
    "Technique",
    "Verdict",
    "false_discoveries",
    "find_recurrence",
    "map_regularity",
    "reweigh",
    "weigh_technique",
]
