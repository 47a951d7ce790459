"""Finding stars: a Gaussian matched filter of about the stars' own width, and the peaks of what it gives."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from nightfold.kernels.detect import PEAK_COLUMNS, filter_peaks
from nightfold.measure.background import Binned, row_blend, spread_along_x
from nightfold.measure.records import SkyMesh
from nightfold.units import FWHM_PER_SIGMA

FloatArray = npt.NDArray[np.float64]
Plane = npt.NDArray[np.float32]
MOST_PEAKS = 400_000
SCALE_SAMPLES = 60_000


@dataclass(frozen=True, slots=True)
class Peaks:
    """Peaks of the filtered frame, highest first: positions in pixels of the full frame, height in sigma, all (n,)."""

    x: FloatArray
    y: FloatArray
    significance: FloatArray
    noise_scale: float
    """Scatter of the filtered sky over what white noise of the mesh's sigma gives; above 1 if the noise is correlated."""

    def __len__(self) -> int:
        return int(self.x.size)


def taps_of(fwhm_px: float, factor: int) -> Plane:
    """The one-dimensional filter, a Gaussian of the stars' width on the binned grid, scaled to keep unit noise."""
    sigma = math.sqrt((fwhm_px / FWHM_PER_SIGMA) ** 2 + factor**2 / 12.0) / factor
    reach = max(1, math.ceil(2.6 * sigma))
    taps = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    return np.asarray(taps / math.sqrt(float(np.sum(taps**2))), dtype=np.float32)


def find_stars(
    binned: Binned, mesh: SkyMesh, *, fwhm_px: float, threshold_sigma: float = 5.0, rows: slice | None = None
) -> Peaks:
    """Peaks of at least `threshold_sigma` of the filtered noise.

    Parameters
    ----------
    binned : Binned
        The frame, float32 electrons, on whatever grid it shall be searched; NaN counts as sky.
    mesh : SkyMesh
        Its sky, in pixels of the full frame.
    fwhm_px : float
        Width of the stars, pixels of the full frame.
    rows : slice, optional
        Binned rows to search, without step; all if left out.

    Notes
    -----
    For white noise this is the best linear detector (e.g. Zackay & Ofek 2017); a width wrong by a quarter costs 3 %.
    """
    empty = Peaks(np.zeros(0), np.zeros(0), np.zeros(0), 1.0)
    if not np.isfinite(mesh.level_e).any():
        return empty
    start = 0 if rows is None else int(rows.start)
    pixels = binned.pixels if rows is None else binned.pixels[rows]
    x = binned.to_full(np.arange(pixels.shape[1]))
    y = binned.to_full(start + np.arange(pixels.shape[0]))
    sigma = mesh.sigma_e / binned.factor
    typical = float(np.nanmedian(sigma))
    sigma = np.clip(sigma, max(0.05 * typical, 1e-9), None)
    level = _spread(mesh.level_e.tobytes(), mesh.level_e.shape, mesh.x_px.tobytes(), x.tobytes(), -math.inf)
    inverse = _spread((1.0 / sigma).tobytes(), sigma.shape, mesh.x_px.tobytes(), x.tobytes(), 0.0)
    first, weights = row_blend(mesh.y_px, y)
    step = max(1, int(math.sqrt(pixels.size / SCALE_SAMPLES)))
    sample = np.empty((-(-pixels.shape[0] // step), -(-pixels.shape[1] // step)), np.float32)
    capacity = 30_000
    while True:
        xs, ys = np.empty(capacity, np.int64), np.empty(capacity, np.int64)
        values = np.empty((capacity, PEAK_COLUMNS), np.float32)
        n = int(
            filter_peaks(
                pixels, level, inverse, first, weights, taps_of(fwhm_px, binned.factor), np.float32(threshold_sigma),
                step, sample, xs, ys, values,
            )
        )  # fmt: skip
        if n <= capacity or capacity >= MOST_PEAKS:
            break
        capacity = min(n, MOST_PEAKS)
    n = min(n, capacity)
    xs, ys, values = xs[:n], ys[:n], values[:n]
    scale = _noise_scale(sample)
    # The scale is at least 1, so the peaks found hold all that are high enough.
    high = np.flatnonzero(values[:, 2] >= threshold_sigma * scale)
    order = high[highest_first(values[high, 2])]
    heights = values[order].astype(np.float64)
    return Peaks(
        binned.to_full(xs[order] + _parabola(heights[:, 0], heights[:, 2], heights[:, 3])),
        binned.to_full(ys[order] + start + _parabola(heights[:, 1], heights[:, 2], heights[:, 4])),
        heights[:, 2] / scale,
        scale,
    )


def highest_first(positive: Plane) -> npt.NDArray[np.int64]:
    """Indices that sort positive float32 values downwards, equal ones in their order.

    The bits of positive floats sort as they do. With the place below them each key is unique, and sorting those takes a quarter of the
    time of a stable sort.
    """
    bits = np.ascontiguousarray(positive, np.float32).view(np.uint32).astype(np.uint64)
    keys = ((np.uint64(0xFFFFFFFF) - bits) << np.uint64(32)) | np.arange(positive.size, dtype=np.uint64)
    keys.sort()
    return (keys & np.uint64(0xFFFFFFFF)).astype(np.int64)


@lru_cache(maxsize=8)
def _spread(values: bytes, shape: tuple[int, ...], centres: bytes, positions: bytes, least: float) -> Plane:
    """`spread_along_x`, at least `least`; kept, since a sub's sky is asked for twice. Not to be written to."""
    table = spread_along_x(np.frombuffer(values).reshape(shape), np.frombuffer(centres), np.frombuffer(positions))
    return np.maximum(table, np.float32(least), out=table)


def _noise_scale(filtered: Plane) -> float:
    """Scatter of the filtered sky from its lower side, within 1 to 2."""
    sample = filtered[filtered != 0.0]
    if sample.size < 100:
        return 1.0
    k16, k50 = int(0.158655 * sample.size), sample.size // 2
    parted = np.partition(sample, [k16, k50])
    return float(np.clip(parted[k50] - parted[k16], 1.0, 2.0))


def _parabola(before: FloatArray, here: FloatArray, after: FloatArray) -> FloatArray:
    """Offsets of the peaks from their pixels, from parabolas through three neighbours; 0 at the frame's border."""
    bend = 2.0 * here - before - after
    inner = bend > 0
    return np.where(inner, np.clip(0.5 * (after - before) / np.where(inner, bend, 1.0), -0.5, 0.5), 0.0)
