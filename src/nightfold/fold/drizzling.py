"""Drizzle (Fruchter & Hook 2002, PASP 114, 144) of dithered, undersampled subs onto a finer grid, by the `drizzle` library.

Each input pixel is shrunk to a drop and rained onto the output pixels, its rate shared by the exact overlap. Noise of
neighbouring output pixels is correlated (CHECKS R4): `noise_ratio` says how far the pixel noise understates that of
large areas.

Memory: the output's three float32 planes (12 bytes an output pixel, so 12 / output_scale^2 bytes a grid pixel) and one
strip of one sub, whose pixel map takes 16 bytes a pixel; nothing grows with the number of subs.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from nightfold.align.records import Transform
from nightfold.errors import FoldError

if TYPE_CHECKING:
    from drizzle.resample import Drizzle

Plane = npt.NDArray[np.float32]
STRIP_BYTES = 64 * 1024 * 1024
BYTES_PER_STRIP_PIXEL = 48
"""Pixel map, positions on the way to it, data, variance and weight of one input pixel."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DrizzleSub:
    """One sub as drizzle wants it.

    ``read_rows(y0, y1)`` gives rows y0 to y1 (not included), shape (y1 - y0, width): electron/s over the sub's scale, its
    sky surface taken off, NaN for bad and rejected samples. `variance` is that of a blank raw pixel in the same unit
    squared; ``variance_rows``, where given, gives it per pixel instead. `weight` is the sub's weight in the master.
    """

    read_rows: Callable[[int, int], npt.NDArray[np.floating]]
    shape: tuple[int, int]
    transform: Transform
    weight: float
    variance: float = 0.0
    variance_rows: Callable[[int, int], npt.NDArray[np.floating]] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Drizzled:
    """Result on the finer grid, float32 planes of one shape.

    `image`: electron/s per output pixel, NaN where no drop fell, so that sums over an area keep the flux of the subs.
    `weight`: summed weight of the drops by their overlap. `variance`: of a single output pixel, (electron/s)^2.
    Output pixel (X, Y) is centred on grid position ((X + 0.5) * output_scale - 0.5, …).
    """

    image: Plane
    weight: Plane
    variance: Plane
    output_scale: float
    pixel_fraction: float


def drizzle_subs(
    subs: Sequence[DrizzleSub],
    grid_shape: tuple[int, int],
    *,
    pixel_fraction: float = 0.8,
    output_scale: float = 0.5,
    weights: npt.ArrayLike | None = None,
    strip_bytes: int = STRIP_BYTES,
    progress: Callable[[int, int], None] | None = None,
) -> Drizzled:
    """Subs combined by drizzle.

    Parameters
    ----------
    subs : sequence of DrizzleSub
    grid_shape : (int, int)
        Height and width of the master's grid in grid pixels.
    pixel_fraction : float
        Side of the drop in sub pixels, above 0, up to 1.
    output_scale : float
        Side of an output pixel in grid pixels.
    weights : array, optional
        In place of the subs' own.
    progress : callable, optional
        Called with (subs done, subs in all).
    """
    _check(subs, grid_shape, pixel_fraction, output_scale)
    share = np.array([s.weight for s in subs]) if weights is None else np.asarray(weights, np.float64)
    if share.shape != (len(subs),) or not ((share >= 0.0).all() and share.sum() > 0.0):
        raise FoldError("no sub has a weight", seen=f"{share.tolist()}", allowed=f"{len(subs)} weights, not all 0")
    shape = (math.ceil(grid_shape[0] / output_scale), math.ceil(grid_shape[1] / output_scale))
    from drizzle.resample import Drizzle

    image, weight, variance = (np.zeros(shape, np.float32) for _ in range(3))
    rain = Drizzle(kernel="square", out_img=image, out_wht=weight, out_img2=variance, disable_ctx=True)
    for number, (sub, sub_weight) in enumerate(zip(subs, share, strict=True)):
        if sub_weight > 0.0:
            _add(rain, sub, float(sub_weight), pixel_fraction, output_scale, strip_bytes)
        if progress is not None:
            progress(number + 1, len(subs))
    dry = ~(weight > 0.0)
    image[dry] = np.nan
    variance[dry] = np.nan
    return Drizzled(
        image=image, weight=weight, variance=variance, output_scale=output_scale, pixel_fraction=pixel_fraction
    )


