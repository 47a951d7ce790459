"""Directions as unit vectors and the tangent plane, so that poles and the meridian of 0 h are places like any other."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def unit_vectors(ra_deg: npt.ArrayLike, dec_deg: npt.ArrayLike) -> FloatArray:
    """Unit vectors (..., 3) of equatorial positions in degrees."""
    ra, dec = np.radians(np.asarray(ra_deg, np.float64)), np.radians(np.asarray(dec_deg, np.float64))
    return np.stack([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)], axis=-1)


def ra_dec_deg(vectors: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Right ascension in [0, 360) and declination of vectors (..., 3) of any length."""
    v = np.asarray(vectors, np.float64)
    ra = np.degrees(np.arctan2(v[..., 1], v[..., 0])) % 360.0
    return ra, np.degrees(np.arctan2(v[..., 2], np.hypot(v[..., 0], v[..., 1])))


def east_north(direction: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Unit vectors towards east and north at directions (..., 3); at a pole, those of right ascension 0."""
    x, y, z = direction[..., 0], direction[..., 1], direction[..., 2]
    flat = np.hypot(x, y)
    at_pole = flat < 1e-15
    safe = np.where(at_pole, 1.0, flat)
    cosine, sine = np.where(at_pole, 1.0, x / safe), np.where(at_pole, 0.0, y / safe)
    east = np.stack([-sine, cosine, np.zeros_like(z)], axis=-1)
    north = np.stack([-z * cosine, -z * sine, flat], axis=-1)
    return east, north


def project(vectors: FloatArray, centre: FloatArray) -> FloatArray:
    """Tangent-plane places (..., 2), east and north in radians, NaN on the far side (Calabretta & Greisen 2002, 5.1.3)."""
    east, north = east_north(centre)
    depth = (vectors * centre).sum(axis=-1)
    depth = np.where(depth > 1e-6, depth, np.nan)
    return np.stack([(vectors * east).sum(axis=-1) / depth, (vectors * north).sum(axis=-1) / depth], axis=-1)


def deproject(plane: FloatArray, centre: FloatArray) -> FloatArray:
    """Unit vectors (..., 3) of tangent-plane places (..., 2) in radians about `centre` (3,)."""
    east, north = east_north(centre)
    v = centre + plane[..., :1] * east + plane[..., 1:] * north
    return np.asarray(v / np.linalg.norm(v, axis=-1, keepdims=True))
