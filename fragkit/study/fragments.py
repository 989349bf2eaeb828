"""From photographs to the repeat of each fragment: lens, plane, net, centres, lattice."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.errors import EstimationError, FragkitError
from fragkit.lattice import (
    Lattice,
    LocalSpacing,
    RowFit,
    fit_lattice,
    fit_row,
    measure_spacing,
    merge_centres,
    stand_in_one_row,
)
from fragkit.motifs import Centres, Motif, build_motif, find_centres, recentre, tell_lost
from fragkit.net import Net, Nets, find_nets
from fragkit.rectify import Comparison, Lens, Rectified, given_lens, rectify, set_tone, solve_lens
from fragkit.study.bench import Bench, Made, Step, Underway
from fragkit.study.choosing import agree, superbase_mm
from fragkit.study.labels import example_in_plane, labels_in_plane
from fragkit.study.overlaps import compare_overlaps, count_overlaps
from fragkit.study.review import reviewed, without_dropped
from fragkit.study.shared import shared_covariance_mm2
from fragkit.study.tape import centres_by_tape
from fragkit.survey import LABEL_NAMES, FragmentEntry, LensEntry, PhotoEntry, Survey, read_labels, read_photo
from fragkit.survey.review import ReviewEntry


@dataclass(frozen=True, eq=False, kw_only=True)
class Measured:
    """What the fragments gave, by name of photograph or fragment; one with a single row is in `rows`."""

    rectified: Mapping[str, Made[Rectified]]
    overlaps: Mapping[tuple[str, str], Made[Comparison | None]]
    nets: Mapping[str, Made[Nets]]
    centres: Mapping[str, Made[Centres]]
    unreviewed: Mapping[str, Made[Centres]]
    motif: Made[Motif] | None
    merged: Mapping[str, Made[Centres]]
    lattices: Mapping[str, Made[Lattice]]
    rows: Mapping[str, Made[RowFit]]


def measure_fragments(bench: Bench, survey: Survey) -> Measured:
    """Every photograph and fragment as far as its data carry."""
    rectified = _rectify_all(bench, survey)
    nets = _find_all_nets(bench, survey, rectified)
    centres = _find_all_centres(bench, survey, rectified, nets)
    motif, unreviewed = _build_motif(bench, survey, rectified, centres)
    centres = _review_all(bench, survey, rectified, unreviewed)
    merged = _merge_all(bench, survey, centres)
    lattices, rows = _fit_all(bench, survey, rectified, centres, merged)
    return Measured(
        rectified=rectified,
        overlaps=compare_overlaps(bench, survey, rectified),
        nets=nets,
        centres=centres,
        unreviewed=unreviewed,
        motif=motif,
        merged=merged,
        lattices=lattices,
        rows=rows,
    )


def count_steps(survey: Survey) -> int:
    """Number of steps that `measure_fragments` will take when nothing fails."""
    shown = Counter(photo.fragment for photo in survey.photos)
    n_joined = sum(shown[fragment.name] != 1 for fragment in survey.fragments)
    n_fragments = len(survey.fragments)
    return len(survey.lenses) + count_overlaps(survey) + 3 * len(survey.photos) + 1 + n_joined + 2 * n_fragments


def _rectify_all(bench: Bench, survey: Survey) -> dict[str, Made[Rectified]]:
    lenses = {name: _make_lens(bench, survey, entry) for name, entry in survey.lenses.items()}
    steps = []
    for photo in survey.photos:
        lens = lenses.get(photo.lens) if photo.lens else None
        if photo.lens and lens is None:
            why = f"its lens {photo.lens!r} could not be solved."
            bench.skip(
                "rectify",
                photo.name,
                why,
                "Correct the lens, or leave it out: it is then solved with the plane.",
            )
            continue
        source = survey.sources[photo.file.relative_to(survey.folder).as_posix()]
        inputs = (source, photo.control, photo.flatness_mm, photo.chart, lens)
        steps.append(Step(photo.name, inputs, partial(_rectified, photo, source, lens)))
    return bench.make_all("rectify", steps)


def _make_lens(bench: Bench, survey: Survey, entry: LensEntry) -> Made[Lens] | None:
    hashes = [survey.sources[path.relative_to(survey.folder).as_posix()] for path in entry.files]

    return bench.make("lens", entry.name, (entry, hashes), partial(_lens, entry))


def _lens(entry: LensEntry) -> Lens:
    if entry.f_px is not None and entry.centre_px is not None:
        return given_lens(entry.f_px, entry.centre_px, k1=entry.k1 or 0.0, k2=entry.k2 or 0.0, name=entry.name)
    if entry.columns is None or entry.rows is None or entry.square_mm is None:
        raise ValueError(f"Lens {entry.name!r} has neither numbers nor a board: give one of them.")
    return solve_lens(
        [read_photo(path) for path in entry.files],
        columns=entry.columns,
        rows=entry.rows,
        square_mm=entry.square_mm,
        name=entry.name,
        markers=entry.markers,
    )


def _rectified(photo: PhotoEntry, source: str, lens: Made[Lens] | None) -> Rectified:
    read = read_photo(photo.file)
    if read.sha256 != source:
        raise FragkitError(f"{read.file} changed while the study was being read. Nothing was written; run again.")
    plane = rectify(read, photo.control, lens=lens.value if lens else None, flatness_mm=photo.flatness_mm)
    return set_tone(plane, read, photo.chart) if photo.chart else plane


def _find_all_nets(bench: Bench, survey: Survey, rectified: Mapping[str, Made[Rectified]]) -> dict[str, Made[Nets]]:
    steps = []
    for photo in survey.photos:
        if photo.name in rectified:
            plane = rectified[photo.name]
            inputs = (plane, photo.example_px, photo.repeat_range_mm, _label_hash(survey, photo))
            steps.append(Step(photo.name, inputs, partial(_nets, plane, photo)))
    return bench.make_all("net", steps)


def _nets(plane: Made[Rectified], photo: PhotoEntry) -> Nets:
    return find_nets(
        plane.value.picture,
        mask=_not_later(photo, plane.value),
        repeat_range_mm=photo.repeat_range_mm,
        example_mm=example_in_plane(photo.example_px, plane.value),
    )


def _not_later(photo: PhotoEntry, rectified: Rectified) -> NDArray[np.bool_] | None:
    """Where no later work is labelled: what others painted is not searched."""
    labels = _labels(photo, rectified)
    return None if labels is None else np.asarray(labels != LABEL_NAMES.index("later work"))


def _find_all_centres(
    bench: Bench, survey: Survey, rectified: Mapping[str, Made[Rectified]], nets: Mapping[str, Made[Nets]]
) -> dict[str, Made[Centres]]:
    """Centres by photograph, in the net on which the photographs agree."""
    chosen = agree({name: made.value for name, made in nets.items()})
    photos = {photo.name: photo for photo in survey.photos}
    steps = []
    for name, net in chosen.items():
        if net is None:
            bench.skip("centres", name, *_disagreement(nets[name].value, chosen))
            continue
        plane = rectified[name]
        steps.append(Step(name, (plane, nets[name], net.a_mm, net.b_mm), partial(_centres, plane, photos[name], net)))
    return bench.make_all("centres", steps)


def _centres(plane: Made[Rectified], photo: PhotoEntry, net: Net) -> Centres:
    return find_centres(
        plane.value.picture,
        net,
        mask=_not_later(photo, plane.value),
        covariance_mm2=plane.value.covariance_mm2,
        example_mm=example_in_plane(photo.example_px, plane.value),
    )


def _disagreement(nets: Nets, chosen: Mapping[str, Net | None]) -> tuple[str, str]:
    own = " × ".join(f"{length:.0f}" for length in superbase_mm(nets.candidates[0])[:2])
    others = next(net for net in chosen.values() if net is not None)
    common = " × ".join(f"{length:.0f}" for length in superbase_mm(others)[:2])
    why = f"its repeat of {own} mm is not that of the other photographs, {common} mm."
    return why, "Check its control; if it shows another decoration, put it into a study of its own."


def _build_motif(
    bench: Bench, survey: Survey, rectified: Mapping[str, Made[Rectified]], centres: Mapping[str, Made[Centres]]
) -> tuple[Made[Motif] | None, dict[str, Made[Centres]]]:
    """The motif, and the centres as places of its metal centroid, what a person dropped still among them."""
    photos = [photo for photo in survey.photos if photo.name in centres]
    if not photos:
        bench.skip("motif", "study", "no photograph shows motifs.", "Photograph a fragment: centres have no shape.")
        return None, {}
    planes = [rectified[photo.name] for photo in photos]
    given = [_make_kept(bench, photo, centres[photo.name]) for photo in photos]
    hashes = [_label_hash(survey, photo) for photo in photos]
    motif = bench.make("motif", "study", (planes, given, hashes), partial(_motif, photos, planes, given))
    if motif is None:
        return None, dict(centres)
    moved = {
        photo.name: bench.derive(
            (centres[photo.name], own, motif, "recentre"),
            partial(_recentred, centres[photo.name], own, motif, plane, k),
        )
        for k, (photo, own, plane) in enumerate(zip(photos, given, planes, strict=True))
    }
    return motif, moved


def _motif(photos: Sequence[PhotoEntry], planes: Sequence[Made[Rectified]], centres: Sequence[Made[Centres]]) -> Motif:
    examples = [(plane.value.picture, own.value) for plane, own in zip(planes, centres, strict=True)]
    labels = [_labels(photo, plane.value) for photo, plane in zip(photos, planes, strict=True)]
    return build_motif(examples, labels=labels)


def _make_kept(bench: Bench, photo: PhotoEntry, centres: Made[Centres]) -> Made[Centres]:
    if photo.review is None:
        return centres
    return bench.derive((centres, photo.review, "kept"), partial(_kept, centres, photo.review))


def _kept(centres: Made[Centres], review: ReviewEntry) -> Centres:
    return without_dropped(centres.value, review)


def _recentred(
    found: Made[Centres], kept: Made[Centres], motif: Made[Motif], plane: Made[Rectified], number: int
) -> Centres:
    moved = recentre(kept.value, motif.value, picture=number)
    whole = moved if kept.key == found.key else replace(moved, status=found.value.status)
    return tell_lost(whole, motif.value, plane.value.picture, number=number)


def _review_all(
    bench: Bench, survey: Survey, rectified: Mapping[str, Made[Rectified]], centres: Mapping[str, Made[Centres]]
) -> dict[str, Made[Centres]]:
    done = dict(centres)
    for photo in survey.photos:
        if photo.review is not None and photo.name in done:
            own, plane = centres[photo.name], rectified[photo.name]
            inputs = (own, plane, photo.review, "reviewed")
            done[photo.name] = bench.derive(inputs, partial(_reviewed, own, plane, photo.review))
    return done


def _reviewed(centres: Made[Centres], plane: Made[Rectified], review: ReviewEntry) -> Centres:
    return reviewed(centres.value, review, covariance_mm2=plane.value.covariance_mm2)


def _label_hash(survey: Survey, photo: PhotoEntry) -> str | None:
    return survey.sources[photo.labels.relative_to(survey.folder).as_posix()] if photo.labels else None


def _labels(photo: PhotoEntry, rectified: Rectified) -> NDArray[np.uint8] | None:
    return labels_in_plane(read_labels(photo.labels), rectified) if photo.labels else None


def _merge_all(bench: Bench, survey: Survey, centres: Mapping[str, Made[Centres]]) -> dict[str, Made[Centres]]:
    made = {}
    for fragment in survey.fragments:
        merged = _merge_one(bench, survey, fragment, centres)
        if merged is not None:
            made[fragment.name] = merged
    return made


def _merge_one(
    bench: Bench, survey: Survey, fragment: FragmentEntry, centres: Mapping[str, Made[Centres]]
) -> Made[Centres] | None:
    if fragment.centres_xy_mm is not None:
        tape = (fragment.centres_xy_mm, fragment.centres_sd_mm, fragment.centres_index)
        return bench.make("centres", fragment.name, tape, partial(centres_by_tape, fragment))
    parts = [centres[p.name] for p in survey.photos if p.fragment == fragment.name and p.name in centres]
    if not parts:
        why = "none of its photographs gave motif centres."
        bench.skip("lattice", fragment.name, why, "See what stopped its photographs.")
        return None
    if len(parts) == 1:
        return parts[0]
    return bench.make("centres", fragment.name, tuple(parts), partial(_merged, parts))


def _merged(parts: Sequence[Made[Centres]]) -> Centres:
    return merge_centres([part.value for part in parts])


def _fit_all(
    bench: Bench,
    survey: Survey,
    rectified: Mapping[str, Made[Rectified]],
    centres: Mapping[str, Made[Centres]],
    merged: Mapping[str, Made[Centres]],
) -> tuple[dict[str, Made[Lattice]], dict[str, Made[RowFit]]]:
    """The net of each fragment, and the step of each whose motifs stand in a single row."""
    steps = []
    for name, joined in merged.items():
        names = [photo.name for photo in survey.photos if photo.fragment == name and photo.name in centres]
        parts = [(rectified[photo], centres[photo]) for photo in names]
        steps.append(Step(name, (joined, parts), partial(_fitted, joined, parts)))
    made: dict[str, Made[Any]] = dict(bench.make_all("lattice", steps))
    rows = {name: fit for name, fit in made.items() if isinstance(fit.value, RowFit)}
    return {name: fit for name, fit in made.items() if name not in rows}, rows


def _fitted(joined: Made[Centres], parts: Sequence[tuple[Made[Rectified], Made[Centres]]]) -> Lattice | RowFit:
    """The net of a fragment, or the step of one whose motifs stand in a single row."""
    centres, shared = joined.value, _shared(joined, parts)
    if stand_in_one_row(centres):
        return fit_row(centres, plane_covariance=shared)
    return fit_lattice(centres, plane_covariance=shared)


def _shared(
    joined: Made[Centres], parts: Sequence[tuple[Made[Rectified], Made[Centres]]]
) -> NDArray[np.float64] | None:
    photos = [(plane.value, own.value) for plane, own in parts]
    return shared_covariance_mm2(joined.value, photos) if photos else None


def begin_spacings(bench: Bench, survey: Survey, measured: Measured) -> Underway[LocalSpacing | None]:
    """The spacing from place to place of every fragment, while other things are done."""
    fits: dict[str, Made[Lattice] | Made[RowFit]] = {**measured.lattices, **measured.rows}
    steps = []
    for name, fit in fits.items():
        shown = [p.name for p in survey.photos if p.fragment == name and p.name in measured.centres]
        planes = [measured.rectified[photo] for photo in shown]
        steps.append(Step(name, (fit, planes), partial(_spacing, fit, planes)))
    return bench.begin("spacing", steps)


def _spacing(fit: Made[Lattice] | Made[RowFit], planes: Sequence[Made[Rectified]]) -> LocalSpacing | None:
    try:
        return measure_spacing(fit.value, pictures=[plane.value.picture for plane in planes])
    except EstimationError:
        return None
