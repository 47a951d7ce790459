"""Adaptive moments of bright stars from the pixels: width, elongation, and the skew that coma leaves and guiding does not.

Each star is weighted by a round Gaussian as wide as itself (Bernstein & Jarvis 2002, AJ 123, 583, sec. 3, with a round
window): its centre is where the weighted light balances, its sigma where twice the weighted second moment is the
window's own. The skew is the weighted mean of d |d|^2 over sigma^3, a vector from the sharp side to the tail.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

ROUNDS = 40
REACH = 3.5
"""Half width of the patch in sigmas of the window; beyond it the window is 0.002."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Moments:
    """Of n stars, arrays of shape (n,); NaN where the window did not settle or leaves the frame."""

    x: FloatArray
    y: FloatArray
    sigma_px: FloatArray  # of the window that fits; the star's own for a Gaussian
    e_x: FloatArray  # (xx - yy) / (xx + yy) and 2 xy / (xx + yy) under the window, doubled: of the star itself
    e_y: FloatArray
    skew_x: FloatArray
    skew_y: FloatArray
    skew_error: FloatArray  # 1 sigma per axis, from the sky's noise and the light
    flux: FloatArray  # weighted sum


def star_moments(
    image: npt.NDArray[np.floating], x: npt.ArrayLike, y: npt.ArrayLike, *, sigma_px: float, background: npt.ArrayLike,
    noise: float,
) -> Moments:  # fmt: skip
    """Adaptive moments of the stars at (x, y).

    Parameters
    ----------
    image : array of shape (height, width)
        Electrons; NaN pixels spoil the stars they lie in.
    x, y : arrays of shape (n,)
        About where the stars are, pixels.
    sigma_px : float
        Of a usual star, to start from.
    background : array of shape (n,)
        Sky under each star.
    noise : float
        Of a pixel of blank sky, electrons.
    """
    xs, ys = np.asarray(x, np.float64), np.asarray(y, np.float64)
    sky = np.broadcast_to(np.asarray(background, np.float64), xs.shape)
    half = int(np.ceil(REACH * 2.0 * sigma_px)) + 1
    found = {name: np.full(xs.size, np.nan) for name in Moments.__dataclass_fields__}
    offsets = np.arange(-half, half + 1)
    height, width = image.shape
    for n in range(xs.size):
        i, j = round(float(xs[n])), round(float(ys[n]))
        if i < half or j < half or i >= width - half or j >= height - half:
            continue
        patch = np.asarray(image[j - half : j + half + 1, i - half : i + half + 1], np.float64) - sky[n]
        if not np.isfinite(patch).all():
            continue
        values = _settled(patch, offsets + i, offsets + j, float(xs[n]), float(ys[n]), sigma_px, noise)
        if values is not None:
            for name, value in zip(found, values, strict=True):
                found[name][n] = value
    return Moments(**found)


def _settled(
    patch: FloatArray, px: npt.NDArray[np.int64], py: npt.NDArray[np.int64], x: float, y: float, sigma: float, noise: float
) -> tuple[float, ...] | None:  # fmt: skip
    """The moments of one star once window and star agree; None where they never do."""
    start, limit = (x, y), sigma * 2.0
    for _ in range(ROUNDS):
        dx, dy = (px - x)[None, :], (py - y)[:, None]
        r2 = dx**2 + dy**2
        w = np.exp(-0.5 * r2 / sigma**2)
        light = w * patch
        total = float(light.sum())
        if not total > 0.0:
            return None
        mx, my = float((light * dx).sum()) / total, float((light * dy).sum()) / total
        second = float((light * r2).sum()) / total / 2.0
        if not second > 0.0:
            return None
        new = float(np.sqrt(2.0 * second))
        x, y = x + 2.0 * mx, y + 2.0 * my
        settled = abs(mx) + abs(my) < 2e-4 * sigma and abs(new - sigma) < 1e-3 * sigma
        sigma = min(new, 1.1 * limit)
        if settled:
            break
        if np.hypot(x - start[0], y - start[1]) > limit or sigma > limit:
            return None
    else:
        return None
    xx, yy, xy = (float((light * t).sum()) / total for t in (dx * dx, dy * dy, dx * dy))
    # Under a window as wide as the star the excess of an axis counts half.
    e_x, e_y = 2.0 * (xx - yy) / (xx + yy), 4.0 * xy / (xx + yy)
    s3 = sigma**3
    skew_x, skew_y = float((light * dx * r2).sum()) / total / s3, float((light * dy * r2).sum()) / total / s3
    # The centre moves with the noise too: d (r^2 - k) with k from the window makes the two independent.
    k = float((light * r2 * r2).sum() / (light * r2).sum())
    variance = (w * w * (dx * (r2 - k)) ** 2 * (noise**2 + np.maximum(patch, 0.0))).sum()
    error = float(np.sqrt(variance)) / total / s3
    return x, y, sigma, e_x, e_y, skew_x, skew_y, error, total
