"""Measuring stars once they are found: centroids, fluxes, shapes and half-flux radii, each with its error.

Shapes are those of the light before the pixels took it in: Moffat models are averaged over each pixel, and moments and
half-flux radii have the spread of the pixel taken off.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nightfold.kernels.neighbours import places_near
from nightfold.kernels.profiles import moffat_fits
from nightfold.kernels.stars import WINDOW_COLUMNS, disk_sums, gaussian_neighbours, half_radii, windows
from nightfold.measure.background import NO_BITS, Bits, Plane
from nightfold.robust import mad_sigma, weighted_median
from nightfold.units import FWHM_PER_SIGMA, HALF_FLUX_RADIUS_PER_SIGMA

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

PIXEL_VARIANCE = 1.0 / 12.0
"""Variance per axis that integration over a pixel adds, px^2: a uniform distribution of width 1."""
NO_VARIANCE: Plane = np.zeros((1, 1), np.float32)
TOTAL_APERTURES_FWHM = (4.0, 2.5)
"""Radius of the aperture that counts as everything, but for the wings of the profile beyond it; the second if crowded."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """What the measuring of stars needs to know of a sub: its planes and limits."""

    image: Plane
    bits: Bits | None = None
    variance: Plane | None = None
    saturation_e: float = math.inf
    saturated_at: npt.NDArray[np.int64] | None = None
    """Flat indices of saturated pixels, rising, where they are known; then `bits` need not tell them."""


def _mask(frame: Frame) -> tuple[Bits, bool]:
    """The mask as the kernels take it, and whether there is one."""
    return (NO_BITS, False) if frame.bits is None else (frame.bits, True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Windows:
    """What the small window around each star tells; all of shape (n,), NaN where the centroid did not settle."""

    x: FloatArray
    y: FloatArray
    position_error_px: (
        FloatArray  # of twice the mean offset: the centroid's own for a Gaussian star as wide as the window
    )
    aperture_e: FloatArray
    aperture_variance_e2: FloatArray
    snr: FloatArray  # of the Gaussian filter, with the star's own photon noise
    contrast_snr: FloatArray  # the same without its mean: blind to a pedestal
    peak_e: FloatArray
    xx: FloatArray  # second moments under the window, px^2
    yy: FloatArray
    xy: FloatArray
    saturated: FloatArray  # pixels in the aperture
    holes: FloatArray
    outside: FloatArray
    significance: FloatArray  # against sky noise alone; 0 where the centroid did not settle
    around_e: FloatArray  # sum of the eight pixels around the brightest

    @property
    def settled(self) -> BoolArray:
        """True where the centroid was found."""
        return np.isfinite(self.x)


def measure_windows(
    frame: Frame,
    x: FloatArray,
    y: FloatArray,
    *,
    background_e: FloatArray,
    sky_variance_e2: FloatArray,
    width_px: float,
    radius_px: float,
) -> Windows:
    """Windowed centroids, aperture sums, moments and quality of the stars near (x, y).

    `width_px` is the sigma of the Gaussian window, `radius_px` the aperture; background and variance are per star.
    """
    out = np.empty((x.size, WINDOW_COLUMNS))
    windows(
        frame.image,
        *_mask(frame),
        NO_VARIANCE if frame.variance is None else frame.variance,
        frame.variance is not None,
        np.float32(frame.saturation_e) if math.isfinite(frame.saturation_e) else np.float32(np.nan),
        x,
        y,
        background_e,
        sky_variance_e2,
        width_px,
        radius_px,
        out,
    )
    columns = {name: out[:, k].copy() for k, name in enumerate(Windows.__dataclass_fields__)}
    if frame.bits is None and frame.saturated_at is not None and frame.saturated_at.size:
        near = np.empty(x.size)
        places_near(frame.saturated_at, frame.image.shape[1], x, y, radius_px + 0.5, near)
        columns["saturated"] = np.where(np.isfinite(columns["x"]), near, np.nan)
    return Windows(**columns)


def aperture_flux(
    frame: Frame, x: FloatArray, y: FloatArray, *, radius_px: float | FloatArray, background_e: float | FloatArray = 0.0
) -> tuple[FloatArray, FloatArray]:
    """Sums above the background within circles, and the areas summed; NaN, bad and outer pixels left out."""
    radii = np.broadcast_to(np.asarray(radius_px, np.float64), x.shape).copy()
    background = np.broadcast_to(np.asarray(background_e, np.float64), x.shape).copy()
    sums, areas = np.empty(x.size), np.empty(x.size)
    disk_sums(frame.image, *_mask(frame), x, y, radii, background, sums, areas)
    return sums, areas


def half_flux_radii(
    frame: Frame, x: FloatArray, y: FloatArray, *, flux_e: FloatArray, background_e: FloatArray, most_px: float
) -> FloatArray:
    """Radius of the circle that holds half of `flux_e`, pixels; NaN if none within `most_px` does.

    The true half-flux radius (1.1774 sigma for a Gaussian), not the flux-weighted mean radius. Two pixel widths are
    taken off in quadrature, the pixel's own and the one that the flat pixel of the curve of growth adds: exact for a
    Gaussian, 1 % too small for a Moffat star of 2 px FWHM.
    """
    out = np.empty(x.size)
    half_radii(frame.image, *_mask(frame), x, y, background_e, 0.5 * flux_e, most_px, out)
    return np.sqrt(np.maximum(out**2 - HALF_FLUX_RADIUS_PER_SIGMA**2 * 2.0 * PIXEL_VARIANCE, 1e-4))


@dataclass(frozen=True, slots=True, kw_only=True)
class Shapes:
    """Widths and elongations, each (n,): FWHM in px, ellipticity 1 - b/a, angle of the long axis in degrees."""

    fwhm_px: FloatArray
    ellipticity: FloatArray
    angle_deg: FloatArray


def _shapes(xx: FloatArray, yy: FloatArray, xy: FloatArray) -> Shapes:
    """Shapes of Gaussians with covariance [[xx, xy], [xy, yy]]; NaN where that is not positive."""
    half = 0.5 * (xx + yy)
    split = np.hypot(0.5 * (xx - yy), xy)
    valid = (half > 0) & (half > split)
    half, split = np.where(valid, half, np.nan), np.where(valid, split, np.nan)
    return Shapes(
        fwhm_px=FWHM_PER_SIGMA * (half**2 - split**2) ** 0.25,
        ellipticity=1.0 - np.sqrt((half - split) / (half + split)),
        angle_deg=np.where(valid, np.rad2deg(0.5 * np.arctan2(2.0 * xy, xx - yy)) % 180.0, np.nan),
    )


def moment_shapes(measured: Windows, width_px: float, *, pixel_variance: float = PIXEL_VARIANCE) -> Shapes:
    """Shapes from the windowed moments M, with window and pixel taken off: (M^-1 - I/width^2)^-1 - I/12.

    Exact for a Gaussian star under a Gaussian window; NaN where noise leaves no positive width.
    """
    determinant = measured.xx * measured.yy - measured.xy**2
    safe = np.where(determinant > 0, determinant, np.nan)
    w = 1.0 / width_px**2
    a, b, c = measured.yy / safe - w, measured.xx / safe - w, -measured.xy / safe
    determinant = np.where((a > 0) & (a * b - c * c > 0), a * b - c * c, np.nan)
    return _shapes(b / determinant - pixel_variance, a / determinant - pixel_variance, -c / determinant)


@dataclass(frozen=True, slots=True, kw_only=True)
class Profiles:
    """Moffat fits of some stars: A (1 + cxx u^2 + 2 cxy u v + cyy v^2)^-beta (Moffat 1969); all (n,), NaN for no fit."""

    fwhm_px: FloatArray  # 2 sqrt(2^(1/beta) - 1) sqrt(a b)
    ellipticity: FloatArray
    angle_deg: FloatArray
    elongation_x: FloatArray  # components of (a^2 - b^2)/(a^2 + b^2) along 0 and 45 degrees
    elongation_y: FloatArray
    elongation_error: FloatArray  # 1 sigma of each component
    beta: FloatArray
    chi2: FloatArray  # reduced

    @property
    def fitted(self) -> BoolArray:
        """True where the fit converged."""
        return np.isfinite(self.fwhm_px)


def fit_profiles(
    frame: Frame,
    x: FloatArray,
    y: FloatArray,
    *,
    peak_e: FloatArray,
    shapes: Shapes,
    background_e: FloatArray,
    sky_variance_e2: FloatArray,
    fwhm_px: float,
    beta: float | None = None,
) -> Profiles:
    """Elliptical Moffat fits by Levenberg-Marquardt, averaged over the pixels; with `beta` given, that stays fixed.

    Bounds: beta within 1.25 to 500, where a profile can no longer be told from a Gaussian.
    """
    start_beta = 3.0 if beta is None else beta
    width = np.where(np.isfinite(shapes.fwhm_px), np.clip(shapes.fwhm_px, 0.5 * fwhm_px, 2.0 * fwhm_px), fwhm_px)
    axis = (0.5 * width) ** 2 / (start_beta * (2.0 ** (1.0 / start_beta) - 1.0))
    starts = np.column_stack(
        [x, y, np.maximum(peak_e, 1e-6), 1 / axis, np.zeros(x.size), 1 / axis, np.full(x.size, 1.0 / start_beta)]
    )
    out = np.empty((x.size, 13))
    reach = int(min(40, max(4, math.ceil((2.0 if fwhm_px < 6 else 1.5) * fwhm_px) + 1)))
    points = 2 if fwhm_px < 4.0 else 1
    moffat_fits(
        frame.image, *_mask(frame), starts, background_e, sky_variance_e2, reach, points, 7 if beta is None else 6, out
    )
    out[~np.isfinite(out[:, 7])] = np.nan
    cxx, cxy, cyy, exponent = out[:, 3], out[:, 4], out[:, 5], 1.0 / out[:, 6]
    determinant = cxx * cyy - cxy**2
    trace = cxx + cyy
    e_x, e_y = (cyy - cxx) / trace, -2.0 * cxy / trace
    e = np.hypot(e_x, e_y)
    # Two errors: along cxx - cyy and along cxy; their mean serves for both. Misfit beyond noise widens them.
    variance = (out[:, 8] + out[:, 10] - 2.0 * out[:, 11] + 4.0 * out[:, 9]) / trace**2 / 2.0
    pixel = PIXEL_VARIANCE * FWHM_PER_SIGMA**2 if points == 1 else 0.0
    raw = 2.0 * np.sqrt(exponent * (2.0 ** (1.0 / exponent) - 1.0)) * determinant**-0.25
    return Profiles(
        fwhm_px=np.sqrt(np.maximum(raw**2 - pixel, 0.01)),
        ellipticity=1.0 - np.sqrt((1.0 - e) / (1.0 + e)),
        angle_deg=np.rad2deg(0.5 * np.arctan2(e_y, e_x)) % 180.0,
        elongation_x=e_x,
        elongation_y=e_y,
        elongation_error=np.sqrt(np.maximum(variance, 0.0) * np.maximum(out[:, 7], 1.0)),
        beta=exponent,
        chi2=out[:, 7],
    )


def moffat_energy(radius_over_fwhm: float, beta: float) -> float:
    """Share of a Moffat star's light within a radius: 1 - (1 + r^2/a^2)^(1 - beta) (Trujillo et al. 2001)."""
    a = 1.0 / (2.0 * math.sqrt(2.0 ** (1.0 / beta) - 1.0))
    return float(1.0 - (1.0 + (radius_over_fwhm / a) ** 2) ** (1.0 - beta))


