"""Known bad pixels and the noise of a camera, from its calibration frames.

A pixel is judged against its surroundings (medians of 16-pixel cells, joined bilinearly), so that amplifier glow, a
gradient of the bias or vignetting is not taken for a defect.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from nightfold.calibrate.core import Combined, Plane, clipped_sigma
from nightfold.errors import CalibrationError
from nightfold.robust import mad_sigma

Mask = npt.NDArray[np.bool_]

CELL_PX = 16
SEGMENT_PX = 64
NEIGHBOUR_COLUMNS = 17
SHARED_MEAN = 0.1
"""Share of pixels with one and the same mean beyond which steps are coarse: frames of a noise of two steps have fewer."""
MOST_SAMPLES = 2_000_000
"""Pixels that a sensor's own scatter is measured on, at most about."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraNoise:
    """Gain and read noise from a pair of flats and a pair of biases, with 1 sigma errors."""

    e_per_adu: float
    e_per_adu_error: float
    read_noise_e: float
    read_noise_error_e: float


def surroundings(plane: Plane, cell_px: int = CELL_PX) -> Plane:
    """The local level of a plane, float32 of its shape: medians of cells, joined bilinearly."""
    height, width = plane.shape
    ys, y_centres = _cells(height, cell_px)
    xs, x_centres = _cells(width, cell_px)
    whole = float(np.nanmedian(plane[:: max(1, height // 256)])) if np.isfinite(plane).any() else 0.0
    # A lattice of pixels stands for each cell: 576 of them know its median to a twentieth of the pixels' scatter.
    rows_of = (ys[:-1, None] + ((np.arange(24) + 0.5) * np.diff(ys)[:, None] / 24).astype(np.int64)).ravel()
    columns_of = (xs[:-1, None] + ((np.arange(24) + 0.5) * np.diff(xs)[:, None] / 24).astype(np.int64)).ravel()
    lattice = plane[rows_of][:, columns_of]
    lattice = np.where(np.isfinite(lattice), lattice, np.float32(whole))
    blocks = (
        lattice.reshape(len(y_centres), 24, len(x_centres), 24)
        .swapaxes(1, 2)
        .reshape(len(y_centres), len(x_centres), -1)
    )
    medians = np.median(blocks, axis=-1).astype(np.float64)
    left, along_x = _between(width, x_centres)
    rows = medians[:, left] * (1.0 - along_x) + medians[:, np.minimum(left + 1, len(x_centres) - 1)] * along_x
    columns = rows.astype(np.float32)
    below, along_y = _between(height, y_centres)
    share = along_y.astype(np.float32)[:, None]
    result: Plane = (
        columns[below] * (np.float32(1.0) - share) + columns[np.minimum(below + 1, len(columns) - 1)] * share
    )
    return result


def hot_pixels(dark: Combined, *, threshold_sigma: float = 8.0, unstable_ratio: float = 36.0) -> Mask:
    """True for hot pixels, hot columns and pixels of unstable dark signal.

    Parameters
    ----------
    dark : Combined
        Master dark, ADU.
    threshold_sigma : float
        Height above the surroundings, in robust sigma of all pixels about theirs. At 8 no good pixel of a normal
        sensor is flagged by chance; what lies below is taken off well enough by the dark itself. Common practice,
        no source.
    unstable_ratio : float
        A variance this many times the typical one (6 times its noise) marks a pixel that flickers between levels,
        which no dark can correct.

    Notes
    -----
    A column (in segments of 64 rows, so that half columns are found) is flagged where its median lies more than one
    pixel sigma and 6 standard errors from the columns beside it or where a third of its pixels are hot. The mask may be
    turned for bad rows by transposing the input.
    """
    residual = dark.mean - surroundings(dark.mean)
    sigma = float(mad_sigma(residual[:: max(1, residual.size // MOST_SAMPLES)]))
    if not sigma > 0.0:
        sigma = max(dark.noise / np.sqrt(max(dark.frames, 1)), np.finfo(np.float32).tiny)
    typical, step = _usual_variance(dark), _coarse_step(dark)
    # Where a converter counts in steps as coarse as the noise, good neighbours part by a whole one.
    bad: Mask = ~np.isfinite(residual) | (residual > max(threshold_sigma * sigma, 1.5 * step))
    if dark.frames >= 5 and typical > 0.0:
        bad |= dark.variance_of_mean > unstable_ratio * typical
    return bad | _bad_columns(residual, bad, max(sigma, step))


def _usual_variance(dark: Combined) -> float:
    """The variance of a good pixel's mean: the median, or the mean where many pixels read the same every time."""
    variance = dark.variance_of_mean[:: max(1, dark.variance_of_mean.size // MOST_SAMPLES)].ravel()
    known = np.sort(variance[np.isfinite(variance)].astype(np.float64))
    if known.size == 0:
        return dark.typical_variance
    most = known[: max(1, int(0.98 * known.size))]
    return max(dark.typical_variance, 0.7 * float(most.mean()))  # 0.7: no more than the median of five frames and more


def _coarse_step(dark: Combined) -> float:
    """The converter's step where it is as coarse as the noise, so that many pixels share one mean; else 0."""
    mean = dark.mean[:: max(1, dark.mean.size // MOST_SAMPLES)].ravel()
    mean = mean[np.isfinite(mean)]
    if mean.size == 0:
        return 0.0
    _, counts = np.unique(mean, return_counts=True)
    return float(np.sqrt(12.0)) * dark.noise if counts.max() > SHARED_MEAN * mean.size else 0.0


def dead_pixels(flat: Combined, *, least_share: float = 0.6, most_share: float = 1.5) -> Mask:
    """True for pixels and columns that answer to light with less or more than these shares of their surroundings.

    Dust shadows are wider than a cell is fine and stay: the flat corrects them. Every second pixel of every second row is
    judged among its like, because behind a colour filter array neighbours answer to different light.
    """
    bad = np.empty(flat.mean.shape, bool)
    for y, x in ((0, 0), (0, 1), (1, 0), (1, 1)):
        alike = flat.mean[y::2, x::2]
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = alike / surroundings(alike)
        bad[y::2, x::2] = ~((ratio > least_share) & (ratio < most_share))
    return bad


def measure_read_noise_adu(first: npt.NDArray[np.generic], second: npt.NDArray[np.generic]) -> float:
    """Noise of one frame in ADU, robust sigma of the difference of two biases (or two darks) over sqrt 2.

    From the clipped standard deviation about the clipped mean, because the MAD of whole-ADU differences moves in steps
    of half an ADU. Biases hold read noise only; darks also their dark current's photon noise.
    """
    difference = np.asarray(second, np.float64) - np.asarray(first, np.float64)
    return clipped_sigma(difference) / float(np.sqrt(2.0))


def measure_camera_noise(
    flats: tuple[npt.NDArray[np.generic], npt.NDArray[np.generic]],
    biases: tuple[npt.NDArray[np.generic], npt.NDArray[np.generic]],
) -> CameraNoise:
    """Gain and read noise from two evenly lit flats and two biases, ADU (Janesick's pair method, CHECKS D3).

    gain = (F1 + F2 - B1 - B2) / (var(F1 - F2) - var(B1 - B2)), read noise = gain * sd(B1 - B2) / sqrt 2. Variances are
    clipped at 5 sigma, so that cosmic rays do not enter. The relative error of the gain is sqrt(2 / pixels). Give a
    patch where the illumination varies by less than some percent, or the mean level and variance are of no one level.
    """
    f1, f2 = (np.asarray(f, np.float64) for f in flats)
    b1, b2 = (np.asarray(b, np.float64) for b in biases)
    signal = float(np.nanmean(f1) + np.nanmean(f2) - np.nanmean(b1) - np.nanmean(b2))
    flat_variance = clipped_sigma(f1 - f2) ** 2
    bias_sigma = clipped_sigma(b1 - b2)
    return gain_and_read_noise(signal, flat_variance, bias_sigma, pixels=int(np.isfinite(f1).sum()))


def gain_and_read_noise(signal_adu: float, flat_variance: float, bias_sigma: float, *, pixels: int) -> CameraNoise:
    """The pair method from its numbers: summed signal, variance of the flats' and sigma of the biases' difference."""
    net = flat_variance - bias_sigma**2
    if not (net > 0.0 and signal_adu > 0.0):
        raise CalibrationError(
            "flats and biases give no gain",
            seen=f"signal {signal_adu:.1f} ADU, variance {net:.3g} ADU^2 above the biases'",
            allowed="both above 0",
            next_step="use flats near half of the range",
        )
    gain = signal_adu / net
    noise = gain * bias_sigma / float(np.sqrt(2.0))
    relative = float(np.sqrt(2.0 / max(pixels, 1)))
    return CameraNoise(
        e_per_adu=gain,
        e_per_adu_error=gain * relative,
        read_noise_e=noise,
        read_noise_error_e=noise * float(np.hypot(relative, np.sqrt(0.5 / max(pixels, 1)))),
    )


def _cells(length: int, cell_px: int) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]:
    """Edges and centres of cells that share the length evenly."""
    count = max(1, round(length / cell_px))
    edges = np.round(np.linspace(0, length, count + 1)).astype(np.int64)
    centres: npt.NDArray[np.float64] = 0.5 * (edges[:-1] + edges[1:] - 1).astype(np.float64)
    return edges, centres


def _between(length: int, centres: npt.NDArray[np.float64]) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]:
    """For each pixel the cell before it and its share of the next; past the outer centres the line goes on."""
    position = np.arange(length, dtype=np.float64)
    if len(centres) == 1:
        return np.zeros(length, np.int64), np.zeros(length)
    before = np.clip(np.searchsorted(centres, position, side="right") - 1, 0, len(centres) - 2)
    return before, (position - centres[before]) / (centres[before + 1] - centres[before])


def _bad_columns(residual: Plane, bad: Mask, sigma: float) -> Mask:
    """Segments of columns that are off as a whole."""
    flagged = np.zeros(residual.shape, dtype=bool)
    edges, _ = _cells(residual.shape[0], SEGMENT_PX)
    for y0, y1 in pairwise(edges):
        segment = residual[y0:y1]
        with np.errstate(invalid="ignore"):
            level = np.nan_to_num(np.median(segment, axis=0))
        from scipy.ndimage import median_filter  # loads slowly, and only masters that are made need it

        level -= median_filter(level, size=min(NEIGHBOUR_COLUMNS, level.size))  # what glow leaves is wider than this
        # A pattern that all columns have is taken off by the dark: what counts is a column that leaves it.
        usual = float(mad_sigma(level))
        off = np.abs(level) > max(sigma, 6.0 * 1.2533 * sigma / float(np.sqrt(y1 - y0)), 6.0 * usual)
        off |= bad[y0:y1].mean(axis=0) > 1.0 / 3.0
        flagged[y0:y1, off] = True
    return flagged
