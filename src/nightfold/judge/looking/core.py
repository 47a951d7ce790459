"""One sub as a picture to look at: laid on its target's grid, at a stretch that all subs of its filter share.

With one grid and one stretch two subs differ on the screen only where they differ: in stars, sky and place.
"""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from PIL import Image
from scipy import ndimage

from nightfold.align.records import Transform
from nightfold.frames.pyramid import Pyramid, Tile, level_sizes, size_of_level, tile_places

Plane = npt.NDArray[np.float32]

BAND_ROWS = 256
BLACK_SIGMA = 4.0
SOFT_SIGMA = 2.0
WHITE_SIGMA = 400.0
"""The shared stretch: black so far below the usual sky, white so far above it, bent from `SOFT_SIGMA` on. Our choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedStretch:
    """An asinh curve in electrons per second: 0 at `black`, 1 at `white`."""

    black: float
    white: float
    softness: float

    @classmethod
    def of(cls, sky_e_per_s: npt.ArrayLike, noise_e_per_s: npt.ArrayLike) -> SharedStretch:
        """From the median sky and noise of subs of one filter and rig."""
        sky, noise = np.asarray(sky_e_per_s, np.float64), np.asarray(noise_e_per_s, np.float64)
        known = np.isfinite(sky) & np.isfinite(noise) & (noise > 0)
        middle = float(np.median(sky[known])) if known.any() else 0.0
        sigma = float(np.median(noise[known])) if known.any() else 1.0
        return cls(black=middle - BLACK_SIGMA * sigma, white=middle + WHITE_SIGMA * sigma, softness=SOFT_SIGMA * sigma)

    def shown(self, plane: Plane) -> npt.NDArray[np.uint8]:
        """Grey values 0 to 255; 0 where nothing is known."""
        scaled = np.arcsinh((plane - np.float32(self.black)) / np.float32(self.softness))
        top = np.arcsinh((self.white - self.black) / self.softness)
        grey: npt.NDArray[np.uint8] = np.rint(255.0 * np.clip(np.nan_to_num(scaled / top), 0.0, 1.0)).astype(np.uint8)
        return grey


def on_grid(plane: Plane, transform: Transform, shape: tuple[int, int]) -> Plane:
    """The sub on its grid by linear interpolation, for the eye only; NaN where it does not reach."""
    out = np.empty(shape, np.float32)
    columns = np.arange(shape[1], dtype=np.float64)
    for y0 in range(0, shape[0], BAND_ROWS):
        y1 = min(shape[0], y0 + BAND_ROWS)
        x, y = np.meshgrid(columns, np.arange(y0, y1, dtype=np.float64))
        at = transform.invert(np.column_stack([x.ravel(), y.ravel()]))
        places = [at[:, 1].reshape(x.shape), at[:, 0].reshape(x.shape)]
        out[y0:y1] = ndimage.map_coordinates(plane, places, order=1, mode="constant", cval=np.nan)
    return out


def placed_tile(
    pyramid: Pyramid, transform: Transform, shape: tuple[int, int], level: int, column: int, row: int
) -> Tile:
    """A tile of the sub laid on its grid of `shape` (height, width), made from the sub's own pyramid.

    Only the part that the tile shows is resampled, so that stepping from sub to sub does not wait for whole frames.
    """
    size = size_of_level(level_sizes(shape), level)
    columns, rows = tile_places(size, column, row)
    # Pixel i of a level of scale s is centred on pixel s * i + (s - 1) / 2 of the full plane.
    x, y = np.meshgrid(*(size.scale * p + 0.5 * (size.scale - 1) for p in (columns, rows)))
    at = transform.invert(np.column_stack([x.ravel(), y.ravel()]))
    mine = min(level, len(pyramid.levels) - 1)
    plane, scale = pyramid.levels[mine], 2**mine
    u, v = ((at[:, i].reshape(x.shape) - 0.5 * (scale - 1)) / scale for i in (0, 1))
    x0, x1 = _span(u, plane.shape[1])
    y0, y1 = _span(v, plane.shape[0])
    if x0 >= x1 or y0 >= y1:
        shown = np.full(x.shape, np.nan, np.float32)
    else:
        part = plane[y0:y1, x0:x1].astype(np.float32)
        shown = ndimage.map_coordinates(part, [v - y0, u - x0], order=1, mode="constant", cval=np.nan)
    cut = np.ascontiguousarray(shown, np.dtype("<f2"))
    return Tile(width=cut.shape[1], height=cut.shape[0], data=cut.tobytes())


def _span(places: npt.NDArray[np.float64], length: int) -> tuple[int, int]:
    """First and past-the-last pixel of a plane's axis that linear interpolation at these places needs."""
    return max(0, int(np.floor(places.min())) - 1), min(length, int(np.ceil(places.max())) + 2)


def shrunk(plane: Plane, transform: Transform | None, shape: tuple[int, int], width_px: int) -> Plane:
    """A small copy, `width_px` wide: the sub's pixels averaged first, then laid on the grid where it has a place."""
    wide = shape[1] if transform is not None else plane.shape[1]
    factor = max(1, min(round(wide / width_px), min(plane.shape) // 2))
    h, w = plane.shape[0] // factor * factor, plane.shape[1] // factor * factor
    small: Plane = np.nanmean(
        np.where(np.isfinite(plane[:h, :w]), plane[:h, :w], np.float32(np.nanmedian(plane)))
        .reshape(h // factor, factor, w // factor, factor)
        .swapaxes(1, 2)
        .reshape(h // factor, w // factor, -1),
        axis=-1,
    ).astype(np.float32)
    if transform is None:
        return small
    # Small pixel i is centred on pixel factor * i + (factor - 1) / 2, on the grid as on the sub.
    half = 0.5 * (factor - 1)
    linear, shift = transform.matrix[:, :2], transform.matrix[:, 2]
    if transform.distortion is not None:
        centre = np.array([[0.5 * plane.shape[1], 0.5 * plane.shape[0]]])
        shift = transform.apply(centre)[0] - linear @ centre[0]
    small_shift = (linear @ np.array([half, half]) + shift - half) / factor
    flat = Transform(matrix=np.column_stack([linear, small_shift]))
    return on_grid(small, flat, (max(1, shape[0] // factor), max(1, shape[1] // factor)))


def jpeg_of(grey: npt.NDArray[np.uint8], quality: int = 85) -> bytes:
    """A JPEG with the plane's last row on top, as the sky is shown everywhere here."""
    buffer = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(grey[::-1]), "L").save(buffer, "JPEG", quality=quality)
    return buffer.getvalue()
