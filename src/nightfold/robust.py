"""Statistics that a few bad samples cannot move. Pure functions on arrays; NaN samples are left out."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from nightfold.units import SIGMA_PER_MAD


def mad_sigma(values: npt.ArrayLike, axis: int | None = None) -> npt.NDArray[np.float64] | float:
    """Standard deviation of normal data from the median absolute deviation about the median.

    Efficiency 0.37 (Rousseeuw & Croux 1993); NaN where no finite sample is left.
    """
    x = np.asarray(values, dtype=np.float64)
    if x.size == 0:
        return float("nan")
    if axis is None:
        x = x[~np.isnan(x)]
        return float(SIGMA_PER_MAD * median(np.abs(x - median(x)))) if x.size else float("nan")
    centre = np.nanmedian(x, axis=axis, keepdims=True)
    return np.asarray(SIGMA_PER_MAD * np.nanmedian(np.abs(x - centre), axis=axis))


def median(values: npt.NDArray[np.float64]) -> float:
    """Median of a few finite numbers without the library's way around NaN and axes, which takes longer than the work."""
    low, high = (values.size - 1) // 2, values.size // 2
    parted = np.partition(values, (low, high) if low != high else low)
    return 0.5 * float(parted[low] + parted[high])


def clipped_mean(values: npt.ArrayLike, *, clip_sigma: float = 3.0, rounds: int = 10) -> tuple[float, float, int]:
    """Mean, standard deviation and count of the samples within `clip_sigma` of the mean, iterated from median and MAD."""
    x = np.asarray(values, dtype=np.float64).ravel()
    x = x[np.isfinite(x)]
    if x.size == 0:
        return float("nan"), float("nan"), 0
    mean, sigma = float(np.median(x)), float(mad_sigma(x))
    kept = x
    for _ in range(rounds):
        if sigma <= 0.0:
            kept = x[x == mean] if np.any(x == mean) else x
            break
        new = x[np.abs(x - mean) <= clip_sigma * sigma]
        if new.size == 0 or (new.size == kept.size and _ > 0):
            break
        kept = new
        mean, sigma = float(kept.mean()), float(kept.std())
    return float(kept.mean()), float(kept.std()), int(kept.size)


def weighted_median(values: npt.ArrayLike, weights: npt.ArrayLike) -> float:
    """The value at half the summed weight of the finite samples; NaN for none."""
    x = np.asarray(values, dtype=np.float64).ravel()
    w = np.asarray(weights, dtype=np.float64).ravel()
    good = np.isfinite(x) & np.isfinite(w) & (w > 0)
    if not good.any():
        return float("nan")
    x, w = x[good], w[good]
    order = np.argsort(x, kind="stable")
    cumulative = np.cumsum(w[order])
    return float(x[order][np.searchsorted(cumulative, 0.5 * cumulative[-1])])


TUKEY = 4.685
"""Biweight constant of 95 % efficiency for normal errors (CHECKS S6)."""


def biweight(pull: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Tukey's weights of residuals in units of their sigma: 1 in the middle, 0 past 4.685."""
    scaled = np.asarray(pull, dtype=np.float64) / TUKEY
    return np.where(np.abs(scaled) < 1.0, (1.0 - scaled**2) ** 2, 0.0)
