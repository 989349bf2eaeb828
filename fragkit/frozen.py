"""Read-only copies of arrays, for the fields of frozen results."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray


def frozen_array(values: ArrayLike, dtype: Any = None) -> NDArray[Any]:
    """A read-only copy of `values`."""
    array = np.array(values, dtype=dtype, copy=True)
    array.setflags(write=False)
    return array
