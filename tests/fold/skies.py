"""A little renderer for the tests of the fold: Gaussian stars, sky, noise, at any transform. Knows nothing of the engine."""

from __future__ import annotations

import math

import numpy as np
from scipy.special import erf

from nightfold.align.records import Transform
from nightfold.calibrate.records import Calibration
from nightfold.fold.records import FoldSub, SkySurface


def turned(shape, turn_deg, shift=(0.0, 0.0), *, scale=1.0, mirror=False, onto=None):
    """Transform from a sub of `shape` to the grid: about the centre, mirrored in x first, scaled, turned, shifted."""
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    matrix = scale * np.array([[c, -s], [s, c]])
    if mirror:
        matrix = matrix @ np.diag([-1.0, 1.0])
    height, width = shape
    grid_height, grid_width = onto or shape
    centre = np.array([(width - 1) / 2, (height - 1) / 2])
    there = np.array([(grid_width - 1) / 2, (grid_height - 1) / 2])
    return Transform(matrix=np.column_stack([matrix, there - matrix @ centre + np.asarray(shift)]))


def paint(shape, x, y, flux, fwhm_px):
    """Gaussian stars integrated over the pixels, float64."""
    image = np.zeros(shape)
    sigma = fwhm_px / 2.354820045
    reach = int(6 * sigma) + 2
    for px, py, f in zip(x, y, flux, strict=True):
        ix, iy = round(float(px)), round(float(py))
        x0, x1 = max(ix - reach, 0), min(ix + reach + 1, shape[1])
        y0, y1 = max(iy - reach, 0), min(iy + reach + 1, shape[0])
        if x0 >= x1 or y0 >= y1:
            continue
        edges_x = erf((np.arange(x0, x1 + 1) - 0.5 - px) / (math.sqrt(2) * sigma))
        edges_y = erf((np.arange(y0, y1 + 1) - 0.5 - py) / (math.sqrt(2) * sigma))
        image[y0:y1, x0:x1] += 0.25 * f * np.outer(np.diff(edges_y), np.diff(edges_x))
    return image


def sub_of(raw, transform, *, exposure_s=100.0, sky_e_per_s=0.0, name="sub", calibration=None, **more):
    """A FoldSub over an array of ADU."""
    raw = np.ascontiguousarray(raw, np.float32)

    def read_box(y0, y1, x0, x1):
        assert 0 <= y0 <= y1 <= raw.shape[0]
        assert 0 <= x0 <= x1 <= raw.shape[1]
        return raw[y0:y1, x0:x1].copy()

    return FoldSub(
        name=name,
        read_box=read_box,
        shape=raw.shape,
        calibration=calibration or Calibration(e_per_adu=1.0, read_noise_e=3.0),
        transform=transform,
        exposure_s=exposure_s,
        sky_e_per_s=sky_e_per_s,
        **{"sky": SkySurface.flat(), **more},
    )


def noisy(rng, electrons, read_noise_e=3.0):
    """Photon and read noise on expected electrons; float32, not rounded."""
    return (rng.poisson(np.maximum(electrons, 0.0)) + rng.normal(0.0, read_noise_e, electrons.shape)).astype(np.float32)
