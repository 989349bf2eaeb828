"""Leaf by cutting, labour by trial, costs by the user's prices."""

from fragkit.works.cautions import CAUTIONS, DEFERENCE, Caution
from fragkit.works.costs import CostLine, cost_lines
from fragkit.works.learning import LearningCurve, fit_learning, minutes_of
from fragkit.works.metals import METALS, Metal, areal_mass_g_m2, find_metal, overlap_factor, thickness_um
from fragkit.works.montecarlo import Drawn, Normal, PositiveRange, Rectangular, Spread, propagate
from fragkit.works.nesting import Nesting, Step, nest, pieces_per_leaf, staircase
from fragkit.works.plan import Contingency, WorksPlan, plan_works
from fragkit.works.sizes import SIZES, Batch, batches
from fragkit.works.takeoff import Assumption, FormCut, MetalNeed, TakeOff, take_off
from fragkit.works.tiling import Tiling, tile

__all__ = [
    "CAUTIONS",
    "DEFERENCE",
    "METALS",
    "SIZES",
    "Assumption",
    "Batch",
    "Caution",
    "Contingency",
    "CostLine",
    "Drawn",
    "FormCut",
    "LearningCurve",
    "Metal",
    "MetalNeed",
    "Nesting",
    "Normal",
    "PositiveRange",
    "Rectangular",
    "Spread",
    "Step",
    "TakeOff",
    "Tiling",
    "WorksPlan",
    "areal_mass_g_m2",
    "batches",
    "cost_lines",
    "find_metal",
    "fit_learning",
    "minutes_of",
    "nest",
    "overlap_factor",
    "pieces_per_leaf",
    "plan_works",
    "propagate",
    "staircase",
    "take_off",
    "thickness_um",
    "tile",
]
