"""Walls, placings and photographs with known truth: learn how much evidence is enough, and test the rooms."""

from fragkit.simulate.camera import Camera, LensPlan, facing
from fragkit.simulate.drawings import MOTIFS, MotifDrawing, draw_motif
from fragkit.simulate.exposure import PERFECT, Shooting
from fragkit.simulate.forming import FORMINGS, Forming, form_copies
from fragkit.simulate.fragments import Conditions, FragmentPlan, Scene
from fragkit.simulate.nets import NETS, NetPlan, sites_within
from fragkit.simulate.photographs import PhotographTruth, Pose, simulate_photograph
from fragkit.simulate.rooms import Room, draw_room, walls_of
from fragkit.simulate.studies import SAMPLE_SEED, simulate_study
from fragkit.simulate.truths import FragmentTruth, StudyTruth
from fragkit.simulate.wear import UNWORN, Wear

__all__ = [
    "FORMINGS",
    "MOTIFS",
    "NETS",
    "PERFECT",
    "SAMPLE_SEED",
    "UNWORN",
    "Camera",
    "Conditions",
    "Forming",
    "FragmentPlan",
    "FragmentTruth",
    "LensPlan",
    "MotifDrawing",
    "NetPlan",
    "PhotographTruth",
    "Pose",
    "Room",
    "Scene",
    "Shooting",
    "StudyTruth",
    "Wear",
    "draw_motif",
    "draw_room",
    "facing",
    "form_copies",
    "simulate_photograph",
    "simulate_study",
    "sites_within",
    "walls_of",
]
