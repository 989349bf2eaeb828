"""Stand-ins for the rooms that count how often they are called, to test the order of a study."""

from collections import Counter
from types import SimpleNamespace

import numpy as np

from fragkit.errors import EstimationError

CALLS = Counter()
REFUSED = set()
"""Stages, or (stage, subject) pairs, whose data shall not carry an answer."""


def _called(stage, subject=""):
    CALLS[stage] += 1
    if stage in REFUSED or (stage, subject) in REFUSED:
        raise EstimationError(f"{stage} has no answer", found="too little", needed="one more photograph")


class Shown(SimpleNamespace):
    """A picture at half a millimetre to the pixel, its top-left pixel at the origin."""

    def to_mm(self, xy_px):
        return np.asarray(xy_px) * [0.5, -0.5]


class Plane(SimpleNamespace):
    tone = None

    def to_mm(self, xy_px):
        return self.picture.to_mm(xy_px)

    def covariance_mm2(self, xy_mm):
        return np.zeros((len(xy_mm), 2, 2))

    def joint_covariance_mm2(self, xy_mm):
        return 0.01 * np.ones((2 * len(xy_mm), 2 * len(xy_mm)))


def rectify(photo, control, *, lens=None, flatness_mm=0.0):
    _called("rectify", photo.file)
    coverage = np.ones(photo.pixels.shape[:2], bool)
    return Plane(picture=Shown(file=photo.file, coverage=coverage), control=control, lens=lens)


def given_lens(f_px, centre_px, *, k1, k2, name):
    _called("lens", name)
    return SimpleNamespace(f_px=f_px, name=name)


def compare_photographs(first, second):
    _called("compare")
    return SimpleNamespace(rms_mm=0.3, allowed_mm=0.4, agree=True)


def find_nets(picture, *, mask, repeat_range_mm, example_mm):
    _called("net", picture.file)
    side = 90.0 if "odd" in picture.file else 60.0
    net = SimpleNamespace(a_mm=np.array([side, 0.0]), b_mm=np.array([0.0, side]), support=0.5, is_frieze=False)
    asked = SimpleNamespace(mask=mask, repeat_range_mm=repeat_range_mm, example_mm=example_mm)
    return SimpleNamespace(candidates=(net,), best=net, decided=True, asked=asked)


def find_centres(picture, net, *, mask, covariance_mm2, example_mm):
    _called("centres", picture.file)
    index = np.array([[0, 0], [1, 0], [0, 1], [1, 1]])
    return SimpleNamespace(
        index=index,
        xy_mm=60.0 * index,
        cov_mm2=np.tile(0.04 * np.eye(2), (4, 1, 1)),
        status=("seen", "seen", "seen", "lost"),
        found=np.array([True, True, True, False]),
        net=net,
        asked=SimpleNamespace(mask=mask, example_mm=example_mm),
    )


def merge_centres(centres):
    _called("merge")
    return centres[0]


def fit_lattice(centres, *, plane_covariance):
    _called("lattice")
    return SimpleNamespace(shared=plane_covariance, a_mm=np.array([60.0, 0.0]))


def measure_spacing(fit, *, pictures):
    raise EstimationError("too small for a local spacing", found="two", needed="three")


def judge_photograph(rectified):
    return SimpleNamespace(text="as sharp as it is")


def build_motif(examples, *, labels):
    _called("motif")
    return SimpleNamespace(labels=tuple(labels), n_examples=len(examples))


def recentre(centres, motif, *, picture):
    return centres


def tell_lost(centres, motif, picture, *, number):
    return centres


def pool(lattices, *, turns_deg, turn_sds_deg, between_sd_ratio, rows):
    _called("repeat")
    return SimpleNamespace(n=len(lattices), turns=tuple(turns_deg), between=between_sd_ratio)


def measure_colours(pictures, labels, *, paints, **_read):
    _called("colour")
    return SimpleNamespace(paints=paints)


def weigh_technique(lattices, motif, *, rng):
    _called("technique")
    return SimpleNamespace(draw=rng.integers(1 << 30), motif=motif is not None)


def lay_out(walls, repeat, motif, *, fragments, options):
    _called("layout")
    return SimpleNamespace(walls=walls, placed=fragments, n_motifs=12)


def set_out(layout, *, instruments):
    _called("setting-out")
    return SimpleNamespace(instruments=instruments)


def take_off(layout, motif, works):
    _called("leaf")
    return SimpleNamespace(n_leaves=3)


def plan_works(layout, takeoff, works, *, rng):
    _called("works")
    return SimpleNamespace(draw=rng.integers(1 << 30))


def write_record(result, out, *, crew=None):
    CALLS["record"] += 1
    out.mkdir(parents=True, exist_ok=True)
    (out / "results.json").write_text(f"{len(result.skipped)} skipped")


ROOMS = {
    "fragments": (
        rectify,
        given_lens,
        find_nets,
        find_centres,
        build_motif,
        recentre,
        tell_lost,
        merge_centres,
        fit_lattice,
        measure_spacing,
    ),
    "proposal": (pool,),
    "decoration": (measure_colours, weigh_technique),
    "rooms": (lay_out, set_out, take_off, plan_works),
    "overlaps": (compare_photographs,),
    "run": (judge_photograph,),
    "run.record": (write_record,),
}
