"""Creep: steady drift of the frame between subs without random steps, and the streaks that it draws into a master.

A fixed pattern that moves by the same small step from sub to sub adds up along a line: it becomes streaks that no rejection takes
out. Random steps larger than the pattern's own scale break the line.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nightfold.robust import mad_sigma

FloatArray = npt.NDArray[np.float64]

LEAST_SUBS = 10
ENOUGH_DITHER_PX = 3.0
"""Random steps of 3 px rms per axis break up walking noise, whose grain is one to two pixels (common practice: 5 to 15 px)."""
STREAK_LIMIT = 1.15


@dataclass(frozen=True, slots=True)
class Creep:
    """A night's drift: `step_px` per sub, its direction on the frame, and the random part's rms per axis."""

    step_px: float
    step_error_px: float
    angle_deg: float
    random_px: float
    subs: int

    @property
    def steady(self) -> bool:
        """Whether it drifts, without random steps that would hide it."""
        moved = self.step_px * (self.subs - 1)
        return self.step_px > 5.0 * self.step_error_px and moved > 2.0 and self.random_px < ENOUGH_DITHER_PX

    @property
    def still(self) -> bool:
        """Whether all subs lie on the same pixels: what the sensor adds is then added in full."""
        return not self.steady and self.random_px < 0.7 and self.step_px * (self.subs - 1) < 2.0


def creep_of(positions: FloatArray) -> Creep | None:
    """Drift of frame centres (n, 2), in order of time, pixels; None for fewer than ten.

    A straight line against the number of the sub by least squares, per axis; what is left is the random part.
    """
    n = len(positions)
    if n < LEAST_SUBS:
        return None
    number = np.arange(n) - 0.5 * (n - 1)
    slope = (number[:, None] * positions).sum(axis=0) / (number**2).sum()
    rest = positions - positions.mean(axis=0) - number[:, None] * slope
    random = float(np.sqrt((rest**2).sum() / (2.0 * (n - 2))))
    return Creep(
        step_px=float(np.hypot(*slope)),
        step_error_px=random / float(np.sqrt((number**2).sum())),
        angle_deg=float(np.degrees(np.arctan2(slope[1], slope[0])) % 180.0),
        random_px=random,
        subs=n,
    )


def streak_ratio(image: npt.NDArray[np.floating], angle_deg: float, *, wedge_deg: float = 12.0) -> float:
    """Noise across a direction over noise along it: 1 where there are no streaks, above 1 where some run along `angle_deg`.

    Parameters
    ----------
    image : array (height, width)
        A master or a part of it; NaN where nothing is. Stars and nebulae are taken off as far as a 9 px mean and a clip at
        3 sigma can; only wavelengths from 3 to 16 px count.

    Notes
    -----
    Streaks vary across their direction, so their power stands at wave vectors across it. The ratio is of amplitudes: the square
    root of the mean power in two wedges of 12 degrees to each side, across over along.
    """
    plane = np.asarray(image, np.float64)
    good = np.isfinite(plane)
    if good.sum() < 0.5 * plane.size or min(plane.shape) < 64:
        return float("nan")
    filled = np.where(good, plane, np.median(plane[good]))
    from scipy.ndimage import uniform_filter  # loads slowly

    residual = filled - uniform_filter(filled, 9)
    sigma = float(mad_sigma(residual[good]))
    if not sigma > 0.0:
        return float("nan")
    residual = np.where(good & (np.abs(residual) < 3.0 * sigma), residual, 0.0)
    window = np.hanning(plane.shape[0])[:, None] * np.hanning(plane.shape[1])[None, :]
    power = np.abs(np.fft.rfft2(residual * window)) ** 2
    fy, fx = np.fft.fftfreq(plane.shape[0])[:, None], np.fft.rfftfreq(plane.shape[1])[None, :]
    frequency = np.hypot(fx, fy)
    direction = np.degrees(np.arctan2(fy, fx))
    band = (frequency > 1.0 / 16.0) & (frequency < 1.0 / 3.0)

    def mean_at(angle: float) -> float:
        off = np.abs((direction - angle + 90.0) % 180.0 - 90.0)
        inside = band & (off < wedge_deg)
        return float(power[inside].mean()) if inside.any() else float("nan")

    return float(np.sqrt(mean_at(angle_deg + 90.0) / mean_at(angle_deg)))
