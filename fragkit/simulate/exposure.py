"""What light, lens and sensor make of a surface: uneven light, glare, vignetting, blur, noise, JPEG."""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from fragkit.opencv import cv2
from fragkit.simulate.camera import Camera
from fragkit.simulate.canvas import FloatArray, Map
from fragkit.simulate.pigments import encode_srgb
from fragkit.simulate.relief import FLAT, Relief
from fragkit.simulate.surfaces import Surface

COARSE_PX = 4
"""Smooth maps are computed on every fourth pixel and interpolated."""


@dataclass(frozen=True, kw_only=True)
class Shooting:
    """How a photograph is taken.

    Attributes
    ----------
    unevenness_ratio : float
        How much weaker the light is on the far side of the picture.
    light_from_deg : float
        Where the strong light comes from; 0 is the right, 90 above.
    tint_ratio : float
        Warm on the strong side, cool on the other.
    glare_ratio : float
        Strength of a lamp's mirror image on the leaf.
    vignetting_ratio : float
        Darkening in the corners.
    blur_px : float
        One standard deviation of the point spread.
    noise_ratio : float
        Noise at full white, as a share of it.
    jpeg_quality : int
    """

    unevenness_ratio: float = 0.45
    light_from_deg: float = 140.0
    tint_ratio: float = 0.05
    glare_ratio: float = 0.5
    vignetting_ratio: float = 0.22
    blur_px: float = 0.8
    noise_ratio: float = 0.008
    jpeg_quality: int = 90


PERFECT = Shooting(
    unevenness_ratio=0.0,
    tint_ratio=0.0,
    glare_ratio=0.0,
    vignetting_ratio=0.0,
    blur_px=0.0,
    noise_ratio=0.0,
    jpeg_quality=100,
)
"""Even light and a sensor without faults."""


def expose(
    surface: Surface, camera: Camera, *, shooting: Shooting, rng: np.random.Generator, relief: Relief = FLAT
) -> NDArray[np.uint8]:
    """8-bit sRGB pixels (h, w, 3) of a surface seen by a camera, before JPEG.

    Parameters
    ----------
    surface : Surface
        What is on the wall, over all that the camera sees.
    camera : Camera
    shooting : Shooting
        Light, blur and noise.
    rng : numpy.random.Generator
    relief : Relief
        The wall out of its plane.
    """
    places_mm = camera.to_wall(_coarse_pixels(camera.lens.size_px), relief)
    coarse = np.moveaxis(surface.canvas.to_px(places_mm).astype(np.float32), -1, 0)
    where_px = (_spread(coarse[0], camera.lens.size_px), _spread(coarse[1], camera.lens.size_px))
    light, mirror = _lighting(places_mm, camera, shooting, rng)
    glare = _look(surface.gloss, where_px) * _spread(mirror, camera.lens.size_px)
    planes = [
        _sensed(_look(layer, where_px) * _spread(lit, camera.lens.size_px) + glare, shooting, rng)
        for layer, lit in zip(surface.albedo, light, strict=True)
    ]
    return np.stack(planes, axis=-1)


def as_jpeg(pixels: NDArray[np.uint8], *, quality: int, words: str = "") -> bytes:
    """A JPEG file of the pixels; `words` become its description."""
    exif = Image.Exif()
    exif[0x010E] = words  # ImageDescription, Exif 2.32, 4.6.4
    store = io.BytesIO()
    Image.fromarray(pixels).save(store, "JPEG", quality=quality, optimize=True, exif=exif)
    return store.getvalue()


def from_jpeg(data: bytes) -> NDArray[np.uint8]:
    """Pixels (h, w, 3) of a JPEG file."""
    with Image.open(io.BytesIO(data)) as image:
        return np.array(image.convert("RGB"))


def _coarse_pixels(size_px: tuple[int, int]) -> FloatArray:
    columns, rows = (np.arange(-(-size // COARSE_PX) + 1) * float(COARSE_PX) for size in size_px)
    x, y = np.meshgrid(columns, rows)
    return np.stack([x, y], axis=-1)


def _spread(coarse: Map, size_px: tuple[int, int]) -> Map:
    """A map given at every fourth pixel, interpolated to all by straight lines (good to 1e-3 px)."""
    scale = np.array([[1.0 / COARSE_PX, 0.0, 0.0], [0.0, 1.0 / COARSE_PX, 0.0]])
    spread = cv2.warpAffine(
        coarse, scale, size_px, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(spread, np.float32)


def _look(layer: Map, where_px: tuple[Map, Map]) -> Map:
    looked = cv2.remap(layer, *where_px, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101)
    return np.asarray(looked, np.float32)


def _lighting(places_mm: FloatArray, camera: Camera, shooting: Shooting, rng: np.random.Generator) -> tuple[Map, Map]:
    """Light (3, …) on every coarse place, lens fall-off included, and the lamp's mirror image (…)."""
    centre = places_mm.reshape(-1, 2).mean(0)
    reach = float(np.abs(places_mm - centre).max())
    angle = np.radians(shooting.light_from_deg)
    toward = ((places_mm - centre) @ [np.cos(angle), np.sin(angle)]) / reach
    bend = 0.12 * np.cos(2.6 * toward + rng.uniform(0, 6.0)) * shooting.unevenness_ratio
    level = 1.0 + shooting.unevenness_ratio * (0.55 * toward - 0.25 * toward**2) + bend
    tint = 1.0 + shooting.tint_ratio * np.multiply.outer([1.0, 0.1, -1.3], np.clip(toward, -1.0, 1.0))
    lens = camera.lens
    r2 = ((_coarse_pixels(lens.size_px) - lens.centre_px) ** 2).sum(-1) / (np.hypot(*lens.size_px) / 2.0) ** 2
    falloff = 1.0 - shooting.vignetting_ratio * r2 * (0.7 + 0.3 * r2)
    spot = centre + reach * 0.5 * np.array([np.cos(angle), np.sin(angle)]) + rng.normal(0.0, 0.1 * reach, 2)
    near = np.exp(-0.5 * ((places_mm - spot) ** 2).sum(-1) / (0.30 * reach) ** 2)
    return (
        (0.92 * level * falloff * tint).astype(np.float32),
        (shooting.glare_ratio * near * falloff).astype(np.float32),
    )


def _sensed(plane: Map, shooting: Shooting, rng: np.random.Generator) -> NDArray[np.uint8]:
    """One channel blurred by the lens, with photon noise and a little that is always there, in 8 bits."""
    if shooting.blur_px > 0.0:
        plane = np.asarray(cv2.GaussianBlur(plane, (0, 0), shooting.blur_px), np.float32)
    if shooting.noise_ratio > 0.0:
        spread = np.sqrt(np.clip(plane, 0.0, 1.0) + np.float32(0.02)) * np.float32(shooting.noise_ratio)
        plane = plane + spread * rng.standard_normal(plane.shape, dtype=np.float32)
    return encode_srgb(plane)
