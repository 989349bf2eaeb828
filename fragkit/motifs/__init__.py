"""Centres of the motifs, and the motif itself from its damaged examples."""

from fragkit.motifs.centres import Centres, find_centres
from fragkit.motifs.consensus import build_motif
from fragkit.motifs.motif import Motif, recentre

__all__ = [
    "Centres",
    "Motif",
    "build_motif",
    "find_centres",
    "recentre",
]
