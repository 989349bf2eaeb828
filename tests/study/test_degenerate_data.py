"""From nothing to enough: each picture gets the right answer or the right refusal, never a wrong answer.

The rule for few motifs is common practice, without a source: a net needs motifs in two directions, more of them
than chance arranges so.
"""

import cv2
import numpy as np
import pytest

from fragkit import EstimationError, Picture, find_centres, find_nets, fit_lattice
from fragkit.motifs import build_motif

MM_PER_PX = 0.4
A, B = 84.0, 61.0  # mm; the row above is shifted by half
LOW, HIGH = 0, 255


def leaf_mask(centre_px, shape):
    """A leaf with a stalk: no symmetry but a mirror's."""
    mask = np.zeros(shape, np.uint8)
    x, y = centre_px
    cv2.ellipse(mask, (round(16 * x), round(16 * y)), (16 * 24, 16 * 40), 20, 0, 360, HIGH, -1, cv2.LINE_AA, 4)
    tip = (round(16 * (x + 30)), round(16 * (y - 42)))
    cv2.line(mask, (round(16 * x), round(16 * y)), tip, HIGH, 9, cv2.LINE_AA, 4)
    return mask / 255.0


def painted(sites, *, shape=(1000, 1400), seed=1, contrast=90.0, noise=3.0):
    """Dark leaves at `sites` (n, 2) in px on a pale, softly mottled ground."""
    rng = np.random.default_rng(seed)
    tone = 190.0 + 4.0 * cv2.GaussianBlur(rng.standard_normal(shape), (0, 0), 40) * 40
    for site in sites:
        tone -= contrast * leaf_mask(site, shape)
    tone += rng.normal(0.0, noise, shape)
    return np.repeat(np.clip(tone, LOW, HIGH).astype(np.uint8)[..., None], 3, axis=2)


def net_sites(columns, rows, *, seed=2):
    rng = np.random.default_rng(seed)
    sites = [
        (180 + (i + 0.5 * (j % 2)) * A / MM_PER_PX, 880 - j * B / MM_PER_PX)
        for j in range(rows)
        for i in range(columns)
    ]
    return np.array(sites) + rng.normal(0.0, 1.2, (len(sites), 2))


def picture(pixels, mm_per_px=MM_PER_PX):
    height, width = pixels.shape[:2]
    coverage = np.ones((height, width), bool)
    return Picture(
        pixels=np.ascontiguousarray(pixels), mm_per_px=mm_per_px, origin_mm=(0.0, height * mm_per_px), coverage=coverage
    )


def lattice_of(pixels, mm_per_px=MM_PER_PX):
    shown = picture(pixels, mm_per_px)
    return fit_lattice(find_centres(shown, find_nets(shown).best))


def sides(lattice):
    """Lengths of a, b and the shorter diagonal, sorted: the net however it is turned."""
    a, b = lattice.a_mm, lattice.b_mm
    return np.sort([np.hypot(*a), np.hypot(*b), min(np.hypot(*(a + b)), np.hypot(*(a - b)))])


TRUE = np.sort([A, np.hypot(A / 2, B), np.hypot(A / 2, B)])
ENOUGH = net_sites(6, 6)


def nothing(shape=(1000, 1400)):
    return np.full((*shape, 3), 190, np.uint8)


REFUSED = {
    "blank": nothing(),
    "black": np.zeros((1000, 1400, 3), np.uint8),
    "all one colour": np.full((1000, 1400, 3), (40, 90, 200), np.uint8),
    "noise": np.random.default_rng(0).integers(0, 255, (1000, 1400, 3), dtype=np.uint8),
    "mottle": painted([], contrast=0.0),
    "1 motif": painted(ENOUGH[:1]),
    "2 motifs": painted(ENOUGH[:2]),
    "3 motifs": painted(ENOUGH[[0, 1, 6]]),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_carries_no_repeat_is_refused_with_the_reason(name):
    with pytest.raises(EstimationError, match=r"[Rr]epeat|motif") as caught:
        lattice_of(REFUSED[name])
    assert caught.value.needed


@pytest.mark.parametrize("n", [5, 8])
def test_a_few_motifs_are_answered_rightly_or_refused(n):
    few = {5: ENOUGH[[0, 1, 6, 7, 12]], 8: ENOUGH[[0, 1, 2, 6, 7, 8, 12, 13]]}[n]
    try:
        lattice = lattice_of(painted(few))
    except EstimationError:
        return
    np.testing.assert_allclose(sides(lattice), TRUE, rtol=0.02)


def test_one_row_is_no_net():
    with pytest.raises(EstimationError, match=r"[Rr]ow|repeat") as caught:
        lattice_of(painted(net_sites(6, 1)))
    assert caught.value.needed


def test_a_decoration_at_two_scales_is_one_of_them_or_refused():
    """Left a net, right the same net half as large again: a mean of the two would be wrong for both."""
    small = painted(net_sites(6, 6))
    large = cv2.resize(painted(net_sites(6, 6, seed=3)), None, fx=1.5, fy=1.5, interpolation=cv2.INTER_CUBIC)
    both = np.concatenate([small[:, :1150], large[100:1100, 300:1450]], axis=1)
    try:
        found = sides(lattice_of(both))
    except EstimationError:
        return
    assert min(np.abs(found / (scale * TRUE) - 1.0).max() for scale in (1.0, 1.5)) < 0.02


CHANGED = {
    "as it is": lambda pixels: pixels,
    "upside down": lambda pixels: pixels[::-1, ::-1],
    "turned by 90°": lambda pixels: np.rot90(pixels),
    "mirrored": lambda pixels: pixels[:, ::-1],
    "negative": lambda pixels: 255 - pixels,
    "fainter": lambda pixels: (pixels // 3 + 90).astype(np.uint8),
    "16 bit": lambda pixels: pixels.astype(np.uint16) * 257,
}


@pytest.mark.parametrize("name", CHANGED)
def test_enough_motifs_give_the_net_however_they_are_shown(name):
    lattice = lattice_of(CHANGED[name](painted(ENOUGH)))
    np.testing.assert_allclose(sides(lattice), TRUE, rtol=0.01)
    assert lattice.n_centres >= 0.9 * len(ENOUGH)


@pytest.mark.parametrize("scale", [0.5, 1.6])
def test_the_net_does_not_hang_on_the_scale_of_the_picture(scale):
    pixels = painted(ENOUGH)
    sized = cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC)
    np.testing.assert_allclose(sides(lattice_of(sized, MM_PER_PX / scale)), TRUE, rtol=0.01)


def test_a_motif_of_one_even_tone_is_metal_and_the_rim_is_not():
    shown = picture(painted(ENOUGH))
    motif = build_motif([(shown, find_centres(shown, find_nets(shown).best))])
    true_mm2 = float(leaf_mask((500.0, 500.0), (1000, 1000)).sum()) * MM_PER_PX**2
    assert motif.metal_area_mm2 == pytest.approx(true_mm2, rel=0.03)
    assert motif.shadow_area_mm2 == 0.0
    assert "No painted shadow was found beside the metal." in motif.notes


def test_inputs_are_not_changed():
    pixels = painted(ENOUGH)
    before = pixels.copy()
    shown = picture(pixels)
    centres = find_centres(shown, find_nets(shown).best)
    build_motif([(shown, centres)])
    np.testing.assert_array_equal(pixels, before)
