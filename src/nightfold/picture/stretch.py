"""From linear light to lightness: asinh curves in our written normalisation, monotone curves, and their automatic choice.

What a curve gives is the lightness L of OKLab for grey (0 black, 1 white; the light shown is L^3), because equal steps of
it look equal. The automatic curve has three anchors, our own choice:

- blank sky at L 0.19 (sRGB 22 of 255): a little above the black of a screen, so that nothing faint is cut off;
- the typical nebula at L 0.52, about the middle of the scale;
- the brightest nebula (99.9th percentile of it, stars apart) at L 0.90, so that it has structure left and stars outshine it.

They fix depth of black, softness and white of the asinh curve. Should noise come out rougher than 0.018 in L (about what
one sees as grain on a monitor; our choice), the curve is made softer and the typical nebula darker.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq

from nightfold.errors import PictureError

Values = npt.NDArray[np.floating[Any]]

SKY_SHOWN_AT = 0.19
TYPICAL_SHOWN_AT = 0.52
BRIGHT_SHOWN_AT = 0.90
GRAIN = 0.018


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
        return np.asarray(np.clip(np.arcsinh(scaled) / top, np.float32(0.0), np.float32(1.0)), np.float32)


@dataclass(frozen=True, slots=True, kw_only=True)
class MonotoneCurve:
    """A curve through anchors (value, lightness) that never turns back: PCHIP (Fritsch & Carlson 1980) over asinh(x / softness).

    Values and lightness rise strictly. Beyond the outer anchors the end values hold.
    """

    values: tuple[float, ...]
    lightness: tuple[float, ...]
    softness: float

    def __post_init__(self) -> None:
        rising = all(b > a for seq in (self.values, self.lightness) for a, b in itertools.pairwise(seq))
        if len(self.values) < 2 or len(self.values) != len(self.lightness) or not rising or self.softness <= 0:
            raise PictureError(
                "the anchors of a curve do not rise",
                seen=", ".join(f"{v:g} at {w:g}" for v, w in zip(self.values, self.lightness)),
                allowed="two or more, each higher in value and in lightness than the one before",
            )

    def __call__(self, x: Values) -> npt.NDArray[np.float32]:
        """Lightness of linear values, float32."""
        knots = np.arcsinh(np.asarray(self.values) / self.softness)
        curve = PchipInterpolator(knots, self.lightness)
        # A fine table is exact to 1e-6 and twenty times faster than the polynomials.
        table = np.linspace(knots[0], knots[-1], 8193)
        scaled = np.arcsinh(np.asarray(x, np.float32) / np.float32(self.softness))
        return np.asarray(np.interp(scaled, table, curve(table)), np.float32)


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
    """What a linear image without stars is like: its blank sky, noise per pixel, and nebula above the sky.

    `typical` is the median of the cells that hold nebula, `nebula` their 90th percentile, `bright` the brightest.
    """

    sky: float
    noise: float
    typical: float
    nebula: float
    bright: float


def measure_levels(images: Mapping[str, Values], noises: Mapping[str, float]) -> dict[str, Levels]:
    """Levels of each filter's linear image (stars taken off, one size), judged at common places.

    The sky is measured where all filters together are darkest, so that it comes out without a cast; the nebula where any
    of them shows some, so that a faint filter is compared with a strong one at the same places.
    """
    shape = next(iter(images.values())).shape
    size = max(2, min(16, min(shape) // 12))
    cells = {f: cell_medians(image, size).ravel() for f, image in images.items()}
    known = np.all([np.isfinite(c) for c in cells.values()], axis=0)
    if not known.any():
        raise PictureError("too few pixels to judge levels", seen="no covered part in common", allowed="100 px")
    cells = {f: c[known] for f, c in cells.items()}
    # A cell's own noise, 1.6 for the median and the correlation of resampled pixels; never nothing.
    cell_noise = {
        f: max(1.6 * noises[f] / size, 1e-4 * float(np.ptp(c)), 1e-7 * float(np.abs(c).max()), 1e-12)
        for f, c in cells.items()
    }
    excess = sum(
        np.maximum(c - np.percentile(c, 5), 0.0) / (cell_noise[f] + 0.02 * np.ptp(c)) for f, c in cells.items()
    )
    dark = np.argsort(excess, kind="stable")[: max(1, excess.size // 12)]
    above = {f: c - float(np.median(c[dark])) for f, c in cells.items()}
    lit = np.any([a > max(5.0 * cell_noise[f], 0.02 * float(a.max())) for f, a in above.items()], axis=0)
    if lit.sum() < max(3, 0.002 * lit.size):
        lit = np.zeros(lit.shape, bool)
    levels = {}
    for f, a in above.items():
        noise = max(noises[f], cell_noise[f])
        nebula = a[lit] if lit.any() else np.zeros(1)
        typical = max(float(np.median(nebula)), 0.5 * noise)
        strong = max(float(np.percentile(nebula, 90)), 1.5 * typical, noise)
        bright = max(float(np.percentile(nebula, 99.7)), 1.5 * strong, 3.0 * noise)
        levels[f] = Levels(
            sky=float(np.median(cells[f][dark])), noise=noise, typical=typical, nebula=strong, bright=bright
        )
    return levels


def cell_medians(image: Values, size: int) -> npt.NDArray[np.float64]:
    """Medians of `size` x `size` cells, shape (ny, nx); NaN where less than half a cell is covered."""
    h, w = image.shape[0] // size * size, image.shape[1] // size * size
    if h == 0 or w == 0:
        return np.full((1, 1), np.nanmedian(image) if np.isfinite(image).any() else np.nan)
    cells = image[:h, :w].reshape(h // size, size, w // size, size).swapaxes(1, 2).reshape(h // size, w // size, -1)
    if np.isfinite(cells).all():
        return np.asarray(np.median(cells, axis=-1), np.float64)
    covered = np.isfinite(cells).mean(axis=-1) >= 0.5
    result = np.full(covered.shape, np.nan)
    if covered.any():
        result[covered] = np.nanmedian(cells[covered], axis=-1)
    return result


def automatic_curve(
    levels: Levels,
    *,
    grain_noise: float | None = None,
    sky_at: float = SKY_SHOWN_AT,
    typical_at: float = TYPICAL_SHOWN_AT,
    bright_at: float = BRIGHT_SHOWN_AT,
) -> AsinhCurve:
    """The asinh curve through the anchors of this module's head; `grain_noise` is the noise left in what is shown."""
    noise = levels.noise if grain_noise is None else grain_noise
    # Even a straight line from sky to the brightest would show this noise as grain: then the top lies higher.
    top = max(levels.bright, (bright_at - sky_at) / GRAIN * noise)

    def curve(log_softness: float) -> tuple[float, float, float]:
        """Softness, depth of black below the sky, and the factor before the asinh."""
        s = float(np.exp(log_softness))

        def sky_error(log_depth: float) -> float:
            d = float(np.exp(log_depth))
            return float(bright_at * np.arcsinh(d / s) / np.arcsinh((top + d) / s) - sky_at)

        d = float(np.exp(brentq(sky_error, np.log(1e-9 * top), np.log(1e3 * top), xtol=1e-10)))
        return s, d, float(bright_at / np.arcsinh((top + d) / s))

    def typical_error(log_softness: float) -> float:
        s, d, k = curve(log_softness)
        return float(k * np.arcsinh((levels.typical + d) / s) - typical_at)

    def grain_error(log_softness: float) -> float:
        s, d, k = curve(log_softness)
        return float(k / np.hypot(s, d) * noise - GRAIN)

    low, high = float(np.log(1e-4 * top)), float(np.log(1e2 * top))
    softest = low if grain_error(low) <= 0 else high if grain_error(high) >= 0 else brentq(grain_error, low, high)
    wanted = low if typical_error(low) <= 0 else high if typical_error(high) >= 0 else brentq(typical_error, low, high)
    s, d, k = curve(max(softest, wanted))
    return AsinhCurve(black=levels.sky - d, white=levels.sky - d + s * float(np.sinh(1.0 / k)), softness=s)
