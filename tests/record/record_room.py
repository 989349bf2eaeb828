"""A small hand-made study of the invented Partners' Room, complete enough for a whole record."""

from pathlib import Path
from types import SimpleNamespace

import numpy as np

from fragkit.colour import AreaColours, Colour, Colours, Laps
from fragkit.lattice import Pooled, fit_lattice, measure_spacing
from fragkit.layout import lay_out
from fragkit.motifs import Spread, Stance
from fragkit.record import write_record
from fragkit.rectify import Picture, Tone
from fragkit.setting_out import set_out
from fragkit.survey.entries import (
    BoardControl,
    DecisionEntry,
    FragmentEntry,
    LayoutEntry,
    OpeningEntry,
    PhotoEntry,
    PriceEntry,
    Survey,
    WallEntry,
    WorksEntry,
)
from fragkit.technique import PLACINGS
from fragkit.works import plan_works, take_off

__all__ = ["write_record"]

NASTY = '<script>alert("x")</script>'


def cone(width_mm, height_mm, x=0.0, y=0.0, n=40):
    """A plump leaf-shaped outline."""
    t = np.linspace(0, 2 * np.pi, n, endpoint=False)
    return np.column_stack([x + width_mm / 2 * np.cos(t), y + height_mm / 2 * np.sin(t) * (1 - 0.2 * np.cos(2 * t))])


def bands(layer):
    return ((cone(36.4, 46.4), cone(35.6, 45.6)),) if layer == "metal" else ()


def hop_cone():
    shape = (120, 100)
    y, x = np.mgrid[: shape[0], : shape[1]]
    metal = (((x - 50) / 36) ** 2 + ((y - 60) / 46) ** 2 < 1).astype(np.float32)
    return SimpleNamespace(
        mm_per_px=0.5,
        origin_px=np.array([50.0, 60.0]),
        metal=metal,
        shadow=np.roll(metal, (6, 6), (0, 1)) * (1 - metal),
        ground=1 - metal,
        support=np.full(shape, 9.0, np.float32),
        outlines={"metal": (cone(36, 46),), "shadow": (cone(36, 46, 3, -3),)},
        doubt_bands=bands,
        width_mm=39.0,
        height_mm=49.0,
        metal_width_mm=36.0,
        metal_height_mm=46.0,
        metal_area_mm2=1240.0,
        metal_area_sd_mm2=22.0,
        n_examples=9,
        shape_spread_mm=0.6,
        spread=Spread(stray_mm=0.6, stray_sd_mm=0.05, shape_mm=0.5, shape_sd_mm=0.04, n=9, seen_ratio=0.7),
        stance=Stance(turn_sd_deg=1.2, size_sd_ratio=0.016, turn_reading_sd_deg=0.1, size_reading_sd_ratio=0.001, n=8),
        weights=((0, 0, 0, 1.0), (0, 1, 0, 0.8)),
        notes=("Two examples are retouched and were left out.",),
    )


def pooled(**changes):
    values = {
        "across_mm": 152.31,
        "down_mm": 88.12,
        "offset_ratio": 0.5,
        "cov": np.diag([0.04, 0.02, 1e-6]),
        "interval_across_mm": (151.9, 152.7),
        "interval_down_mm": (87.8, 88.4),
        "interval_new_wall": {
            "across_mm": (150.4, 154.2),
            "down_mm": (87.0, 89.2),
            "offset_ratio": (0.49, 0.51),
        },
        "between_sd_mm": np.array([0.8, 0.5]),
        "net_type": "centred",
        "n_fragments": 2,
        "residual_sd_mm": 0.7,
        "n_centres": 61,
        "notes": ("Two fragments only: the spread between walls is poorly known.",),
    }
    return Pooled(**(values | changes))


def picture():
    rng = np.random.default_rng(5)
    pixels = rng.integers(150, 200, (120, 160, 3), dtype=np.uint8)
    coverage = np.ones((120, 160), bool)
    coverage[:20, :30] = False
    return Picture(pixels=pixels, mm_per_px=2.5, origin_mm=np.array([-12.5, 300.0]), coverage=coverage)


