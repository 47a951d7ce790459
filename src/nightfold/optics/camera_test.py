"""What a camera does, from pairs of flats, biases and darks: the photon-transfer method (Janesick, Scientific CCDs).

Planes are raw ADU of one read-out mode; gain and read noise come from `nightfold.calibrate.defects`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nightfold.calibrate.core import clipped_sigma
from nightfold.calibrate.defects import CameraNoise, measure_camera_noise
from nightfold.errors import CalibrationError
from nightfold.robust import clipped_mean

FloatArray = npt.NDArray[np.float64]
Planes = Sequence[npt.NDArray[np.generic]]
Mask = npt.NDArray[np.bool_]

MOST_LEVEL_DIFFERENCE = 0.05
"""Two flats of a pair whose levels differ by more were not taken alike. Common practice, no source."""
LINEAR_LOW, LINEAR_HIGH = 0.05, 0.7
"""Shares of the highest level between which the straight line is laid. Common practice, no source."""
FULL_WELL_DEPARTURE = 0.05
"""Share by which signal falls short of the straight line where the well is called full. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DarkCurrent:
    """Electrons per second and pixel at one temperature, with its 1 sigma error."""

    e_per_s: float
    error_e_per_s: float
    offset_adu: float  # level at no exposure


@dataclass(frozen=True, slots=True, kw_only=True)
class DarkDoubling:
    """Kelvin over which the dark current doubles, and the straight line of its logarithm."""

    interval_k: float
    error_k: float
    e_per_s_at_0c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Linearity:
    """Departure of flats from a straight line in exposure; arrays of shape (n,), sorted by exposure."""

    exposure_s: FloatArray
    level_adu: FloatArray  # above bias
    departure: FloatArray  # share of the straight line
    worst_departure: float  # between the levels that the line was laid through
    full_well_adu: float  # above bias; NaN if no flat was bright enough to show it


@dataclass(frozen=True, slots=True, kw_only=True)
class PatternNoise:
    """Scatter of row and column means beyond what pixel noise gives, ADU."""

    rows_adu: float
    columns_adu: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HotGrowth:
    """How the hot pixels changed between two dates."""

    before: int
    now: int
    new: int
    gone: int
    per_year: float  # net
    error_per_year: float


def gain_and_read_noise(
    flats: Planes, biases: Planes, *, flat_exposures_s: Sequence[float] | None = None
) -> CameraNoise:
    """Gain and read noise from two flats taken alike and two biases; the pairs are refused where they do not belong.

    Parameters
    ----------
    flats, biases : two planes each, shape (height, width), ADU
        An evenly lit patch, NaN for bad pixels.
    flat_exposures_s : two numbers, optional
        Their exposures, which must agree.
    """
    planes = [np.asarray(p, np.float64) for p in (*flats, *biases)]
    if len(flats) != 2 or len(biases) != 2 or any(p.shape != planes[0].shape for p in planes):
        raise CalibrationError(
            "the camera test needs two flats and two biases of one shape",
            seen=f"{len(flats)} flats, {len(biases)} biases, shapes {sorted({p.shape for p in planes})}",
            allowed="two of each",
            next_step="take a pair of each with the same read-out",
        )
    if flat_exposures_s is not None and not np.isclose(flat_exposures_s[0], flat_exposures_s[1], rtol=1e-3):
        raise CalibrationError(
            "the two flats have different exposures",
            seen=f"{flat_exposures_s[0]:g} and {flat_exposures_s[1]:g} s",
            allowed="one exposure for both",
            next_step="pair flats taken alike",
        )
    bias = 0.5 * (level_adu(planes[2]) + level_adu(planes[3]))
    first, second = level_adu(planes[0]) - bias, level_adu(planes[1]) - bias
    if not (first > 0 and second > 0 and abs(first - second) <= MOST_LEVEL_DIFFERENCE * max(first, second)):
        raise CalibrationError(
            "the two flats are not equally bright",
            seen=f"{first:.0f} and {second:.0f} ADU above bias",
            allowed=f"levels within {100 * MOST_LEVEL_DIFFERENCE:.0f} % of each other, above the bias",
            next_step="take both with a steady light",
        )
    # Brought to one level, or vignetting and pixels' unequal answers would pass for noise. The noise of the scaled flat
    # grows by the ratio while its light counts as the first's: to first order the gain comes out 2 / (1 + ratio) too large.
    ratio = first / second
    found = measure_camera_noise((planes[0], bias + ratio * (planes[1] - bias)), (planes[2], planes[3]))
    share = 0.5 * (1.0 + ratio)
    return CameraNoise(
        e_per_adu=share * found.e_per_adu, e_per_adu_error=share * found.e_per_adu_error,
        read_noise_e=share * found.read_noise_e, read_noise_error_e=share * found.read_noise_error_e,
    )  # fmt: skip


