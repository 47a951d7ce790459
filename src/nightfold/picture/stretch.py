"""From linear light to a picture: asinh curves in our written normalisation, and their automatic choice from the data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq

from nightfold.errors import PictureError

Values = npt.NDArray[np.floating[Any]]

SKY_SHOWN_AT = 0.10
"""sRGB value of blank sky in an automatic picture: dark, with its noise just visible. Our choice."""
NEBULA_SHOWN_AT = 0.58
"""sRGB value of the brighter nebula (see `automatic_curve`). Our choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AsinhCurve:
    """``f(x) = asinh((x - black) / softness) / asinh((white - black) / softness)``, clipped to 0 to 1.

    0 at `black`, 1 at `white`; nearly straight within `softness` of black and logarithmic beyond. The normalised form of
    Lupton et al. 2004 (PASP 116, 133): with black 0, white 1 it is asinh(x / b) / asinh(1 / b).
    """

    black: float
    white: float
    softness: float

    def __call__(self, x: Values) -> npt.NDArray[np.float32]:
        """Displayed values of linear ones, float32."""
        scaled = (np.asarray(x, np.float32) - np.float32(self.black)) / np.float32(self.softness)
        top = np.float32(np.arcsinh((self.white - self.black) / self.softness))
        return np.asarray(np.clip(np.arcsinh(scaled) / top, 0.0, 1.0), np.float32)


def lupton(rgb: Values, *, q: float, stretch: float, minimum: float = 0.0) -> Values:
    """The colour-keeping stretch of Lupton et al. 2004: all channels times F(I) / I.

    I is the mean of the channels above `minimum` and ``F = asinh(Q (I - m) / stretch) / Q``. Last axis 3; not clipped.
    """
    above = np.asarray(rgb, np.float64) - minimum
    intensity = above.mean(axis=-1, keepdims=True)
    with np.errstate(divide="ignore", invalid="ignore"):
        factor = np.where(intensity > 0, np.arcsinh(q * intensity / stretch) / q / intensity, 0.0)
    return np.asarray(above * factor)


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """What a linear image is like: its blank sky, the noise there, and how bright nebula and stars are above the sky."""

    sky: float
    noise: float
    nebula: float
    bright: float


def measure_levels(image: Values) -> Levels:
    """Sky, noise and brightness of a linear image, robustly.

    The sky is the clipped centre of the darker half of cells of the image, so that a nebula over most of the frame does not
    pass for it; noise is from differences of neighbours; the nebula's brightness is the 97th percentile of medians of
    cells, which no star reaches; `bright` is the 99.9th percentile of pixels.
    """
    finite = image[np.isfinite(image)]
    if finite.size < 100:
        raise PictureError(
            "the picture has too few pixels to judge its levels", seen=f"{finite.size} finite pixels", allowed="100"
        )
    cells = cell_medians(image, 16)
    known = np.sort(cells[np.isfinite(cells)])
    if known.size == 0:
        known = np.sort(finite)
    sky = float(np.median(known[: max(1, known.size // 4)]))
    difference = np.diff(image, axis=1)
    difference = difference[np.isfinite(difference)]
    noise = float(1.4826 * np.median(np.abs(difference)) / np.sqrt(2.0)) if difference.size else 0.0
    top = float(np.percentile(finite, 99.9))
    spread = max(noise, 1e-3 * max(top - sky, 0.0), 1e-12)
    nebula = max(float(np.percentile(known, 97)) - sky, 2.0 * spread)
    return Levels(sky=sky, noise=spread, nebula=nebula, bright=max(top - sky, 4.0 * nebula))


def cell_medians(image: Values, size: int) -> npt.NDArray[np.float64]:
    """Medians of `size` x `size` cells, shape (ny, nx); NaN where less than half a cell is covered."""
    h, w = image.shape[0] // size * size, image.shape[1] // size * size
    if h == 0 or w == 0:
        return np.full((1, 1), np.nanmedian(image) if np.isfinite(image).any() else np.nan)
    cells = image[:h, :w].reshape(h // size, size, w // size, size).swapaxes(1, 2).reshape(h // size, w // size, -1)
    covered = np.isfinite(cells).mean(axis=-1) >= 0.5
    result = np.full(covered.shape, np.nan)
    if covered.any():
        result[covered] = np.nanmedian(cells[covered], axis=-1)
    return result


def automatic_curve(levels: Levels, *, sky_at: float = SKY_SHOWN_AT, nebula_at: float = NEBULA_SHOWN_AT) -> AsinhCurve:
    """The asinh curve that shows blank sky at `sky_at` and the brighter nebula at `nebula_at`, stars just short of white.

    Black lies so far below the sky that the sky lands at `sky_at`; the softness is then the one that puts the nebula where
    it is wanted. Both are solved together; where the data allow no such curve (no nebula, only noise), the noise sets it.
    """
    white = levels.sky + levels.bright

    def curve(softness: float) -> AsinhCurve:
        def sky_error(depth: float) -> float:
            top = np.arcsinh((levels.bright + depth) / softness)
            return float(np.arcsinh(depth / softness) / top - sky_at)

        depth = brentq(sky_error, 1e-9 * levels.bright, 100.0 * levels.bright)
        return AsinhCurve(black=levels.sky - depth, white=white, softness=softness)

    def nebula_error(log_softness: float) -> float:
        c = curve(float(np.exp(log_softness)))
        shown = np.arcsinh((levels.sky + levels.nebula - c.black) / c.softness) / np.arcsinh(
            (c.white - c.black) / c.softness
        )
        return float(shown - nebula_at)

    # The noise must not be blown up: the softness stays above half of it.
    low, high = float(np.log(0.5 * levels.noise)), float(np.log(10.0 * levels.bright))
    if nebula_error(low) <= 0.0:
        return curve(float(np.exp(low)))
    if nebula_error(high) >= 0.0:
        return curve(float(np.exp(high)))
    return curve(float(np.exp(brentq(nebula_error, low, high, xtol=1e-6))))
