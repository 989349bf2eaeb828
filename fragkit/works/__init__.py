"""Leaf by cutting, labour by trial, costs by the user's prices."""

from fragkit.works.assumptions import Assumption
from fragkit.works.cautions import CAUTIONS, DEFERENCE, Caution
from fragkit.works.costs import REPEATED, CostLine, cost_lines
from fragkit.works.cutting import FormCut, Parting
from fragkit.works.learning import MIN_TIMED, LearningCurve, fit_learning, minutes_of
from fragkit.works.materials import MaterialNeed, count_drops, material_needs
from fragkit.works.metals import METALS, Metal, areal_mass_g_m2, find_metal, metal_in, overlap_factor, thickness_um
from fragkit.works.montecarlo import Drawn, Normal, PositiveRange, Rectangular, Spread, propagate
from fragkit.works.nesting import Nesting, Step, nest, pieces_per_leaf, staircase
from fragkit.works.plan import Contingency, WorksPlan, plan_works
from fragkit.works.programme import Stretch, height_ratio, lifts_of, weeks
from fragkit.works.renewal import HORIZON_YEARS, MetalCost, PriceFlip, times_done
from fragkit.works.sizes import SIZES, Batch, Size, batches, find_size
from fragkit.works.takeoff import MetalNeed, TakeOff, take_off
from fragkit.works.tiling import Tiling, tile

__all__ = [
    "CAUTIONS",
    "DEFERENCE",
    "HORIZON_YEARS",
    "METALS",
    "MIN_TIMED",
    "REPEATED",
    "SIZES",
    "Assumption",
    "Batch",
    "Caution",
    "Contingency",
    "CostLine",
    "Drawn",
    "FormCut",
    "LearningCurve",
    "MaterialNeed",
    "Metal",
    "MetalCost",
    "MetalNeed",
    "Nesting",
    "Normal",
    "Parting",
    "PositiveRange",
    "PriceFlip",
    "Rectangular",
    "Size",
    "Spread",
    "Step",
    "Stretch",
    "TakeOff",
    "Tiling",
    "WorksPlan",
    "areal_mass_g_m2",
    "batches",
    "cost_lines",
    "count_drops",
    "find_metal",
    "find_size",
    "fit_learning",
    "height_ratio",
    "lifts_of",
    "material_needs",
    "metal_in",
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
    "times_done",
    "weeks",
]
