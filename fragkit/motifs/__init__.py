"""Centres of the motifs, and the motif itself from its damaged examples."""

from fragkit.motifs.centres import Centres, find_centres
from fragkit.motifs.comparing import LabelDifference, compare_labels
from fragkit.motifs.consensus import build_motif
from fragkit.motifs.mosaic import join_pictures
from fragkit.motifs.motif import Motif, recentre
from fragkit.motifs.procrustes import Shapes, align_shapes, shape_distance
from fragkit.motifs.ring import RingCorrelation, ring_correlation
from fragkit.motifs.spread import Spread
from fragkit.motifs.stacking import Combined, combine_copies
from fragkit.motifs.stance import Stance
from fragkit.motifs.symmetry import Symmetry, find_symmetries, symmetrised
from fragkit.motifs.whereabouts import tell_lost

__all__ = [
    "Centres",
    "Combined",
    "LabelDifference",
    "Motif",
    "RingCorrelation",
    "Shapes",
    "Spread",
    "Stance",
    "Symmetry",
    "align_shapes",
    "build_motif",
    "combine_copies",
    "compare_labels",
    "find_centres",
    "find_symmetries",
    "join_pictures",
    "recentre",
    "ring_correlation",
    "shape_distance",
    "symmetrised",
    "tell_lost",
]
