"""A fragment painted with leaves at given places, for what needs a picture and its truth."""

import cv2
import numpy as np

from fragkit.rectify import Picture

LEAF_MM = np.array(
    [[0, 22], [9, 10], [20, 12], [12, -2], [14, -20], [1, -9], [-13, -17], [-9, 1], [-21, 9], [-7, 9]], float
)


def paint(centres_mm, rng, *, lost=0.2, noise=5.0, mm_per_px=0.5):
    """A ground with leaves at the centres, a share of them torn by losses; x right, y up."""
    low, high = centres_mm.min(axis=0) - 60.0, centres_mm.max(axis=0) + 60.0
    width, height = np.ceil((high - low) / mm_per_px).astype(int)
    image = np.full((height, width, 3), (208, 200, 182), np.uint8)
    for x, y in centres_mm:
        outline = (np.array([x, y]) + LEAF_MM - [low[0], high[1]]) / [mm_per_px, -mm_per_px]
        cv2.fillPoly(image, [np.round(16 * outline).astype(int)], (150, 122, 64), cv2.LINE_AA, shift=4)
    for x, y in rng.uniform((0, 0), (width, height), (int(lost * len(centres_mm)), 2)):
        cv2.circle(image, (int(x), int(y)), int(rng.uniform(15, 50)), (120, 112, 105), -1, cv2.LINE_AA)
    noisy = np.clip(image + rng.normal(0.0, noise, image.shape), 0, 255).astype(np.uint8)
    origin = np.array([low[0], high[1]])
    return Picture(pixels=noisy, mm_per_px=mm_per_px, origin_mm=origin, coverage=np.ones((height, width), bool))
