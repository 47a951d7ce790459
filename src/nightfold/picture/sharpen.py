"""Sharper nebula: Richardson-Lucy with the noise known, which stops when what is left is noise.

Richardson 1972 (JOSA 62, 55), Lucy 1974 (AJ 79, 745). Each round's correction is regularised as in Starck & Murtagh
(1994, A&A 288, 342): of the residual only what stands out of the noise in its wavelet planes goes into the next round, so that noise
is not sharpened. Rounds are hastened as in Biggs & Andrews (1997, Applied Optics 36, 1766): each starts from where the last
two point to. Stars are taken apart before, so none can ring.

Every round goes over the picture tile by tile, each with the apron that one round looks into; how far to look ahead and when to
stop is judged on the whole. So tiles of any size give the same picture, but for the last digits of those sums.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from nightfold.kernels.blur import blur_even
from nightfold.picture.noise import significant, significant_reach_px
from nightfold.picture.tiles import TILE_PX, Run, Tile, tiles
from nightfold.units import FWHM_PER_SIGMA

Plane32 = npt.NDArray[np.float32]

SIGNIFICANT = 3.0
"""Residual structure counts from here, in sigma of its wavelet plane."""
PLANES = 4
NOTHING_LEFT = 1e-3
SLOW = 0.03
MOST_HASTE = 0.9
"""The step ahead of each round is at most this share of the last one, lest it overshoot."""
LEAST_LIGHT = np.float32(1e-20)


def richardson_lucy(
    data: npt.NDArray[np.floating[Any]], kernel: npt.NDArray[np.floating[Any]], rounds: int, *, wrap: bool = False
) -> npt.NDArray[np.float64]:
    """Plain Richardson-Lucy from a flat start, `rounds` times; non-negative data, any dimension; `kernel` sums to 1."""
    mode: Literal["wrap", "mirror"] = "wrap" if wrap else "mirror"
    estimate = np.full(data.shape, float(np.mean(data)))
    flipped = np.flip(kernel)
    for _ in range(rounds):
        blurred = ndimage.convolve(estimate, kernel, mode=mode)
        ratio = np.where(blurred > 0, data / np.where(blurred > 0, blurred, 1.0), 0.0)
        estimate = estimate * ndimage.convolve(ratio, flipped, mode=mode)
    return estimate


def sharpen(
    image: Plane32,
    variance: Plane32,
    *,
    fwhm_px: float,
    strength: float = 1.0,
    most_rounds: int = 30,
    on_card: bool = False,
    tile_px: int = TILE_PX,
    run: Run = map,
) -> Plane32:
    """A nebula plane deconvolved by a round Gaussian of `fwhm_px`.

    Parameters
    ----------
    image, variance : float32 (height, width), no NaN
        Nebula without stars, linear, and the square of its noise.
    strength : float
        Share of the sharpened image in the result, 0 to 1.
    most_rounds : int
        A limit only. The rounds end once what stands out of the noise in the residual is less than `NOTHING_LEFT` of the
        noise's own power, or falls by less than `SLOW` a round.
    on_card : bool
        Do the rounds on a graphics card (`picture.card`); the result is the same within 1e-5.
    tile_px : int
        Side of the tiles; the result does not depend on it.
    run : callable
        How to work through the tiles, for instance the `map` of a thread pool.
    """
    sigma = fwhm_px / FWHM_PER_SIGMA
    # The method wants light that is not negative; blank sky is lifted clear of its noise, which changes no shape.
    lift = np.float32(max(0.0, -float(np.percentile(image, 0.1))) + 5.0 * float(np.sqrt(np.median(variance))))
    data = image + lift
    np.maximum(data, LEAST_LIGHT, out=data)
    rounds: Callable[..., Plane32] = _rounds
    if on_card:
        from nightfold.picture.card import rounds_on_card

        rounds = rounds_on_card
    estimate = rounds(
        data,
        variance,
        sigma=sigma,
        most_rounds=most_rounds,
        strengths=(SIGNIFICANT,) * PLANES,
        nothing_left=NOTHING_LEFT,
        slow=SLOW,
        **({} if on_card else {"tile_px": tile_px, "run": run}),
    )
    estimate -= lift
    estimate -= image
    estimate *= np.float32(strength)
    estimate += image
    return estimate


def _rounds(
    data: Plane32,
    variance: Plane32,
    *,
    sigma: float,
    most_rounds: int,
    strengths: Sequence[float],
    nothing_left: float,
    slow: float,
    tile_px: int,
    run: Run,
) -> Plane32:
    """The estimate after as many rounds as the noise allows."""
    taps = gaussian_taps(sigma)
    pieces = list(tiles(data.shape, 2 * (taps.size - 1) + significant_reach_px(len(strengths)), tile_px))
    # Names as in Biggs & Andrews: a round makes x from y, and its step is g.
    y, x, new = data.copy(), data.copy(), np.empty_like(data)
    g = np.zeros_like(data)
    before = math.inf

    def one(tile: Tile) -> tuple[float, float, float]:
        """A round on one tile: the power left above the noise, and the products of its step and the last that set the haste."""
        noise, from_here = variance[tile.outer], y[tile.outer]
        blurred = _blur(from_here, taps)
        true = significant(data[tile.outer] - blurred, noise, strengths=strengths)
        left = true[tile.within]
        power = float(np.sum(left * left / noise[tile.within], dtype=np.float64))
        true += blurred
        np.maximum(true, np.float32(0.0), out=true)
        true /= np.maximum(blurred, LEAST_LIGHT)
        better = from_here[tile.within] * _blur(true, taps)[tile.within]
        step = better - from_here[tile.within]
        last = g[tile.inner]
        products = float(np.sum(step * last, dtype=np.float64)), float(np.sum(last * last, dtype=np.float64))
        new[tile.inner], g[tile.inner] = better, step
        return power, *products

    for _ in range(most_rounds):
        power, along, length = np.sum(list(run(one, pieces)), axis=0)
        left = float(power) / data.size
        if left < nothing_left or before - left < slow * before:
            break
        before = left
        look_ahead(y, x, new, haste(float(along), float(length)))
        x, new = new, x
    return y


def haste(along: float, length: float) -> float:
    """How far to look ahead: the step's share along the last one, from their product and the last one's square."""
    return min(max(along / length, 0.0), MOST_HASTE) if length > 0.0 else 0.0


def look_ahead(y: Plane32, x: Plane32, new: Plane32, share: float) -> None:
    """Set `y` to where `new` and the estimate `x` before it point, `share` of that step onward; never below no light."""
    np.subtract(new, x, out=y)
    y *= np.float32(share)
    y += new
    np.maximum(y, LEAST_LIGHT, out=y)


def gaussian_taps(sigma: float) -> npt.NDArray[np.float32]:
    """One side of a sampled Gaussian, cut at four sigma, of sum 1 with both sides."""
    taps = np.exp(-0.5 * (np.arange(int(4.0 * sigma + 0.5) + 1) / sigma) ** 2)
    return np.asarray(taps / (2.0 * taps.sum() - taps[0]), np.float32)


def _blur(image: Plane32, taps: npt.NDArray[np.float32]) -> Plane32:
    out = np.empty(image.shape, np.float32)
    blur_even(np.ascontiguousarray(image), taps, out)
    return out
