"""Master calibration frames from single ones: robust combination of bias, dark and flat frames, band by band.

Every sample is judged against noise that is known (measured once from the frames' differences, plus the photon noise
of its level), never against a scatter estimated from a handful of values: with ten frames that estimate would throw
away good samples (CHECKS S4) or could not throw away any (CHECKS S5). The start is the median. The answer of a pixel
depends on that pixel's samples and on numbers measured over fixed sample rows, so that bands, memory and threads
change nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from nightfold.errors import CalibrationError
from nightfold.frames.ceiling import full_value
from nightfold.kernels.frame_stack import combine_known_noise
from nightfold.robust import mad_sigma
from nightfold.units import SIGMA_PER_MAD

Plane = npt.NDArray[np.float32]
ReadRows = Callable[[int, int], npt.NDArray[np.generic]]
Progress = Callable[[int, int], None]

DEFAULT_MEMORY_BYTES = 512 * 1024 * 1024
SAMPLE_ROWS = 48
SATURATED_FLAT_SHARE = 0.9
"""A flat whose bright part lies above this share of the ceiling is no longer linear. Common practice, no source."""
DARK_FLAT_SHARE = 0.03
"""A flat with less than this share of the range is mostly bias: its errors enter every sub. Common practice, no source."""
MOST_FLAT_SCATTER = 0.06
"""A flat whose pixels scatter by more than this share of its level holds some 300 electrons a pixel or fewer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Combined:
    """Frames combined pixel by pixel; planes of one shape (height, width).

    `mean` float32 in the frames' unit (ADU; a flat has no unit), `variance_of_mean` float32 in its square, `used` int32
    the samples kept. NaN and 0 where no frame had a finite sample. `levels` are the frames' robust levels.
    """

    mean: Plane
    variance_of_mean: Plane
    used: npt.NDArray[np.int32]
    frames: int
    levels: tuple[float, ...]
    noise: float  # of one sample at the typical level, in the frames' unit

    @property
    def rejected_fraction(self) -> float:
        """Share of all samples that was left out."""
        return 1.0 - float(self.used.sum(dtype=np.int64)) / (self.frames * self.used.size)

    @property
    def typical_variance(self) -> float:
        """Median variance of the mean."""
        return frame_level(self.variance_of_mean)


@dataclass(frozen=True, slots=True, kw_only=True)
class FlatMaster:
    """A flat of mean 1 and the frames that could not be used: (index in what was offered, reason)."""

    combined: Combined
    refused: tuple[tuple[int, str], ...] = field(default=())


def plane_reader(plane: npt.NDArray[np.generic]) -> ReadRows:
    """A band reader over an array in memory, shape (height, width)."""
    return lambda y0, y1: plane[y0:y1]


def sample_row_numbers(height: int) -> npt.NDArray[np.int64]:
    """Rows, evenly spread, that stand for the frame; the same for every frame of that height."""
    count = min(height, SAMPLE_ROWS)
    return np.unique(((np.arange(count) + 0.5) * height / count).astype(np.int64))


def sample_rows(read: ReadRows, shape: tuple[int, int], number: int = 0) -> Plane:
    """The sample rows of one frame, shape (rows, width), float32."""
    rows = [_rows_of(read, int(y), int(y) + 1, shape[1], number) for y in sample_row_numbers(shape[0])]
    return np.concatenate(rows)


def frame_level(sample: npt.NDArray[np.floating]) -> float:
    """The robust level of a frame or a plane: the median of its finite pixels; NaN for none."""
    finite = sample[np.isfinite(sample)]  # a copy of its own, so that the median may sort it in place
    return float(np.median(finite, overwrite_input=True)) if finite.size else float("nan")


