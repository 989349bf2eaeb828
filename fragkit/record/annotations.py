"""`annotations.jsonld`: what was read in which region of which photograph, as W3C Web Annotation."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
from numpy.typing import NDArray

from fragkit.record.addresses import hash_address, place_address
from fragkit.record.register import Claim, Region, register
from fragkit.record.study_result import StudyResult, fragment_of, photo_file

CONTEXT = "http://www.w3.org/ns/anno.jsonld"
_MEDIA = {
    ".jpg": "image/jpeg",
    ".jpeg": "image/jpeg",
    ".png": "image/png",
    ".tif": "image/tiff",
    ".tiff": "image/tiff",
    ".webp": "image/webp",
}
_POINT_RADIUS_PX = 8.0


def annotations_json(result: StudyResult) -> str:
    """Surface, control points and motif sites of every photograph, in pixels as displayed.

    Notes
    -----
    A photograph is named by its hash (RFC 6920, `nih:sha-256;…`), so that the annotations still find it
    when it has moved; its file name is its label. A region that claims of the evidence register rest on
    lists them in its body.

    References
    ----------
    Sanderson, R., Ciccarese, P., Young, B. (2017) Web Annotation Data Model, W3C Recommendation.
    """
    claims = register(result)
    items = [item for name in result.rectified for item in _of_photo(result, name, claims)]
    page = {
        "@context": CONTEXT,
        "id": place_address(result, "regions"),
        "type": "AnnotationPage",
        "partOf": {
            "id": place_address(result, "collection"),
            "type": "AnnotationCollection",
            "label": f"Regions on the photographs of {result.survey.title or 'the study'}",
            "total": len(items),
            "first": place_address(result, "regions"),
        },
        "startIndex": 0,
        "items": items,
    }
    return json.dumps(page, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _of_photo(result: StudyResult, name: str, all_claims: Sequence[Claim]) -> Iterator[dict[str, Any]]:
    rectified, source = result.rectified[name], _source(result, name)
    claims = {
        part: [claim.id for claim in all_claims if Region(photo=name, part=part) in claim.regions]
        for part in ("surface", "control points", "motif sites")
    }
    outline = rectified.to_px(_corners_mm(rectified.picture))
    words = f"Surface brought to true scale, fragment {fragment_of(result, name)}."
    yield _annotation(
        place_address(result, name, "surface"), _with_claims(words, claims["surface"]), source, _polygon(outline)
    )
    places = rectified.to_px(rectified.control_xy_mm)
    for label, place in zip(rectified.control_names, places, strict=True):
        words = _with_claims(f"Control point {label}.", claims["control points"])
        yield _annotation(place_address(result, name, "control", label), words, source, _circle(place))
    if name in result.centres:
        yield from _sites(result, name, source, claims["motif sites"])


def _sites(result: StudyResult, name: str, source: dict[str, Any], claims: list[str]) -> Iterator[dict[str, Any]]:
    """Every site within the picture that is not merely foretold."""
    centres, motif = result.centres[name], result.motif
    box = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]])
    size = np.zeros(2) if motif is None else np.array([motif.width_mm, motif.height_mm])
    for k in np.flatnonzero(centres.found):
        i, j = (int(part) for part in centres.index[k])
        corners = result.rectified[name].to_px(centres.xy_mm[k] + box * size)
        shape = _circle(corners.mean(axis=0)) if motif is None else _polygon(corners)
        words = f"Motif {i}, {j}: {centres.status[k]}, {100 * float(centres.visible_ratio[k]):.0f} % visible."
        yield _annotation(place_address(result, name, "motif", f"{i},{j}"), _with_claims(words, claims), source, shape)


def _annotation(address: str, words: str, source: dict[str, Any], shape: ElementTree.Element) -> dict[str, Any]:
    return {
        "id": address,
        "type": "Annotation",
        "motivation": "identifying",
        "body": {
            "type": "TextualBody",
            "value": words,
            "format": "text/plain",
            "language": "en",
            "purpose": "identifying",
        },
        "target": {
            "type": "SpecificResource",
            "source": source,
            "selector": {"type": "SvgSelector", "value": _svg(shape)},
        },
    }


def _with_claims(words: str, claims: list[str]) -> str:
    return f"{words} Claims: {', '.join(claims)}." if claims else words


def _source(result: StudyResult, name: str) -> dict[str, Any]:
    file = photo_file(result, name) or name
    digest = result.survey.sources.get(file)
    source: dict[str, Any] = {
        "id": hash_address(digest) if digest else place_address(result, "in", file),
        "type": "Image",
        "label": file,
    }
    kind = _MEDIA.get(Path(file).suffix.lower())
    return source | ({"format": kind} if kind else {})


def _corners_mm(picture: Any) -> NDArray[np.float64]:
    height, width = picture.coverage.shape
    ends = [[-0.5, -0.5], [width - 0.5, -0.5], [width - 0.5, height - 0.5], [-0.5, height - 0.5]]
    return np.asarray(picture.to_mm(np.array(ends)), float)


def _polygon(points_px: NDArray[Any]) -> ElementTree.Element:
    return ElementTree.Element("polygon", {"points": " ".join(f"{x:.1f},{y:.1f}" for x, y in points_px)})


def _circle(centre_px: NDArray[Any]) -> ElementTree.Element:
    x, y = centre_px
    return ElementTree.Element("circle", {"cx": f"{x:.1f}", "cy": f"{y:.1f}", "r": f"{_POINT_RADIUS_PX:g}"})


def _svg(shape: ElementTree.Element) -> str:
    root = ElementTree.Element("svg", {"xmlns": "http://www.w3.org/2000/svg"})
    root.append(shape)
    return ElementTree.tostring(root, encoding="unicode")
