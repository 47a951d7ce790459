"""What the rows or the columns of a sub share beyond noise: banding by the read-out, interference, a failing reference.

Each row's mean of ``p(y) - (p(y - 8) + p(y + 8)) / 2`` is taken twice, over two sets of columns that have no pixel in common. What
both agree on is the row's; what they differ by is noise. So no noise has to be known, and a gradient drops out.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from nightfold.kernels.banding import BLOCK, column_differences, row_differences
from nightfold.robust import mad_sigma

FloatArray = npt.NDArray[np.float64]
Plane = npt.NDArray[np.float32]

LAG_PX = 8
CLIP_SIGMAS = 4.0
SAMPLES = 256
"""Pixels of a row or column that are looked at: their mean is known to a thirteenth of a pixel's noise."""
LEAST_LINES = 50
LOOKS = 120
"""Lines and columns that tell how far differences spread: 14,400 places."""


def banding_e(image: Plane) -> tuple[float, float]:
    """1 sigma of an offset that each row, and each column, has of its own, electrons; NaN for a frame too small to tell.

    Parameters
    ----------
    image : (height, width) float32
        Electrons; NaN where a pixel is bad.

    Notes
    -----
    With A and B the means of the two sets, sigma² = (var((A + B)/2) - var((A - B)/2)) / 1.5, variances from median absolute
    deviations; 1.5 = 1 + 2/4 as the lines before and after have offsets too. Waves of 5 to 40 lines count with them; slower ones
    are sky.
    """
    height, width = image.shape
    if min(height, width) < 4 * BLOCK:
        return float("nan"), float("nan")
    rows = np.empty((2, height))
    row_differences(image, LAG_PX, max(1, width // SAMPLES), _limit(image), rows)
    sums, counts = np.zeros((2, width)), np.zeros((2, width))
    column_differences(image, LAG_PX, max(1, height // SAMPLES), _limit(image.T), sums, counts)
    with np.errstate(divide="ignore", invalid="ignore"):
        columns = sums / counts
    return _shared(rows), _shared(columns)


def _limit(image: Plane) -> float:
    """Differences along y beyond this are stars: some sigma of their own spread, what the rows share included."""
    ys = np.linspace(LAG_PX, image.shape[0] - 1 - LAG_PX, min(LOOKS, image.shape[0] - 2 * LAG_PX)).astype(np.int64)
    xs = np.linspace(0, image.shape[1] - 1, min(LOOKS, image.shape[1])).astype(np.int64)
    here, before, after = (image[np.ix_(ys + dy, xs)].astype(np.float64) for dy in (0, -LAG_PX, LAG_PX))
    with np.errstate(invalid="ignore"):
        step = here - 0.5 * (before + after)
    step = step[np.isfinite(step)]
    return CLIP_SIGMAS * float(mad_sigma(step)) if step.size else 0.0


def _shared(twice: FloatArray) -> float:
    """1 sigma of what two measurements of each line have in common, as an offset of each line."""
    both = twice[:, np.isfinite(twice).all(axis=0)]
    if both.shape[1] < LEAST_LINES:
        return float("nan")
    agreed = float(mad_sigma(0.5 * (both[0] + both[1])))
    noise = float(mad_sigma(0.5 * (both[0] - both[1])))
    return math.sqrt(max(agreed**2 - noise**2, 0.0) / 1.5)