def neighbour_ratio(x: FloatArray, y: FloatArray, fwhm_px: float) -> FloatArray:
    """Light of the eight pixels around the brightest over that one's, for a Gaussian star of `fwhm_px` at (x, y)."""
    out = np.empty(x.size)
    gaussian_neighbours(x, y, max(fwhm_px, 0.3) / FWHM_PER_SIGMA, out)
    return out


def correction_surface(
    x: FloatArray,
    y: FloatArray,
    ratio: FloatArray,
    weight: FloatArray,
    at_x: FloatArray,
    at_y: FloatArray,
    scale_px: float,
) -> FloatArray:
    """A smooth surface through scattered ratios at new places: constant, plane or parabola as the number of stars allows.

    Because the stars grow towards the corners, so does the light outside an aperture. Outliers beyond 4 sigma are left
    out; 1 everywhere for no stars.
    """
    good = np.isfinite(ratio) & (ratio > 0.3) & (ratio < 4.0) & (weight > 0)
    if not good.any():
        return np.ones(at_x.size)
    x, y, ratio, weight = x[good] / scale_px, y[good] / scale_px, ratio[good], weight[good]
    degree = 2 if x.size >= 80 else 1 if x.size >= 25 else 0
    powers = [(i, j) for i in range(degree + 1) for j in range(degree + 1 - i)]

    def design(u: FloatArray, v: FloatArray) -> FloatArray:
        return np.stack([u**i * v**j for i, j in powers], axis=1)

    kept = np.ones(x.size, bool)
    matrix = design(x, y)
    if degree == 0:
        return np.full(at_x.size, weighted_median(ratio, weight))
    coefficients: FloatArray = np.zeros(len(powers))
    for _ in range(4):
        root = np.sqrt(weight[kept])
        coefficients = np.asarray(
            np.linalg.lstsq(matrix[kept] * root[:, None], ratio[kept] * root, rcond=None)[0], np.float64
        )
        rest = ratio - matrix @ coefficients
        # In units of each ratio's own error: the faint scatter more.
        rest = rest * np.sqrt(weight)
        sigma = float(mad_sigma(rest[kept]))
        kept = np.abs(rest) <= 4.0 * max(sigma, 1e-9)
    inside = matrix[kept] @ coefficients
    return np.clip(design(at_x / scale_px, at_y / scale_px) @ coefficients, inside.min(), inside.max())
