"""Pictures for the tests of the survey."""

import numpy as np


def picture(height=160, width=240, dtype=np.uint8):
    """Coarse coloured noise: blocks of 8 pixels, so that JPEG keeps it."""
    rng = np.random.default_rng(5)
    coarse = rng.integers(0, np.iinfo(dtype).max, (height // 8, width // 8, 3)).astype(dtype)
    return np.kron(coarse, np.ones((8, 8, 1), dtype))
