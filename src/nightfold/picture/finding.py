"""Where the stars of a picture are: on the filters' common signal-to-noise image, freed of its smooth part.

What stands out on the scale of two pixels, far above the noise, is stars alone; by Moffat profiles on the clearest of those their
width is known, whatever a nebula shows on greater scales. With it the smooth part is chosen, and what is found is sifted, so that
ridges and bumps of nebula do not pass for stars. Planes are gone through tile by tile.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from scipy.optimize import least_squares
from scipy.spatial import cKDTree

from nightfold.flags import StarFlag
from nightfold.measure.background import LARGE_FRAME_PX, bin_frame, evaluate, mesh_of, sky_mesh
from nightfold.measure.core import measure_sub, typical_fwhm_px
from nightfold.measure.records import Stars
from nightfold.measure.stars import Frame
from nightfold.picture.records import Plane
from nightfold.picture.tiles import TILE_PX, Run, Tile, tiles
from nightfold.picture.wavelets import decompose, reach_px, smooth
from nightfold.units import SIGMA_PER_MAD

Plane32 = npt.NDArray[np.float32]
FloatArray = npt.NDArray[np.float64]

LEAST_STARS = 5
"""With fewer stars no profile is measured, and nothing is taken apart."""
MOST_STARS = 60_000
EDGE_PX = 16
"""How far the frame is mirrored over its edges for the search."""
COMPACT = 0.65
"""See `_compactness`. On simulated fields stars have 0.85 and more, bumps of nebula mostly less."""
MOST_FLAT = 0.02
"""With a greater share of the frame cut off flat it is not only stars that are, and none is bridged for it."""
CLEAR_SIGMA = 8.0
"""Peaks of the finest detail that count as clear, in its noise."""
MOST_CLEAR = 60
BESIDE_FWHM = 4.0
"""How near a known star a companion is."""
COMPACT_ALONE = 0.85
"""See `_compactness`: a sharp peak far from any star must be as a star is."""
NORMAL_95 = 1.96
"""Of a normal distribution 5 % lies beyond this many sigma, both sides together."""
SKY_ROWS = 2048
"""Rows of sky evaluated at a time."""
MOFFAT_BETA = 3.0
"""Of the profiles that tell the width; a wrong one shifts it by some percent."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StarPlaces:
    """Stars found: positions in pixels, shape (n,), brightest first; their typical FWHM, NaN without stars."""

    x: FloatArray
    y: FloatArray
    snr: FloatArray
    fwhm_px: float

    def __len__(self) -> int:
        return int(self.x.size)


def find_star_places(
    planes: Mapping[str, Plane],
    *,
    threshold_sigma: float = 5.0,
    known: StarPlaces | None = None,
    tile_px: int = TILE_PX,
    run: Run = map,
) -> StarPlaces:
    """Stars that all filters together show; without NaN in the planes.

    With `known` stars these are taken to be off already: what is smooth on twice their size is then subtracted, which
    follows nebula more closely than a mesh can beside bright stars, and what they hid beside them is looked for.
    """
    fwhm_px = None if known is None else known.fwhm_px
    first = next(iter(planes.values()), None)
    if first is None or first.image.size < 1024:
        return _no_stars()
    flat_topped = np.zeros(first.image.shape, bool)
    for plane in planes.values():
        level = ceiling(plane.image)
        if math.isfinite(level):
            flat_topped |= plane.image >= level
    flat = _common_signal(planes, tile_px, run)
    if flat is None:
        return _no_stars()
    width = star_width(flat, flat_topped, tile_px=tile_px, run=run) if fwhm_px is None else fwhm_px
    if fwhm_px is None:
        # Nebula goes with all that is smooth on several times the stars' size.
        fwhm = width if math.isfinite(width) else _first_fwhm(flat)
        mesh = sky_mesh(flat, mesh_px=max(16, round(6.0 * fwhm)))
        for y0 in range(0, flat.shape[0], SKY_ROWS):
            rows = slice(y0, min(flat.shape[0], y0 + SKY_ROWS))
            flat[rows] -= evaluate(mesh, _shape(flat), rows=rows)
    else:
        fwhm = fwhm_px
        flat = _without_broad(flat, max(2, round(math.log2(fwhm)) + 1), tile_px, run)
    # Mirrored over its edges, the frame shows stars whole that the edge cuts through.
    reading = measure_sub(
        np.pad(flat, EDGE_PX, mode="symmetric"),
        read_noise_e=1.0,
        saturated=np.pad(flat_topped, EDGE_PX, mode="symmetric"),
        max_stars=MOST_STARS,
        mesh_px=max(48, round(13.0 * fwhm)),
    )
    stars = reading.stars
    stars = replace(stars, x=stars.x - EDGE_PX, y=stars.y - EDGE_PX)
    height, wide = _shape(flat)
    stars = stars.take((stars.x > -1) & (stars.y > -1) & (stars.x < wide) & (stars.y < height))
    if len(stars) == 0 and known is None:
        return _no_stars()
    typical = width if math.isfinite(width) else reading.fwhm_px if math.isfinite(reading.fwhm_px) else fwhm
    kept = stars.take(_star_like(stars, flat, typical, threshold_sigma, tile_px, run))
    if len(kept) < LEAST_STARS and known is None:
        return _no_stars()
    x, y, snr = kept.x, kept.y, kept.snr
    if known is not None:
        px, py, heights = sharp_peaks(flat, known, tile_px=tile_px, run=run)
        alone = _nearest(px, py, x, y) > typical
        x, y, snr = (np.concatenate(both) for both in ((x, px[alone]), (y, py[alone]), (snr, heights[alone])))
    # A clump of cut-off stars has no peak to be found by: its middle stands for it.
    for cx, cy in _flat_tops(flat_topped):
        if np.min(np.hypot(x - cx, y - cy)) > typical:
            x, y, snr = np.append(x, cx), np.append(y, cy), np.append(snr, float(snr.max()))
    return StarPlaces(x=x, y=y, snr=snr, fwhm_px=float(typical))