def clipped_sigma(values: npt.NDArray[np.floating], *, clip_sigma: float = 5.0) -> float:
    """Standard deviation of the finite values within 5 sigma of their mean; the clip's own loss is below 1e-5.

    Used for differences of frames in whole ADU, where a median deviation moves in steps of the rounding.
    """
    kept = np.asarray(values, np.float64).ravel()
    kept = kept[np.isfinite(kept)]
    if kept.size == 0:
        return float("nan")
    centre, sigma = float(np.median(kept)), float(mad_sigma(kept))
    if not sigma > 0.0:
        sigma = float(kept.std())
    for _ in range(20):
        inside = kept[np.abs(kept - centre) <= clip_sigma * sigma]
        if inside.size == 0:
            break
        new_centre, new_sigma = float(inside.mean()), float(inside.std())
        if new_sigma == 0.0 or abs(new_sigma - sigma) <= 1e-9 * sigma:
            sigma = new_sigma
            break
        centre, sigma = new_centre, new_sigma
    return sigma


def combine_frames(
    read_rows: Sequence[ReadRows],
    shape: tuple[int, int],
    *,
    scale: str | None = None,
    share_given_up: float = 0.001,
    e_per_adu: float | None = None,
    memory_bytes: int = DEFAULT_MEMORY_BYTES,
    workers: int = 1,
    progress: Progress | None = None,
) -> Combined:
    """The robust mean of frames, with its variance and the samples used.

    Parameters
    ----------
    read_rows : sequence of callable
        ``read(y0, y1)`` gives rows y0 to y1 (not included) of one frame, shape (y1 - y0, width), any real dtype; NaN
        samples are left out. Called from several threads at once, never twice at once for the same rows.
    shape : (int, int)
        Height and width in pixels, the same for all frames.
    scale : None or "flat"
        "flat" divides each frame by its own robust level first, so that a fading light does not count as scatter; the
        noise then grows with the root of the level.
    share_given_up : float
        Share of good samples lost to rejection, for normal noise; 0.001 clips at 3.29 sigma.
    e_per_adu : float, optional
        Lets the expected noise grow with the photon noise of a pixel's level (hot pixels of darks).
    memory_bytes : int
        Ceiling of the working arrays of all workers together, the three result planes not included.
    workers : int
        Threads. The answer does not depend on it.
    progress : callable, optional
        Called with (rows done, rows in all).
    """
    frames = len(read_rows)
    if frames == 0:
        raise CalibrationError("no frames to combine", allowed="at least one", next_step="take calibration frames in")
    if not 0.0 < share_given_up < 1.0:
        raise CalibrationError(
            "share of good samples given up is impossible", seen=f"{share_given_up}", allowed="above 0, below 1"
        )
    if scale not in (None, "flat"):
        raise CalibrationError("unknown scaling of frames", seen=repr(scale), allowed='None or "flat"')
    height, width = shape
    samples = [sample_rows(read, shape, i) for i, read in enumerate(read_rows)]
    levels = tuple(frame_level(s) for s in samples)
    factors = _scale_factors(levels, scale)
    floor_variance, per_level, base = _noise_model(samples, factors, scale, e_per_adu)
    typical_level = frame_level(np.asarray(levels) * factors)
    noise = math.sqrt(floor_variance + per_level * max(typical_level - base, 0.0))
    del samples

    mean = np.empty(shape, np.float32)
    variance = np.empty(shape, np.float32)
    used = np.empty(shape, np.int32)
    clip = -NormalDist().inv_cdf(share_given_up / 2.0)
    rows = band_rows(frames, shape, memory_bytes=memory_bytes, workers=workers)
    starts = range(0, height, rows)

    def one_band(y0: int) -> int:
        y1 = min(y0 + rows, height)
        stack = np.empty((frames, (y1 - y0) * width), np.float32)
        for i, read in enumerate(read_rows):
            stack[i] = _rows_of(read, y0, y1, width, i).reshape(-1)
            if factors[i] != 1.0:
                stack[i] *= np.float32(factors[i])
        combine_known_noise(
            stack,
            floor_variance,
            per_level,
            base,
            clip,
            SIGMA_PER_MAD,
            mean[y0:y1].reshape(-1),
            variance[y0:y1].reshape(-1),
            used[y0:y1].reshape(-1),
        )
        return y1 - y0

    done = 0
    if workers <= 1:
        for y0 in starts:
            done += one_band(y0)
            if progress is not None:
                progress(done, height)
    else:
        with ThreadPoolExecutor(workers) as pool:
            for count in pool.map(one_band, starts):
                done += count
                if progress is not None:
                    progress(done, height)
    return Combined(mean=mean, variance_of_mean=variance, used=used, frames=frames, levels=levels, noise=noise)


