"""What the fold needs to know of the light before it combines: the local sky, and how much stars change between subs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache

import numpy as np
import numpy.typing as npt

from nightfold.fold.placing import Placer
from nightfold.fold.records import FloatArray, FoldOptions, FoldSub, Plane
from nightfold.kernels.lanczos import LANES, NOISE_ROWS
from nightfold.robust import mad_sigma

SKY_CELL_PX = 32
SKY_SUBS = 3
STRIP_ROWS = 256
LEAST_SIGNAL_TERM = 0.02
"""Flats and interpolation leave about this much even in one night of steady seeing (common practice, no source)."""
UNKNOWN_SIGNAL_TERM = 0.25
"""Of stars' peaks over ordinary nights, where no FWHM is known."""
UNDERSAMPLED_PX, UNDERSAMPLED_TERM = 2.0, 0.12
"""Below this FWHM a star's peak depends on where it lies on the pixels: measured 0.10 to 0.15 at 1.2 to 1.8 px, 0.01 at 2."""
PATCH_ROWS, PATCH_COLUMNS = 32, 128
PATCHES = 3
"""Along each axis."""
LEAST_PIXELS = 2000
LEAST_SUBS = 5
TRUSTED_SHARE = 0.15
"""Noise that the samples show is believed only where it exceeds what was told by more than this …"""
FAR_BELOW = 0.35
"""… or falls this far below it. In between it may look low because subs are copies of each other, which must not turn
rejection against good samples."""
WING_REACH = 1.3
"""A profile that widens by a share s moves by s times the distance from the centre; stars are followed to 1.3 FWHM."""


def seeing_terms(subs: Sequence[FoldSub], options: FoldOptions) -> tuple[float, float]:
    """Relative scatter of a star's peak, and the shift in pixels that the gradient is allowed for.

    Peaks go with 1 / FWHM^2; on a star's flank a change of width acts as a shift.
    """
    fwhm = np.array([s.fwhm_px for s in subs], np.float64)
    fwhm = fwhm[np.isfinite(fwhm) & (fwhm > 0.0)]
    if options.signal_term is not None:
        signal = options.signal_term
        width = 0.5 * signal
    elif fwhm.size >= 2:
        peaks = 1.0 / fwhm**2
        signal = max(float(peaks.std(ddof=1) / np.median(peaks)), LEAST_SIGNAL_TERM)
        width = float(fwhm.std(ddof=1) / np.median(fwhm))
    else:
        signal, width = UNKNOWN_SIGNAL_TERM, 0.5 * UNKNOWN_SIGNAL_TERM
    typical = float(np.median(fwhm)) if fwhm.size else 3.0
    if options.signal_term is None and typical < UNDERSAMPLED_PX:
        signal = math.hypot(signal, UNDERSAMPLED_TERM)
    return signal, math.hypot(options.gradient_px, WING_REACH * width * typical)


def seeing_leeway(subs: Sequence[FoldSub], signal_term: float) -> npt.NDArray[np.float32]:
    """What the squared terms of `seeing_terms` are multiplied by for each sub; at least 1.

    Where one night's seeing differs from all others by more than the common scatter, its stars may differ by that much.
    """
    fwhm = np.array([s.fwhm_px for s in subs], np.float64)
    known = np.isfinite(fwhm) & (fwhm > 0.0)
    leeway = np.ones(len(subs), np.float32)
    if known.any() and signal_term > 0.0:
        typical = float(np.median(fwhm[known]))
        peak = np.abs((typical / fwhm[known]) ** 2 - 1.0)
        width = 2.0 * np.abs(fwhm[known] / typical - 1.0)
        leeway[known] = np.maximum(1.0, np.maximum(peak, width) / signal_term) ** 2
    return leeway


