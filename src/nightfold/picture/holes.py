"""Holes in a picture bridged smoothly from what surrounds them, tile by tile.

Means of what is known are carried down a pyramid of halved images and back up, and then relaxed towards the smooth surface that
the rim of each hole spans. The first levels of the pyramid, which hold nearly all its pixels, are made tile by tile, and again on
the way back; from there on it is small and made whole, so that a hole may be as wide as the picture.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from nightfold.kernels.star_layer import blend_doubled, halve_weighted, relax
from nightfold.picture.tiles import Run, Tile, tiles

Plane32 = npt.NDArray[np.float32]
Mask = npt.NDArray[np.uint8]
Level = tuple[Plane32, Plane32]

TILE_SIDE_PX = 1024
FINE_LEVELS = 3
ROUNDS = 2
"""Of relaxing, on each level."""
APRON_PX = 64
"""A pixel of the level above, and what two rounds of relaxing reach, summed over the fine levels, are less than this."""


def fill_holes(image: Plane32, mask: Mask, *, tile_px: int = TILE_SIDE_PX, run: Run = map) -> Plane32:
    """The image with masked pixels bridged smoothly from those around them; others are untouched.

    Parameters
    ----------
    image : float32 (height, width)
        Any finite value may stand in a hole; it counts for nothing.
    mask : uint8 (height, width)
        Not 0 in holes. If all is masked, the median of the image is all there is to show.
    tile_px, run : int, callable
        Side of the tiles (rounded to a multiple of 8), and how to work through them; the result depends on neither.
    """
    out = np.array(image, np.float32)
    if not mask.any():
        return out
    if mask.all():
        return np.full_like(out, np.float32(np.median(image)))
    step = 1 << FINE_LEVELS
    pieces = list(tiles(out.shape, APRON_PX, max(step, tile_px // step * step)))
    shape = tuple(-(-n // step) for n in out.shape)
    if min(shape) < 2 or len(pieces) == 1:
        levels = _filled(_down(out, mask, 99))
        np.copyto(out, levels[0][0], where=mask != 0)
        return out
    coarse, weight = np.empty(shape, np.float32), np.empty(shape, np.float32)

    def halve(tile: Tile) -> None:
        whole, known = _down(image[tile.inner], mask[tile.inner], FINE_LEVELS, to_the_end=True)[-1]
        area = tuple(slice(s.start // step, -(-s.stop // step)) for s in tile.inner)
        coarse[area], weight[area] = whole, known

    for _ in run(halve, pieces):
        pass
    levels = [(coarse, weight)]
    _extend(levels, 99)
    top = _filled(levels)[0][0]

    def fill(tile: Tile) -> None:
        here = mask[tile.inner]
        if not here.any():
            return
        fine = _down(image[tile.outer], mask[tile.outer], FINE_LEVELS, to_the_end=True)
        area = tuple(slice(s.start // step, -(-s.stop // step)) for s in tile.outer)
        fine[-1] = (np.ascontiguousarray(top[area]), fine[-1][1])
        whole = _filled(fine)[0][0]
        np.copyto(out[tile.inner], whole[tile.within], where=here != 0)

    for _ in run(fill, pieces):
        pass
    return out


def _down(image: Plane32, mask: Mask, most: int, *, to_the_end: bool = False) -> list[Level]:
    """The pyramid of means of what is known and their weights, finest first, until nothing is unknown (or to the end)."""
    levels = [(np.array(image, np.float32), (mask == 0).astype(np.float32))]
    _extend(levels, most, to_the_end=to_the_end)
    return levels


def _extend(levels: list[Level], most: int, *, to_the_end: bool = False) -> None:
    for _ in range(most):
        fine, weight = levels[-1]
        if not to_the_end and (min(fine.shape) <= 2 or not (weight < 1.0).any()):
            return
        shape = ((fine.shape[0] + 1) // 2, (fine.shape[1] + 1) // 2)
        half, half_weight = np.empty(shape, np.float32), np.empty(shape, np.float32)
        halve_weighted(fine, weight, half, half_weight)
        levels.append((half, half_weight))


def _filled(levels: list[Level]) -> list[Level]:
    """The levels with their holes filled from the next coarser one, in place."""
    for (fine, weight), (coarse, _) in zip(reversed(levels[:-1]), reversed(levels[1:])):
        blend_doubled(coarse, fine, weight)
        relax(fine, (weight < 0.5).astype(np.uint8), ROUNDS)
    return levels