def level_adu(plane: npt.NDArray[np.generic]) -> float:
    """Mean of the finite pixels within 5 sigma: a fraction of an ADU, without hot pixels and cosmic rays."""
    return clipped_mean(np.asarray(plane, np.float64), clip_sigma=5.0)[0]


def dark_current(darks: Planes, exposures_s: Sequence[float], *, e_per_adu: float) -> DarkCurrent:
    """Dark current of the ordinary pixels: the slope of the darks' levels over their exposures.

    Parameters
    ----------
    darks : planes of shape (height, width), ADU
        Of one temperature and at least two exposures; biases count as darks of 0 s.
    exposures_s : as many numbers
    e_per_adu : float
        Gain.

    Notes
    -----
    With three darks or more the error is the larger of what the pixels' noise gives and what the levels scatter about
    their line (offsets of a bias drift by more than the pixels' noise).
    """
    t = np.asarray(exposures_s, np.float64)
    if t.size != len(darks) or np.unique(t).size < 2:
        raise CalibrationError(
            "the darks give no dark current",
            seen=f"{len(darks)} darks with exposures {sorted(set(t.tolist()))} s",
            allowed="darks of at least two exposures, biases among them",
            next_step="add biases, or darks of another exposure",
        )
    planes = [np.asarray(d, np.float64) for d in darks]
    stats = [clipped_mean(p, clip_sigma=5.0) for p in planes]
    levels = np.array([s[0] for s in stats])
    noise = np.array([s[1] / np.sqrt(max(s[2], 1)) for s in stats])
    spread = t - t.mean()
    slope = float(spread @ levels / (spread @ spread))
    offset = float(levels.mean() - slope * t.mean())
    error = float(np.sqrt((spread**2) @ noise**2) / (spread @ spread))
    if t.size > 2:
        residual = levels - offset - slope * t
        scatter = float(np.sqrt((residual**2).sum() / (t.size - 2)))
        error = max(error, scatter / float(np.sqrt(spread @ spread)))
    return DarkCurrent(e_per_s=slope * e_per_adu, error_e_per_s=error * e_per_adu, offset_adu=offset)


def dark_doubling(temperature_c: npt.ArrayLike, e_per_s: npt.ArrayLike, error_e_per_s: npt.ArrayLike) -> DarkDoubling:
    """Doubling interval from dark currents at several temperatures, by a weighted line through their logarithms.

    Real sensors double every 5 to 8 K (CHECKS D5), less evenly over wide ranges. Dark currents below 3 of their errors
    are left out.
    """
    t, dark, error = (np.asarray(v, np.float64) for v in (temperature_c, e_per_s, error_e_per_s))
    kept = np.isfinite(t) & (dark > 3.0 * error) & (error > 0.0)
    t, dark, error = t[kept], dark[kept], error[kept]
    if t.size < 2 or np.ptp(t) < 3.0:
        raise CalibrationError(
            "the darks give no doubling temperature",
            seen=f"{t.size} temperatures with measurable dark current",
            allowed="at least two, 3 degrees or more apart",
            next_step="take longer or warmer darks",
        )
    weight = (dark / error) ** 2
    middle = float((weight * t).sum() / weight.sum())
    height = float((weight * np.log(dark)).sum() / weight.sum())
    square = float((weight * (t - middle) ** 2).sum())
    slope = float((weight * (t - middle) * np.log(dark)).sum() / square)
    slope_error = 1.0 / float(np.sqrt(square))
    if t.size > 2:
        chi2 = float((weight * (np.log(dark) - height - slope * (t - middle)) ** 2).sum()) / (t.size - 2)
        slope_error *= max(1.0, float(np.sqrt(chi2)))
    if slope <= 3.0 * slope_error:
        raise CalibrationError(
            "the dark current does not grow with temperature",
            seen=f"{slope:.3g} ± {slope_error:.2g} per degree in its logarithm",
            allowed="growth of more than 3 sigma",
            next_step="check for light leaks and that the temperatures belong to the darks",
        )
    interval = float(np.log(2.0)) / slope
    return DarkDoubling(
        interval_k=interval,
        error_k=interval * slope_error / slope,
        e_per_s_at_0c=float(np.exp(height - slope * middle)),
    )