def local_sky(placers: Sequence[Placer], grid_shape: tuple[int, int]) -> Plane:
    """The sky of the master, nebula included, stars not: one value an entry of 8 rows by 16 columns, float32.

    From medians of cells of 32 px in the three subs of greatest weight, each on its own raw pixels, joined bilinearly.
    Good to a tenth of a sub's noise, which serves to tell stars from sky; it enters no pixel of the master.
    """
    height, width = grid_shape
    y = NOISE_ROWS * np.arange(-(-height // NOISE_ROWS) + 1) + 0.5 * (NOISE_ROWS - 1)
    x = LANES * np.arange(-(-width // LANES) + 1) + 0.5 * (LANES - 1)
    ys, xs = np.meshgrid(y[:: 32 // NOISE_ROWS], x[:: 32 // LANES], indexing="ij")
    best = sorted(range(len(placers)), key=lambda i: (-placers[i].sub.weight, i))[:SKY_SUBS]
    maps = np.stack([_sky_at(placers[i], np.stack([xs.ravel(), ys.ravel()], axis=1)) for i in best])
    known = np.isfinite(maps)
    level = np.full(maps.shape[1], np.nan)
    some = known.any(axis=0)
    level[some] = np.nanmedian(maps[:, some], axis=0)
    level[~some] = np.median(level[some]) if some.any() else 0.0
    around = np.lib.stride_tricks.sliding_window_view(np.pad(level.reshape(xs.shape), 1, mode="edge"), (3, 3))
    coarse = np.sort(around.reshape(*xs.shape, 9), axis=-1)[..., 2]  # a low one, since stars only add light
    rows = np.minimum(np.arange(y.size) / (32 // NOISE_ROWS), coarse.shape[0] - 1.0)
    columns = np.minimum(np.arange(x.size) / (32 // LANES), coarse.shape[1] - 1.0)
    return _between(coarse, rows[:, None], columns[None, :]).astype(np.float32)


def noise_factors(placers: Sequence[Placer], grid_shape: tuple[int, int]) -> FloatArray:
    """By what each sub's variance exceeds the one it was told to have; 1 where that cannot be seen or is near.

    From the darker half of the pixels of nine patches: the median deviation of samples from the median of all subs,
    against that of as many normal samples of one noise. A gain that is not known, or frames smoothed by whoever made
    them, must not reject half of the samples, or none.
    """
    factors = np.ones(len(placers))
    if len(placers) < LEAST_SUBS:
        return factors
    pulls: list[list[Plane]] = [[] for _ in placers]
    for y0, x0 in _patches(grid_shape):
        rows, columns = (
            min(PATCH_ROWS, grid_shape[0] - y0),
            min(PATCH_COLUMNS, -(-(grid_shape[1] - x0) // LANES) * LANES),
        )
        stack = np.empty((len(placers), rows, columns), np.float32)
        there = [p.place(y0, x0, plane) for p, plane in zip(placers, stack, strict=True)]
        count = np.isfinite(stack).sum(axis=0)
        if (count >= 3).sum() < LANES:
            continue
        level = np.full((rows, columns), np.nan, np.float32)
        level[count >= 3] = _medians(stack, count, len(placers))[count >= 3]
        dark = level <= np.nanmedian(level)
        shrink = np.full(len(placers) + 1, np.nan)
        for n in np.unique(count[count >= 3]):
            shrink[n] = normal_deviation(int(n))
        shrink = shrink[count]
        for i, placer in enumerate(placers):
            if there[i]:
                pulls[i].append(_pulls(placer, y0, x0, stack[i], level, shrink)[dark])
    for i, own in enumerate(pulls):
        values = np.concatenate(own) if own else np.empty(0, np.float32)
        values = values[np.isfinite(values)]
        if values.size >= LEAST_PIXELS:
            ratio = float(mad_sigma(values))
            if ratio > 1.0 + TRUSTED_SHARE or 0.0 < ratio < FAR_BELOW:
                factors[i] = ratio**2
    return factors


def _medians(stack: Plane, count: npt.NDArray[np.integer], subs: int) -> Plane:
    """Median of each pixel's samples; any value where there are none."""
    if (count == subs).all():
        return np.asarray(np.median(stack, axis=0), np.float32)
    some = count > 0
    result = np.full(count.shape, np.nan, np.float32)
    result[some] = np.nanmedian(stack[:, some], axis=0)
    return result


@cache
def normal_deviation(n: int) -> float:
    """Robust sigma of `n` normal samples about their own median; NaN below 3.

    One of an odd number is the median itself, so that the deviation is far below 1 for few. Drawn with a fixed seed, up to
    40; beyond, the law that the draws follow.
    """
    if n < 3:
        return float("nan")
    if n > 40:
        return 1.0 - 1.2 / n
    x = np.random.default_rng([1, n]).standard_normal((4000 * max(1, 24 // n), n))
    x.sort(axis=1)
    return float(mad_sigma(x - 0.5 * (x[:, (n - 1) // 2] + x[:, n // 2])[:, None]))


def _patches(grid_shape: tuple[int, int]) -> list[tuple[int, int]]:
    """First pixels of patches spread over the grid, columns at multiples of 16."""
    ys = np.linspace(0, max(grid_shape[0] - PATCH_ROWS, 0), PATCHES + 2)[1:-1].astype(int)
    xs = np.linspace(0, max(grid_shape[1] - PATCH_COLUMNS, 0), PATCHES + 2)[1:-1].astype(int) // LANES * LANES
    return sorted({(int(y), int(x)) for y in ys for x in xs})


def _pulls(
    placer: Placer, y0: int, x0: int, values: Plane, level: Plane, shrink: npt.NDArray[np.floating]
) -> npt.NDArray[np.float32]:
    """Differences from the level over the noise that they should have."""
    rows, columns = values.shape
    entries = placer.noise(y0, x0, rows, columns)
    first = y0 % NOISE_ROWS

    def spread_out(plane: Plane) -> Plane:
        return np.repeat(np.repeat(plane, NOISE_ROWS, axis=0)[first : first + rows], LANES, axis=1)

    light = np.maximum(level + spread_out(entries.surface), np.float32(placer.floor))
    variance = spread_out(entries.constant) + light * (spread_out(entries.slope) + np.float32(placer.quadratic) * light)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray((values - level) / (np.sqrt(variance) * shrink), np.float32)


def _sky_at(placer: Placer, grid_xy: FloatArray) -> FloatArray:
    """One sub's cell medians at grid positions, in the master's unit; NaN outside the sub."""
    sub = placer.sub
    height, width = sub.shape
    rows = []
    for y0 in range(0, height, STRIP_ROWS):
        y1 = min(y0 + STRIP_ROWS, height)
        rows.append(_strip_medians(placer, y0, y1))
    cells = np.concatenate(rows)
    source = sub.transform.invert(grid_xy)
    centre = 0.5 * (SKY_CELL_PX - 1)
    outside = (
        (source < -SKY_CELL_PX).any(axis=1)
        | (source[:, 0] > width + SKY_CELL_PX)
        | (source[:, 1] > height + SKY_CELL_PX)
    )
    finite = np.isfinite(cells)
    filled = np.where(finite, cells, np.median(cells[finite]) if finite.any() else np.nan)
    level = _between(filled, (source[:, 1] - centre) / SKY_CELL_PX, (source[:, 0] - centre) / SKY_CELL_PX)
    level -= sub.sky.evaluate(grid_xy[:, 0], grid_xy[:, 1])
    level[outside] = np.nan
    return np.asarray(level, np.float64)


def _between(plane: FloatArray, row: FloatArray, column: FloatArray) -> FloatArray:
    """The plane's values joined bilinearly at fractional rows and columns; beyond the edge that of the edge."""
    height, width = plane.shape
    row, column = np.clip(row, 0.0, height - 1.0), np.clip(column, 0.0, width - 1.0)
    j, i = row.astype(np.int64), column.astype(np.int64)
    below, right = np.minimum(j + 1, height - 1), np.minimum(i + 1, width - 1)
    v, u = row - j, column - i
    upper = plane[j, i] * (1.0 - u) + plane[j, right] * u
    return np.asarray(upper * (1.0 - v) + (plane[below, i] * (1.0 - u) + plane[below, right] * u) * v)


def _strip_medians(placer: Placer, y0: int, y1: int) -> FloatArray:
    """Medians of every fourth pixel of the cells of a strip, of cells that are cut off too."""
    sub = placer.sub
    c = sub.calibration
    raw = sub.read_box(y0, y1, 0, sub.shape[1])[::4, ::4]
    zero = c.pedestal_adu if c.dark_adu is None else c.dark_adu[y0:y1][::4, ::4]
    value = (raw - np.asarray(zero, np.float32)) * np.float32(c.e_per_adu * placer.unit)
    if c.flat is not None:
        with np.errstate(divide="ignore", invalid="ignore"):
            value = value / c.flat[y0:y1][::4, ::4]
    side = SKY_CELL_PX // 4
    tall, wide = -(-value.shape[0] // side), -(-value.shape[1] // side)
    padded = np.full((tall * side, wide * side), np.nan, np.float32)
    padded[: value.shape[0], : value.shape[1]] = value
    cells = padded.reshape(tall, side, wide, side).swapaxes(1, 2).reshape(tall, wide, side * side)
    cells = np.where(np.isfinite(cells), cells, np.float32(np.inf))
    cells.sort(axis=2)
    count = np.isfinite(cells).sum(axis=2)
    middle = np.take_along_axis(cells, np.maximum((count - 1) // 2, 0)[..., None], axis=2)[..., 0]
    return np.where(count > 0, middle, np.nan).astype(np.float64)