def sharp_peaks(
    flat: Plane32, known: StarPlaces, *, tile_px: int = TILE_PX, run: Run = map
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Stars that no measuring finds: x, y (pixels) and heights (sigma) of sharp peaks.

    Cut by a brighter neighbour's model they are too narrow and crooked to be measured as stars are; where a star is hardly
    wider than a pixel it passes for a defect of the sensor. Half a width and more from the brighter star's middle they are
    no error of its model, and a nebula shows nothing as sharp and high.
    """
    noise = SIGMA_PER_MAD * float(np.median(np.abs(flat[::4, ::4])))
    spread = np.quantile(np.abs(flat[::4, ::4]), 0.95) / NORMAL_95
    # Where a deep nebula is full of fine detail, that is the noise in which a star must stand out.
    least = CLEAR_SIGMA * max(noise, float(spread))
    empty = np.zeros(0)
    if not len(known) or not least > 0:
        return empty, empty, empty
    peaks: list[tuple[FloatArray, FloatArray, FloatArray]] = []
    for tile in tiles(_shape(flat), 2, tile_px):
        cut = flat[tile.outer]
        rows, columns = np.nonzero((cut > least) & (cut == ndimage.maximum_filter(cut, 3)))
        rows, columns = rows + tile.outer[0].start, columns + tile.outer[1].start
        mine = (rows >= tile.inner[0].start) & (rows < tile.inner[0].stop)
        mine &= (columns >= tile.inner[1].start) & (columns < tile.inner[1].stop)
        rows, columns = rows[mine], columns[mine]
        tops = flat[rows, columns].astype(np.float64)
        peaks.append((_top(flat, rows, columns, 1), _top(flat, rows, columns, 0), tops))
    x, y, height = (np.concatenate(parts) for parts in zip(*peaks))
    away = _nearest(x, y, known.x, known.y)
    own = away > 0.5 * known.fwhm_px
    x, y, height, away = x[own], y[own], height[own], away[own]
    compact = _compactness(flat, x, y, known.fwhm_px, tile_px, run)
    sharp = compact > np.where(away < BESIDE_FWHM * known.fwhm_px, COMPACT, COMPACT_ALONE)
    order = np.flatnonzero(sharp)[np.argsort(-height[sharp], kind="stable")]
    return x[order], y[order], height[order]


def _top(image: Plane32, y: npt.NDArray[np.int64], x: npt.NDArray[np.int64], axis: int) -> FloatArray:
    """Where along an axis a parabola through a peak and its two neighbours is highest, in pixels of the image."""
    at = y if axis == 0 else x
    size = image.shape[axis]
    before, after = np.maximum(at - 1, 0), np.minimum(at + 1, size - 1)
    low = image[before, x] if axis == 0 else image[y, before]
    high = image[after, x] if axis == 0 else image[y, after]
    bend = 2.0 * image[y, x].astype(np.float64) - low - high
    shift = np.where(bend > 0, 0.5 * (high.astype(np.float64) - low) / np.where(bend > 0, bend, 1.0), 0.0)
    return np.asarray(at + np.clip(shift, -0.5, 0.5))


def _nearest(x: FloatArray, y: FloatArray, to_x: FloatArray, to_y: FloatArray) -> FloatArray:
    """Distance of each (x, y) to the nearest of other places; infinite if there are none."""
    if not to_x.size or not x.size:
        return np.full(x.size, np.inf)
    return np.asarray(cKDTree(np.column_stack([to_x, to_y])).query(np.column_stack([x, y]))[0])


def _star_like(
    stars: Stars, flat: Plane32, fwhm_px: float, threshold_sigma: float, tile_px: int, run: Run
) -> npt.NDArray[np.bool_]:
    """Which of what was found is stars."""
    saturated = (stars.flags & int(StarFlag.SATURATED)) != 0
    elongated = (stars.flags & int(StarFlag.ELONGATED)) != 0
    # Ridges of nebula are long and wide. Close pairs may be so, too, but have little light on greater scales.
    slim = (stars.fwhm_px < 1.7 * fwhm_px) & ((stars.ellipticity < 0.5) | (stars.snr < 8.0)) & ~elongated
    compact = _compactness(flat, stars.x, stars.y, fwhm_px, tile_px, run) > COMPACT
    pairs = (stars.snr > 10.0) & ((stars.fwhm_px < 1.5 * fwhm_px) | compact)
    return np.asarray((slim | pairs | saturated) & (stars.snr >= threshold_sigma))


def _common_signal(planes: Mapping[str, Plane], tile_px: int, run: Run) -> Plane32 | None:
    """The filters' sum in units of their noise; None where nothing stands out.

    Filters count by how far stars stand out in them, which is the best sum for stars of one colour.
    """
    shape = _shape(next(iter(planes.values())).image)
    total = np.zeros(shape, np.float32)
    weights = 0.0
    for plane in planes.values():
        sky = np.float32(np.median(plane.image[::2, ::2]))
        floor = np.float32(0.05) * np.sqrt(np.maximum(np.median(plane.variance[::4, ::4]), 1e-30), dtype=np.float32)
        small = np.empty(((shape[0] + 1) // 2, (shape[1] + 1) // 2), np.float32)

        def detail(
            tile: Tile, plane: Plane = plane, sky: Any = sky, floor: Any = floor, small: Plane32 = small
        ) -> None:
            fine = smooth(_in_noise(plane, tile.outer, sky, floor), 0)
            band = (fine - smooth(smooth(fine, 1), 2))[tile.within]
            rows, columns = (slice(s.start // 2, (s.stop + 1) // 2) for s in tile.inner)
            small[rows, columns] = band[::2, ::2]

        for _ in run(detail, tiles(shape, reach_px(3), 2 * max(1, tile_px // 2))):
            pass
        weight = float(np.percentile(small, 99.7))

        def add(tile: Tile, plane: Plane = plane, sky: Any = sky, floor: Any = floor, weight: float = weight) -> None:
            total[tile.inner] += np.float32(weight) * _in_noise(plane, tile.inner, sky, floor)

        for _ in run(add, tiles(shape, 0, tile_px)):
            pass
        weights += weight**2
    if not weights > 0:
        return None
    total /= np.float32(math.sqrt(weights))
    return total


def _in_noise(plane: Plane, area: tuple[slice, slice], sky: Any, floor: Any) -> Plane32:
    """An area of a plane above its sky in units of its noise, which is at least `floor`."""
    noise = np.maximum(np.sqrt(np.maximum(plane.variance[area], np.float32(1e-30))), floor)
    return np.asarray((plane.image[area] - sky) / noise, np.float32)


def _without_broad(image: Plane32, levels: int, tile_px: int, run: Run) -> Plane32:
    """The image without what is smooth on 2^levels pixels."""
    out = np.empty_like(image)

    def one(tile: Tile) -> None:
        fine = broad = image[tile.outer]
        for level in range(levels):
            broad = smooth(broad, level)
        out[tile.inner] = (fine - broad)[tile.within]

    for _ in run(one, tiles(image.shape, reach_px(levels), tile_px)):
        pass
    return out


def star_width(
    image: Plane32, flat_topped: npt.NDArray[np.bool_] | None = None, *, tile_px: int = TILE_PX, run: Run = map
) -> float:
    """FWHM (pixels) of the stars of an image in units of its noise; NaN if fewer than `LEAST_STARS` are clear.

    The median of Moffat profiles on the clearest peaks of the finest two wavelet planes; cut-off stars are left out.
    """
    y, x, _height = clear_peaks(image, flat_topped, tile_px=tile_px, run=run)
    return fitted_width(image, x, y)


def clear_peaks(
    image: Plane32, flat_topped: npt.NDArray[np.bool_] | None, *, tile_px: int, run: Run
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], FloatArray]:
    """Rows, columns and heights of the clearest peaks of the finest detail, highest first, none near the edge."""
    margin = 12

    def one(tile: Tile) -> FloatArray:
        whole = image[tile.outer]
        fine = whole - smooth(smooth(whole, 0), 1)
        y, x = np.nonzero(fine > CLEAR_SIGMA)
        inside = (y > 0) & (x > 0) & (y < fine.shape[0] - 1) & (x < fine.shape[1] - 1)
        y, x = y[inside], x[inside]
        top = np.ones(y.size, bool)
        for dy in (-1, 0, 1):
            for dx in (-1, 0, 1):
                if dy or dx:
                    top &= fine[y, x] >= fine[y + dy, x + dx]
        y, x = y[top], x[top]
        gy, gx = y + tile.outer[0].start, x + tile.outer[1].start
        mine = (
            (gy >= tile.inner[0].start)
            & (gy < tile.inner[0].stop)
            & (gx >= tile.inner[1].start)
            & (gx < tile.inner[1].stop)
        )
        order = np.argsort(-fine[y[mine], x[mine]], kind="stable")[: 4 * MOST_CLEAR]
        return np.column_stack([gy[mine], gx[mine], fine[y[mine], x[mine]]])[order].astype(np.float64)

    found = np.concatenate([np.zeros((0, 3)), *run(one, tiles(image.shape, reach_px(2) + 1, tile_px))])
    found = found[np.argsort(-found[:, 2], kind="stable")]
    y, x = found[:, 0].astype(np.int64), found[:, 1].astype(np.int64)
    good = (y >= margin) & (x >= margin) & (y < image.shape[0] - margin) & (x < image.shape[1] - margin)
    if flat_topped is not None:
        for k in np.flatnonzero(good)[: 4 * MOST_CLEAR]:
            good[k] = not flat_topped[y[k] - 3 : y[k] + 4, x[k] - 3 : x[k] + 4].any()
    chosen = np.flatnonzero(good)[:MOST_CLEAR]
    return y[chosen], x[chosen], found[chosen, 2]


def fitted_width(image: Plane32, x: npt.NDArray[np.int64], y: npt.NDArray[np.int64]) -> float:
    """Median FWHM of round Moffat profiles on a level ground, fitted to the pixels around each (x, y); NaN below `LEAST_STARS`."""
    reach = 12
    grid = np.arange(-reach, reach + 1, dtype=np.float64)
    dy, dx = np.meshgrid(grid, grid, indexing="ij")
    widths = []
    unit = 2.0 * math.sqrt(2.0 ** (1.0 / MOFFAT_BETA) - 1.0)
    for cx, cy in zip(x, y):
        if not (reach <= cx < image.shape[1] - reach and reach <= cy < image.shape[0] - reach):
            continue
        cut = image[cy - reach : cy + reach + 1, cx - reach : cx + reach + 1].astype(np.float64)
        ground = float(np.median(cut))
        height = float(cut[reach, reach]) - ground
        if height <= 0:
            continue
        # Within a few of its widths a star is alone more often; they are seen from its light at half the height.
        half = math.sqrt(float(np.count_nonzero(_around(cut - ground > 0.5 * height, reach))) / math.pi)
        near = np.hypot(dx, dy) <= min(float(reach), max(3.5, 4.0 * half))
        px, py, data = dx[near], dy[near], cut[near] / height

        def misfit(p: FloatArray, px: FloatArray = px, py: FloatArray = py, data: FloatArray = data) -> FloatArray:
            r2 = (px - p[2]) ** 2 + (py - p[3]) ** 2
            return np.asarray(p[0] + p[1] * (1.0 + r2 * math.exp(-2.0 * p[4])) ** -MOFFAT_BETA - data)

        start = [ground / height, 1.0, 0.0, 0.0, math.log(max(2.0 * half, 1.2) / unit)]
        made = least_squares(misfit, start, method="lm", max_nfev=60)
        fwhm = unit * math.exp(min(max(float(made.x[4]), -5.0), 5.0))
        if made.x[1] > 0.3 and math.hypot(made.x[2], made.x[3]) < 1.5 and 0.8 < fwhm < 2.0 * reach:
            widths.append(fwhm)
    return float(np.median(widths)) if len(widths) >= LEAST_STARS else math.nan


def _around(lit: npt.NDArray[np.bool_], middle: int) -> npt.NDArray[np.bool_]:
    """The part of `lit` that hangs together with its middle pixel."""
    areas, _count = ndimage.label(lit)
    return np.asarray(areas == areas[middle, middle])


def _compactness(flat: Plane32, x: FloatArray, y: FloatArray, fwhm_px: float, tile_px: int, run: Run) -> FloatArray:
    """Share of the light at (x, y) that lies on the stars' scales, of that on up to four times greater ones; about 0.9 for stars."""
    levels = max(2, round(math.log2(fwhm_px)) + 1)
    ys, xs = pixel(y, flat.shape[0]), pixel(x, flat.shape[1])
    share = np.zeros(x.size)

    def one(tile: Tile) -> None:
        mine = np.flatnonzero(
            (ys >= tile.inner[0].start)
            & (ys < tile.inner[0].stop)
            & (xs >= tile.inner[1].start)
            & (xs < tile.inner[1].stop)
        )
        if not mine.size:
            return
        planes = decompose(flat[tile.outer], levels + 2)[:-1]
        at = (ys[mine] - tile.outer[0].start, xs[mine] - tile.outer[1].start)
        fine = np.sum([p[at] for p in planes[:levels]], axis=0, dtype=np.float64)
        both = fine + np.sum([p[at] for p in planes[levels:]], axis=0, dtype=np.float64)
        share[mine] = np.where(both > 0, fine / np.where(both > 0, both, 1.0), 0.0)

    for _ in run(one, tiles(flat.shape, reach_px(levels + 2), tile_px)):
        pass
    return share


def _flat_tops(flat_topped: npt.NDArray[np.bool_]) -> list[tuple[float, float]]:
    """Middles (x, y) of the spots that are cut off flat; none where that is so over more than a small part of the frame."""
    if not flat_topped.any() or flat_topped.mean() > MOST_FLAT:
        return []
    spots, count = ndimage.label(flat_topped, structure=np.ones((3, 3)))
    found = []
    for area in ndimage.find_objects(spots, count):
        ys, xs = np.nonzero(flat_topped[area])
        if ys.size >= 4:
            found.append((float(xs.mean() + area[1].start), float(ys.mean() + area[0].start)))
    return found


def _first_fwhm(image: Plane32) -> float:
    binned, _saturated = bin_frame(image, 2 if image.size > LARGE_FRAME_PX else 1)
    mesh = mesh_of(binned, mesh_px=64)
    return typical_fwhm_px(Frame(image=image), binned, mesh) if np.isfinite(mesh.level_e).any() else 3.0


def pixel(position: FloatArray, size: int) -> npt.NDArray[np.int64]:
    """The pixel that a position lies in, within an axis of `size`."""
    return np.clip(np.rint(position).astype(np.int64), 0, size - 1)


def ceiling(image: Plane32) -> float:
    """The level at which stars are cut off flat, infinite if none is: many pixels near the greatest value tell it."""
    top = float(np.max(image))
    sky = float(np.median(image[::4, ::4]))
    near = int(np.count_nonzero(image > sky + 0.93 * (top - sky)))
    far = int(np.count_nonzero(image > sky + 0.80 * (top - sky)))
    return sky + 0.85 * (top - sky) if near >= 6 and near > 0.5 * far else math.inf


def _shape(image: Plane32) -> tuple[int, int]:
    return int(image.shape[0]), int(image.shape[1])


def _no_stars() -> StarPlaces:
    none = np.zeros(0)
    return StarPlaces(x=none, y=none, snr=none, fwhm_px=float("nan"))
