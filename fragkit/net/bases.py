"""Bases of a net: reduction, sub- and super-nets, and the type that its shape suggests."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


def reduce_basis(a: ArrayLike, b: ArrayLike) -> tuple[NDArray[Any], NDArray[Any]]:
    """The shortest two vectors that span the net of `a` and `b`, in the project's order.

    Parameters
    ----------
    a, b : (2,) arrays
        Two vectors that are not parallel; integers give an exact result.

    Returns
    -------
    a, b : (2,) arrays
        `a` is the reduced vector nearest to +x; `b` completes a right-handed pair (y up).

    Raises
    ------
    ValueError
        If the vectors are parallel or not finite.

    Notes
    -----
    Lagrange–Gauss: take the nearest multiple of the shorter from the longer until it no longer gets shorter.
    Then |short| ≤ |long| and 2|short·long| ≤ |short|². It makes a basis short, never primitive.

    References
    ----------
    Galbraith, S. D. (2012) Mathematics of Public Key Cryptography, ch. 17.
    """
    one, other = np.asarray(a), np.asarray(b)
    exact = one.dtype.kind in "iu" and other.dtype.kind in "iu"
    dtype: Any = np.int64 if exact else np.float64
    short, long = (tuple(v.astype(dtype, copy=False).reshape(2).tolist()) for v in (one, other))
    if not all(map(math.isfinite, (*short, *long))):
        raise ValueError(f"Net vectors {short} and {long} must be finite.")
    if abs(_cross(short, long)) <= (0 if exact else 1e-12 * math.hypot(*short) * math.hypot(*long)):
        raise ValueError(f"Net vectors {short} and {long} are parallel: give two directions.")
    if _dot(short, short) > _dot(long, long):
        short, long = long, short
    while True:
        times = _nearest(_dot(short, long), _dot(short, short))
        long = (long[0] - times * short[0], long[1] - times * short[1])
        if _dot(long, long) >= _dot(short, short):
            break
        short, long = long, short
    first, second = _ordered(short, long)
    return np.array(first, dtype), np.array(second, dtype)


def coarser_nets(a: FloatArray, b: FloatArray, index: int) -> Iterator[tuple[FloatArray, FloatArray]]:
    """All nets that keep one node in `index` of the net of `a` and `b` (Hermite normal forms)."""
    for i in range(1, index + 1):
        if index % i == 0:
            for shift in range(i):
                yield i * a, shift * a + (index // i) * b


def finer_nets(a: FloatArray, b: FloatArray, index: int) -> Iterator[tuple[FloatArray, FloatArray]]:
    """All nets that have `index` nodes for every node of the net of `a` and `b`."""
    for u, v in coarser_nets(a, b, index):
        yield u / index, v / index


def type_from_shape(a: ArrayLike, b: ArrayLike, *, tolerance_ratio: float = 0.03) -> str:
    """The net type that the reduced vectors suggest, as a first guess.

    Returns
    -------
    "square", "rectangular", "centred" (half-drop, brick), "hexagonal" or "oblique".
    """
    u, v = (np.asarray(x, float) for x in reduce_basis(np.asarray(a, float), np.asarray(b, float)))
    if u @ u > v @ v:
        u, v = v, u
    equal = abs(math.sqrt((v @ v) / (u @ u)) - 1.0) < tolerance_ratio
    cosine = abs(u @ v) / math.sqrt((u @ u) * (v @ v))
    if cosine < tolerance_ratio:
        return "square" if equal else "rectangular"
    halved = abs(2.0 * abs(u @ v) / (u @ u) - 1.0) < 2.0 * tolerance_ratio
    if equal:
        return "hexagonal" if halved else "centred"
    return "centred" if halved else "oblique"


def _dot(u: tuple[Any, Any], v: tuple[Any, Any]) -> Any:
    return u[0] * v[0] + u[1] * v[1]


def _cross(u: tuple[Any, Any], v: tuple[Any, Any]) -> Any:
    return u[0] * v[1] - u[1] * v[0]


def _nearest(numerator: Any, denominator: Any) -> Any:
    """Nearest integer to a quotient; exact for integers; a tie goes towards zero, so that the loop ends."""
    if isinstance(numerator, int):
        size = (2 * abs(numerator) + denominator - 1) // (2 * denominator)
        return size if numerator >= 0 else -size
    return math.copysign(math.ceil(abs(numerator) / denominator - 0.5 - 1e-12), numerator)


def _ordered(u: tuple[Any, Any], v: tuple[Any, Any]) -> tuple[tuple[Any, Any], tuple[Any, Any]]:
    one, other = (w if w > (0, 0) else (-w[0], -w[1]) for w in (u, v))
    if _along_x(other) > _along_x(one):
        one, other = other, one
    return one, other if _cross(one, other) > 0 else (-other[0], -other[1])


def _along_x(w: tuple[Any, Any]) -> tuple[Any, ...]:
    """What is larger, the nearer a vector lies to +x; of two as near, that of the shorter."""
    return w[0] / math.hypot(*w), -_dot(w, w), w[1]
