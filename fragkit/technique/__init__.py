"""How the motifs were placed and how each was formed, weighed with calibrated evidence."""

from fragkit.technique.hypotheses import PLACINGS
from fragkit.technique.shapes import FORMINGS
from fragkit.technique.verdict import Verdict
from fragkit.technique.weigh import Technique, weigh_technique

__all__ = ["FORMINGS", "PLACINGS", "Technique", "Verdict", "weigh_technique"]
