"""What a blank pixel's noise comes to: photons of sky and dark, read noise, rounding. Verdicts and folds weigh by the same."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from nightfold.calibrate.records import Calibration
from nightfold.measure.records import Reading, SkyMesh

__all__ = ["blank_noise_e", "blank_sky_e", "rate_variance"]

FloatArray = npt.NDArray[np.float64]

LOW_LEVEL_PERCENT = 10.0
"""Of the mesh's cells: a nebula may fill most of a frame, so the usual level is no blank sky."""


def rate_variance(
    sky_e_per_s: npt.ArrayLike,
    exposure_s: npt.ArrayLike,
    *,
    read_noise_e: npt.ArrayLike,
    dark_e_per_s: npt.ArrayLike = 0.0,
    e_per_adu: npt.ArrayLike = 0.0,
) -> FloatArray:
    """Variance of a blank raw pixel's rate, (electron/s)^2: photons of sky and dark, read noise, rounding (CHECKS D4).

    Without the noise of master dark and flat, which all subs share and which therefore is no part of the ideal.
    """
    time = np.asarray(exposure_s, np.float64)
    counts = np.maximum(np.asarray(sky_e_per_s, np.float64), 0.0) + np.asarray(dark_e_per_s, np.float64)
    variance = counts * time + np.asarray(read_noise_e, np.float64) ** 2 + np.asarray(e_per_adu, np.float64) ** 2 / 12
    result: FloatArray = variance / time**2
    return result


def blank_sky_e(sky: SkyMesh, usual_e: float) -> float:
    """Level of blank sky, electrons a pixel: a low one of the mesh; `usual_e` where the mesh tells none. Not below 0."""
    level = sky.level_e[np.isfinite(sky.level_e)]
    return max(float(np.percentile(level, LOW_LEVEL_PERCENT)) if level.size else usual_e, 0.0)


def blank_noise_e(reading: Reading, calibration: Calibration, exposure_s: float) -> float:
    """Noise of a blank pixel, electrons: reckoned where gain, read noise and zero level are known, else as measured.

    What is reckoned knows nothing of a nebula's own structure and of what masters bring in, which are no noise of this sub.
    """
    if not calibration.noise_known or not exposure_s > 0.0:
        return float(reading.noise_e)
    variance = rate_variance(
        blank_sky_e(reading.sky, reading.sky_e) / exposure_s,
        exposure_s,
        read_noise_e=calibration.read_noise_e,
        dark_e_per_s=calibration.dark_e_per_s,
        e_per_adu=calibration.e_per_adu,
    )
    return math.sqrt(float(variance)) * exposure_s
