"""A complete study folder with known truth: photographs, tables and survey.toml."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fragkit.errors import OutputError
from fragkit.simulate.boards import Board, photograph_boards
from fragkit.simulate.camera import LensPlan
from fragkit.simulate.canvas import FloatArray
from fragkit.simulate.drafts import FragmentDraft, draft_study, stream
from fragkit.simulate.drawings import MotifDrawing, draw_motif
from fragkit.simulate.exposure import Shooting, as_jpeg
from fragkit.simulate.fragments import Conditions, build_scene, photograph
from fragkit.simulate.marks import CHART_LAB
from fragkit.simulate.nets import NETS, NetPlan
from fragkit.simulate.photographs import PhotographTruth, true_photograph
from fragkit.simulate.scenario import PAINTS, PRICES, SIMULATED, trial_panel
from fragkit.simulate.survey_text import PICKING_SD_PX, survey_text
from fragkit.simulate.tables import csv_text
from fragkit.simulate.truths import FragmentTruth, StudyTruth

SAMPLE_SEED = 1874
"""Seed of the bundled sample, `sample_images/orrowby`."""

CONTROL_SD_MM = 0.3
"""How well the crosses were measured on the wall, one standard deviation per coordinate."""

EDGE_PX = 14.0
"""Crosses nearer than this to the picture's edge are not used."""

BOARD_QUALITY = 78

File = tuple[str, bytes]


@dataclass(frozen=True, eq=False, kw_only=True)
class _Recipe:
    """What all fragments of a study share."""

    seed: int
    drawing: MotifDrawing
    conditions: Conditions


def simulate_study(
    folder: Path | str,
    *,
    seed: int,
    motif: str = "hop cone",
    net: NetPlan = NETS["half-drop"],
    conditions: Conditions | None = None,
    lens: LensPlan | None = None,
) -> StudyTruth:
    """Write a study folder of four photographs of three fragments in one room; returns the truth.

    Parameters
    ----------
    folder : Path or str
        A new or empty folder. It appears only when all of it is written.
    seed : int
        Same seed, same study.
    motif : str
        One of `MOTIFS`.
    net : NetPlan
        One of `NETS`, or another; the same on all walls.
    conditions : Conditions, optional
        Placing, shapes, damage, relief, light.
    lens : LensPlan, optional
        Its picture size is that of every photograph.

    Raises
    ------
    OutputError
        The folder exists and is not empty, or cannot be written.

    Notes
    -----
    The bundled sample is `simulate_study("sample_images/orrowby", seed=SAMPLE_SEED)`, in other words
    `python -m fragkit.simulate sample_images/orrowby --truth tests/reference/orrowby_truth.json`.
    """
    conditions, lens = conditions or Conditions(), lens or LensPlan()
    draft = draft_study(seed, net=net, lens=lens)
    recipe = _Recipe(seed=seed, drawing=draw_motif(motif), conditions=conditions)
    truths: dict[str, FragmentTruth] = {}

    def files() -> Iterator[File]:
        board = Board()
        text = survey_text(draft, board=board, flatness_mm=conditions.relief_mm, chart=conditions.chart)
        yield "survey.toml", text.encode()
        yield from _tables(seed)
        yield from _board_files(board, lens, conditions.shooting, seed)
        for number, fragment in enumerate(draft.fragments):
            truths[fragment.place.name] = yield from _fragment_files(fragment, number, recipe)

    _write_folder(Path(folder), files)
    return StudyTruth(draft=draft, drawing=recipe.drawing, conditions=conditions, lens=lens, fragments=truths)


