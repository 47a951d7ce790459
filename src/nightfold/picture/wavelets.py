"""A trous wavelets with the B3 spline: an image as the sum of detail planes of doubling size and a smooth rest.

Starck & Murtagh, Astronomical Image and Data Analysis (2006), chapter 2. No pixel is left out and none is resampled, so
planes add up to the image again. NaN is not allowed: fill gaps first (`nightfold.picture.ready.fill_gaps`).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

from nightfold.kernels.wavelets import smooth_b3

Plane32 = npt.NDArray[np.float32]


def smooth(image: Plane32, level: int) -> Plane32:
    """The image smoothed by the B3 spline with taps 2^level pixels apart, float32, same shape; edges are mirrored."""
    out = np.empty(image.shape, np.float32)
    smooth_b3(np.ascontiguousarray(image, np.float32), 1 << level, out)
    return out


def decompose(image: Plane32, levels: int) -> list[Plane32]:
    """`levels` detail planes, finest first, and the smooth rest; their sum is the image."""
    planes = []
    fine = np.ascontiguousarray(image, np.float32)
    for level in range(levels):
        broad = smooth(fine, level)
        planes.append(fine - broad)
        fine = broad
    planes.append(fine)
    return planes


def reach_px(levels: int) -> int:
    """How far a pixel's planes look: the apron a tile needs so that it gives what the whole image gives."""
    return sum(2 << level for level in range(levels))


@lru_cache(maxsize=8)
def noise_factors(levels: int) -> tuple[float, ...]:
    """Standard deviation of each detail plane for white noise of unit sigma, from the filter's impulse response.

    .890796 .200664 .085508 .041217 .020425 … (CHECKS C7; the book prints a simulated .889 .200 .086 .041 .020). In two
    dimensions the smoothing is separable, so sums over the plane come from the one-dimensional responses.
    """
    reach = reach_px(levels)
    before = np.zeros(2 * reach + 1)
    before[reach] = 1.0
    factors = []
    for level in range(levels):
        step = 1 << level
        after = np.zeros_like(before)
        for weight, shift in zip((1 / 16, 4 / 16, 6 / 16, 4 / 16, 1 / 16), range(-2, 3)):
            after += weight * np.roll(before, shift * step)
        # sum (a a' - b b')^2 over the plane, with a, b the responses along one axis before and after this smoothing
        aa, ab, bb = before @ before, before @ after, after @ after
        factors.append(float(np.sqrt(aa * aa - 2.0 * ab * ab + bb * bb)))
        before = after
    return tuple(factors)
