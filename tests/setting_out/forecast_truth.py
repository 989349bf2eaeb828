"""Marks made wrong on purpose: an independent account, mark by mark, of what tape, laser and hand do to a wall."""

import math

import numpy as np

TAPE_II, LASER_MM_PER_M, HAND_MM = (0.3, 0.2), 0.3, 0.5


def spread(rng, size, kind):
    """Errors of an instrument of limit 1: anywhere within it, or normal with the same standard deviation."""
    return rng.normal(0, 1 / math.sqrt(3), size) if kind == "normal tape and laser" else rng.uniform(-1, 1, size)


def by_hand(rng, size, kind):
    """Errors of a hand of limit 1: 95 of 100 within it, or none beyond it."""
    return rng.uniform(-1, 1, size) if kind == "hand never beyond" else rng.normal(0, 1 / 1.96, size)


def tape_limit(length_mm):
    return TAPE_II[0] + TAPE_II[1] * math.ceil(round(abs(length_mm) / 1000, 9))


def run_wall(wall, rng, *, kind="as stated"):
    """Worst motif and widest row band of one wall set out once: read, plumbed, levelled and marked."""
    rows, columns = sorted(set(wall.row.tolist())), sorted(set(wall.column.tolist()))
    lean = dict(zip(columns, LASER_MM_PER_M * spread(rng, len(columns), kind), strict=True))
    slope = dict(zip(rows, LASER_MM_PER_M * spread(rng, len(rows), kind), strict=True))
    tape_x, tape_y = spread(rng, 2, kind)
    hand = HAND_MM * by_hand(rng, wall.xy_mm.shape, kind)
    marked = np.array(
        [
            (
                math.floor(x + 0.5) + tape_x * tape_limit(x) + lean[c] * abs(y) / 1000,
                math.floor(y + 0.5) + tape_y * tape_limit(y) + slope[r] * abs(x) / 1000,
            )
            for (x, y), r, c in zip(wall.xy_mm.tolist(), wall.row.tolist(), wall.column.tolist(), strict=True)
        ]
    )
    off = marked + hand - wall.xy_mm
    worst = max(math.hypot(*one) for one in off.tolist())
    return worst, max(_band(wall.xy_mm[wall.row == r, 0], off[wall.row == r, 1]) for r in rows)


def _band(x, height):
    if len(x) < 2:
        return 0.0
    rest = height - np.polyval(np.polyfit(x, height, 1), x) if len(x) > 2 else np.zeros(len(x))
    return float(np.ptp(rest))