def tone():
    """A chart of 23 patches, each left with a miss of 1.7 in lightness."""
    lab = np.column_stack([np.linspace(20.0, 94.0, 23), np.zeros(23), np.zeros(23)])
    return Tone(
        matrix=np.eye(3), light=np.zeros(5), to_unit=np.ones((2, 2)), names=("1",) * 23, dropped=("19",),
        lab=lab, lab_found=lab + [1.7, 0.0, 0.0], noise=np.full(23, 0.8), kind="colour", light_ratio=0.7,
    )  # fmt: skip


def cleaned(ground):
    """An area marked as cleaned, its ground a little off the rest."""
    return AreaColours(
        name="cleaned <1>", is_marked=True, ground=ground, shadow=None, ground_apart=(2.1, 1.2, 3.0), shadow_apart=None
    )


def laps():
    spacings, sides = ((90.0, 78.1, 0.4, 4),), ((80.0, "a supplier"),)
    return (("north-1", Laps(is_told=True, spacings=spacings, leaf_sides=sides, text="4 lines 78.1 mm apart")),)


def rectified(sd_mm):
    lens = SimpleNamespace(
        k1=-0.05, k2=0.0, f_px=4000.0, centre_px=np.array([2000.0, 1500.0]), notes=(), source="given"
    )
    return SimpleNamespace(
        picture=picture(),
        homography=np.eye(3),
        lens=lens,
        control_names=("A", "B", "C", "D"),
        control_xy_mm=np.array([[0.0, 0.0], [380.0, 0.0], [380.0, 290.0], [0.0, 290.0]]),
        residuals_mm=np.array([[0.1, 0.2], [-0.2, 0.1], [0.2, -0.2], [-0.1, 0.1]]),
        loo_residuals_mm=None,
        to_px=lambda xy_mm: np.array([600.0, 2400.0]) + np.asarray(xy_mm, float) * [8.0, -8.0],
        covariance_mm2=lambda xy_mm: (0.05 + 1e-7 * np.sum(xy_mm**2, axis=1))[:, None, None] * np.eye(2),
        rms_mm=0.21,
        loo_rms_mm=0.34,
        rms_px=0.4,
        sd_mm=sd_mm,
        n_control=8,
        suspects=(),
        sampling_mm=lambda xy_mm: np.full(len(xy_mm), 0.125),
        tone=tone(),
        budget={"control and picking": 0.3, "lens": 0.1, "relief": sd_mm - 0.05},
        notes=(f"Relief of 3 mm costs {sd_mm:.1f} mm at the rim.",),
    )


def centres():
    index = np.array([(i, j) for j in range(5) for i in range(6)])
    xy = index @ np.array([[152.3, 0.0], [76.2, 88.1]])
    status = tuple(["seen"] * 24 + ["partly seen"] * 3 + ["lost", "not there", "outside"])
    return SimpleNamespace(
        index=index,
        xy_mm=xy,
        cov_mm2=np.tile(np.array([[0.16, 0.01], [0.01, 0.25]]), (30, 1, 1)),
        score=np.linspace(0.9, 0.3, 30),
        visible_ratio=np.r_[np.full(24, 0.9), np.full(3, 0.4), np.zeros(3)],
        status=status,
        found=np.array([one in ("seen", "partly seen") for one in status]),
        notes=(),
    )


def nets(*, decided=True):
    names = ((152.3, 88.1), (152.3, 176.2))
    candidates = tuple(
        SimpleNamespace(
            a_mm=np.array([a, 0.0]),
            b_mm=np.array([a / 2, b]),
            support=0.8 - 0.1 * k,
            explained=0.9,
            net_type="centred",
            notes=(),
        )
        for k, (a, b) in enumerate(names)
    )
    return SimpleNamespace(candidates=candidates, best=candidates[0], decided=decided, notes=())


def lattice():
    """Fitted to 27 centres with 0.7 mm of scatter."""
    one = centres()
    xy = one.xy_mm[:27] + np.random.default_rng(3).normal(0, 0.7, (27, 2))
    return fit_lattice((xy, one.cov_mm2[:27], one.index[:27]))


