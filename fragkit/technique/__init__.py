"""How the motifs were placed and how each was formed, weighed with calibrated evidence."""

from fragkit.survey import FORMINGS, PLACINGS, SPEAKS_FOR
from fragkit.technique.changes import Change, find_changes
from fragkit.technique.compare import Comparison, compare_areas
from fragkit.technique.discoveries import false_discoveries
from fragkit.technique.gathering import Gathering, find_gathering, find_gathering_within, find_losses
from fragkit.technique.on_the_spot import Marks, measure_priors
from fragkit.technique.power import Power, PowerRow, power
from fragkit.technique.priors import OutlineSpread, Priors
from fragkit.technique.recurrence import Recurrence, find_recurrence
from fragkit.technique.regularity import RegularArea, map_regularity
from fragkit.technique.signs import Sign
from fragkit.technique.stated import stated_priors, stated_signs
from fragkit.technique.trade_lengths import TRADE_LENGTHS_MM, TradeLength, find_trade_lengths
from fragkit.technique.verdict import Verdict
from fragkit.technique.weigh import Technique, reweigh, weigh_technique

__all__ = [
    "FORMINGS",
    "PLACINGS",
    "SPEAKS_FOR",
    "TRADE_LENGTHS_MM",
    "Change",
    "Comparison",
    "Gathering",
    "Marks",
    "OutlineSpread",
    "Power",
    "PowerRow",
    "Priors",
    "Recurrence",
    "RegularArea",
    "Sign",
    "Technique",
    "TradeLength",
    "Verdict",
    "compare_areas",
    "false_discoveries",
    "find_changes",
    "find_gathering",
    "find_gathering_within",
    "find_losses",
    "find_recurrence",
    "find_trade_lengths",
    "map_regularity",
    "measure_priors",
    "power",
    "reweigh",
    "stated_priors",
    "stated_signs",
    "weigh_technique",
]
