"""`geometry.json`: walls, openings, edges and motifs as plain coordinates in the wall frame."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from shapely.geometry.polygon import Polygon, orient

from fragkit.record.results import plain
from fragkit.record.study_result import FloatArray, StudyResult, regular_areas_by_wall

if TYPE_CHECKING:
    from fragkit.layout import WallLayout
    from fragkit.technique import RegularArea

FRAME = "millimetres in the frame of each wall, named by its properties: x to the right, y up, from the wall's datum"


def geometry_json(result: StudyResult) -> str:
    """The layout, and what is suspiciously regular on its walls, as GeoJSON; coordinates in full precision.

    Notes
    -----
    The objects are those of RFC 7946; the coordinates are not degrees on the Earth but `FRAME`, which its
    section 4 allows where those who exchange the file have agreed on it. Outer rings run counterclockwise.

    References
    ----------
    Butler, H. et al. (2016) The GeoJSON Format, RFC 7946.
    """
    areas = regular_areas_by_wall(result)
    walls = result.layout.walls if result.layout is not None else ()
    features = [feature for wall in walls for feature in (*_features(wall), *_areas(wall.name, areas))]
    content = {"type": "FeatureCollection", "frame": FRAME, "features": features}
    return json.dumps(plain(content), ensure_ascii=False, allow_nan=False, separators=(",", ":")) + "\n"


def _features(wall: WallLayout) -> Iterator[dict[str, Any]]:
    yield _feature(_ring(wall.wall.outline_mm), wall=wall.name, kind="wall", name=wall.name)
    for opening in wall.wall.openings:
        yield _feature(_ring(opening.outline_mm), wall=wall.name, kind="opening", name=opening.name)
    for edge in wall.wall.edges:
        line = {"type": "LineString", "coordinates": np.asarray(edge.line_mm, float).tolist()}
        yield _feature(line, wall=wall.name, kind="edge", name=edge.name)
    for k, motif_id in enumerate(wall.id):
        yield _feature(
            {"type": "Point", "coordinates": wall.xy_mm[k]},
            wall=wall.name,
            kind="motif",
            name=motif_id,
            form=wall.form[k],
            scale_ratio=wall.scale_ratio[k],
            rotation_deg=wall.rotation_deg[k],
            position_class=wall.position_class[k],
        )


def _areas(wall: str, areas: Mapping[str, Sequence[tuple[str, FloatArray, RegularArea]]]) -> Iterator[dict[str, Any]]:
    for fragment, outline_mm, area in areas.get(wall, ()):
        told = {"fragment": fragment, "p": area.p, "words": area.words}
        yield _feature(_ring(outline_mm), wall=wall, kind="regular area", **told)


def _feature(geometry: dict[str, Any], **properties: Any) -> dict[str, Any]:
    return {"type": "Feature", "geometry": geometry, "properties": properties}


def _ring(outline_mm: NDArray[Any]) -> dict[str, Any]:
    """A closed ring, counterclockwise."""
    ring = orient(Polygon(np.asarray(outline_mm, float)))
    return {"type": "Polygon", "coordinates": [list(map(list, ring.exterior.coords))]}