def technique():
    placing = SimpleNamespace(
        verdict="on set-out lines",
        log10_bayes_factors={
            "on set-out lines": 0.0,
            "stepped off from the neighbour": -2.4,
            "rigid groups": -1.2,
        },
        posterior={"on set-out lines": 0.94, "stepped off from the neighbour": 0.003, "rigid groups": 0.057},
        words="The errors of neighbours do not follow each other and do not repeat.",
        would_settle="",
        by_kind={
            "positions": {"on set-out lines": 0.0, "stepped off from the neighbour": -2.4, "rigid groups": -1.2},
            "seen by eye": dict.fromkeys(("on set-out lines", "stepped off from the neighbour", "rigid groups"), 0.0),
        },
    )
    forming = SimpleNamespace(
        verdict="cannot be told",
        log10_bayes_factors={"drawn free": 0.0, "along an outline": 0.2},
        posterior={"drawn free": 0.4, "along an outline": 0.6},
        words="Nine examples are too few to tell a traced outline from a drawn one.",
        would_settle="sixteen more whole motifs of one wall, photographed at 0.2 mm a pixel",
        by_kind={
            "outlines": {"drawn free": 0.0, "along an outline": -1.0},
            "seen by eye": {"drawn free": 0.0, "along an outline": 1.2},
        },
    )
    return SimpleNamespace(
        placing=placing,
        forming=forming,
        n_motifs=54,
        calibration={"n_sets": 200.0, "right_ratio": 0.81, "wrong_firm_ratio": 0.005} | dict.fromkeys(PLACINGS, 0.8),
        regular_areas=(
            SimpleNamespace(
                fragment=0,
                outline_mm=np.array([[0.0, 0.0], [300.0, 0.0], [300.0, 250.0], [0.0, 250.0]]),
                index=np.array([[0, 0], [1, 0]]),
                p=0.001,
                words="12 motifs are more regular than the hand of this fragment allows (by chance once in 1,000)",
            ),
        ),
        changes=(
            SimpleNamespace(
                fragment=0,
                along="rows",
                before=4,
                step_mm=np.array([0.2, 2.9]),
                step_sd_mm=np.array([0.4, 0.5]),
                p=0.003,
                line_mm=np.array([[150.0, 0.0], [150.0, 250.0]]),
                words="from column 4 on, everything to the right stands 0.2 ± 0.4 mm right and 2.9 ± 0.5 mm up of what "
                "the rest of the net gives (so clear a step comes by chance once in 300)",
            ),
        ),
        lengths=(
            SimpleNamespace(
                fragment=0,
                name="wood block of 21 inches",
                length_mm=533.0,
                along="rows",
                log10_bayes_factor=2.3,
                p=0.004,
                words="along the rows, strips of 533 mm (wood block of 21 inches) that stand aside from each other "
                "suit the motifs better than none (as well by chance once in 300)",
            ),
        ),
        notes=("Priors are assumptions.",),
    )


def survey(folder, **changes):
    outline = np.array([[0.0, 0.0], [3000.0, 0.0], [3012.0, 1700.0], [0.0, 1694.0]])
    door = OpeningEntry(
        name="door", kind="door", clearance_mm=15.0,
        outline_mm=np.array([[1900.0, 0.0], [2700.0, 0.0], [2700.0, 1200.0], [1900.0, 1200.0]]),
    )  # fmt: skip
    walls = (
        WallEntry(name="north", outline_mm=outline, openings=(door,), clearance_mm=10.0),
        WallEntry(name="../east", outline_mm=outline * [0.5, 1.0], clearance_mm=10.0),
    )
    board = BoardControl(columns=9, rows=6, square_mm=25.0)
    prices = (
        PriceEntry(item="gold leaf 23 ct", unit="book", price=42.0, currency="EUR"),
        PriceEntry(item="labour", unit="hour", price=38.0, currency="EUR"),
        PriceEntry(item="oil size", unit="litre", price=60.0, currency="EUR"),
    )
    values = {
        "folder": Path(folder),
        "title": f"Partners' Room, Orrowby Maltings {NASTY}",
        "authors": ("A. Conservator", "B. Surveyor"),
        "date": "2026-03-02",
        "regime": "wall painting on plaster",
        "record_level": "3",
        "seed": 7,
        "between_sd_ratio": 0.01,
        "lenses": {},
        "photos": tuple(
            PhotoEntry(name=name, file=Path(f"{name}.jpg"), fragment=fragment, control=board)
            for name, fragment in (("north-1", "north"), ("../../etc/east", "east"))
        ),
        "fragments": (
            FragmentEntry(name="north", wall="north", origin_mm=(400.0, 300.0), turn_deg=2.0),
            FragmentEntry(name="east"),
            FragmentEntry(name="tape"),
        ),
        "walls": walls,
        "proposal": None,
        "layout": LayoutEntry(),
        "works": WorksEntry(metal="gold", margin_mm=3.0, prices=prices, crew=2),
        "decisions": (
            DecisionEntry(what="shadow", choice="to the lower right", reason="as on 14 motifs", evidence="north"),
            DecisionEntry(what="axis", choice="motif on the axis", reason="client's wish", who="B. Surveyor"),
        ),
        "paints": (),
        "sources": {"survey.toml": "ab" * 32, "north-1.jpg": "cd" * 32},
        "notes": ("The date of the photographs is not stated.",),
    }
    return Survey(**(values | changes))


