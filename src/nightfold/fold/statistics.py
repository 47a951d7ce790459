"""Other rules of combining, each named by its statistic, for comparison with our own.

All work on stacks of shape (n, …): n samples of every pixel, NaN for a sample that is not there. None of them knows the
noise of a sample beforehand, which is what our own rule has over them; `weights` enter the means and nothing else.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from nightfold.units import SIGMA_PER_MAD

FloatArray = npt.NDArray[np.float64]

HUBER_K = 1.345
"""95 % efficient for normal data (Huber 1981; CHECKS S6)."""
ESD_ALPHA = 0.05
ESD_SHARE = 0.3
"""The test looks for outliers among this share of the samples at most."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Combination:
    """Result of a rule, arrays of the stack's shape without its first axis.

    `value`; `variance` of the value, NaN where fewer than two samples tell it; `used` counts the samples that were not
    rejected. NaN and 0 for a pixel without samples.
    """

    value: FloatArray
    variance: FloatArray
    used: npt.NDArray[np.int32]


def mean(stack: npt.ArrayLike, weights: npt.ArrayLike | None = None) -> Combination:
    """Weighted mean; its variance from the samples' scatter about it."""
    x, w = _stack_and_weights(stack, weights)
    return _mean_of(x, w, np.isfinite(x))


def median(stack: npt.ArrayLike, weights: npt.ArrayLike | None = None) -> Combination:
    """Median, weights not used. Its variance is that of the mean over its efficiency.

    The efficiency for normal data of n samples is that of the order statistics (Kendall & Stuart; CHECKS S2), 2/pi for
    many; the scatter is the standard deviation about the mean, so an outlier raises the variance but not the value.
    """
    x, _ = _stack_and_weights(stack, weights)
    here = np.isfinite(x)
    used = here.sum(axis=0).astype(np.int32)
    value = _nan_median(x, used)
    plain = _mean_of(x, np.ones((len(x),) + (1,) * (x.ndim - 1)), here)
    factor = np.array([1.0] + [1.0 / median_efficiency(n) for n in range(1, len(x) + 1)])
    return Combination(value=value, variance=plain.variance * factor[used], used=used)


def huber(
    stack: npt.ArrayLike, weights: npt.ArrayLike | None = None, *, k: float = HUBER_K, rounds: int = 50
) -> Combination:
    """Huber's M-estimate of location with the scale fixed at the MAD (Huber 1981, sections 5 and 6.7).

    Samples beyond `k` sigma keep a say that falls with their distance, none is rejected. The variance is
    sum w^2 psi^2 / (sum w psi')^2 with Huber's small-sample correction left out.
    """
    x, w = _stack_and_weights(stack, weights)
    here = np.isfinite(x)
    used = here.sum(axis=0).astype(np.int32)
    value = _nan_median(x, used)
    sigma = _nan_mad(x, value, used)
    w = np.where(here, w, 0.0)
    safe = np.where(here, x, value)
    known = sigma > 0.0
    scale = np.where(known, sigma, 1.0)
    for _ in range(rounds):
        pull = np.abs(safe - value) / scale
        trust = w * np.where(pull > k, k / np.maximum(pull, k), 1.0)
        total = trust.sum(axis=0)
        new = np.where(total > 0.0, (trust * safe).sum(axis=0) / np.where(total > 0.0, total, 1.0), value)
        step = np.where(known, np.abs(new - value) / scale, 0.0)
        value = np.where(known, new, value)
        if step.size == 0 or not np.nanmax(step, initial=0.0) > 1e-6:
            break
    residual = safe - value
    inside = np.abs(residual) <= k * scale
    psi = np.clip(residual, -k * scale, k * scale)
    slope = (w * inside).sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        variance = (w * w * psi * psi).sum(axis=0) / slope**2
        variance = variance * used / (used - 1)
    # More than half of the samples are equal: their common value, and a scatter that is not known to be more than 0.
    variance = np.where(known, variance, 0.0)
    return Combination(value=value, variance=np.where(used >= 2, variance, np.nan), used=used)


