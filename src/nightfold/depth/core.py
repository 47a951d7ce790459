"""Signal against noise in a goal's box, what an hour more brings, and what is left to do. Pure functions.

The noise of a box falls as ``sigma^2 = a / I + f^2``: I is the information of the subs, the sum of (scale / sigma)^2 of their
blank pixels; f is a floor that time does not lower (flats, gradients, pattern, faint structure of the sky itself). SNR of a
signal s (electrons a second in the box) is ``s / sqrt(sigma_box^2 + s / T)``, T the exposure that the master's weights make.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

LIMIT_SIGMAS = 3.0
LIMIT_BOX_ARCSEC = 10.0
FAINT_SHARE = 0.02
"""Of the sky: below it flats and gradients limit what can be told, not time (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Subs:
    """The subs of a master in its order: exposure, star-flux scale, blank-sky sigma at SCALE 1, weight."""

    exposure_s: FloatArray
    scale: FloatArray
    sigma: FloatArray
    weight: FloatArray

    @property
    def information(self) -> FloatArray:
        """Of each sub, (electron/s)^-2."""
        return np.asarray(self.sigma**-2.0)

    @property
    def effective_exposure_s(self) -> float:
        """Exposure at SCALE 1 whose photon noise of a signal the weighted mean has: 1 / sum(w^2 / (scale t))."""
        w = self.weight / self.weight.sum()
        return float(1.0 / (w**2 / (self.scale * self.exposure_s)).sum())

    @property
    def information_per_hour(self) -> float:
        """What a clear hour brings at this filter's median rate."""
        return float(np.median(self.information / self.exposure_s) * 3600.0)

    def take(self, index: npt.NDArray[np.int64] | npt.NDArray[np.bool_] | slice) -> Subs:
        """Some of the subs."""
        return Subs(
            exposure_s=self.exposure_s[index],
            scale=self.scale[index],
            sigma=self.sigma[index],
            weight=self.weight[index],
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """Noise of one box now, electrons a second: its variance, of that the floor, and the information behind it."""

    variance: float
    floor_variance: float
    information: float
    effective_exposure_s: float

    def snr(self, signal: float, information: float | None = None) -> float:
        """Of a signal in the box, now or with other information of the same kind."""
        ratio = 1.0 if information is None else self.information / information
        falling = max(self.variance - self.floor_variance, 0.0) * ratio
        photons = signal / self.effective_exposure_s * ratio
        total = falling + self.floor_variance + photons
        return float(signal / np.sqrt(total)) if total > 0.0 else float("inf")

    def information_for(self, signal: float, snr: float) -> float | None:
        """Information at which the signal reaches an SNR; None where the floor forbids it."""
        allowed = (signal / snr) ** 2 - self.floor_variance
        falling = max(self.variance - self.floor_variance, 0.0) + signal / self.effective_exposure_s
        return self.information * falling / allowed if allowed > 0.0 else None


def gain_of_next_hour(noise: Noise, signal: float | None, per_hour: float) -> float:
    """By what fraction one more clear hour raises the SNR; of a signal far below the sky, where none is named."""
    wanted = signal if signal is not None else 1e-9 * float(np.sqrt(noise.variance))
    return noise.snr(wanted, noise.information + per_hour) / noise.snr(wanted) - 1.0


def hours_to(noise: Noise, signal: float, snr: float, per_hour: float) -> float | None:
    """Clear hours to an SNR at the median rate: 0 where it is reached, None where a floor forbids it."""
    wanted = noise.information_for(signal, snr)
    if wanted is None:
        return None
    return max(0.0, (wanted - noise.information) / per_hour)


def limit_rate(sigma_mean_e_per_s: float, box_px: float, scale_arcsec_px: float) -> float:
    """Surface brightness of the 3 sigma limit in 10 arcsec boxes, electrons per second and square arcsecond.

    `sigma_mean_e_per_s` is that of a pixel's mean in the box; a box of another size than 10 arcsec is brought to it as white
    noise: CHECKS D11.
    """
    per_arcsec2 = sigma_mean_e_per_s / scale_arcsec_px**2
    return LIMIT_SIGMAS * per_arcsec2 * box_px * scale_arcsec_px / LIMIT_BOX_ARCSEC


def fit_floor(
    information: Sequence[float], variance: Sequence[float], error: Sequence[float]
) -> tuple[float, float, float]:
    """Least squares of ``variance = a / information + floor``: a, floor, 1 sigma of the floor; neither below 0.

    Parameters
    ----------
    information, variance, error : sequences, one an amount of subs
        `error` is 1 sigma of `variance`.
    """
    x = 1.0 / np.asarray(information, np.float64)
    y, w = np.asarray(variance, np.float64), 1.0 / np.asarray(error, np.float64)
    design = np.column_stack([x, np.ones_like(x)]) * w[:, None]
    covariance = np.linalg.pinv(design.T @ design)
    a, floor = covariance @ design.T @ (y * w)
    if floor < 0.0 or a <= 0.0:
        a, floor = float((x * y * w**2).sum() / (x**2 * w**2).sum()), 0.0
    return float(a), float(floor), float(np.sqrt(covariance[1, 1]))


def nested_parts(count: int, *, most: int = 4) -> list[list[npt.NDArray[np.int64]]]:
    """Parts of subs that double in number: for each amount up to `most` interleaved parts, the last amount being all.

    Interleaved, so that every part sees the same nights and heights.
    """
    steps = [8, 4, 2, 1] if count >= 16 else [4, 2, 1] if count >= 8 else [2, 1] if count >= 4 else [1]
    return [[np.arange(first, count, step) for first in range(min(step, most))] for step in steps]


def hours_from_scratch(
    *,
    signal_e_per_s: float,
    sky_e_per_s: float,
    dark_e_per_s: float,
    read_noise_e: float,
    exposure_s: float,
    box_px2: float,
    snr: float,
) -> float:
    """Hours to an SNR in a box of so many pixels for a filter that has no sub yet: CHECKS D9 solved for the time.

    All rates are per pixel. SNR = s n T / sqrt(n (s + b + d + R^2 / t) T), so T = snr^2 (s + b + d + R^2 / t) / (s^2 n).
    """
    rate = signal_e_per_s + sky_e_per_s + dark_e_per_s + read_noise_e**2 / exposure_s
    return snr**2 * rate / (signal_e_per_s**2 * box_px2) / 3600.0
