"""Which of the five plane nets: weights of the net with and without each type's conditions."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

NET_TYPES = ("square", "rectangular", "centred", "hexagonal", "oblique")

_LOG_RATIO_SPAN = 1.4
_ANGLE_SPAN_RAD = np.pi / 3.0
_HALF_STEP_SPAN = 0.7


def weigh_net_types(a_mm: FloatArray, b_mm: FloatArray, vectors_cov: FloatArray) -> Mapping[str, float]:
    """Relative weights, summing to 1, of the five nets for a reduced basis and its covariance.

    Parameters
    ----------
    a_mm, b_mm : (2,) array
    vectors_cov : (4, 4) array
        Covariance in mm² of (ax, ay, bx, by).

    Notes
    -----
    The shape of a net is w = ln(b/a) in the complex plane: ln of the side ratio, and the angle. A net type
    is a point (square, hexagonal), a line (rectangular; centred: a rhombus, or a row shifted by half) or the
    whole area (oblique). Each weight is the likelihood of the measured shape averaged over its set, uniform
    over it, with side ratio within e^±0.7 and angle 60° to 120°; the five types start equal. No threshold on
    an angle is involved, and a blurred net leaves the weights near each other.

    References
    ----------
    International Tables for Crystallography A (2016), 3.1: the five two-dimensional Bravais types.
    """
    a, b = complex(*a_mm), complex(*b_mm)
    shape = np.log(b / a)
    cov = _shape_covariance(a, b, vectors_cov)
    point = np.array([shape.real, shape.imag])
    hexagonal = [_point_density(point - [0.0, k * np.pi / 3.0], cov) for k in (1, 2)]
    densities = {
        "square": _point_density(point - [0.0, np.pi / 2.0], cov),
        "rectangular": _line_density(shape.imag - np.pi / 2.0, np.array([0.0, 1.0]), cov) / _LOG_RATIO_SPAN,
        "centred": _centred_density(b / a, cov),
        "hexagonal": 0.5 * sum(hexagonal),
        "oblique": 1.0 / (_LOG_RATIO_SPAN * _ANGLE_SPAN_RAD),
    }
    total = sum(densities.values())
    return {name: float(densities[name] / total) for name in NET_TYPES}


def _shape_covariance(a: complex, b: complex, vectors_cov: FloatArray) -> FloatArray:
    """Covariance (2, 2) of (ln |b/a|, angle), with a floor of 1e-6 that keeps exact nets finite."""
    d_log = np.array([-1.0 / a, -1j / a, 1.0 / b, 1j / b])
    jacobian = np.array([d_log.real, d_log.imag])
    return jacobian @ vectors_cov @ jacobian.T + 1e-12 * np.eye(2)


def _point_density(gap: FloatArray, cov: FloatArray) -> float:
    quadratic = gap @ np.linalg.solve(cov, gap)
    return float(np.exp(-0.5 * quadratic) / (2.0 * np.pi * np.sqrt(np.linalg.det(cov))))


def _line_density(value: float, gradient: FloatArray, cov: FloatArray) -> float:
    """Density across the curve `value = 0`, whose gradient by (ln ratio, angle) is given."""
    variance = gradient @ cov @ gradient
    slope = np.linalg.norm(gradient)
    return float(slope * np.exp(-0.5 * value**2 / variance) / np.sqrt(2.0 * np.pi * variance))


def _centred_density(ratio: complex, cov: FloatArray) -> float:
    """A rhombus (equal sides), or either vector shifted by half of the other."""
    rhombus = _line_density(np.log(abs(ratio)), np.array([1.0, 0.0]), cov)
    halves = 0.0
    for z, turn in ((ratio, 1.0), (1.0 / ratio, -1.0)):
        gradient = turn * np.array([z.real, -z.imag])
        halves += sum(_line_density(z.real - half, gradient, cov) for half in (-0.5, 0.5))
    return (rhombus + halves) / (_ANGLE_SPAN_RAD + 4.0 * _HALF_STEP_SPAN)
