"""What a sub is worth and whether a master is better without it.

Worth is the figure of merit q: the squared signal-to-noise of a faint blob of FWHM d, seen through the sub's own profile,

    q = (T t)² / (variance of a pixel) / (d² + a²),

with T the transparency, t the exposure and a the FWHM along the long axis. Subs weighed by inverse variance at equal signal,
p = (T t)²/variance, give a master with P = sum p and a mean squared width A = sum(p a²)/P, so its figure for a blob is
P/(d² + A), and for stars P/A. A sub of low p is never harmful by its noise; a wide one is, because a weight from noise does
not know of its width: leaving a small share out changes the figures by p/P ((d² + a²)/(d² + A) - 2) and p/P (a²/A - 2).
It is left out where the geometric mean of the two figures, deep and sharp, grows. For d = 2 a that is at 1.6 times the usual width.
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


def master_figures(p: FloatArray, axis_px: FloatArray, detail_px: float) -> tuple[float, float, float]:
    """Of a master of subs with weights `p` and widths: its figure for a blob, its figure for stars, and its FWHM."""
    total = float(p.sum())
    if not total > 0.0:
        return 0.0, 0.0, float("nan")
    width2 = float((p * axis_px**2).sum()) / total
    return total / (detail_px**2 + width2), total / width2, float(np.sqrt(width2))


def gain_without(p: FloatArray, axis_px: FloatArray, used: BoolArray, detail_px: float) -> FloatArray:
    """ln of what the master's figure (geometric mean of blob and stars) gains when each used sub is left out; NaN for others."""
    gain = np.full(len(p), np.nan)
    index = np.flatnonzero(used)
    if index.size < 2:
        return gain
    total, moment = p[index].sum(), (p[index] * axis_px[index] ** 2).sum()
    rest, rest_moment = total - p[index], moment - p[index] * axis_px[index] ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        blob = 2.0 * np.log(rest / total) - np.log(
            (rest * detail_px**2 + rest_moment) / (total * detail_px**2 + moment)
        )
        star = 2.0 * np.log(rest / total) - np.log(rest_moment / moment)
    gain[index] = 0.5 * (blob + star)
    return gain


def harmful(p: FloatArray, axis_px: FloatArray, usable: BoolArray, detail_px: float) -> tuple[BoolArray, FloatArray]:
    """Which subs a master is better without, and ln of the gain by leaving each out, beside the others of that choice.

    The worst is left out first, then all are looked at again, until none is left that harms. Whether a sub harms depends on
    the others: where half of the nights were poor, poor subs are half of the signal and stay.
    """
    used = usable.copy()
    gain = np.full(len(p), np.nan)
    while True:
        now = gain_without(p, axis_px, used, detail_px)
        gain[used] = now[used]
        if not np.isfinite(now).any():
            break
        worst = int(np.nanargmax(now))
        if now[worst] <= 0.0:
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