def esd(
    stack: npt.ArrayLike,
    weights: npt.ArrayLike | None = None,
    *,
    alpha: float = ESD_ALPHA,
    most_outliers: int | None = None,
) -> Combination:
    """Mean of what the generalised many-outlier ESD test leaves (Rosner 1983, Technometrics 25, 165).

    `most_outliers` is the number tested for; by default 0.3 of the samples, one at least.
    """
    x, w = _stack_and_weights(stack, weights)
    kept = np.isfinite(x) & ~esd_outliers(x, alpha=alpha, most_outliers=most_outliers)
    return _mean_of(x, w, kept)


RULES: MappingProxyType[str, Callable[..., Combination]] = MappingProxyType(
    {"mean": mean, "median": median, "huber": huber, "esd": esd}
)
"""The rules by name."""


def esd_outliers(
    stack: npt.ArrayLike, *, alpha: float = ESD_ALPHA, most_outliers: int | None = None
) -> npt.NDArray[np.bool_]:
    """True for outliers of each pixel by the generalised ESD test, shape of `stack`.

    R_i is the largest |x - mean| / s after i - 1 removals. The number of outliers is the largest i with
    R_i > lambda_i, even if smaller i fail: stopping at the first that fails would let outliers mask each other.
    """
    x = np.asarray(stack, np.float64)
    shape = x.shape
    x = x.reshape(shape[0], -1)
    most = max(1, int(ESD_SHARE * len(x))) if most_outliers is None else int(most_outliers)
    statistics, order = esd_statistics(x, most)
    counts = np.isfinite(x).sum(axis=0)
    outliers = np.zeros(x.shape[1], np.int64)
    table = np.full((len(x) + 1, most), np.inf)
    for n in range(3, len(x) + 1):
        limits = esd_critical_values(n, min(most, n - 2), alpha=alpha)
        table[n, : len(limits)] = limits
    for i in range(most):
        outliers[statistics[i] > table[counts, i]] = i + 1
    flagged = np.zeros(x.shape, dtype=bool)
    columns = np.arange(x.shape[1])
    for i in range(most):
        hit = outliers > i
        flagged[order[i, hit], columns[hit]] = True
    return flagged.reshape(shape)


def esd_statistics(stack: FloatArray, most: int) -> tuple[FloatArray, npt.NDArray[np.int64]]:
    """R_1 … R_most of every pixel of `stack` (n, pixels), and the sample removed at each step; NaN where n runs out."""
    x = stack.copy()
    x[~np.isfinite(x)] = np.nan
    columns = np.arange(x.shape[1])
    statistics = np.full((most, x.shape[1]), np.nan)
    order = np.zeros((most, x.shape[1]), np.int64)
    for i in range(most):
        here = np.isfinite(x)
        n = here.sum(axis=0)
        safe = np.where(here, x, 0.0)
        centre = safe.sum(axis=0) / np.maximum(n, 1)
        away = np.where(here, np.abs(x - centre), -1.0)
        sigma = np.sqrt(np.where(here, away**2, 0.0).sum(axis=0) / np.maximum(n - 1, 1))
        order[i] = np.argmax(away, axis=0)
        largest = away[order[i], columns]
        enough = (n >= 3) & (sigma > 0.0)
        statistics[i, enough] = largest[enough] / sigma[enough]
        x[order[i], columns] = np.nan
    return statistics, order


@cache
def esd_critical_values(n: int, most: int, *, alpha: float = ESD_ALPHA) -> FloatArray:
    """lambda_1 … lambda_most for n samples (Rosner 1983; NIST/SEMATECH e-Handbook 1.3.5.17.3)."""
    from scipy import special

    i = np.arange(1, most + 1)
    freedom = n - i - 1.0
    t = special.stdtrit(freedom, 1.0 - alpha / (2.0 * (n - i + 1.0)))
    limits: FloatArray = t * (n - i) / np.sqrt((freedom + t * t) * (n - i + 1.0))
    return limits


