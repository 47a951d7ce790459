"""The drizzled copy of a master: the same subs on a grid twice as fine, without what the fold has rejected."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt

from nightfold.calibrate.apply import calibrate_rows
from nightfold.fold.drizzling import Drizzled, DrizzleSub, drizzle_subs, noise_ratio
from nightfold.fold.levels import seeing_terms
from nightfold.fold.masters import MasterSummary
from nightfold.fold.records import FoldOptions, FoldResult, FoldSub
from nightfold.frames.write import write_fits
from nightfold.measure.blank import rate_variance

FloatArray = npt.NDArray[np.float64]
Plane = npt.NDArray[np.float32]

OUTPUT_SCALE = 0.5
STANDS_OUT_SIGMA = 3.0
"""A raw pixel this far beyond all that the master shows around it is taken for the sample that was rejected there."""


def drizzle_fold(subs: Sequence[FoldSub], result: FoldResult, options: FoldOptions, *, drop: float) -> Drizzled:
    """The subs of a fold combined by drizzle on a grid twice as fine as the master's.

    The fold tells where it rejected samples, not whose. There each sub's own pixels are compared with the master: what lies
    beyond the range of its 3x3 pixels by 3 sigma of a raw pixel, and by what stars change from sub to sub, is left out.
    """
    signal = seeing_terms(subs, options)[0]
    return drizzle_subs(
        [_drizzle_sub(sub, result, signal) for sub in subs],
        (result.image.shape[0], result.image.shape[1]),
        pixel_fraction=drop,
        output_scale=OUTPUT_SCALE,
    )


def _drizzle_sub(sub: FoldSub, result: FoldResult, signal_term: float) -> DrizzleSub:
    def rows(y0: int, y1: int) -> Plane:
        raw = sub.read_box(y0, y1, 0, sub.shape[1])
        rate = calibrate_rows(raw, sub.calibration, y0) / np.float32(sub.exposure_s * sub.scale)
        if sub.calibration.bad is not None:
            rate[sub.calibration.bad[y0:y1]] = np.nan
        x, y = np.meshgrid(np.arange(sub.shape[1], dtype=np.float64), np.arange(y0, y1, dtype=np.float64))
        there = sub.transform.apply(np.column_stack([x.ravel(), y.ravel()]))
        surface = sub.sky.evaluate(there[:, 0], there[:, 1]).reshape(rate.shape) * sub.transform.scale**2
        values = np.asarray(rate - surface, np.float32)
        values.ravel()[stands_out(values.ravel(), there, sub, result, signal_term)] = np.nan
        return values

    variance = float(_variance(sub, np.array(sub.sky_e_per_s / sub.scale)))
    return DrizzleSub(read_rows=rows, shape=sub.shape, transform=sub.transform, weight=sub.weight, variance=variance)


def stands_out(
    values: Plane, there: FloatArray, sub: FoldSub, result: FoldResult, signal_term: float
) -> npt.NDArray[np.intp]:
    """Which of a sub's pixels are not of the light that the master shows where samples were rejected.

    Parameters
    ----------
    values : float32 (n,)
        Electrons per second and raw pixel at scale 1, the sub's sky surface taken off; NaN stands out nowhere.
    there : float64 (n, 2)
        Where they lie on the master's grid.
    signal_term : float
        Relative scatter of a star's light from sub to sub.

    Returns
    -------
    intp (m,)
        Indices into `values`.
    """
    height, width = result.image.shape
    column, row = (np.rint(there[:, k]).astype(np.intp) for k in range(2))
    inside = np.flatnonzero((column >= 1) & (column < width - 1) & (row >= 1) & (row < height - 1))
    near = [(j, i) for j in (-1, 0, 1) for i in (-1, 0, 1)]
    hit = np.zeros(inside.size, bool)
    for j, i in near:
        hit |= result.rejected[row[inside] + j, column[inside] + i] > 0
    asked = inside[hit]
    around = np.stack([result.image[row[asked] + j, column[asked] + i] for j, i in near]) * sub.transform.scale**2
    low, high = around.min(axis=0), around.max(axis=0)  # NaN beside the edge: nothing stands out there
    blank = sub.sky_e_per_s / sub.scale
    limit = STANDS_OUT_SIGMA * np.hypot(
        np.sqrt(_variance(sub, np.maximum(high, blank))), signal_term * np.maximum(high - blank, 0.0)
    )
    value = values[asked]
    return np.asarray(asked[(value > high + limit) | (value < low - limit)], np.intp)


def _variance(sub: FoldSub, light: FloatArray | Plane) -> FloatArray:
    """Of a raw pixel of so much light, both at scale 1."""
    calibration = sub.calibration
    variance = rate_variance(
        light * sub.scale,
        sub.exposure_s,
        read_noise_e=calibration.read_noise_e,
        e_per_adu=calibration.e_per_adu,
    )
    return np.asarray(variance / sub.scale**2, np.float64)


def write_drizzled(path: Path, drizzled: Drizzled, summary: MasterSummary) -> Path:
    """Write the drizzled copy beside the master at `path`; where it lies."""
    from astropy.io import fits

    target = path.with_name(path.stem + "_drizzle.fits")
    primary = fits.PrimaryHDU(drizzled.image)
    primary.header["BUNIT"] = "electron/s"
    primary.header["FILTER"] = summary.filter
    primary.header["EXPTIME"] = summary.exposure_s
    primary.header["PIXFRAC"] = (drizzled.pixel_fraction, "side of the drop in sub pixels")
    primary.header["OUTSCALE"] = (drizzled.output_scale, "side of a pixel in grid pixels")
    primary.header["NOISERAT"] = (
        noise_ratio(drizzled.pixel_fraction, drizzled.output_scale),
        "noise of areas over pixel noise",
    )
    hdus = [primary, fits.ImageHDU(drizzled.variance, name="VARIANCE"), fits.ImageHDU(drizzled.weight, name="WEIGHT")]
    write_fits(target, *hdus)
    return target
