"""From photographs to the repeat of each fragment: lens, plane, net, centres, lattice."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.lattice import Lattice, fit_lattice, merge_centres
from fragkit.motifs import Centres, Motif, build_motif, find_centres, recentre
from fragkit.net import Net, Nets, find_nets
from fragkit.rectify import Lens, Rectified, given_lens, rectify, set_tone, solve_lens
from fragkit.study.bench import Bench, Made
from fragkit.study.choosing import agree, superbase_mm
from fragkit.study.digest import digest
from fragkit.study.labels import labels_in_plane
from fragkit.study.shared import shared_covariance_mm2
from fragkit.study.tape import centres_by_tape
from fragkit.survey import FragmentEntry, LensEntry, PhotoEntry, Survey, read_labels, read_photo


@dataclass(frozen=True, eq=False, kw_only=True)
class Measured:
    """What the fragments gave, by name of photograph or fragment."""

    rectified: Mapping[str, Made[Rectified]]
    nets: Mapping[str, Made[Nets]]
    centres: Mapping[str, Made[Centres]]
    motif: Made[Motif] | None
    merged: Mapping[str, Made[Centres]]
    lattices: Mapping[str, Made[Lattice]]


def measure_fragments(bench: Bench, survey: Survey) -> Measured:
    """Every photograph and fragment as far as its data carry."""
    rectified = _rectify_all(bench, survey)
    nets = _find_all_nets(bench, rectified)
    centres = _find_all_centres(bench, rectified, nets)
    motif, centres = _build_motif(bench, survey, rectified, centres)
    merged = _merge_all(bench, survey, centres)
    return Measured(
        rectified=rectified,
        nets=nets,
        centres=centres,
        motif=motif,
        merged=merged,
        lattices=_fit_all(bench, survey, rectified, centres, merged),
    )


def count_steps(survey: Survey) -> int:
    """Number of steps that `measure_fragments` will take when nothing fails."""
    shown = Counter(photo.fragment for photo in survey.photos)
    n_joined = sum(shown[fragment.name] != 1 for fragment in survey.fragments)
    return len(survey.lenses) + 3 * len(survey.photos) + 1 + n_joined + len(survey.fragments)


def _rectify_all(bench: Bench, survey: Survey) -> dict[str, Made[Rectified]]:
    lenses = {name: _make_lens(bench, survey, entry) for name, entry in survey.lenses.items()}
    made = {}
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
        result = _rectify_one(bench, survey, photo, lens)
        if result is not None:
            made[photo.name] = result
    return made


def _make_lens(bench: Bench, survey: Survey, entry: LensEntry) -> Made[Lens] | None:
    hashes = [survey.sources[path.relative_to(survey.folder).as_posix()] for path in entry.files]

    def compute() -> Lens:
        if entry.f_px is not None and entry.centre_px is not None:
            return given_lens(entry.f_px, entry.centre_px, k1=entry.k1 or 0.0, k2=entry.k2 or 0.0, name=entry.name)
        boards = [read_photo(path) for path in entry.files]
        if entry.columns is None or entry.rows is None or entry.square_mm is None:
            raise ValueError(f"Lens {entry.name!r} has neither numbers nor a board: give one of them.")
        return solve_lens(
            boards,
            columns=entry.columns,
            rows=entry.rows,
            square_mm=entry.square_mm,
            name=entry.name,
            markers=entry.markers,
        )

    return bench.make("lens", entry.name, (entry, hashes), compute)


def _rectify_one(bench: Bench, survey: Survey, photo: PhotoEntry, lens: Made[Lens] | None) -> Made[Rectified] | None:
    source = survey.sources[photo.file.relative_to(survey.folder).as_posix()]

    def compute() -> Rectified:
        read = read_photo(photo.file)
        plane = rectify(read, photo.control, lens=lens.value if lens else None, flatness_mm=photo.flatness_mm)
        return set_tone(plane, read, photo.chart) if photo.chart else plane

    inputs = (source, photo.control, photo.flatness_mm, photo.chart, lens)
    return bench.make("rectify", photo.name, inputs, compute)


def _find_all_nets(bench: Bench, rectified: Mapping[str, Made[Rectified]]) -> dict[str, Made[Nets]]:
    made = {}
    for name, plane in rectified.items():

        def compute(plane: Made[Rectified] = plane) -> Nets:
            return find_nets(plane.value.picture)

        nets = bench.make("net", name, (plane,), compute)
        if nets is not None:
            made[name] = nets
    return made


def _find_all_centres(
    bench: Bench, rectified: Mapping[str, Made[Rectified]], nets: Mapping[str, Made[Nets]]
) -> dict[str, Made[Centres]]:
    """Centres by photograph, in the net on which the photographs agree."""
    chosen = agree({name: made.value for name, made in nets.items()})
    made = {}
    for name, net in chosen.items():
        if net is None:
            bench.skip("centres", name, *_disagreement(nets[name].value, chosen))
            continue
        plane = rectified[name]

        def compute(plane: Made[Rectified] = plane, net: Net = net) -> Centres:
            return find_centres(plane.value.picture, net, covariance_mm2=plane.value.covariance_mm2)

        centres = bench.make("centres", name, (plane, nets[name], net.a_mm, net.b_mm), compute)
        if centres is not None:
            made[name] = centres
    return made


def _disagreement(nets: Nets, chosen: Mapping[str, Net | None]) -> tuple[str, str]:
    own = " × ".join(f"{length:.0f}" for length in superbase_mm(nets.candidates[0])[:2])
    others = next(net for net in chosen.values() if net is not None)
    common = " × ".join(f"{length:.0f}" for length in superbase_mm(others)[:2])
    why = f"its repeat of {own} mm is not that of the other photographs, {common} mm."
    return why, "Check its control; if it shows another decoration, put it into a study of its own."


def _build_motif(
    bench: Bench, survey: Survey, rectified: Mapping[str, Made[Rectified]], centres: Mapping[str, Made[Centres]]
) -> tuple[Made[Motif] | None, dict[str, Made[Centres]]]:
    """The motif, and the centres as places of its metal centroid."""
    photos = [photo for photo in survey.photos if photo.name in centres]
    if not photos:
        bench.skip("motif", "study", "no photograph shows motifs.", "Photograph a fragment: centres have no shape.")
        return None, {}
    planes, given = [rectified[photo.name] for photo in photos], [centres[photo.name] for photo in photos]
    hashes = [_label_hash(survey, photo) for photo in photos]

    def compute() -> Motif:
        examples = [(p.value.picture, c.value) for p, c in zip(planes, given, strict=True)]
        labels = [_labels(photo, p.value) for photo, p in zip(photos, planes, strict=True)]
        return build_motif(examples, labels=labels)

    motif = bench.make("motif", "study", (planes, given, hashes), compute)
    if motif is None:
        return None, dict(centres)
    moved = {
        photo.name: Made(recentre(own.value, motif.value, picture=k), digest(own.key, motif.key))
        for k, (photo, own) in enumerate(zip(photos, given, strict=True))
    }
    return motif, moved


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
        return bench.make("centres", fragment.name, tape, lambda: centres_by_tape(fragment))
    parts = [centres[p.name] for p in survey.photos if p.fragment == fragment.name and p.name in centres]
    if not parts:
        why = "none of its photographs gave motif centres."
        bench.skip("lattice", fragment.name, why, "See what stopped its photographs.")
        return None
    if len(parts) == 1:
        return parts[0]
    return bench.make("centres", fragment.name, tuple(parts), lambda: merge_centres([part.value for part in parts]))


def _fit_all(
    bench: Bench,
    survey: Survey,
    rectified: Mapping[str, Made[Rectified]],
    centres: Mapping[str, Made[Centres]],
    merged: Mapping[str, Made[Centres]],
) -> dict[str, Made[Lattice]]:
    made = {}
    for name, joined in merged.items():
        names = [photo.name for photo in survey.photos if photo.fragment == name and photo.name in centres]
        parts = [(rectified[photo], centres[photo]) for photo in names]

        def compute(joined: Made[Centres] = joined, parts: list[Any] = parts) -> Lattice:
            photos = [(plane.value, own.value) for plane, own in parts]
            shared = shared_covariance_mm2(joined.value, photos) if photos else None
            return fit_lattice(joined.value, plane_covariance=shared)

        lattice = bench.make("lattice", name, (joined, parts), compute)
        if lattice is not None:
            made[name] = lattice
    return made
