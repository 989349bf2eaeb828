"""One layer displaced by a field, as the general library does it: what many to a call is held against."""

import cv2
import numpy as np


def warped(layer: np.ndarray, field: np.ndarray) -> np.ndarray:
    """The layer (h, w) as seen at each place displaced by the field (2, h, w) in px; beyond its rim this goes on."""
    rows, columns = np.indices(layer.shape, np.float32)
    return cv2.remap(layer, columns + field[0], rows + field[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
