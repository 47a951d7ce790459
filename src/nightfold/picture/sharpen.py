"""Sharper nebula: Richardson-Lucy with the noise known, which stops when what is left is noise.

Richardson 1972 (JOSA 62, 55), Lucy 1974 (AJ 79, 745). Each round's correction is regularised as in Starck & Murtagh
(1994, A&A 288, 342): of the residual only what stands out of the noise in its wavelet planes goes into the next round, so that noise
is not sharpened. Stars are taken apart before, so none can ring. When to stop is judged on the whole plane, so it is not
worked in tiles.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from nightfold.picture.noise import significant
from nightfold.units import FWHM_PER_SIGMA

Plane32 = npt.NDArray[np.float32]

SIGNIFICANT = 3.0
"""Residual structure counts from here, in sigma of its wavelet plane."""
PLANES = 4
NOTHING_LEFT = 1e-3
SLOW = 0.03


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
    """
    sigma = fwhm_px / FWHM_PER_SIGMA
    # The method wants light that is not negative; blank sky is lifted clear of its noise, which changes no shape.
    lift = np.float32(max(0.0, -float(np.percentile(image, 0.1))) + 5.0 * float(np.sqrt(np.median(variance))))
    data = np.maximum(image + lift, np.float32(1e-20))
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
    )
    return np.asarray(image + np.float32(strength) * (estimate - lift - image), np.float32)


def _rounds(
    data: Plane32,
    variance: Plane32,
    *,
    sigma: float,
    most_rounds: int,
    strengths: Sequence[float],
    nothing_left: float,
    slow: float,
) -> Plane32:
    """The estimate after as many rounds as the noise allows."""
    estimate = data.copy()
    before = math.inf
    for _ in range(most_rounds):
        blurred = _blur(estimate, sigma)
        true = significant(data - blurred, variance, strengths=strengths)
        left = float(np.mean(true * true / variance))
        if left < nothing_left or before - left < slow * before:
            break
        before = left
        ratio = np.maximum((blurred + true) / np.maximum(blurred, np.float32(1e-20)), np.float32(0.0))
        estimate = estimate * _blur(ratio, sigma)
    return np.asarray(estimate, np.float32)


def _blur(image: Plane32, sigma: float) -> Plane32:
    return np.asarray(ndimage.gaussian_filter(image, sigma, mode="mirror", truncate=4.0), np.float32)