@cache
def median_efficiency(n: int) -> float:
    """Variance of the mean over that of the median of n normal samples.

    Integrated from the order statistics' densities, the middle one's for odd n, the two middle ones' for even n; past
    n = 100 by the first term of the expansion in 1/n, which is then good to 2e-4.
    """
    from scipy import special

    if n <= 2:
        return 1.0
    if n > 100:
        return 2.0 / math.pi * (1.0 + ((4.0 if n % 2 else 6.0) - math.pi) / (2.0 * n))
    z = np.linspace(-9.0, 9.0, 18001)
    density = np.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)
    below = special.ndtr(z)
    step = float(z[1] - z[0])
    if n % 2:
        m = (n - 1) // 2
        log_count = special.gammaln(n + 1) - 2.0 * special.gammaln(m + 1)
        weight = np.exp(log_count + m * np.log(below) + m * np.log(special.ndtr(-z))) * density
        return 1.0 / (n * float(np.sum(z * z * weight)) * step)
    m = n // 2
    log_count = special.gammaln(n + 1) - 2.0 * special.gammaln(m)
    first = np.exp(log_count + (m - 1) * np.log(below)) * density
    second = np.exp((m - 1) * np.log(special.ndtr(-z))) * density
    # E[((a + b) / 2)^2] over a < b, by running sums of the first one's moments; half of the diagonal on each side.
    moments = [np.cumsum(first * z**power) - 0.5 * first * z**power for power in range(3)]
    square = 0.25 * np.sum(second * (moments[2] + 2.0 * z * moments[1] + z * z * moments[0])) * step * step
    return 1.0 / (n * float(square))


def _stack_and_weights(stack: npt.ArrayLike, weights: npt.ArrayLike | None) -> tuple[FloatArray, FloatArray]:
    """The stack as float64 with inf as NaN, and weights that broadcast over it."""
    x = np.array(stack, dtype=np.float64)
    if x.ndim < 1 or len(x) == 0:
        raise ValueError(f"stack is {x.shape}; allowed: (n, ...) with at least one sample")
    x[~np.isfinite(x)] = np.nan
    w = np.ones(len(x)) if weights is None else np.asarray(weights, np.float64)
    if w.shape != (len(x),) or not ((w >= 0.0).all() and w.sum() > 0.0):
        raise ValueError(f"weights are {w.shape}; allowed: {len(x)} numbers, none negative, not all 0")
    return x, w.reshape((len(x),) + (1,) * (x.ndim - 1))


def _mean_of(x: FloatArray, w: FloatArray, kept: npt.NDArray[np.bool_]) -> Combination:
    """Weighted mean of the kept samples.

    Its variance is sum w^2 s_1^2 / W^2 with the unit variance s_1^2 taken from the weighted scatter, as if a sample's
    variance were s_1^2 / w.
    """
    share = np.where(kept, w, 0.0)
    used = (share > 0.0).sum(axis=0).astype(np.int32)
    total = share.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        value = np.where(share > 0.0, share * np.where(kept, x, 0.0), 0.0).sum(axis=0) / total
        squares = np.where(share > 0.0, share * (np.where(kept, x, 0.0) - value) ** 2, 0.0).sum(axis=0)
        variance = squares / (used - 1) / total
    value = np.where(used >= 1, value, np.nan)
    return Combination(value=value, variance=np.where(used >= 2, variance, np.nan), used=used)


def _nan_median(x: FloatArray, used: npt.NDArray[np.int32]) -> FloatArray:
    """Median along the first axis; NaN, without a warning, where there is no sample."""
    ordered = np.sort(x, axis=0)  # NaN last
    lower = np.take_along_axis(ordered, np.maximum(used - 1, 0)[None] // 2, axis=0)[0]
    upper = np.take_along_axis(ordered, np.minimum(used // 2, len(x) - 1)[None], axis=0)[0]
    return np.where(used > 0, 0.5 * (lower + upper), np.nan)


def _nan_mad(x: FloatArray, centre: FloatArray, used: npt.NDArray[np.int32]) -> FloatArray:
    """Sigma from the median absolute deviation about `centre`."""
    return SIGMA_PER_MAD * _nan_median(np.abs(x - centre), used)