def _write_folder(folder: Path, files: Callable[[], Iterator[File]]) -> None:
    """Write all files beside the folder, then rename: nothing half-written is ever seen."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise OutputError(f"{folder} is already there and not empty. Give a new folder, or empty it first.")
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        beside = Path(tempfile.mkdtemp(prefix=".simulating-", dir=folder.parent))
    except OSError as error:
        raise OutputError(f"{folder} cannot be written ({error.strerror}). Choose another place.") from error
    try:
        for name, data in files():
            (beside / name).write_bytes(data)
        beside.chmod(0o755)
        os.replace(beside, folder)
    finally:
        shutil.rmtree(beside, ignore_errors=True)


def _tables(seed: int) -> Iterator[File]:
    yield "prices.csv", csv_text(("item", "unit", "price", "currency"), PRICES).encode()
    yield "paints.csv", csv_text(("name", "L", "a", "b"), PAINTS).encode()
    yield "trial.csv", csv_text(("motif", "minutes"), trial_panel(stream(seed, 2))).encode()


def _board_files(board: Board, lens: LensPlan, shooting: Shooting, seed: int) -> Iterator[File]:
    calm = replace(shooting, unevenness_ratio=0.6 * shooting.unevenness_ratio, glare_ratio=0.0)
    pictures = photograph_boards(board, lens=lens, shooting=calm, rng=stream(seed, 3))
    for number, (pixels, _) in enumerate(pictures, start=1):
        yield f"board-{number}.jpg", as_jpeg(pixels, quality=BOARD_QUALITY, words=SIMULATED)


def _fragment_files(fragment: FragmentDraft, number: int, recipe: _Recipe) -> Generator[File, None, FragmentTruth]:
    """Photographs and tables of a fragment; returns its truth."""
    wear = recipe.conditions.wear
    worn = replace(wear, loss_ratio=min(1.0, wear.loss_ratio * fragment.place.loss_factor))
    conditions = replace(recipe.conditions, wear=worn)
    painting, measuring = stream(recipe.seed, 4, number), stream(recipe.seed, 5, number)
    scene = build_scene(fragment.plan, recipe.drawing, fragment.cameras, conditions=conditions, rng=painting)
    taped_mm = scene.marks.xy_mm + measuring.normal(0.0, CONTROL_SD_MM, scene.marks.xy_mm.shape)
    photos = {}
    for name, camera in zip(fragment.photo_names, fragment.cameras, strict=True):
        shooting = replace(conditions.shooting, light_from_deg=float(measuring.uniform(20.0, 160.0)))
        pixels = photograph(scene, camera, shooting=shooting, rng=measuring)
        photos[name] = truth = true_photograph(scene, camera)
        yield f"{name}.jpg", as_jpeg(pixels, quality=shooting.jpeg_quality, words=SIMULATED)
        yield f"{name}.csv", _control_table(truth, taped_mm, measuring).encode()
        if scene.marks.chart_mm is not None:
            yield f"{name}-chart.csv", _chart_table(truth).encode()
    return FragmentTruth(draft=fragment, photos=photos, loss_ratio=scene.surface.loss_ratio)


def _control_table(truth: PhotographTruth, taped_mm: FloatArray, rng: np.random.Generator) -> str:
    """The crosses that lie in the picture, as picked there and as measured on the wall."""
    picked = truth.marks_px + rng.normal(0.0, PICKING_SD_PX, truth.marks_px.shape)
    rows = [
        (name, f"{x:.1f}", f"{y:.1f}", f"{x_mm:.1f}", f"{y_mm:.1f}", CONTROL_SD_MM)
        for name, (x, y), (x_mm, y_mm), keep in zip(
            truth.scene.marks.names, picked, taped_mm, _well_inside(picked, truth), strict=True
        )
        if keep
    ]
    return csv_text(("point", "x_px", "y_px", "x_mm", "y_mm", "sd_mm"), rows)


def _chart_table(truth: PhotographTruth) -> str:
    """The chart's patches that lie in the picture."""
    chart_mm = truth.scene.marks.chart_mm if truth.scene.marks.chart_mm is not None else np.zeros((0, 2))
    places = truth.camera.project(chart_mm, truth.scene.relief)
    rows = [
        (name, f"{x:.0f}", f"{y:.0f}", *lab)
        for (name, lab), (x, y), usable in zip(CHART_LAB, places, _well_inside(places, truth), strict=True)
        if usable
    ]
    return csv_text(("patch", "x_px", "y_px", "L", "a", "b"), rows)


def _well_inside(places_px: FloatArray, truth: PhotographTruth) -> NDArray[np.bool_]:
    size = np.array(truth.camera.lens.size_px)
    return np.asarray(((places_px > EDGE_PX) & (places_px < size - 1 - EDGE_PX)).all(1))