def noise_ratio(pixel_fraction: float, output_scale: float) -> float:
    """How many times the noise of large areas exceeds what the pixel noise tells (Fruchter & Hook 2002; CHECKS R4).

    Both lengths in input pixels. r/(1 - 1/3r) for r = p/s >= 1, 1/(1 - r/3) below: evenly spread dithers assumed.
    """
    r = pixel_fraction / output_scale
    return r / (1.0 - 1.0 / (3.0 * r)) if r >= 1.0 else 1.0 / (1.0 - r / 3.0)


def _add(
    rain: Drizzle, sub: DrizzleSub, weight: float, pixel_fraction: float, output_scale: float, strip_bytes: int
) -> None:
    """Rain one sub strip by strip, rows with a neighbour on both sides so that the drops' corners are exact."""
    height, width = sub.shape
    rows = max(1, strip_bytes // (BYTES_PER_STRIP_PIXEL * width) - 2)
    # The library averages values; a rate per pixel becomes one per output pixel by the ratio of areas.
    per_output_pixel = (output_scale / sub.transform.scale) ** 2
    for y0 in range(0, height, rows):
        y1 = min(y0 + rows, height)
        first, last = max(y0 - 1, 0), min(y1 + 1, height)
        data = np.asarray(sub.read_rows(y0, y1), np.float32)
        if data.shape != (y1 - y0, width):
            raise FoldError("rows of a sub have another size", seen=f"{data.shape}", allowed=f"{(y1 - y0, width)}")
        spread = (
            np.full(data.shape, sub.variance, np.float32)
            if sub.variance_rows is None
            else np.asarray(sub.variance_rows(y0, y1), np.float32)
        )
        good = np.isfinite(data) & np.isfinite(spread)
        padded = (slice(y0 - first, y0 - first + y1 - y0), slice(None))
        values, errors, shares = (np.zeros((last - first, width), np.float32) for _ in range(3))
        values[padded] = np.where(good, data * np.float32(per_output_pixel), np.float32(0.0))
        errors[padded] = np.where(good, spread * np.float32(per_output_pixel**2), np.float32(0.0))
        shares[padded] = np.where(good, np.float32(weight), np.float32(0.0))
        rain.add_image(
            values,
            exptime=1.0,
            pixmap=_pixel_map(sub.transform, first, last, width, output_scale),
            data2=errors,
            weight_map=shares,
            pixfrac=pixel_fraction,
            in_units="cps",
            pixel_scale_ratio=output_scale / sub.transform.scale,
        )


def _pixel_map(transform: Transform, y0: int, y1: int, width: int, output_scale: float) -> npt.NDArray[np.float64]:
    """Output positions of the centres of rows y0 to y1 (not included), shape (rows, width, 2)."""
    y, x = np.mgrid[y0:y1, 0:width]
    on_grid = transform.apply(np.stack([x, y], axis=-1).reshape(-1, 2))
    on_grid += 0.5
    on_grid /= output_scale
    on_grid -= 0.5
    return on_grid.reshape(y1 - y0, width, 2)


def _check(subs: Sequence[DrizzleSub], grid_shape: tuple[int, int], pixel_fraction: float, output_scale: float) -> None:
    if not subs:
        raise FoldError("no subs to drizzle", allowed="at least one", next_step="keep some subs")
    if not 0.0 < pixel_fraction <= 1.0:
        raise FoldError("the drop's size is impossible", seen=f"{pixel_fraction}", allowed="above 0, up to 1")
    if not 0.1 <= output_scale <= 2.0:
        raise FoldError("the output pixel's size is impossible", seen=f"{output_scale}", allowed="0.1 to 2 grid pixels")
    if min(grid_shape) < 1:
        raise FoldError("the grid is empty", seen=f"{grid_shape[1]}x{grid_shape[0]} px", allowed="1x1 px or more")
