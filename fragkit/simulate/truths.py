"""What is true of a simulated study, for tests and for learning how much evidence is enough."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from fragkit.card import card
from fragkit.simulate.camera import LensPlan
from fragkit.simulate.drafts import FragmentDraft, StudyDraft
from fragkit.simulate.drawings import MotifDrawing
from fragkit.simulate.fragments import Conditions
from fragkit.simulate.photographs import PhotographTruth
from fragkit.simulate.pigments import LAB
from fragkit.sketch import sketch


@dataclass(frozen=True, eq=False, kw_only=True)
class FragmentTruth:
    """A fragment with its photographs.

    Attributes
    ----------
    draft : FragmentDraft
        Its true and its stated place on the wall.
    photos : mapping of str to PhotographTruth
        By the photograph's name; all share the fragment's frame.
    loss_ratio : float
        Share of its surface that is gone.
    """

    draft: FragmentDraft
    photos: dict[str, PhotographTruth]
    loss_ratio: float


@dataclass(frozen=True, eq=False, kw_only=True)
class StudyTruth:
    """All that is true of a simulated study.

    Attributes
    ----------
    draft : StudyDraft
        Net, room, walls.
    drawing : MotifDrawing
        The design; its copies vary as `conditions` say.
    conditions : Conditions
    lens : LensPlan
    fragments : mapping of str to FragmentTruth
    """

    draft: StudyDraft
    drawing: MotifDrawing
    conditions: Conditions
    lens: LensPlan
    fragments: dict[str, FragmentTruth]

    @property
    def repeat(self) -> tuple[float, float, float]:
        """across_mm, down_mm, offset_ratio."""
        return self.draft.net.across_mm, self.draft.net.down_mm, self.draft.net.offset_ratio

    def __repr__(self) -> str:
        across, down, offset = self.repeat
        net = f"{across:.2f} × {down:.2f} mm, offset {offset:.2f}"
        return f"StudyTruth({self.drawing.name}, {net}, {self._count})"

    def _repr_html_(self) -> str:
        across, down, offset = self.repeat
        losses = ", ".join(f"{name} {100 * f.loss_ratio:.0f} %" for name, f in self.fragments.items())
        rows = [
            ("Motif", self.drawing.name),
            ("True repeat", f"{across:.2f} mm across, {down:.2f} mm down, offset {offset:.2f}"),
            ("Fragments", self._count),
            ("Surface lost", losses),
        ]
        rings = [np.asarray(part.exterior.coords) for part in self.drawing.metal.geoms]
        return card("A simulated study", rows, drawing=sketch("The metal of the motif", rings_mm=rings))

    @property
    def _count(self) -> str:
        n_photos = sum(len(fragment.photos) for fragment in self.fragments.values())
        return f"{len(self.fragments)} fragments, {n_photos} photographs"

    def as_json(self) -> str:
        """All of it as a JSON document, lengths in mm to 0.1 µm."""
        return json.dumps(_rounded(self._as_dict()), indent=1) + "\n"

    def _as_dict(self) -> dict[str, Any]:
        across, down, offset = self.repeat
        width, height = self.drawing.size_mm
        return {
            "about": "Truth of a simulated study. The net's rows are level on every wall.",
            "seed": self.draft.seed,
            "repeat": {"across_mm": across, "down_mm": down, "offset_ratio": offset},
            "motif": {
                "name": self.drawing.name,
                "metal_area_mm2": self.drawing.metal_area_mm2,
                "width_mm": width,
                "height_mm": height,
            },
            "placing": {"process": type(self.conditions.placing).__name__, **asdict(self.conditions.placing)},
            "forming": asdict(self.conditions.forming),
            "lens": {**asdict(self.lens), "centre_px": self.lens.centre_px},
            "lab_d50": {name: LAB[name] for name in ("ground", "shadow")},
            "room": asdict(self.draft.room),
            "fragments": {name: _fragment_dict(fragment) for name, fragment in self.fragments.items()},
        }


def _fragment_dict(fragment: FragmentTruth) -> dict[str, Any]:
    draft, first = fragment.draft, next(iter(fragment.photos.values()))
    marks = first.scene.marks
    return {
        "wall": draft.place.wall,
        "size_mm": draft.place.size_mm,
        "origin_mm": draft.origin_mm,
        "turn_deg": draft.turn_deg,
        "a_mm": first.a_mm,
        "b_mm": first.b_mm,
        "net_origin_mm": draft.plan.net_origin_mm,
        "loss_ratio": fragment.loss_ratio,
        "index": first.index,
        "centres_mm": first.centres_mm,
        "visible_ratio": first.visible_ratio,
        "marks_mm": dict(zip(marks.names, marks.xy_mm, strict=True)),
        "relief": asdict(first.scene.relief),
        "photos": {name: _photo_dict(photo) for name, photo in fragment.photos.items()},
    }


def _photo_dict(photo: PhotographTruth) -> dict[str, Any]:
    return {
        "homography": photo.camera.homography,
        "position_mm": photo.camera.position_mm,
        "rotation": photo.camera.rotation,
        "centres_px": photo.centres_px,
    }


def _rounded(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(key): _rounded(inner) for key, inner in value.items()}
    if isinstance(value, np.ndarray):
        return _rounded(value.tolist())
    if isinstance(value, (list, tuple)):
        return [_rounded(inner) for inner in value]
    return float(f"{value:.12g}") if isinstance(value, float) and abs(value) < 1.0 else _round(value)


def _round(value: Any) -> Any:
    return round(value, 4) if isinstance(value, float) else value
