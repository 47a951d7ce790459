"""A large plane made fit for looking at: halved again and again, cut into tiles of half floats.

A viewer then fetches only what its window shows, at the size at which it shows it. Half floats hold
(value - pedestal) / unit with the pedestal at the sky and the unit at its noise, because their steps are finest near zero:
2e-7 of full scale in the sky where plain half floats or 16-bit integers have 4e-6.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nightfold.errors import FrameError

Plane = npt.NDArray[np.float32]
Halves = npt.NDArray[np.float16]

TILE_PX = 512
APRON_PX = 1
SMALLEST_PX = 384
"""No further halving once the long side is this short."""
HALF_TOP = 65504.0
"""The largest half float; what is brighter is shown as bright as this."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelSize:
    """One level: its size, and how many pixels of the full plane one of its pixels is wide."""

    width: int
    height: int
    scale: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Tile:
    """A tile with its apron: rows upwards as in the plane, half floats in the machine's order of little end first."""

    width: int
    height: int
    data: bytes


def level_sizes(shape: tuple[int, int]) -> tuple[LevelSize, ...]:
    """The levels of a plane of this shape (height, width), largest first."""
    height, width = shape
    sizes = [LevelSize(width=width, height=height, scale=1)]
    while max(width, height) > SMALLEST_PX and min(width, height) >= 2:
        width, height = width // 2, height // 2
        sizes.append(LevelSize(width=width, height=height, scale=2 * sizes[-1].scale))
    return tuple(sizes)


def tile_places(size: LevelSize, column: int, row: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Columns and rows of a level that a tile with its apron holds; beyond the plane its edge is repeated."""
    x0, y0 = column * TILE_PX, row * TILE_PX
    if not (0 <= x0 < size.width and 0 <= y0 < size.height):
        raise FrameError("there is no such tile", seen=f"{column}, {row}", next_step="see the levels' sizes")
    x1, y1 = min(x0 + TILE_PX, size.width), min(y0 + TILE_PX, size.height)
    columns = np.clip(np.arange(x0 - APRON_PX, x1 + APRON_PX), 0, size.width - 1)
    rows = np.clip(np.arange(y0 - APRON_PX, y1 + APRON_PX), 0, size.height - 1)
    return columns, rows


def size_of_level(sizes: tuple[LevelSize, ...], level: int) -> LevelSize:
    """The size of a level by its number."""
    if not 0 <= level < len(sizes):
        raise FrameError("there is no such level", seen=f"{level}", allowed=f"0 to {len(sizes) - 1}")
    return sizes[level]


@dataclass(frozen=True, slots=True)
class Pyramid:
    """Levels of a plane, the first at full size, as half floats of (value - pedestal) / unit."""

    levels: tuple[Halves, ...]
    pedestal: float
    unit: float

    @classmethod
    def of(cls, plane: Plane, *, pedestal: float, unit: float) -> Pyramid:
        """The pyramid of a plane, shape (height, width), NaN where nothing is known."""
        if not (math.isfinite(pedestal) and math.isfinite(unit) and unit > 0):
            pedestal, unit = 0.0, 1.0
        scaled = (np.asarray(plane, np.float32) - np.float32(pedestal)) / np.float32(unit)
        levels = [_halves(scaled)]
        for _ in level_sizes((scaled.shape[0], scaled.shape[1]))[1:]:
            scaled = halved(scaled)
            levels.append(_halves(scaled))
        return cls(tuple(levels), pedestal, unit)

    @property
    def sizes(self) -> tuple[LevelSize, ...]:
        """What each level measures."""
        return tuple(LevelSize(width=a.shape[1], height=a.shape[0], scale=2**i) for i, a in enumerate(self.levels))

    def tile(self, level: int, column: int, row: int) -> Tile:
        """One tile with an apron of a pixel all around; beyond the plane the edge is repeated."""
        columns, rows = tile_places(size_of_level(self.sizes, level), column, row)
        plane = self.levels[level]
        cut = np.ascontiguousarray(plane[rows[:, None], columns[None, :]], np.dtype("<f2"))
        return Tile(width=cut.shape[1], height=cut.shape[0], data=cut.tobytes())


def halved(plane: Plane) -> Plane:
    """Means of 2 x 2 pixels; NaN only where all four are. An odd last row or column is left out."""
    h, w = plane.shape[0] // 2 * 2, plane.shape[1] // 2 * 2
    parts = [plane[y:h:2, x:w:2] for y in (0, 1) for x in (0, 1)]
    mean = (parts[0] + parts[1] + parts[2] + parts[3]) * np.float32(0.25)
    gaps = np.isnan(mean)
    if gaps.any():
        several = np.stack([p[gaps] for p in parts])
        known = np.isfinite(several)
        count = known.sum(axis=0)
        total = np.where(known, several, np.float32(0.0)).sum(axis=0)
        mean[gaps] = np.where(count > 0, total / np.maximum(count, 1), np.float32(np.nan))
    return np.asarray(mean, np.float32)


def _halves(scaled: Plane) -> Halves:
    return np.clip(scaled, -HALF_TOP, HALF_TOP).astype(np.float16)


def robust_range(plane: Plane) -> tuple[float, float]:
    """Median and robust standard deviation of a plane's finite pixels, from at most about a million; NaN if none."""
    step = max(1, int(math.sqrt(plane.size / 1_000_000)))
    values = plane[::step, ::step]
    values = values[np.isfinite(values)]
    if values.size == 0:
        return float("nan"), float("nan")
    middle = float(np.median(values))
    return middle, float(1.4826 * np.median(np.abs(values - middle)))