def overlap():
    """Two photographs that agree."""
    places = np.zeros((9, 2))
    return SimpleNamespace(rms_mm=0.31, allowed_mm=0.42, chance=0.8, agree=True, xy_mm=places)


def whole_study(folder, **changes):
    """Everything present: two photographs, a tape-measured fragment, two walls."""
    entry, motif, repeat = survey(folder), hop_cone(), pooled()
    layout = lay_out(entry.walls, repeat, motif)
    takeoff = take_off(layout, motif, entry.works)
    pale_ground = Colour(
        name="ground",
        lab=np.array([82.0, -2.0, 8.0]),
        lab_d65=np.array([82.1, -2.4, 7.6]),
        lab_sd=np.array([1.1, 0.4, 0.6]),
        lab_cov=np.diag(np.square([1.1, 0.4, 0.6])),
        lab_spread=np.array([3.0, 1.0, 1.5]),
        n_px=1200,
        n_patches=6,
        n_pictures=2,
        nearest=(("Slate 4", 1.8, 0.6),),
        nearest_interval=((0.7, 3.0),),
        nearest_chance=(0.97,),
    )
    values = {
        "survey": entry,
        "rectified": {"north-1": rectified(0.4), "../../etc/east": rectified(0.8)},
        "overlaps": {("north-1", "../../etc/east"): overlap()},
        "nets": {"north-1": nets(), "../../etc/east": nets(decided=False)},
        "centres": {"north-1": centres(), "../../etc/east": centres()},
        "lattices": dict.fromkeys(("north", "east", "tape"), lattice()),
        "rows": {},
        "step": None,
        "spacings": dict.fromkeys(("north", "east", "tape"), measure_spacing(lattice())),
        "motif": motif,
        "pooled": repeat,
        "colours": Colours(
            ground=pale_ground, shadow=None, metal=None, tone="chart", areas=(cleaned(pale_ground),), laps=laps()
        ),
        "technique": technique(),
        "layout": layout,
        "setting": set_out(layout),
        "takeoff": takeoff,
        "works": plan_works(layout, takeoff, entry.works, rng=np.random.default_rng(7)),
        "skipped": (SimpleNamespace(stage="colour", subject="east", reason="No grey card or chart in the picture."),),
        "provenance": {"version": "0.1.0", "seed": 7},
        "notes": (),
    }
    return SimpleNamespace(**(values | changes))


def nothing_found(folder):
    """Two photographs in which no net was found."""
    names = ("motif", "pooled", "step", "colours", "technique", "layout", "setting", "takeoff", "works")
    empty = {key: {} for key in ("nets", "centres", "lattices", "rows", "spacings")}
    empty["overlaps"] = {("north-1", "north-2"): None}
    reason = SimpleNamespace(stage="net", subject="north-1", reason="No repeat: strongest candidate below noise.")
    return SimpleNamespace(
        survey=survey(folder, walls=(), decisions=()),
        rectified={"north-1": rectified(0.4)},
        skipped=(reason, "walls: none in the study"),
        provenance={"version": "0.1.0"},
        notes=(),
        **empty,
        **dict.fromkeys(names),
    )
