"""What a sub is worth and whether a master is better without it.

Worth is the figure of merit q: the squared signal-to-noise of a faint blob of FWHM d, seen through the sub's own profile,

    q = (T t)² / (variance of a pixel) / (d² + a²),

with T the transparency, t the exposure and a the FWHM along the long axis. Subs weighed by inverse variance at equal signal,
p = (T t)²/variance, give a master with P = sum p. A Gaussian blob of FWHM d, drawn out to area A = sqrt((d² + a²)(d² + b²)) by
each sub's axes a and b, has there a peak in proportion to sum(p/A)/P over a noise of 1/sqrt(P): squared,

    F = (sum p/A)² / P;  for stars d = 0.

A sub of low p is never harmful by its noise; a wide one is, because a weight from noise does not know of its width: leaving
a small share s = p/P out changes ln F by s (1 - 2 <1/A>⁻¹/A), so it gains where the sub's area is more than twice the
master's. It is left out where blob and star together (geometric mean of the two F) gain: with d = 2 a that is at 1.8 times
the usual width of a round star, and later where it is drawn out along one line only, as the other axis keeps its sharpness.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


def figure_of_merit(
    *, scale: npt.ArrayLike, exposure_s: npt.ArrayLike, noise_e: npt.ArrayLike, fwhm_px: npt.ArrayLike, detail_px: float
) -> FloatArray:
    """q of each sub, in arbitrary but common units; NaN where an ingredient is missing."""
    area = detail_px**2 + np.asarray(fwhm_px, dtype=np.float64) ** 2
    return np.asarray(weight_of(scale=scale, exposure_s=exposure_s, noise_e=noise_e) / area)


def weight_of(*, scale: npt.ArrayLike, exposure_s: npt.ArrayLike, noise_e: npt.ArrayLike) -> FloatArray:
    """Inverse variance at equal signal, p: what a sub adds to the squared signal-to-noise of a large area."""
    signal = np.asarray(scale, dtype=np.float64) * np.asarray(exposure_s, dtype=np.float64)
    return np.asarray(signal**2 / np.asarray(noise_e, dtype=np.float64) ** 2)


def blurred_area(long_px: FloatArray, short_px: FloatArray, detail_px: float) -> FloatArray:
    """Area, as a product of two FWHM in px², of a Gaussian of FWHM `detail_px` blurred by Gaussians of these axes."""
    return np.asarray(np.sqrt((detail_px**2 + long_px**2) * (detail_px**2 + short_px**2)))


def master_figures(p: FloatArray, long_px: FloatArray, short_px: FloatArray, detail_px: float) -> tuple[float, float]:
    """Squared peak over noise of a blob and of a star, in a master of subs with weights `p` and star axes as FWHM."""
    total = float(p.sum())
    if not total > 0.0:
        return 0.0, 0.0
    blob = float((p / blurred_area(long_px, short_px, detail_px)).sum())
    star = float((p / blurred_area(long_px, short_px, 0.0)).sum())
    return blob**2 / total, star**2 / total


def gain_without(
    p: FloatArray,
    long_px: FloatArray,
    short_px: FloatArray,
    used: BoolArray,
    detail_px: float,
    *,
    blob_noise: FloatArray | None = None,
    star_noise: FloatArray | None = None,
) -> FloatArray:
    """ln of what the master's figure (geometric mean of blob and star) gains when each used sub is left out; NaN for others.

    `blob_noise` and `star_noise` are each sub's variance over what its pixels' noise tells, for a blob and for a star.
    """
    gain = np.full(len(p), np.nan)
    index = np.flatnonzero(used)
    if index.size < 2:
        return gain
    own = p[index]
    noise = [own if n is None else own * n[index] for n in (blob_noise, star_noise)]
    blob = own / blurred_area(long_px[index], short_px[index], detail_px)
    star = own / blurred_area(long_px[index], short_px[index], 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        gain[index] = np.log1p(-blob / blob.sum()) + np.log1p(-star / star.sum())
        for n in noise:
            gain[index] -= 0.5 * np.log1p(-n / n.sum())
    return gain


LEAST_GAIN = 0.02
"""Of the sub's own share: by less than this a master is not better, as the width of a star is known to 1 or 2 %, which moves
the gain as much. A sub among twelve is so left out for a sixth of a percent at least, one of a hundred for 0.02 %."""


def harmful(
    p: FloatArray,
    long_px: FloatArray,
    short_px: FloatArray,
    usable: BoolArray,
    detail_px: float,
    *,
    blob_noise: FloatArray | None = None,
    star_noise: FloatArray | None = None,
) -> tuple[BoolArray, FloatArray]:
    """Which subs a master is better without, and ln of the gain by leaving each out, beside the others of that choice.

    The worst is left out first, then all are looked at again, until none is left that harms. Whether a sub harms depends on
    the others: where half of the nights were poor, poor subs are half of the signal and stay.
    """
    used = usable.copy()
    gain = np.full(len(p), np.nan)
    while True:
        now = gain_without(p, long_px, short_px, used, detail_px, blob_noise=blob_noise, star_noise=star_noise)
        gain[used] = now[used]
        beyond = now - LEAST_GAIN * p / max(float(p[used].sum()), 1e-300)
        if not np.isfinite(beyond).any():
            break
        worst = int(np.nanargmax(beyond))
        if beyond[worst] <= 0.0:
            break
        used[worst] = False
    return usable & ~used, gain


def sharpness_weights(p: FloatArray, noise_equivalent_area_px2: FloatArray) -> FloatArray:
    """Weights by p over the noise-equivalent area of a star, summing to 1: the best point-source signal, a sharper master.

    King 1983 (PASP 95, 163): a star's squared signal-to-noise under a dark sky is flux²/(variance x area), area = 1/sum(psf²);
    4 pi sigma² for a Gaussian. A weighted mean of images wants weights of the signal over the variance of what is sought.
    """
    raw = np.where(noise_equivalent_area_px2 > 0, p / noise_equivalent_area_px2, 0.0)
    raw = np.where(np.isfinite(raw), raw, 0.0)
    total = float(raw.sum())
    return np.asarray(raw / total) if total > 0 else np.zeros(len(p))