def band_rows(frames: int, shape: tuple[int, int], *, memory_bytes: int, workers: int) -> int:
    """Rows of a band, so that all workers' stacks (and one band as read, up to 8 bytes a pixel) stay in the ceiling."""
    per_row = shape[1] * (4 * frames + 12)
    return max(1, min(shape[0], int(memory_bytes // max(1, workers) // per_row)))


def master_bias(
    biases: Sequence[ReadRows],
    shape: tuple[int, int],
    *,
    share_given_up: float = 0.001,
    memory_bytes: int = DEFAULT_MEMORY_BYTES,
    workers: int = 1,
    progress: Progress | None = None,
) -> Combined:
    """The combined bias, ADU."""
    return combine_frames(
        biases,
        shape,
        share_given_up=share_given_up,
        memory_bytes=memory_bytes,
        workers=workers,
        progress=progress,
    )


def master_dark(
    darks: Sequence[ReadRows],
    shape: tuple[int, int],
    *,
    e_per_adu: float | None = None,
    share_given_up: float = 0.001,
    memory_bytes: int = DEFAULT_MEMORY_BYTES,
    workers: int = 1,
    progress: Progress | None = None,
) -> Combined:
    """The combined dark, ADU, bias included. Amplifier glow and hot pixels are in every frame and so stay."""
    return combine_frames(
        darks,
        shape,
        e_per_adu=e_per_adu,
        share_given_up=share_given_up,
        memory_bytes=memory_bytes,
        workers=workers,
        progress=progress,
    )


def scale_dark(dark: Combined, bias: Combined | None, ratio: float) -> Combined:
    """The dark of another exposure: bias + ratio * (dark - bias), its variance carried.

    Only the dark signal grows with time, so without a bias there is nothing to scale. Amplifier glow does not grow
    evenly with time on every sensor: a scaled dark is a stopgap that `notes` should tell.
    """
    if bias is None:
        raise CalibrationError(
            "a dark cannot be scaled without a bias",
            seen=f"ratio {ratio:g}",
            allowed="ratio 1, or a master bias of the same camera, gain and offset",
            next_step="take bias frames in, or darks of the subs' own exposure",
        )
    if not (math.isfinite(ratio) and ratio > 0.0):
        raise CalibrationError("dark scaling ratio is impossible", seen=f"{ratio}", allowed="above 0")
    if dark.mean.shape != bias.mean.shape:
        raise CalibrationError(
            "dark and bias differ in size",
            seen=f"{_size(dark.mean)} and {_size(bias.mean)}",
            allowed="one size",
            next_step="combine frames of one camera and binning",
        )
    mean = bias.mean + np.float32(ratio) * (dark.mean - bias.mean)
    variance = np.float32(ratio**2) * dark.variance_of_mean + np.float32((1.0 - ratio) ** 2) * bias.variance_of_mean
    return Combined(
        mean=mean,
        variance_of_mean=variance,
        used=dark.used,
        frames=dark.frames,
        levels=dark.levels,
        noise=dark.noise,
    )


def master_flat(
    flats: Sequence[ReadRows],
    shape: tuple[int, int],
    *,
    dark: Combined | float,
    ceiling_adu: float | None = None,
    names: Sequence[str] | None = None,
    share_given_up: float = 0.001,
    memory_bytes: int = DEFAULT_MEMORY_BYTES,
    workers: int = 1,
    progress: Progress | None = None,
) -> FlatMaster:
    """The flat of mean 1, from the flats that can be used.

    Parameters
    ----------
    dark : Combined or float
        What the shutter closed would read: a master flat-dark or bias, or a constant pedestal in ADU.
    ceiling_adu : float, optional
        Reading of a saturated pixel; where it is not known, the flats tell it: pixels that pile up at the top, and else
        the end of the smallest converter (12, 14 or 16 bits) that could have given their values.
    names : sequence of str, optional
        The frames' names, for the reasons.

    Notes
    -----
    A flat is refused by name, and the rest goes on, when its bright part (95th percentile) is above 0.9 of the ceiling,
    when its level above the dark is below 3 % of the range, or when its pixels scatter by more than 6 % of that level;
    if none is left, a CalibrationError lists the reasons.
    """
    if not flats:
        raise CalibrationError("no flats to combine", allowed="at least one", next_step="take flats in")
    label = [f"flat {i + 1}" for i in range(len(flats))] if names is None else list(names)
    usable: list[ReadRows] = []
    refused: list[tuple[int, str]] = []
    samples = [sample_rows(read, shape, i) for i, read in enumerate(flats)]
    full_adu, range_adu = (ceiling_adu, ceiling_adu) if ceiling_adu is not None else converter_range(samples)
    for i, read in enumerate(flats):
        reason = flat_fault(samples[i], dark=dark, ceiling_adu=full_adu, range_adu=range_adu)
        if reason:
            refused.append((i, f"{label[i]}: {reason}"))
        else:
            usable.append(_minus(read, dark))
    if not usable:
        raise CalibrationError(
            "no flat can be used",
            seen="; ".join(reason for _, reason in refused),
            allowed=f"between {DARK_FLAT_SHARE:.0%} and {SATURATED_FLAT_SHARE:.0%} of the range",
            next_step="shoot flats near half of the range",
        )
    combined = combine_frames(
        usable,
        shape,
        scale="flat",
        share_given_up=share_given_up,
        memory_bytes=memory_bytes,
        workers=workers,
        progress=progress,
    )
    mean = float(np.mean(combined.mean, where=np.isfinite(combined.mean), dtype=np.float64))
    variance = combined.variance_of_mean / np.float32(mean**2)
    if isinstance(dark, Combined):
        # The dark was taken off every flat alike, so its noise does not average down with their number (CHECKS D14).
        level = float(np.mean(combined.levels))
        variance = variance + dark.variance_of_mean / np.float32((level * mean) ** 2)
    normalised = Combined(
        mean=combined.mean / np.float32(mean),
        variance_of_mean=variance,
        used=combined.used,
        frames=combined.frames,
        levels=combined.levels,
        noise=combined.noise / mean,
    )
    return FlatMaster(combined=normalised, refused=tuple(refused))


def converter_range(samples: Sequence[Plane]) -> tuple[float, float]:
    """Where pixels of these frames are full, and the range of values that their converter has, in ADU.

    Cameras of 12 and 14 bits write their values as they are or stretched to 16 bits, and headers seldom say which. Values
    that pile up at the top are full. Without a pile the first number is the end of 16 bits, so that no good flat is taken
    for a full one, and the second the end of the smallest converter that could have given the values, so that no good flat
    is taken for a dark one.
    """
    greatest = max((float(np.nanmax(s)) for s in samples if np.isfinite(s).any()), default=0.0)
    ends = [float(2**bits - 1) for bits in (12, 14, 16)]
    piles = [pile for s in samples if (pile := full_value(s)) is not None]
    # A frame that is full all over has no lower values to stand out from.
    piles += [
        top
        for s in samples
        if np.isfinite(s).any() and (top := float(np.nanmax(s))) == float(np.nanmedian(s)) and top > 255
    ]
    if piles:
        return max(piles), max(piles)
    return max(ends[-1], greatest), next((end for end in ends if greatest <= end), greatest)


def flat_fault(raw: Plane, *, dark: Combined | float, ceiling_adu: float, range_adu: float) -> str:
    """Why the flat that `raw` (rows, width) is a sample of cannot be used, in plain words; empty if it can."""
    finite = raw[np.isfinite(raw)]
    if finite.size == 0:
        return "no finite pixels"
    bright = float(np.percentile(finite, 95.0))
    closed = frame_level(dark.mean) if isinstance(dark, Combined) else float(dark)
    level = float(np.median(finite)) - closed
    if bright > SATURATED_FLAT_SHARE * ceiling_adu:
        return f"saturated: {bright:.0f} ADU of {ceiling_adu:.0f}"
    if level < DARK_FLAT_SHARE * (range_adu - closed):
        return f"too dark: {level:.0f} ADU above the dark level of {closed:.0f}"
    scatter = clipped_sigma(raw[:, 2:] - raw[:, :-2]) / math.sqrt(2.0) / level  # two apart: of one colour, if any
    if scatter > MOST_FLAT_SCATTER:
        return f"too dark: {level:.0f} ADU above the dark level of {closed:.0f}, and pixels scatter by {scatter:.0%} of that"
    return ""


def _minus(read: ReadRows, dark: Combined | float) -> ReadRows:
    """A reader of rows with the dark taken off."""
    if isinstance(dark, Combined):
        plane = dark.mean
        return lambda y0, y1: np.asarray(read(y0, y1), np.float32) - plane[y0:y1]
    pedestal = np.float32(dark)
    return lambda y0, y1: np.asarray(read(y0, y1), np.float32) - pedestal


def _rows_of(read: ReadRows, y0: int, y1: int, width: int, number: int) -> Plane:
    """The rows as float32, or an error that names the frame of another size."""
    band = read(y0, y1)
    if band.shape != (y1 - y0, width):
        raise CalibrationError(
            f"calibration frame {number + 1} has another size",
            seen=f"{band.shape[-1]} px a row, {band.shape[0]} rows of {y1 - y0}",
            allowed=f"{width} px a row",
            next_step="combine frames of one camera and binning only",
        )
    return np.asarray(band, dtype=np.float32)


def _scale_factors(levels: tuple[float, ...], scale: str | None) -> npt.NDArray[np.float64]:
    """What each frame is multiplied with: 1, or one over its own level."""
    if scale is None:
        return np.ones(len(levels))
    for i, level in enumerate(levels):
        if not level > 0.0:
            raise CalibrationError(
                f"frame {i + 1} of {len(levels)} has no light",
                seen=f"level {level:g} ADU",
                allowed="above 0",
                next_step="leave it out",
            )
    return 1.0 / np.asarray(levels)


def _noise_model(
    samples: list[Plane], factors: npt.NDArray[np.float64], scale: str | None, e_per_adu: float | None
) -> tuple[float, float, float]:
    """Floor variance, variance per level above the base, and the base, of one (scaled) sample.

    From the differences of neighbouring frames: the median over the pairs, so that one odd frame does not count.
    """
    scaled = [s * np.float32(f) for s, f in zip(samples, factors, strict=True)]
    level = frame_level(np.concatenate(scaled))
    # One frame only: neighbours along a row tell the noise, a little high where the frame has structure.
    pairs = list(pairwise(scaled)) if len(scaled) > 1 else [(scaled[0][:, :-1], scaled[0][:, 1:])]
    if scale == "flat":
        # Photon noise: each difference in units of the root of its own level, so that vignetting does not blur it.
        with np.errstate(invalid="ignore", divide="ignore"):
            differences = [(b - a) / np.sqrt(0.5 * (a + b)) for a, b in pairs]
    else:
        differences = [b - a for a, b in pairs]
    variances = [v for v in (clipped_sigma(d) ** 2 for d in differences) if np.isfinite(v)]
    variance = float(np.median(variances)) / 2.0 if variances else 0.0
    # Rounding to whole ADU can hide a small noise altogether; the step's own variance (CHECKS D4) is the least.
    variance = max(variance, float(np.median(factors)) ** 2 / 12.0)
    if scale == "flat":
        return 0.0, variance, 0.0
    return variance, 0.0 if e_per_adu is None else 1.0 / e_per_adu, level


def _size(plane: npt.NDArray[np.generic]) -> str:
    return f"{plane.shape[1]}x{plane.shape[0]} px"