def linearity(exposure_s: npt.ArrayLike, level_above_bias_adu: npt.ArrayLike) -> Linearity:
    """How far flats of several exposures in one steady light depart from a straight line through zero.

    The line is laid by least squares of relative departures between 5 and 70 percent of the highest level. The full
    well is where the levels first fall 5 percent short of it, joined linearly.
    """
    t, level = np.asarray(exposure_s, np.float64), np.asarray(level_above_bias_adu, np.float64)
    order = np.argsort(t, kind="stable")
    t, level = t[order], level[order]
    top = float(np.nanmax(level)) if level.size else float("nan")
    inside = (level >= LINEAR_LOW * top) & (level <= LINEAR_HIGH * top) & (t > 0.0)
    if np.unique(t[inside]).size < 3:
        raise CalibrationError(
            "the flats do not tell linearity",
            seen=f"{np.unique(t[inside]).size} exposures between 5 and 70 % of the highest level",
            allowed="at least 3",
            next_step="take flats of more exposures in the same light",
        )
    rate = float(np.mean(level[inside] / t[inside]))
    departure = np.divide(level, rate * t, out=np.ones_like(level), where=t > 0.0) - 1.0
    full = float("nan")
    short = np.flatnonzero((departure < -FULL_WELL_DEPARTURE) & (level > LINEAR_HIGH * top))
    if short.size and short[0] > 0:
        i = int(short[0])
        share = (-FULL_WELL_DEPARTURE - departure[i - 1]) / (departure[i] - departure[i - 1])
        full = float(level[i - 1] + share * (level[i] - level[i - 1]))
    return Linearity(
        exposure_s=t,
        level_adu=level,
        departure=departure,
        worst_departure=float(np.abs(departure[inside]).max()),
        full_well_adu=full,
    )


def pattern_noise(first: npt.NDArray[np.generic], second: npt.NDArray[np.generic]) -> PatternNoise:
    """Row and column noise of a single frame from the difference of two biases, the pixels' own noise taken out."""
    difference = np.asarray(second, np.float64) - np.asarray(first, np.float64)
    sigma = clipped_sigma(difference)
    kept = np.where(np.abs(difference - np.nanmedian(difference)) <= 5.0 * sigma, difference, np.nan)

    def beyond(axis: int) -> float:
        means = np.nanmean(kept, axis=axis)
        expected = sigma**2 / difference.shape[axis]
        return float(np.sqrt(max(float(np.var(means, ddof=1)) - expected, 0.0) / 2.0))

    return PatternNoise(rows_adu=beyond(1), columns_adu=beyond(0))


def hot_pixel_growth(before: Mask, now: Mask, *, days: float) -> HotGrowth:
    """New and gone hot pixels between two masks of one sensor, and the net growth per year with its Poisson error."""
    if before.shape != now.shape or not days > 0.0:
        raise CalibrationError(
            "the hot pixels cannot be compared",
            seen=f"masks {before.shape} and {now.shape}, {days:g} days apart",
            allowed="masks of one sensor and binning, the later one second",
            next_step="compare masters of the same binning",
        )
    new, gone = int((now & ~before).sum()), int((before & ~now).sum())
    years = days / 365.25
    return HotGrowth(
        before=int(before.sum()),
        now=int(now.sum()),
        new=new,
        gone=gone,
        per_year=(new - gone) / years,
        error_per_year=float(np.sqrt(new + gone)) / years,
    )


def differs(measured: float, error: float, stated: float, *, share: float = 0.05) -> bool:
    """True where a measured number contradicts the campaign's: by more than 3 sigma and more than a share of it."""
    return bool(abs(measured - stated) > max(3.0 * error, share * abs(stated)))
