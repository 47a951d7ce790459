"""The numbers that stand for a whole sub: medians over its clean stars and over its sky, each with its error."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from nightfold.measure.records import Reading, SkyMesh, Stars, Streak
from nightfold.measure.stars import Profiles
from nightfold.robust import mad_sigma

FloatArray = npt.NDArray[np.float64]

MEDIAN_ERROR = math.sqrt(math.pi / 2.0)
"""Error of a median over that of a mean, normal data and many samples (Kendall & Stuart)."""
LEAST_FITS = 3
NAN = float("nan")


def summarise(
    stars: Stars,
    profiles: Profiles | None,
    mesh: SkyMesh,
    *,
    width_px: int,
    height_px: int,
    noise_e: float,
    star_count: int,
    streaks: tuple[Streak, ...],
    saturated_fraction: float,
    row_pattern_e: float = NAN,
    column_pattern_e: float = NAN,
) -> Reading:
    """The reading made of measured parts. Shapes come from the fits; where too few fitted, from moments of clean stars."""
    clean = stars.take(stars.clean)
    typical = clean.take(slice(0, 300))
    fitted = profiles is not None and int(np.count_nonzero(profiles.fitted)) >= LEAST_FITS
    if profiles is not None and fitted:
        fwhm, fwhm_error = _median_with_error(profiles.fwhm_px)
        ellipticity, ellipticity_error, angle = typical_elongation(
            profiles.elongation_x, profiles.elongation_y, profiles.elongation_error
        )
    else:
        fwhm, fwhm_error = _median_with_error(typical.fwhm_px)
        ratio = (1.0 - typical.ellipticity) ** 2
        e = (1.0 - ratio) / (1.0 + ratio)
        turn = np.deg2rad(2.0 * typical.angle_deg)
        # Both components of a Gaussian star's elongation have an error of about 2 / SNR under a matched window.
        ellipticity, ellipticity_error, angle = typical_elongation(
            e * np.cos(turn), e * np.sin(turn), 2.0 / np.maximum(typical.snr, 1.0)
        )
    radius, radius_error = _median_with_error(typical.half_flux_radius_px)
    sky, sky_error = _sky(mesh)
    return Reading(
        width_px=width_px,
        height_px=height_px,
        stars=stars,
        sky=mesh,
        star_count=star_count,
        sky_e=sky,
        sky_error_e=sky_error,
        noise_e=noise_e,
        fwhm_px=fwhm,
        fwhm_error_px=fwhm_error,
        half_flux_radius_px=radius,
        half_flux_radius_error_px=radius_error,
        ellipticity=ellipticity,
        ellipticity_error=ellipticity_error,
        ellipticity_angle_deg=angle,
        streaks=streaks,
        saturated_fraction=saturated_fraction,
        row_pattern_e=row_pattern_e,
        column_pattern_e=column_pattern_e,
    )


def typical_elongation(e_x: FloatArray, e_y: FloatArray, error: FloatArray) -> tuple[float, float, float]:
    """Median ellipticity 1 - b/a without the share of noise, its error, and the angle of the mean elongation vector.

    `e_x`, `e_y` are the components of (a^2 - b^2)/(a^2 + b^2) along 0 and 45 degrees, `error` the 1 sigma of each. The
    squared length of a noisy vector of round stars has the median 2 ln 2 times its variance (chi-squared with two degrees of
    freedom); that is taken off. The angle is NaN unless the mean vector stands out by 3 sigma.
    """
    good = np.isfinite(e_x) & np.isfinite(e_y) & np.isfinite(error)
    n = int(np.count_nonzero(good))
    if n == 0:
        return NAN, NAN, NAN
    e_x, e_y, error = e_x[good], e_y[good], error[good]
    e = math.sqrt(max(float(np.median(e_x**2 + e_y**2 - 2.0 * math.log(2.0) * error**2)), 0.0))
    e = min(e, 0.999)
    scatter = float(mad_sigma(np.hypot(e_x, e_y))) if n > 2 else 0.0
    e_error = MEDIAN_ERROR * max(scatter, float(np.median(error))) / math.sqrt(n)
    mean_x, mean_y = float(np.median(e_x)), float(np.median(e_y))
    spread = [max(float(mad_sigma(v)) if n > 2 else 0.0, float(np.median(error))) for v in (e_x, e_y)]
    significant = math.hypot(mean_x, mean_y) > 3.0 * MEDIAN_ERROR * max(spread) / math.sqrt(n)
    angle = math.degrees(0.5 * math.atan2(mean_y, mean_x)) % 180.0 if significant else NAN
    return 1.0 - math.sqrt((1.0 - e) / (1.0 + e)), e_error / ((1.0 + e) ** 1.5 * math.sqrt(1.0 - e)), angle


def _median_with_error(values: FloatArray) -> tuple[float, float]:
    """Median of the finite values and its error from their scatter; the error of fewer than three is NaN."""
    good = values[np.isfinite(values)]
    if good.size == 0:
        return NAN, NAN
    error = MEDIAN_ERROR * float(mad_sigma(good)) / math.sqrt(good.size) if good.size > 2 else NAN
    return float(np.median(good)), error


def _sky(mesh: SkyMesh) -> tuple[float, float]:
    """Median level of the cells, and its error from differences of neighbours, which a gradient does not widen."""
    level = mesh.level_e
    good = level[np.isfinite(level)]
    if good.size == 0:
        return NAN, NAN
    steps = np.concatenate([np.diff(level, axis=0).ravel(), np.diff(level, axis=1).ravel()])
    steps = steps[np.isfinite(steps)]
    sigma = float(mad_sigma(steps)) / math.sqrt(2.0) if steps.size > 2 else float(np.nanmedian(mesh.sigma_e)) / 16.0
    return float(np.median(good)), MEDIAN_ERROR * sigma / math.sqrt(good.size)
